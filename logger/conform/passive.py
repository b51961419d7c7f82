"""What holds for every line that came, whatever it was sent for."""

import re
from collections.abc import Sequence
from typing import Final

from logger.conform.contract import Contract
from logger.conform.ledger import Ledger
from logger.conform.lines import Line

_FORM_RULES: Final = ("length", "crc", "crc-digits", "characters")
_FAULT_PAUSE_US: Final = 950_000
_TIMED: Final = ("w", "load", "fault", "burst", "flex", "flex-end")


def check_lines(ledger: Ledger, contract: Contract, lines: Sequence[Line]) -> None:
    """Form of each, keys of every hello, order of times, pause between faults."""
    for line in lines:
        broken = dict(line.faults)
        for rule in _FORM_RULES:
            ledger.check(rule, rule not in broken, broken.get(rule, ""), seen=line.raw)
        if "characters" in broken:
            continue
        if line.kind == "hello":
            check_hello(ledger, contract, line)
        else:
            _check_fields(ledger, contract, line)
    _check_times(ledger, contract, lines)


def check_hello(ledger: Ledger, contract: Contract, line: Line) -> None:
    keys = [part.partition("=")[0] for part in line.fields]
    for key in contract.keys.values():
        if key.must or key.name in keys:
            ledger.check(
                "hello-keys", keys.count(key.name) == 1, f"{key.name}=... once", seen=line.raw
            )
        if key.name in line.pairs:
            ledger.check(
                "hello-forms",
                key.fits(line.pairs[key.name]),
                f"{key.name}={' or '.join(key.forms)}",
                seen=line.raw,
            )
    ledger.check("hello-lf", line.alone, "an LF of its own before it: an empty line", seen=line.raw)


def _check_fields(ledger: Ledger, contract: Contract, line: Line) -> None:
    forms = contract.fields.get(line.kind)
    if forms is None:
        return  # a kind of its own, which a receiver ignores
    if line.kind == "fault":
        _check_fault(ledger, contract, line)
    ledger.check(
        "numbers",
        len(line.fields) >= len(forms),
        f"{line.kind},{','.join(forms)}",
        seen=line.raw,
    )
    for (name, form), text in zip(forms.items(), line.fields, strict=False):
        ledger.check(
            "numbers",
            re.fullmatch(form, text) is not None,
            f"{name} as {form}",
            seen=line.raw,
        )


def _check_fault(ledger: Ledger, contract: Contract, line: Line) -> None:
    code, detail = (*line.fields[1:3], "", "")[:2]
    form = contract.details.get(code)
    ledger.check("fault-form", len(line.fields) >= 3, "fault,time_us,code,detail", seen=line.raw)
    if form is not None:
        ledger.check(
            "fault-form",
            re.fullmatch(form, detail) is not None,
            f"detail of {code} as {form}",
            seen=line.raw,
        )


def _check_times(ledger: Ledger, contract: Contract, lines: Sequence[Line]) -> None:
    # By boot and kind of line, by boot and code of a fault: the time and bytes of the one before.
    last: dict[tuple[int, str], tuple[int, bytes]] = {}
    told: dict[tuple[int, str], tuple[int, bytes]] = {}
    for line in lines:
        if line.kind not in _TIMED or (time_us := _time_us(contract, line)) is None:
            continue
        before = last.get((line.boot, line.kind))
        if before is not None:
            earlier_us, raw = before
            ledger.check(
                "time-order",
                time_us > earlier_us if line.kind == "w" else time_us >= earlier_us,
                f"time_us {'above' if line.kind == 'w' else 'not below'} {earlier_us}",
                seen=raw + b"\n" + line.raw,
            )
        last[line.boot, line.kind] = time_us, line.raw
        if line.kind == "fault" and len(line.fields) > 1:
            code = line.fields[1]
            if (same := told.get((line.boot, code))) is not None:
                pause_us = time_us - same[0]
                ledger.check(
                    "fault-pause",
                    pause_us >= _FAULT_PAUSE_US,
                    f"1 s between two of {code}, here {pause_us} us",
                    seen=same[1] + b"\n" + line.raw,
                )
            told[line.boot, code] = time_us, line.raw


def _time_us(contract: Contract, line: Line) -> int | None:
    place = list(contract.fields[line.kind]).index("time_us")
    text = line.fields[place] if place < len(line.fields) else ""
    return int(text) if text.isdigit() else None
