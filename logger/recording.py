"""A recording as a state machine: fed with bytes and the time, it gives rows, commands and events.

It touches no port, file or clock; ``session.py`` does. So a night, with every
unplugging, reset and sleep in it, passes in a test in milliseconds.
"""

from collections import deque
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from firmware_probe.line_format import PROTOCOL_VERSION, command, fixed
from logger.axis import MICRO, HostTie, RunAxis
from logger.clock import Anchors, Moment, compare
from logger.description import Board, Description, Sensor
from logger.event_log import EventLog
from logger.fault_words import FAULT_WORDS
from logger.run_format import COLUMNS
from logger.stop_rule import StopRule
from logger.stream import Answer, Fault, Hello, Item, LineDecoder, Load, Void, Window
from logger.wiring_sense import WiringWatch, senses_of

COLUMN_NAMES: Final = tuple(column.name for column in COLUMNS)
ANSWER_S: Final = 1.0  # wait for an answer before saying it again
TRIES: Final = 3
GREETING_S: Final = 6.0  # a board that resets on opening takes two seconds to speak
SILENCE_S: Final = 3.0
HELD_S: Final = 0.5
CLOSING_S: Final = 4.0
GAP_S: Final = 5.0  # shorter losses while the link is up are counted as noise
GUARD_HOLD_S: Final = 5.0  # the board gives the host so much longer before it opens the load
SEQUENCE_SPAN: Final = 2**32


class Phase(StrEnum):
    """What the recording is about; the words are shown."""

    SEEKING = "looking for the board"
    GREETING = "waiting for the board's answer"
    SETTING = "setting the board up"
    RUNNING = "recording"
    CLOSING = "ending"
    ENDED = "ended"


class LoadAtEnd(StrEnum):
    """Whether the load switch is opened when the run ends."""

    AT_CUTOFF = "at-cutoff"
    AT_END = "at-end"
    NEVER = "never"


@dataclass(frozen=True)
class Wishes:
    """What the user wants of the board. ``window_us`` None: leave it as the board has it.

    ``board``: the one board to record from, empty for whichever answers first. ``guard_v``: the
    cutoff that the board is to watch by itself, None: leave its own. ``give_up_s``: end
    the run when the link has been down so long, None: never.
    """

    window_us: int | None = None
    board: str = ""
    load_at_end: LoadAtEnd = LoadAtEnd.AT_CUTOFF
    guard_v: float | None = None
    guard_hold_s: float = GUARD_HOLD_S
    give_up_s: float | None = None


@dataclass(frozen=True)
class LastRow:
    """The last whole row of a run that is to go on."""

    time_s: float
    sequence: int
    boot: int
    charge_mah: float
    energy_mwh: float
    peak_ma: float = 0.0
    rows: int = 0


@dataclass(frozen=True)
class Status:
    """What a screen shows; None: not known yet. ``remaining_s`` is rough."""

    phase: Phase
    port: str
    board: str
    time_s: float
    rows: int
    rows_missing: int
    pack_v: float | None
    current_ma: float | None
    charge_mah: float
    energy_mwh: float
    below_since_s: float | None
    end_reason: str
    end_text: str
    load: str
    trouble: str


class Recording:
    """One board, one run. Call ``connected``, ``feed``, ``tick``, ``disconnected`` with the time; take
    ``rows``, ``commands`` and ``description`` away. ``wants_reopen``: the link is of no use as it is."""

    def __init__(
        self,
        wishes: Wishes,
        description: Description,
        now: Moment,
        *,
        last_row: LastRow | None = None,
    ) -> None:
        self.wishes = wishes
        self.phase = Phase.SEEKING
        self.wants_reopen = False
        self.ended_as: tuple[str, str] | None = None
        self.load_unconfirmed = False
        self.counters_changed = False
        self.events = EventLog(description.events)
        self.last_window: Window | None = None
        self.load = "-"
        self.rows_total = 0
        self.rows_missing = 0
        self.noise_count = 0
        self.disk_trouble = ""
        self._base = description
        self._resumed = last_row is not None
        self._axis = RunAxis(description.counters if last_row else None)
        self._tie = HostTie()
        self._anchors = Anchors(description.clock)
        self._rule = StopRule(description.stop)
        self._decoder = LineDecoder()
        self._rows: list[bytes] = []
        self._outbox: list[bytes] = []
        self._todo: deque[tuple[str, tuple[str, ...]]] = deque()
        self._tries = 0
        self._sent_s: float | None = None
        self._now = self._ticked = self._down_since = self._heard = now
        self._phase_since_s = now.steady_s
        self._host_zero_s = 0.0
        self._window_us = round((description.window_s or 0.0) * MICRO)
        self._last: tuple[int, int] | None = None
        self._held: tuple[Window, float] | None = None
        self._taking = False
        self._changed = True
        self._out_of_place = 0
        self._link_was_lost = False
        self._wiring: WiringWatch | None = None
        if last_row is not None:
            self._resume(last_row, now)

    # What comes in

    def connected(self, now: Moment, port: str, usb_serial: str = "") -> None:
        """A port was opened; ask who is there."""
        self._now = now
        self._decoder.restart()
        self._outbox = [b"\n"]  # ends whatever half a command the board may have
        self._todo.clear()
        self.wants_reopen = False
        self._heard = now
        self._port = (port, usb_serial)
        if self.phase is not Phase.CLOSING:
            self._enter(Phase.GREETING)
            self._ask("identify")

    def feed(self, data: bytes, now: Moment) -> None:
        """Bytes from the board."""
        self._now = now
        lines = self._decoder.lines
        for item in self._decoder.feed(data):
            if type(item) is Window:
                self._window(item)
            else:
                self._other(item)
        if self._decoder.lines > lines:
            self._heard = now
        if self._last is not None and self.last_window is not None:
            self._tie.note(self._axis.time_s, now.steady_s)

    def tick(self, now: Moment) -> None:
        """Time passes; call many times a second, also when nothing comes."""
        for event in compare(self._ticked, now):
            self.events.add(
                self.run_s(now), "clock", event.text, {f"{event.kind}_s": event.seconds}
            )
            self._anchor(now, force=True)
        self._now = self._ticked = now
        if self._held is not None and now.steady_s - self._held[1] > HELD_S:
            self._release_held()
        self._anchor(now)
        if self.ended_as is not None:
            if now.steady_s - self._phase_since_s > CLOSING_S or (
                not self._todo and self._sent_s is None
            ):
                self._end()
            return
        self._watch_time(now)
        self._watch_link(now)
        self._watch_answers(now)

    def disconnected(self, now: Moment, why: str) -> None:
        """The port is gone or of no use."""
        self._now = now
        self._release_held()
        self._todo.clear()
        self._outbox.clear()
        self._sent_s = None
        self.wants_reopen = False
        if self.ended_as is not None:
            self._end()
        elif self.phase is not Phase.SEEKING:
            self._down_since = now
            self._link_was_lost = True
            self.events.add(self.run_s(now), "link", f"link lost: {why}")
            self._enter(Phase.SEEKING)

    def mark(self, text: str, now: Moment) -> None:
        """Something the user wants to find again."""
        self.events.add(self.run_s(now), "mark", text.strip() or "mark")

    def finish(self, reason: str, text: str, now: Moment) -> None:
        """End the run: tell the board, then stop. Only the first reason counts."""
        if self.ended_as is not None:
            return
        self._release_held()
        self.ended_as = (reason, text)
        linked = self.phase not in (Phase.SEEKING, Phase.GREETING)
        open_load = self.load != "-" and (
            (
                self.wishes.load_at_end is LoadAtEnd.AT_END
                and reason in ("cutoff", "charge", "duration")
            )
            or (self.wishes.load_at_end is LoadAtEnd.AT_CUTOFF and reason == "cutoff")
        )
        self._todo.clear()
        self._sent_s = None
        self._enter(Phase.CLOSING)
        if open_load and self.load == "1":
            self.load_unconfirmed = True
            self._todo.append(("load", ("0",)))
        self._todo.append(("stop", ()))
        if linked:
            self._send_next()
        else:
            self._end()

    # What goes out

    def take_rows(self) -> bytes:
        """Rows of ``samples.csv`` since the last call."""
        rows, self._rows = self._rows, []
        return b"".join(rows)

    def take_commands(self) -> list[bytes]:
        """Bytes for the board since the last call."""
        outbox, self._outbox = self._outbox, []
        return outbox

    @property
    def changed(self) -> bool:
        """The description is not what it was when last taken."""
        return self._changed or self.events.changed

    def description(self, now: Moment) -> Description:
        """The run's description as of now."""
        self._changed = self.events.changed = False
        reason, text = self.ended_as or ("", "")
        ended = self.phase is Phase.ENDED
        return replace(
            self._base,
            state="ended" if ended else "recording",
            ended_utc=now.utc if ended else "",
            end_reason=reason if ended else "",
            end_text=text if ended else "",
            window_s=self._window_us / MICRO if self._window_us else None,
            counters=self._axis.counters(),
            events=self.events.all(),
            clock=self._anchors.all(),
        )

    def status(self) -> Status:
        window = self.last_window
        below_us = self._rule.below_since_us
        return Status(
            phase=self.phase,
            port=self._base.board.port if self._base.board else "",
            board=self._base.board.board if self._base.board else self.wishes.board,
            time_s=self._axis.time_s,
            rows=self.rows_total,
            rows_missing=self.rows_missing,
            pack_v=window.pack_v if window else None,
            current_ma=window.current_ma if window else None,
            charge_mah=self._axis.charge / MICRO,
            energy_mwh=self._axis.energy / MICRO,
            below_since_s=None if below_us is None else below_us / MICRO,
            end_reason=self.ended_as[0] if self.ended_as else "",
            end_text=self.ended_as[1] if self.ended_as else "",
            load=self.load,
            trouble=self.disk_trouble,
        )

    def run_s(self, now: Moment) -> float:
        """Run time now, by the computer's clock where it can be told; never before the last row."""
        told_s = self._tie.run_s(now.steady_s)
        return max(self._axis.time_s, told_s or 0.0)

    # Windows

    def _window(self, window: Window) -> None:
        if not self._taking or self.ended_as is not None:
            return
        last = self._last
        if (
            self._held is None
            and last is not None
            and window.sequence == last[0] + 1
            and 0 < window.time_us - last[1] <= self._step_max_us
        ):
            self._accept(window)
        else:
            self._odd_window(window)

    def _accept(self, window: Window) -> None:
        axis = self._axis
        self._last = (window.sequence, window.time_us)
        self.last_window = window
        time_us = axis.time_us = window.time_us + axis.time_zero_us
        charge = axis.charge = window.charge_umah + axis.charge_zero
        energy = axis.energy = window.energy_umwh + axis.energy_zero
        boot = axis.boot or 0
        if window.current_max_ma > axis.peak_ma:
            axis.peak_ma = window.current_max_ma
        if charge >= 0 and energy >= 0:
            row = b"%d.%06d,%d,%d,%b,%d.%06d,%d.%06d\r\n" % (
                *divmod(time_us, MICRO),
                window.sequence,
                boot,
                window.passed,
                *divmod(charge, MICRO),
                *divmod(energy, MICRO),
            )
        else:
            numbers = f"{fixed(charge, 6)},{fixed(energy, 6)}\r\n".encode()
            row = b"%d.%06d,%d,%d,%b," % (
                *divmod(time_us, MICRO),
                window.sequence,
                boot,
                window.passed,
            )
            row += numbers
        self._rows.append(row)
        self.rows_total += 1
        if self._wiring is not None:
            self._sense_wiring(self._wiring, window)
        over = self._rule.row(time_us, window.pack_v, charge)
        if over is not None:
            self.finish(*over, self._now)

    def _sense_wiring(self, watch: WiringWatch, window: Window) -> None:
        """In the first ten seconds: is it wired up right?"""
        for finding in watch.row(self._axis.time_s, window.passed):
            self.events.add(self._axis.time_s, "wiring", str(finding))
        if watch.done:
            self._wiring = None

    def _odd_window(self, window: Window) -> None:
        """Not the very next one: the first of a boot, after a loss, or a damaged line with a right CRC.

        A window after a loss is held until the next one agrees with it, so that a
        chance match of the CRC cannot throw the run's time forward for good.
        """
        if self._held is not None:
            held, self._held = self._held[0], None
            if _follows(window, (held.sequence, held.time_us)):
                self._accept_after_loss(held)
            else:
                self._void_line()
            self._window(window)
        elif self._last is None:
            self._begin_rows(window)
        elif _follows(window, self._last):
            self._held = (window, self._now.steady_s)
        else:
            self._void_line()
            self._out_of_place += 1
            if self._out_of_place % 10 == 3:  # perhaps another boot, and its hello was damaged
                self._outbox.append(command("identify"))

    def _begin_rows(self, window: Window) -> None:
        """First row of the run or of a boot."""
        if self._axis.boot is None:
            self._axis.begin_run(self._hello.boot, window, self._window_us)
            self._wiring = self._new_watch()
            self._host_zero_s = self._now.steady_s - self._window_us / MICRO
        self.counters_changed = True
        self._changed = True
        self._accept(window)
        self._tie.note(self._axis.time_s, self._now.steady_s)

    def _new_watch(self) -> WiringWatch | None:
        sensor, calibration = self._base.sensor, self._base.calibration
        if sensor is None:
            return None
        zero = calibration.current if calibration else None
        senses = senses_of(sensor.kind, sensor.shunt_ohm, sensor.range_ma, zero)
        return WiringWatch(senses) if senses else None

    def _release_held(self) -> None:
        if self._held is not None:
            held, self._held = self._held[0], None
            self._accept_after_loss(held)

    def _accept_after_loss(self, window: Window) -> None:
        assert self._last is not None
        before_us = self._axis.time_us
        rows = (window.sequence - self._last[0]) % SEQUENCE_SPAN - 1
        span_s = (window.time_us - self._last[1]) / MICRO
        self._out_of_place = 0
        self.rows_missing += rows
        self.noise_count += rows
        link_was_lost, self._link_was_lost = self._link_was_lost, False
        if rows and span_s < GAP_S and not link_was_lost:
            self.events.trouble(before_us / MICRO, rows=rows)
        elif rows or span_s >= GAP_S:
            text = f"{span_s:.1f} s without a row ({rows} rows lost); charge and energy go on from the board's counters"
            self.events.add(
                before_us / MICRO, "gap", text, {"rows": rows, "span_s": span_s, "charge_mah": 0.0}
            )
        self._accept(window)

    def _void_line(self) -> None:
        self.noise_count += 1
        self.events.trouble(self.run_s(self._now), lines=1)

    # Everything else that the board says

    def _other(self, item: Item) -> None:
        if isinstance(item, Void):
            self._void_line()
        elif isinstance(item, Hello):
            self._greeted(item)
        elif isinstance(item, Answer):
            self._answered(item)
        elif isinstance(item, Load):
            self._load_changed(item)
        elif isinstance(item, Fault):
            words = FAULT_WORDS.get(item.code, item.code)
            detail = f": {item.detail}" if item.detail else ""
            self.events.fault(self._board_s(item.time_us), item.code, f"{words}{detail}")

    def _greeted(self, hello: Hello) -> None:
        if self.wishes.board and hello.board != self.wishes.board:
            self.events.add(
                self.run_s(self._now),
                "link",
                f"another board answered: {hello.board} instead of {self.wishes.board}",
            )
            self.wants_reopen = True
            return
        if hello.protocol != PROTOCOL_VERSION:
            text = f"the board speaks protocol {hello.protocol}, this program {PROTOCOL_VERSION}"
            self.finish("error", text, self._now)
            return
        self._hello = hello
        load_before, self.load = self.load, hello.load
        fresh = self._axis.boot is None
        new_boot = not fresh and (
            hello.boot != self._axis.boot
            or (self._last is not None and hello.time_us < self._last[1])
        )
        reconnected = self.phase is Phase.GREETING
        if hello.time_factor is not None:
            self._tie.factor = hello.time_factor
        if reconnected:
            self._link_is_back(hello, fresh)
        if new_boot:
            self._new_boot(hello)
        if not fresh and hello.load == "0" and load_before == "1":
            # Its line was lost, or came while nobody listened; the board never opens it for less.
            self.finish("cutoff", "the board was found with its load switch opened", self._now)
        if self.ended_as is None and (fresh or new_boot or reconnected or not hello.running):
            self._set_up(hello, fresh)

    def _link_is_back(self, hello: Hello, fresh: bool) -> None:
        port, usb_serial = self._port
        self.wishes = replace(self.wishes, board=hello.board)
        board = self._base.board
        if board is None:
            board = Board(hello.board, hello.boot, hello.firmware, port, usb_serial)
            sensor = Sensor(
                hello.sensor,
                hello.shunt_ohm,
                hello.range_ma,
                hello.bus_range_v,
                hello.address,
            )
            self._base = replace(self._base, board=board, sensor=sensor)
        elif not fresh:
            away_s = self._now.steady_s - self._down_since.steady_s
            moved = f", now on {port}" if port != board.port else ""
            self.events.add(self.run_s(self._now), "link", f"link back after {away_s:.1f} s{moved}")
            self._base = replace(self._base, board=replace(board, port=port))
        self._changed = True

    def _new_boot(self, hello: Hello) -> None:
        """Counters began again at 0: what lies between is bounded and flagged, not invented."""
        self._release_held()
        told_s = self._tie.run_s(self._now.steady_s)
        before_s = self._axis.time_s
        unknown = self._axis.begin_boot(hello.boot, hello.time_us, told_s)
        lost = {"charge_lower_mah": 0.0, "span_s": unknown.length_s}
        if unknown.charge_upper_mah is None:
            bound = "how much charge went missing cannot be bounded"
        else:
            lost["charge_upper_mah"] = round(unknown.charge_upper_mah, 6)
            bound = f"0 to {unknown.charge_upper_mah:.4g} mAh not counted"
        text = (
            f"board started again ({hello.cause}, boot {hello.boot}) after at most "
            f"{unknown.length_s:.2f} s that nobody measured: {bound}"
        )
        self.events.add(before_s, "boot", text, lost)
        self._last = None
        self._out_of_place = 0
        self._taking = False

    def _set_up(self, hello: Hello, fresh: bool) -> None:
        """Bring the board to what the user wants, then have it send windows."""
        self._todo.clear()
        self._sent_s = None
        wanted_us = self._window_us or self.wishes.window_us or hello.window_us
        guard_v = self.wishes.guard_v
        if fresh and hello.running:
            self._todo.append(("stop", ()))
        if wanted_us != hello.window_us:
            self._todo.append(("window", (str(wanted_us),)))
        if guard_v is not None and hello.load != "-":
            hold_ms = round(self.wishes.guard_hold_s * 1000) if guard_v else 0
            if abs(guard_v - hello.cutoff_v) > 5e-7 or hold_ms != hello.hold_ms:
                self._todo.append(("cutoff", (f"{guard_v:.6f}", str(hold_ms))))
        if fresh and hello.load == "0":
            self._todo.append(("load", ("1",)))
        if fresh or not hello.running:
            self._todo.append(("start", ()))
        self._window_us = wanted_us
        self._step_max_us = wanted_us + wanted_us // 2
        if not fresh and self._last is not None:
            self._taking = True
        self._enter(Phase.SETTING if self._todo else Phase.RUNNING)
        self._send_next()

    def _load_changed(self, load: Load) -> None:
        before, self.load = self.load, load.state
        if self._todo and self._todo[0] == ("load", (load.state,)):
            self.load_unconfirmed = False
            self._next_command()
        if load.state != before or load.reason == "cutoff":
            state = {"1": "closed", "0": "opened"}.get(load.state, "absent")
            self.events.add(
                self._board_s(load.time_us), "load", f"load switch {state} ({load.reason})"
            )
        if load.state == "0" and load.reason == "cutoff":
            guard = self.wishes.guard_v or self._hello.cutoff_v
            self.finish(
                "cutoff", f"the board opened the load at its own cutoff of {guard:g} V", self._now
            )

    def _board_s(self, time_us: int) -> float:
        """Board time on the run's axis, never before the last row."""
        return max(time_us + self._axis.time_zero_us, self._axis.time_us) / MICRO

    # Commands

    def _ask(self, name: str, *fields: str) -> None:
        self._outbox.append(command(name, *fields))
        self._sent_s = self._now.steady_s

    def _send_next(self) -> None:
        if not self._todo:
            return
        name, fields = self._todo[0]
        if name == "start":
            self._taking = True
        self._ask(name, *fields)

    def _next_command(self) -> None:
        self._todo.popleft()
        self._tries = 0
        self._sent_s = None
        if self._todo:
            self._send_next()
        elif self.phase is Phase.SETTING:
            self._enter(Phase.RUNNING)

    def _answered(self, answer: Answer) -> None:
        if not self._todo:
            return
        name = self._todo[0][0]
        if answer.accepted and answer.command == name and name != "load":
            self._next_command()
        elif not answer.accepted and answer.command == name and answer.reason != "crc":
            text = f"the board refused {name}: {answer.reason}"
            self.events.add(self.run_s(self._now), "link", text)
            self._next_command()

    def _watch_answers(self, now: Moment) -> None:
        """Say it again when no answer came; after ``TRIES`` note it and go on."""
        if self._sent_s is None or now.steady_s - self._sent_s < ANSWER_S:
            return
        if self.phase is Phase.GREETING:
            self._ask("identify")
        elif self._todo:
            self._tries += 1
            if self._tries < TRIES:
                self._send_next()
            else:
                name = self._todo[0][0]
                self.events.add(self.run_s(now), "link", f"the board did not answer {name}")
                self._next_command()

    # Watching

    def _watch_time(self, now: Moment) -> None:
        if self.phase is Phase.RUNNING or self._axis.boot is None:
            return
        over = self._rule.time(self.run_s(now) * MICRO)
        if over is not None:
            self.finish(over[0], f"{over[1]}, with no link to the board at the end", now)
        give_up_s = self.wishes.give_up_s
        if (
            give_up_s is not None
            and self.phase is Phase.SEEKING
            and now.steady_s - self._down_since.steady_s >= give_up_s
        ):
            self.finish("link-lost", f"no board for {give_up_s:g} s", now)

    def _watch_link(self, now: Moment) -> None:
        waited_s = now.steady_s - self._phase_since_s
        if self.phase is Phase.GREETING and waited_s > GREETING_S:
            self.wants_reopen = True
        if self.phase is not Phase.RUNNING:
            return
        patience_s = max(SILENCE_S, 3 * self._window_us / MICRO)
        silent_s = now.steady_s - self._heard.steady_s
        if silent_s > 3 * patience_s:
            self.wants_reopen = True
        elif silent_s > patience_s and (
            self._sent_s is None or now.steady_s - self._sent_s > patience_s
        ):
            self._ask("identify")

    def _anchor(self, now: Moment, *, force: bool = False) -> None:
        if self._axis.boot is not None:
            host_s = now.steady_s - self._host_zero_s
            if self._anchors.add(self.run_s(now), host_s, now, force=force):
                self._changed = True

    def _enter(self, phase: Phase) -> None:
        self.phase = phase
        self._phase_since_s = self._now.steady_s
        self._tries = 0

    def _end(self) -> None:
        assert self.ended_as is not None
        reason, text = self.ended_as
        if self.load_unconfirmed:
            text += "; THE LOAD SWITCH DID NOT CONFIRM: the pack may still be draining"
            self.ended_as = (reason, text)
        self.phase = Phase.ENDED
        self._changed = True

    def _resume(self, last_row: LastRow, now: Moment) -> None:
        """Take the run up again after its last whole row."""
        axis = self._axis
        axis.time_us = round(last_row.time_s * MICRO)
        axis.charge = round(last_row.charge_mah * MICRO)
        axis.energy = round(last_row.energy_mwh * MICRO)
        axis.peak_ma = last_row.peak_ma
        self.rows_total = last_row.rows
        self._link_was_lost = True
        if axis.boot != last_row.boot:
            axis.boot = -1  # zeros of that boot are not known: any hello is a new boot
        else:
            self._last = (last_row.sequence, axis.time_us - axis.time_zero_us)
        base = self._base
        self.wishes = replace(self.wishes, board=base.board.board if base.board else "")
        self.events.add(axis.time_s, "link", "recording was taken up again")
        if base.clock:
            # The steady clock does not outlive the computer; only the time of day bridges the pause.
            time_s, host_s, utc = base.clock[-1]
            paused_s = max(now.wall_s - _wall_s(utc, now.wall_s), 0.0)
            self._host_zero_s = now.steady_s - (host_s + paused_s)
            self._tie.note(time_s + paused_s, now.steady_s)


def _follows(window: Window, last: tuple[int, int]) -> bool:
    """Whether the window can come after ``last`` (sequence, board time) in the same boot."""
    steps = (window.sequence - last[0]) % SEQUENCE_SPAN
    return 0 < steps < SEQUENCE_SPAN // 2 and window.time_us > last[1]


def _wall_s(utc: str, default_s: float) -> float:
    from datetime import datetime

    try:
        return datetime.fromisoformat(utc).timestamp()
    except ValueError:
        return default_s
