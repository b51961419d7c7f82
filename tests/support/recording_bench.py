"""A recording and a board on a desk without a port: time passes as fast as the loop runs."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from logger.base.clock import Moment
from logger.recording.machine import Recording
from logger.recording.terms import COLUMN_NAMES, LastRow, Phase, Wishes
from logger.run.description import Description, Event, Stop
from logger.run.writer import SampleWriter
from tests.support.line_feeder import FeederBoard

START_WALL_S = 1_800_000_000.0


def table_of(rows: bytearray) -> list[dict[str, float]]:
    return [
        dict(zip(COLUMN_NAMES, map(float, row.split(",")), strict=True))
        for row in rows.decode().splitlines()
    ]


def last_row(rows: bytearray) -> LastRow:
    """What a recording that goes on is told of these."""
    table = table_of(rows)
    last = table[-1]
    return LastRow(
        last["time_s"],
        int(last["sequence"]),
        int(last["boot"]),
        last["charge_mah"],
        last["energy_mwh"],
        max(row["current_max_ma"] for row in table),
        len(table),
    )


class Bench:
    """``run`` lets time pass; ``plugged`` tells whether bytes get through; ``rows`` is the CSV so far."""

    def __init__(
        self,
        board: FeederBoard,
        *,
        wishes: Wishes = Wishes(),  # noqa: B008  # frozen
        stop: Stop = Stop(),  # noqa: B008
        description: Description | None = None,
        last_row: LastRow | None = None,
        spoil: Callable[[bytes], bytes] = lambda data: data,
        folder: Path | None = None,
        now: Moment | None = None,
        boot: str = "",
    ) -> None:
        self.board = board
        self.now = now or Moment(1000.0, 500.0, START_WALL_S)
        self.recording = Recording(
            wishes, description or Description(stop=stop), self.now, last_row=last_row, boot=boot
        )
        self.spoil = spoil
        self.plugged = False
        self.rows = bytearray()
        self.commands: list[bytes] = []
        self.writer = SampleWriter(folder) if folder else None
        self._left_us = 0

    def plug(self) -> None:
        self.plugged = True
        self.recording.connected(self.now, "desk")
        self._exchange(b"")

    def unplug(self) -> None:
        self.plugged = False
        self.recording.disconnected(self.now, "cable pulled")

    def say(self, data: bytes) -> None:
        """Something the board sends out of turn."""
        if self.plugged:
            self.recording.feed(data, self.now)
            self._exchange(b"")

    def reset(self, dead_s: float = 0.0, cause: str = "watchdog") -> None:
        self.pass_time(dead_s)
        self.say(self.board.reset(cause, round(dead_s * 1e6)))

    def pass_time(self, seconds: float, *, slept_s: float = 0.0, stepped_s: float = 0.0) -> None:
        """The computer's clocks alone."""
        self.now = Moment(
            self.now.steady_s + seconds,
            self.now.awake_s + seconds - slept_s,
            self.now.wall_s + seconds + stepped_s,
        )

    def run(self, seconds: float, step_s: float = 0.1) -> None:
        """The board and the computer live on together."""
        for _ in range(round(seconds / step_s)):
            self.pass_time(step_s)
            self._left_us += round(step_s * 1e6)
            lines = b""
            while self._left_us >= self.board.window_us:
                self._left_us -= self.board.window_us
                lines += self.board.window()
            self._exchange(self.spoil(lines) if lines else b"")
            if self.recording.phase is Phase.ENDED:
                return

    def board_alone(self, seconds: float) -> None:
        """The board measures on while the computer does nothing at all (stopped, or asleep)."""
        for _ in range(round(seconds * 1e6) // self.board.window_us):
            self.board.window()

    def _exchange(self, data: bytes) -> None:
        recording = self.recording
        if self.plugged and data:
            recording.feed(data, self.now)
        recording.tick(self.now)
        answers = b""
        for command in recording.take_commands():
            if not self.plugged:
                continue
            self.commands.append(command)
            for line in command.split(b"\n")[:-1]:
                answers += self.board.receive(line)
        rows = recording.take_rows()
        if self.writer:
            self.writer.append(rows)
        else:
            self.rows += rows
        if answers:
            recording.feed(answers, self.now)
            self._exchange(b"")

    @property
    def table(self) -> list[dict[str, float]]:
        return table_of(self.rows)

    def events(self, kind: str) -> list[Event]:
        return [event for event in self.recording.events.all() if event.kind == kind]

    def after_a_crash(self, boot: str = "") -> "Bench":
        """A new recording that goes on from what stands on the disk."""
        description = replace(self.recording.description(self.now), state="recording")
        bench = Bench(
            self.board,
            wishes=self.recording.wishes,
            description=description,
            now=self.now,
            boot=boot,
            last_row=last_row(self.rows),
        )
        bench.rows = bytearray(self.rows)
        return bench
