"""The board on its wire during the test: what it last said of itself, and the few things every part asks of it."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Final

from logger.conform.contract import Contract
from logger.conform.ledger import Ledger
from logger.conform.lines import Line
from logger.conform.rows import Row, Sensor, rows_of
from logger.conform.talk import Exchange, Talk

STOP_S: Final = 2.0
_QUIET_S: Final = 0.3


def time_us_of(pairs: dict[str, str]) -> int:
    """Board time that a hello tells; 0 where it tells none."""
    text = pairs.get("time_us", "")
    return int(text) if text.isdigit() else 0


@dataclass
class Bench:
    """``may_switch``: the piece is unplugged, the load switch may be moved. ``ask_reset``: have a person press reset.

    ``say``: tells what is going on. ``wait_wrap``: wait for the 72nd minute of the board's time.
    """

    talk: Talk
    ledger: Ledger
    contract: Contract
    may_switch: bool
    wait_wrap: bool
    ask_reset: Callable[[], bool]
    say: Callable[[str], None]
    pairs: dict[str, str] = field(default_factory=dict)

    def look(self) -> dict[str, str]:
        """Ask who it is; what its hello says, as it said last where none came."""
        self._identify()
        return self.pairs

    def _identify(self) -> Exchange:
        exchange = self.talk.hello()
        if exchange.hellos:
            self.pairs = exchange.hellos[-1].pairs
        return exchange

    def time_us(self) -> int:
        """Ask for the board's time; 0 where it tells none."""
        return time_us_of(self.look())

    @property
    def has_switch(self) -> bool:
        return self.pairs.get("load") in ("0", "1")

    @property
    def is_simulated(self) -> bool:
        """Its seconds need not be ours."""
        return self.pairs.get("time_factor", "1") != "1"

    @property
    def sensor(self) -> Sensor | None:
        """None: there is none, or it is not said which."""
        steps = self.contract.steps.get(self.pairs.get("sensor", ""))
        try:
            tenth_mohm = round(float(self.pairs.get("shunt_ohm", "0")) * 10_000)
        except ValueError:
            return None
        if steps and self.pairs.get("pair_us", "").isdigit():
            steps = replace(steps, pairs_us=(max(int(self.pairs["pair_us"]), 1),))
        return Sensor(steps, tenth_mohm) if steps and tenth_mohm > 0 else None

    def tells(self, expected: dict[str, str], rule: str = "hello-tells") -> None:
        """Its hello says these values."""
        exchange = self._identify()
        told = {key: self.pairs.get(key, "") for key in expected} if exchange.hellos else {}
        self.ledger.check(
            rule,
            told == expected,
            "hello with " + ",".join(f"{key}={value}" for key, value in expected.items()),
            sent=exchange.sent,
            seen=exchange.seen,
        )

    def obeyed(self, name: str, *fields: str, rule: str = "answered") -> Exchange:
        """A command that has to be answered ``ok``, once."""
        exchange = self.talk.ask(name, *fields)
        self.ledger.expect(rule, exchange, f"ok,{name}")
        return exchange

    def collect(self, count: int, most_s: float) -> None:
        """Listen until so many windows have come, or the time is over."""
        rows: list[Row] = []

        def enough(line: Line) -> bool:
            rows.extend(rows_of([line]))
            return len(rows) >= count

        self.talk.listen(most_s, enough)

    def sample(self, count: int, most_s: float) -> list[Row]:
        """So many windows of the present state, and what else comes from ``start`` to ``stop``."""
        begun = len(self.talk.lines)
        self.talk.ask("start")
        self.collect(count, most_s)
        self.quiet()
        return rows_of(self.talk.lines[begun:])

    def quiet(self) -> None:
        """Have it stop, and let what is under way arrive."""
        self.talk.ask("stop", wait_s=STOP_S)
        self.talk.listen(_QUIET_S)
