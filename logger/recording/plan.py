"""From what the user asked for to recordings that are ready to start."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

from firmware_probe.line_format import BAUD_DEFAULT
from logger.base.clock import host_boot, keeps_time_switched_off, read_clocks
from logger.base.durations import clock_text
from logger.base.errors import BenchError, spoken
from logger.base.pack import Pack, as_used, parse_pack
from logger.board.port import Found, find_boards, one_board
from logger.board.probe_check import listen
from logger.board.stream import LineDecoder
from logger.board.switch_trial import last_test, tests_folder
from logger.calibration import store as calibration_store
from logger.recording import safety
from logger.recording.follow_up import run_follow_up
from logger.recording.machine import Recording, introduce
from logger.recording.resume import read_description, read_last_row
from logger.recording.screen import BoardView
from logger.recording.session import Session
from logger.recording.terms import (
    COLUMN_NAMES,
    EXIT_ENDED_EARLY,
    EXIT_LOAD_UNCONFIRMED,
    EXIT_NOT_BEGUN,
    EXIT_OK,
    GUARD_HOLD_S,
    REACHED,
    LastRow,
    LoadAtEnd,
    Wishes,
)
from logger.run.calibration import Calibration, cautions
from logger.run.description import Description, Stop
from logger.run.disk_need import disk_warning
from logger.run.run_folder import RunFolder
from logger.run.store import create_run_folder, refuse_taken_folder, write_description
from logger.run.writer import SampleWriter

WINDOW_MIN_S: Final = 0.01
WINDOW_MAX_S: Final = 60.0
DEFAULT_WINDOW_S: Final = 0.1
_LOOK_S: Final = 0.1

Say = Callable[[str], None]


@dataclass(frozen=True)
class Plan:
    """The options of ``drawbench log``; None: not given."""

    folder: Path
    ports: tuple[str, ...] = ()
    all_boards: bool = False
    baud: int = BAUD_DEFAULT
    window_s: float | None = None
    pack: str | None = None
    capacity_mah: float | None = None
    used: bool = False
    fresh: bool | None = None
    modes_ma: tuple[float, ...] = ()
    cutoff_v: float | None = None
    hold_s: float = 10.0
    duration_s: float | None = None
    need_s: float | None = None
    charge_mah: float | None = None
    open_load: bool | None = None
    below_floor: bool = False
    title: str = ""
    author: str = ""
    load_note: str = ""
    notes: str = ""
    temperature_c: float | None = None
    board_draw_ma: float | None = None
    calibration: bool = True
    resume: Path | None = None
    give_up_s: float | None = None
    close_load: bool = False
    cautioned: bool = False  # the person has just been told of these cells

    @property
    def stop(self) -> Stop:
        hold_s = self.hold_s if self.cutoff_v is not None else 0.0
        return Stop(self.cutoff_v, hold_s, self.duration_s, self.charge_mah)


@dataclass
class Recorder:
    """One recording with everything that belongs to it."""

    recording: Recording
    session: Session
    view: BoardView
    warned: set[str] = field(default_factory=set)

    def warn_once(self, text: str) -> None:
        """Note a fault of the run in its record, unless it is there already."""
        if text not in self.warned:
            self.warned.add(text)
            self.session.note("warning", text)

    @property
    def folder(self) -> Path:
        """Where the run is now."""
        return self.session.folder

    @property
    def exit_code(self) -> int:
        reason = self.recording.ended_as[0] if self.recording.ended_as else "error"
        if self.recording.under_cutoff_at_once:
            return EXIT_NOT_BEGUN
        if self.recording.load_unconfirmed or self.recording.switch.alarm:
            return EXIT_LOAD_UNCONFIRMED
        if self.session.writer.rows_lost or self.session.writer.rescued:
            return EXIT_ENDED_EARLY
        return EXIT_OK if reason in (*REACHED, "user") else EXIT_ENDED_EARLY

    def follow_up(self, command: str) -> int:
        """Run the user's command; its failure counts as the run having ended early."""
        code = run_follow_up(command, self.folder, self.recording.status(), self.exit_code)
        return EXIT_OK if code == 0 else EXIT_ENDED_EARLY


def prepare(plan: Plan, say: Say, sure: safety.Sure | None = None) -> list[Recorder]:
    """Check everything, find the boards, make the folders. Raises BenchError before anything is written.

    ``sure``: asks a person; None: nobody is there to be asked.
    """
    if plan.capacity_mah is not None and not plan.pack:
        raise BenchError(
            "A capacity without a pack says nothing.",
            evidence=f"--capacity {plan.capacity_mah:g}",
            next_step='give --pack with it, such as --pack "3x AA alkaline".',
        )
    pack = parse_pack(plan.pack, plan.capacity_mah, other=True) if plan.pack else None
    if plan.used:
        pack = as_used(pack)
    if plan.window_s is not None and not WINDOW_MIN_S <= plan.window_s <= WINDOW_MAX_S:
        raise BenchError(
            f"A window of {plan.window_s:g} s is not possible.", next_step="choose 10ms to 60s."
        )
    if plan.resume is not None:
        return [_resume(plan, plan.resume, say)]
    safety.check_cutoff(pack, plan.cutoff_v, below_floor=plan.below_floor)
    refuse_taken_folder(plan.folder)
    found = _find(plan)
    recorders = []
    try:
        wanted = safety.may_close([item.hello for item in found], plan.close_load, sure)
        plan = replace(plan, close_load=wanted)
        _check_measured(plan, pack, found)
        for board in found:
            folder = plan.folder if len(found) == 1 else plan.folder / board.hello.board
            recorders.append(_begin(plan, pack, board, folder, say))
    except BenchError:
        for board in found:
            board.link.close()
        raise
    _tell(plan, pack, found, say)
    return recorders


def _check_measured(plan: Plan, pack: Pack | None, found: Sequence[Found]) -> None:
    """Where no pack is named that could tell what a cutoff can be, its voltage tells."""
    if pack is not None or plan.cutoff_v is None:
        return
    for board in found:
        seen = listen(board.link, LineDecoder().feed, board.hello, _LOOK_S).seen
        if seen is not None:
            safety.check_measured(plan.cutoff_v, seen.pack_v)


def _find(plan: Plan) -> list[Found]:
    if not plan.ports:
        boards = find_boards(None, plan.baud)
        return boards if plan.all_boards else [one_board(boards)]
    twice = sorted({port for port in plan.ports if plan.ports.count(port) > 1})
    if twice:
        raise BenchError(
            f"The port {twice[0]} was given more than once.",
            next_step="name each board's port once.",
        )
    found: list[Found] = []
    try:
        for port in plan.ports:
            boards = find_boards(port, plan.baud)
            found += boards if plan.all_boards else [one_board(boards)]
    except BenchError:
        for board in found:
            board.link.close()
        raise
    return found


def _wishes(plan: Plan, pack: Pack | None, stop: Stop, board: str) -> Wishes:
    load_at_end = LoadAtEnd.AT_CUTOFF
    if plan.open_load is not None:
        load_at_end = LoadAtEnd.AT_END if plan.open_load else LoadAtEnd.NEVER
    guard_v = safety.guard_v(
        pack, stop.cutoff_v, keep_load=plan.open_load is False, below_floor=plan.below_floor
    )
    return Wishes(
        window_us=None if plan.window_s is None else round(plan.window_s * 1e6),
        board=board,
        load_at_end=load_at_end,
        guard_v=guard_v,
        guard_hold_s=stop.hold_s + GUARD_HOLD_S,
        give_up_s=plan.give_up_s,
        close_load=plan.close_load,
    )


def _begin(plan: Plan, pack: Pack | None, found: Found, folder: Path, say: Say) -> Recorder:
    now = read_clocks()
    calibration, told = _calibration(plan, found)
    for text in told:
        say(text)
    description = Description(
        title=plan.title,
        started_utc=now.utc,
        author=plan.author,
        load=plan.load_note,
        notes=plan.notes,
        pack=pack,
        stop=plan.stop,
        need_s=plan.need_s,
        fresh=plan.fresh,
        modes_ma=plan.modes_ma,
        calibration=calibration,
        temperature_c=plan.temperature_c,
        board_draw_ma=plan.board_draw_ma,
        switch_test=last_test(tests_folder(), found.hello.board),
    )
    candidate = found.candidate
    description = introduce(description, found.hello, candidate.port, candidate.usb_serial)
    wishes = _wishes(plan, pack, plan.stop, found.hello.board)
    recording = Recording(wishes, description, now, boot=host_boot())
    create_run_folder(folder)
    try:
        held = RunFolder(folder)
        write_description(held, description, COLUMN_NAMES)
    except OSError as error:
        raise BenchError(
            f"The run's folder {folder} cannot be written.",
            evidence=spoken(error),
            next_step="choose a folder on a disk that can be written to.",
        ) from error
    return _recorder(plan, recording, SampleWriter(held), found, description)


def _calibration(plan: Plan, found: Found) -> tuple[Calibration | None, list[str]]:
    """The board's newest calibration that fits, and what to say of it. The run gets a copy."""
    hello = found.hello
    if not plan.calibration or hello.sensor == "none":
        return None, []
    kept, told = calibration_store.load(calibration_store.calibration_folder(), hello.board)
    best, why_none = calibration_store.choose(
        kept,
        board=hello.board,
        usb_serial=found.candidate.usb_serial,
        sensor=hello.sensor,
        shunt_ohm=hello.shunt_ohm,
        range_ma=hello.range_ma,
    )
    if best is None:
        none = why_none or "This board was never calibrated."
        return None, [
            *told,
            f"{none} Intervals come from the data sheet; drawbench calibrate narrows them.",
        ]
    told += cautions(best, read_clocks().utc, plan.temperature_c)
    return best, [*told, f"Calibration of {best.name} goes with the run; its readings stay raw."]


def _resume(plan: Plan, folder: Path, say: Say) -> Recorder:
    description = read_description(folder)
    board = description.board
    assert board is not None
    stop = plan.stop if _stop_given(plan) else description.asked
    safety.check_cutoff(description.pack, stop.cutoff_v, below_floor=plan.below_floor)
    writer = SampleWriter(folder, resume=True)
    try:
        last_row = read_last_row(folder)
        _check_something_is_left(folder, stop, last_row)
        found = _find_again(plan, board.board, board.port)
    except BenchError:
        writer.close()
        raise
    now = read_clocks()
    need_s = description.need_s if plan.need_s is None else plan.need_s
    fresh = description.fresh if plan.fresh is None else plan.fresh
    modes_ma = plan.modes_ma or description.modes_ma
    description = replace(
        description, stop=stop, cutoff=None, need_s=need_s, fresh=fresh, modes_ma=modes_ma
    )
    wishes = _wishes(plan, description.pack, stop, board.board)
    recording = Recording(
        wishes,
        description,
        now,
        last_row=last_row,
        boot=host_boot(),
        keeps_time=keeps_time_switched_off(),
    )
    while writer.notices:
        recording.events.add(recording.run_s(now), "disk", writer.notices.popleft())
    if writer.torn:
        text = f"a half-written row of {len(writer.torn)} bytes was cut off the end"
        recording.events.add(recording.run_s(now), "disk", text)
    rows = last_row.rows if last_row else 0
    say(f"Going on after {rows} rows in {folder}.")
    _tell(replace(plan, cutoff_v=stop.cutoff_v), description.pack, [found], say)
    return _recorder(plan, recording, writer, found, description)


def _check_something_is_left(folder: Path, stop: Stop, last_row: LastRow | None) -> None:
    """A run taken up again after its own end would be over before it begins."""
    if last_row is None:
        return
    over = ""
    if stop.duration_s is not None and last_row.time_s >= stop.duration_s:
        over = f"--for {clock_text(stop.duration_s)}, and the run has lasted {clock_text(last_row.time_s)}"
    elif stop.charge_mah is not None and last_row.charge_mah >= stop.charge_mah:
        over = (
            f"--charge {stop.charge_mah:g} mAh, and {last_row.charge_mah:.2f} mAh have been drawn"
        )
    if over:
        raise BenchError(
            f"Nothing is left to record in {folder}.",
            evidence=over,
            next_step="give what is to end it now: more with --for or --charge (from the run's beginning), or --cutoff.",
        )


def _stop_given(plan: Plan) -> bool:
    return any(value is not None for value in (plan.cutoff_v, plan.duration_s, plan.charge_mah))


def _find_again(plan: Plan, board: str, port: str) -> Found:
    boards = find_boards(plan.ports[0] if plan.ports else None, plan.baud)
    ours = [item for item in boards if item.hello.board == board]
    for item in boards:
        if item not in ours[:1]:
            item.link.close()
    if not ours:
        seen = ", ".join(f"{item.hello.board} on {item.candidate.port}" for item in boards)
        raise BenchError(
            f"The board {board} that recorded this run did not answer.",
            evidence=f"{seen}; it was last on {port}",
            next_step="plug in that board, or start a new run.",
        )
    return ours[0]


def _recorder(
    plan: Plan,
    recording: Recording,
    writer: SampleWriter,
    found: Found,
    description: Description,
) -> Recorder:
    session = Session(
        recording,
        writer,
        found.link,
        pattern=found.pattern,
        baud=plan.baud,
        usb_serial=found.candidate.usb_serial,
    )
    folder = session.folder
    several = len(plan.ports) > 1 or plan.all_boards
    title = found.hello.board if several else description.title or folder.name
    view = BoardView(
        title,
        folder,
        description.stop,
        description.pack,
        recording.status(),
        danger=safety.danger(description.pack, load_switch=found.hello.load != "-"),
    )
    return Recorder(recording, session, view)


def _tell(plan: Plan, pack: Pack | None, found: list[Found], say: Say) -> None:
    """Cautions, and whether the disk is big enough, before anyone leaves the room."""
    if plan.resume is None:
        say(f"Recording into {plan.folder}.")
    switch = all(item.hello.load != "-" for item in found)
    opens = (
        plan.cutoff_v is not None or pack is not None if plan.open_load is None else plan.open_load
    )
    tests = [last_test(tests_folder(), item.hello.board) for item in found]
    seen = all(test is not None and test.stands(read_clocks().utc) for test in tests)
    for text in safety.cautions(
        pack,
        plan.cutoff_v,
        load_switch=switch,
        opens_load=opens,
        seen_to_open=seen,
        told=plan.cautioned,
    ):
        say(f"Caution: {text}")
    window_s = plan.window_s or found[0].hello.window_us / 1e6 or DEFAULT_WINDOW_S
    folder = plan.resume or plan.folder
    while not folder.exists():
        folder = folder.parent
    warning = disk_warning(folder, window_s, plan.duration_s, len(found))
    if warning:
        say(f"Warning: {warning}")
    guard_v = safety.guard_v(
        pack, plan.cutoff_v, keep_load=plan.open_load is False, below_floor=plan.below_floor
    )
    for item in found:
        board = f"Board {item.hello.board}"
        if item.hello.load == "-":
            continue
        if item.hello.load == "0" and plan.resume is None:
            say(f"{board}: the load switch was open; it is closed for this run.")
        elif item.hello.load == "0":
            say(f"{board}: the load switch is open, and a run that goes on leaves it so.")
        if guard_v:
            say(f"{board} opens its load switch at {guard_v:g} V even if this computer dies.")
        elif item.hello.cutoff_v:
            say(
                f"{board}: the cutoff of {item.hello.cutoff_v:g} V that an earlier run left on it is taken off. "
                "This run has none: nothing stops the discharge but you."
            )
