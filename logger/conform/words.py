"""What the test found, in words for the screen and as JSON."""

import textwrap
from collections.abc import Sequence
from typing import Any, Final

from logger.conform.course import Conformance
from logger.conform.ledger import Finding

TEXT_WIDTH: Final = 79
_LABEL: Final = 10
_BYTES_SHOWN: Final = 400
_NAMES_SHOWN: Final = 8

SWITCH_CAUTION: Final = (
    "This opens and closes the load switch and sets a cutoff. Unplug the piece first; a resistor in its place "
    "(100 ohm for three AA, half a watt; it gets warm) lets current and charge be checked, too."
)


def answer_words(result: Conformance) -> str:
    """Does it speak the protocol? One sentence."""
    passed, broken, left = (len(result.of(name)) for name in ("passed", "broken", "not tried"))
    tried = passed + broken
    if broken:
        return f"{broken} of {tried} rules {'is' if broken == 1 else 'are'} broken.{_left(left)}"
    return f"This board speaks the protocol: {passed} of {tried} rules.{_left(left)}"


def _left(count: int) -> str:
    return f" {count} could not be tried." if count else ""


def screen_lines(result: Conformance, *, details: bool = False) -> list[str]:
    """Below the answer: what is broken, in full; what was not tried, and why; with ``details`` what holds, too."""
    lines: list[str] = []
    for finding in result.of("broken"):
        lines += ["", *_broken(finding)]
    left = result.of("not tried")
    if left:
        lines += ["", "Not tried:"]
        lines += [line for why, names in _by_why(left) for line in _entry(_names(names), why)]
    if details and (held := result.of("passed")):
        lines += ["", "Holds:"]
        lines += [line for item in held for line in _entry(item.rule.name, f"{item.rule.says}.")]
    return lines


def _broken(finding: Finding) -> list[str]:
    rule = finding.rule
    times = f", {finding.broken} of {finding.tries} times" if finding.tries > 1 else ""
    lines = _wrapped(f'BROKEN {rule.name}{times}. PROTOCOL.md, "{rule.section}":', "", "")
    lines += _wrapped(f"{rule.says}.", "  ", "  ")
    for label, text in (
        ("sent", shown(finding.sent).replace("\n", "\\n")),
        ("seen", shown(finding.seen)),
        ("expected", finding.expected),
    ):
        if text:
            lines += _labelled(label, text)
    return lines


def _wrapped(text: str, first: str, more: str) -> list[str]:
    return textwrap.wrap(
        text, TEXT_WIDTH, initial_indent=first, subsequent_indent=more, break_on_hyphens=False
    )


def _labelled(label: str, text: str) -> list[str]:
    """Bytes are broken anywhere, at the width of the screen."""
    width = TEXT_WIDTH - 2 - _LABEL
    rows = [
        row[at : at + width] for row in text.split("\n") for at in range(0, max(len(row), 1), width)
    ]
    return [f"  {(label if number == 0 else ''):<{_LABEL}}{row}" for number, row in enumerate(rows)]


def _entry(name: str, text: str) -> list[str]:
    return _wrapped(f"{name}: {text}", "  ", "    ")


def _names(names: Sequence[str]) -> str:
    return ", ".join(names) if len(names) <= _NAMES_SHOWN else f"{len(names)} rules"


def _by_why(left: Sequence[Finding]) -> list[tuple[str, list[str]]]:
    """Rules with the same reason stand together."""
    found: dict[str, list[str]] = {}
    for item in left:
        found.setdefault(item.why, []).append(item.rule.name)
    return list(found.items())


def shown(data: bytes) -> str:
    """Bytes as text: what cannot be printed as an escape, lines apart, cut where it gets long."""
    text = data[:_BYTES_SHOWN].decode("latin-1").removesuffix("\n")
    told = "".join(
        sign if sign == "\n" or " " <= sign <= "~" else f"\\x{ord(sign):02X}" for sign in text
    )
    return f"{told}..." if len(data) > _BYTES_SHOWN else told


def as_json(port: str, result: Conformance) -> dict[str, Any]:
    counts = {
        name.replace(" ", "_"): len(result.of(name)) for name in ("passed", "broken", "not tried")
    }
    return {
        "port": port,
        "hello": result.hello,
        "speaks_the_protocol": result.holds,
        **counts,
        "spent_s": round(result.spent_s, 1),
        "rules": [
            {
                "rule": item.rule.name,
                "section": item.rule.section,
                "says": item.rule.says,
                "result": item.result,
                "tries": item.tries,
                "times_broken": item.broken,
                "sent": shown(item.sent),
                "seen": shown(item.seen),
                "expected": item.expected,
                "why_not_tried": item.why,
            }
            for item in result.findings
        ],
    }
