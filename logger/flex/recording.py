"""Recording of a flex run: start the rig, store its lines, stop by criterion.

``FlexRecording`` knows no port and no clock: it takes items of the protocol and gives
rows and commands. ``record_flex`` drives it from a link. The board flexes on by
itself while the cable is out or the laptop is gone, so a link that comes back goes on.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

from firmware_probe.line_format import command
from logger.base.errors import BenchError
from logger.board.port import Link, LinkLostError
from logger.board.stream import Answer, Fault, Flex, FlexEnd, Hello, Item, LineDecoder
from logger.flex.criterion import CycleSeen, JointWatch
from logger.flex.store import FlexDescription, FlexWriter, row

READ_WAIT_S: Final = 0.1
ANSWER_S: Final = 3.0

# Gives a new link to the same board and its greeting, or None while there is none.
Reopen = Callable[[], tuple[Link, Hello] | None]
Say = Callable[[str], None]


@dataclass
class FlexRecording:
    """State of one run. ``take_commands`` and ``take_rows`` hand out what is due; ``ended`` is the reason."""

    description: FlexDescription
    boot: int
    stop_when_all_failed: bool = True
    attach: bool = False
    ended: str = ""
    started: bool = False
    events: list[str] = field(default_factory=list)
    watches: dict[int, JointWatch] = field(default_factory=dict)
    offset: int = 0
    last_board_cycle: int = 0
    _commands: list[bytes] = field(default_factory=list)
    _rows: list[bytes] = field(default_factory=list)
    _stop_sent: str = ""
    _lost_cycles: int = 0

    def __post_init__(self) -> None:
        self.offset = self.description.cycle_offset
        for item in self.description.joints:
            self.watches.setdefault(item.joint, JointWatch(self.description.criterion))

    def start(self) -> None:
        """Ask the board to flex."""
        d = self.description
        left = d.cycles - max((w.cycles_run for w in self.watches.values()), default=0)
        self._commands.append(
            command(
                "flex-start",
                d.drive,
                str(max(left, 1)),
                str(round(d.period_s * 1000)),
                "0",
                str(d.angle_a_degrees),
                str(d.angle_b_degrees),
                str(max(item.joint for item in d.joints)),
                "0",
            )
        )

    def feed(self, item: Item) -> None:
        """One line of the board. Raises BenchError if it refuses to flex."""
        if isinstance(item, Flex):
            self._flex(item)
        elif isinstance(item, FlexEnd):
            if self.started:
                self.ended = self._stop_sent or ("user" if item.reason == "host" else item.reason)
        elif isinstance(item, Answer) and item.command == "flex-start":
            self._answered(item)
        elif isinstance(item, Hello) and item.boot != self.boot:
            self.events.append(f"the board started again ({item.cause}); the rig stopped")
            self.ended = "board-restarted"
        elif isinstance(item, Fault):
            self.events.append(f"fault {item.code} {item.detail}".rstrip())

    def stop(self, reason: str) -> None:
        """End the run; its last lines are still stored."""
        if not self._stop_sent:
            self._stop_sent = reason
            self._commands.append(command("flex-stop"))

    def take_commands(self) -> list[bytes]:
        commands, self._commands = self._commands, []
        return commands

    def take_rows(self) -> bytes:
        rows, self._rows = self._rows, []
        return b"".join(rows)

    @property
    def lost_cycles(self) -> int:
        """Cycles that happened but have no row: lines lost on the way."""
        return self._lost_cycles

    def _answered(self, answer: Answer) -> None:
        if answer.accepted:
            # A fresh count of the board goes on where the specimens' own count stands.
            self.offset = max((w.cycles_run for w in self.watches.values()), default=0)
            self.started = True
        elif answer.reason == "busy" and self.attach:
            self.events.append("joined a run that the board was still flexing")
            self.started = True
        else:
            raise _refused(answer.reason)

    def _flex(self, item: Flex) -> None:
        if not self.started or item.joint not in self.watches:
            return
        if item.cycle > self.last_board_cycle + 1 and self.last_board_cycle:
            self._lost_cycles += item.cycle - self.last_board_cycle - 1
        self.last_board_cycle = max(item.cycle, self.last_board_cycle)
        names = {joint.joint: joint.specimen for joint in self.description.joints}
        watch = self.watches[item.joint]
        if item.cycle + self.offset <= watch.cycles_run:
            return
        self._rows.append(row(item, names[item.joint], self.offset))
        had_failed = watch.failed
        watch.feed(
            CycleSeen(
                item.cycle + self.offset,
                item.resistance_max_ohm,
                item.opens,
                item.longest_open_us / 1e6,
            )
        )
        if watch.failed and not had_failed:
            self.events.append(
                f"{names[item.joint]} failed at cycle {item.cycle + self.offset}: {self.description.criterion}"
            )
        if self.stop_when_all_failed and all(w.failed for w in self.watches.values()):
            self.stop("failed")


def _refused(reason: str) -> BenchError:
    known = {
        "fitted": (
            "This board has no flex rig.",
            "fit the servo and the joints' inputs, see the wiring page.",
        ),
        "busy": (
            "The board is already flexing.",
            "go on with that run: --resume and its folder; or press reset to stop it.",
        ),
        "range": (
            "The board does not take these settings.",
            "choose a longer period or fewer cycles.",
        ),
        "unknown": ("This board's firmware cannot flex.", "load the present probe sketch."),
    }
    happened, next_step = known.get(
        reason, ("The board refused to flex.", "check period, angles and joints.")
    )
    return BenchError(happened, evidence=f"no,flex-start,{reason}", next_step=next_step)


def record_flex(
    recording: FlexRecording,
    link: Link,
    writer: FlexWriter,
    *,
    reopen: Reopen,
    now_s: Callable[[], float],
    say: Say,
    asked_to_stop: Callable[[], bool],
    give_up_s: float,
    on_start: Callable[[], None] = lambda: None,
) -> None:
    """Run until the recording has ended; sets ``recording.ended``. Raises BenchError (disk, refused).

    ``on_start``: called once the board flexes, when it is known from which cycle on it counts.
    """
    decoder = LineDecoder()
    current: Link | None = link
    lost_s = 0.0
    told = 0
    began_s = now_s()
    started = False
    recording.start()
    while not recording.ended:
        try:
            if current is None:
                found = reopen()
                if found is None:
                    if now_s() - lost_s >= give_up_s or asked_to_stop():
                        recording.ended = "link-lost"
                    continue
                current, hello = found
                decoder.restart()
                say("The board is back.")
                recording.feed(hello)
            _exchange(recording, decoder, current)
        except LinkLostError as error:
            if current is not None:
                current.close()
            current, lost_s = None, now_s()
            recording.events.append(f"link lost: {error}; the rig flexes on by itself")
            say(f"Link lost ({error}). The rig flexes on by itself; waiting for the board.")
        if recording.started and not started:
            started = True
            on_start()
        writer.append(recording.take_rows())
        _note_disk(recording, writer)
        if asked_to_stop():
            recording.stop("user")
        if not started and now_s() - began_s > ANSWER_S and current is not None:
            raise _no_answer()
        told = _tell(recording.events, told, say)
    writer.append(recording.take_rows())
    _note_disk(recording, writer)
    _tell(recording.events, told, say)
    if current is not None:
        current.close()


def _exchange(recording: FlexRecording, decoder: LineDecoder, link: Link) -> None:
    """Commands that are due out, what the board said in. Raises LinkLostError."""
    for line in recording.take_commands():
        link.write(line)
    for item in decoder.feed(link.read(READ_WAIT_S)):
        recording.feed(item)


def _note_disk(recording: FlexRecording, writer: FlexWriter) -> None:
    """What befell the run's files goes with its events."""
    while writer.notices:
        recording.events.append(writer.notices.popleft())


def _tell(events: Sequence[str], told: int, say: Say) -> int:
    """Say the events after the first ``told``; gives how many are told now."""
    for text in events[told:]:
        say(text)
    return len(events)


def _no_answer() -> BenchError:
    return BenchError(
        "The board does not answer to flex-start.",
        next_step="load the present probe sketch, or press reset and try again.",
    )


def mounted_specimens(texts: Sequence[str]) -> list[tuple[str, str]]:
    """(specimen, group) pairs from ``NAME`` or ``NAME=GROUP``; raises BenchError for none, too many or twice the same."""
    pairs = [(name.strip(), group.strip()) for name, _, group in (t.partition("=") for t in texts)]
    names = [name for name, _ in pairs]
    if not 1 <= len(pairs) <= 4 or len(set(names)) < len(names) or not all(names):
        raise BenchError(
            "The rig takes one to four specimens, each with a name of its own.",
            evidence=", ".join(texts) or "none given",
            next_step='name them in the order of the inputs, e.g. --specimen "S01=stranded" --specimen "S02=solid".',
        )
    return pairs


def end_words(reason: str) -> str:
    """Why a flex run ended, in words."""
    return {
        "done": "all cycles asked for are done",
        "failed": "every joint has failed",
        "user": "stopped by you",
        "open": "the board stopped at an open joint",
        "fault": "the board stopped on a fault",
        "board-restarted": "the board started again, so the rig stopped",
        "link-lost": "the board stayed away",
        "disk-full": "the disk took no more",
    }.get(reason, reason)


def resumed_watches(recording: FlexRecording, rows: dict[int, list[CycleSeen]]) -> None:
    """Bring the watches to where the stored rows end."""
    for joint, cycles in rows.items():
        watch = recording.watches.get(joint)
        for seen in sorted(cycles, key=lambda item: item.cycle):
            if watch is not None:
                watch.feed(seen)
