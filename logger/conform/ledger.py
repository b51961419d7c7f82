"""Which rule held, which was broken and by which bytes, which was not tried and why."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

from logger.conform.contract import Rule
from logger.conform.talk import Exchange

Result = Literal["passed", "broken", "not tried"]
NOT_REACHED: Final = "it did not come to this; mend what is broken first"


@dataclass(frozen=True)
class Finding:
    """One rule's result. ``tries``: how often it was looked at; ``broken``: how often it did not hold.

    ``sent``, ``seen``: bytes, of the first time it did not hold; ``expected``: in words or as a line.
    """

    rule: Rule
    result: Result
    tries: int = 0
    broken: int = 0
    sent: bytes = b""
    seen: bytes = b""
    expected: str = ""
    why: str = ""


@dataclass
class _Count:
    tries: int = 0
    broken: int = 0
    sent: bytes = b""
    seen: bytes = b""
    expected: str = ""


@dataclass
class Ledger:
    """Tries of each rule, told as they are made. Raises KeyError for a rule that the page does not have."""

    rules: Mapping[str, Rule]
    _counts: dict[str, _Count] = field(default_factory=dict)
    _whys: dict[str, str] = field(default_factory=dict)

    def check(
        self,
        rule: str,
        held: bool,
        expected: str = "",
        *,
        seen: bytes = b"",
        sent: bytes = b"",
    ) -> None:
        """Note one try."""
        count = self._counts.setdefault(self.rules[rule].name, _Count())
        count.tries += 1
        if not held:
            count.broken += 1
            if count.broken == 1:
                count.sent, count.seen, count.expected = sent, seen, expected

    def expect(self, rule: str, exchange: Exchange, *bodies: str) -> None:
        """The exchange's answers are exactly these lines, in this order."""
        self.check(
            rule,
            exchange.told == bodies,
            " then ".join(bodies) or "no answer",
            seen=exchange.seen,
            sent=exchange.sent,
        )

    def skip(self, rule: str, why: str) -> None:
        """It cannot be tried here; tries made elsewhere count."""
        self._whys.setdefault(self.rules[rule].name, why)

    def findings(self) -> tuple[Finding, ...]:
        """Every rule of the page, in its order."""
        return tuple(self._finding(rule) for rule in self.rules.values())

    def _finding(self, rule: Rule) -> Finding:
        count = self._counts.get(rule.name)
        if count is None:
            return Finding(
                rule, "not tried", why=rule.barred or self._whys.get(rule.name, NOT_REACHED)
            )
        result: Result = "broken" if count.broken else "passed"
        return Finding(
            rule, result, count.tries, count.broken, count.sent, count.seen, count.expected
        )
