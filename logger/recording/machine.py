"""A recording as a state machine: fed with bytes and the time, it gives rows, commands and events.

It touches no port, file or clock; ``session.py`` does. So a night, with every
unplugging, reset and sleep in it, passes in a test in milliseconds.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from firmware_probe.line_format import PROTOCOL_VERSION
from logger.base.clock import Moment, compare
from logger.base.fault_words import (
    FAULT_WORDS,
    LOAD_STATES,
    OVERFLOW,
    SWAPPED,
    SWITCH,
    load_text,
)
from logger.base.marks import mark_text
from logger.base.numbers import digits_text
from logger.base.sensor_limits import beyond_words
from logger.board.dialogue import ANSWER_S, TRIES_LOAD, Dialogue, Order
from logger.board.stream import (
    Answer,
    Burst,
    Fault,
    Hello,
    Item,
    LineDecoder,
    Load,
    Own,
    Void,
    Window,
)
from logger.board.wiring_sense import WiringWatch, senses_of
from logger.recording.axis import MICRO, UNKNOWN_BOOT, HostTime, RunAxis, Unknown
from logger.recording.event_log import EventLog
from logger.recording.open_switch import OpenSwitch
from logger.recording.row_maker import RowMaker
from logger.recording.sensor_watch import SensorWatch, sensor_of
from logger.recording.stop_rule import StopRule
from logger.recording.terms import LastRow, Phase, Status, Wishes
from logger.run.description import Board, Description

BURST_US: Final = 250_000  # costs one conversion in two hundred
GREETING_S: Final = 6.0  # a board that resets on opening takes two seconds to speak
SILENCE_S: Final = 3.0
CLOSING_S: Final = (TRIES_LOAD + 2) * ANSWER_S
SWITCH_S: Final = 3.0  # for the current to go, beyond two windows


class Recording:
    """One board, one run. Call ``connected``, ``feed``, ``tick``, ``disconnected`` with the time; take
    rows, commands and the description away. ``wants_reopen``: the link is of no use as it is.

    ``boot``: which start of this computer it is (``host_boot``). ``keeps_time``: whether its time of day outlives a power cut.
    """

    def __init__(
        self,
        wishes: Wishes,
        description: Description,
        now: Moment,
        *,
        last_row: LastRow | None = None,
        boot: str = "",
        keeps_time: bool = True,
    ) -> None:
        self.wishes = wishes
        self.phase = Phase.SEEKING
        self.wants_reopen = False
        self.ended_as: tuple[str, str] | None = None
        self.load_unconfirmed = False
        self.counters_changed = False
        self.events = EventLog(description.events)
        self.load = "-"
        self.disk_trouble = ""
        self._base = description
        self._hello: Hello | None = None
        self._axis = RunAxis(description.counters if last_row else None)
        self._host = HostTime(description, boot, keeps_time)
        self._rule = StopRule(description.stop, resumed=last_row is not None)
        self._decoder = LineDecoder()
        self._dialogue = Dialogue()
        window_us = round((description.window_s or 0.0) * MICRO)
        self._maker = RowMaker(self._axis, self.events, self._rule, window_us)
        self._now = self._ticked = self._down_since = self._heard = now
        self._phase_since_s = now.steady_s
        self._port = ("", "")
        self._wiring: WiringWatch | None = None
        self._sensor = SensorWatch(self.events)
        self._changed = True
        self._open_asked = False
        self.switch = OpenSwitch()
        self._stop_said = False
        if last_row is not None:
            self._resume(last_row, now)

    # What comes in

    def connected(self, now: Moment, port: str, usb_serial: str = "") -> None:
        """A port was opened; ask who is there."""
        self._now = self._heard = now
        self._decoder.restart()
        self._dialogue.begin()
        self.wants_reopen = False
        self._port = (port, usb_serial)
        self._enter(Phase.GREETING)
        self._dialogue.ask("identify", now.steady_s)

    def feed(self, data: bytes, now: Moment) -> None:
        """Bytes from the board."""
        self._now = now
        lines, maker = self._decoder.lines, self._maker
        for item in self._decoder.feed(data):
            if type(item) is Window:
                maker.window(item, now.steady_s)
                self._sensor.row(item)
                if self.switch.is_waiting:
                    self._look_at_switch(item)
                if self._wiring is not None and maker.last_window is item:
                    self._sense_wiring(self._wiring, item)
            else:
                self._other(item)
        if self._decoder.lines > lines:
            self._heard = now
        if maker.last is not None and maker.last_window is not None:
            self._host.row(self._axis.time_s, now)
        if maker.began:
            maker.began = False
            self.counters_changed = self._changed = True
        if maker.in_doubt:
            maker.in_doubt = False
            self._dialogue.ask("identify", now.steady_s)
        if maker.over is not None:
            self.finish(*maker.over, now)

    def tick(self, now: Moment) -> None:
        """Time passes; call many times a second, also when nothing comes."""
        for event in compare(self._ticked, now):
            cost = {f"{event.kind}_s": event.seconds}
            self.events.add(self.run_s(now), "clock", event.text, cost)
            self._anchor(now, force=True)
        self._now = self._ticked = now
        self._maker.release(now.steady_s)
        self._anchor(now)
        self._watch_answers(now)
        if self.ended_as is None:
            self._watch_time(now)
            self._watch_link(now)
        else:
            self._close(now)

    def disconnected(self, now: Moment, why: str) -> None:
        """The port is gone or of no use."""
        self._now = now
        self._maker.release()
        self._dialogue.drop()
        self.wants_reopen = False
        if self.ended_as is not None:
            self._end()
        elif self.phase is not Phase.SEEKING:
            self._down_since = now
            self._maker.link_was_lost = True
            self.events.add(self.run_s(now), "link", f"link lost: {why}")
            self._enter(Phase.SEEKING)

    def mark(self, text: str, now: Moment) -> None:
        """Something the user wants to find again."""
        self.events.add(self.run_s(now), "mark", mark_text(text) or "mark")

    def note(self, kind: str, text: str, now: Moment) -> None:
        """Something that another part has found out, such as a forecast."""
        self.events.add(self.run_s(now), kind, text)

    def take_over(self, changes: Mapping[str, Any]) -> None:
        """Fields of the description that a person changed in its file while the run was recorded."""
        self._base = replace(self._base, **changes)
        self._changed = True

    def open_load(self, now: Moment) -> None:
        """The user wants the load off now; rows go on coming, so that the pack's rest is seen."""
        if self.load != "1" or self.phase is not Phase.RUNNING or self._dialogue.order is not None:
            why = {"0": "it is off already", "-": "this board has no load switch"}
            text = f"the load could not be switched off: {why.get(self.load, f'the board is not ready ({self.phase})')}"
            self.events.add(self.run_s(now), "load", text)
            return
        self._open_asked = True
        self._dialogue.plan([("load", "0")])
        self._dialogue.send(now.steady_s)

    def finish(self, reason: str, text: str, now: Moment) -> None:
        """End the run: tell the board, see the current go, then stop. Only the first reason counts."""
        if self.ended_as is not None:
            if reason == "user" and self.phase is Phase.CLOSING:
                self.switch.give_up()
            return
        self._maker.release()
        self._maker.taking = False
        self.ended_as = (reason, text)
        # A board that is back but whose greeting was lost hears us all the same.
        back = self.phase is Phase.GREETING and self._hello is not None and not self.wants_reopen
        linked = back or self.phase not in (Phase.SEEKING, Phase.GREETING)
        orders: list[Order] = []
        if self.load == "1" and self.wishes.load_at_end.opens(reason):
            self.load_unconfirmed = True
            orders.append(("load", "0"))
        elif not self.switch.is_waiting:
            orders.append(("stop",))
            self._stop_said = True
        self._dialogue.plan(orders)
        self._enter(Phase.CLOSING)
        if linked:
            self._dialogue.send(now.steady_s)
        else:
            self._end()

    def abandon(self, reason: str, text: str) -> None:
        """End at once, without a word to the board."""
        self.ended_as = self.ended_as or (reason, text)
        self._end()

    # What goes out

    def take_rows(self) -> bytes:
        """Rows of ``samples.csv`` since the last call."""
        return self._maker.take()

    def take_commands(self) -> list[bytes]:
        """Bytes for the board since the last call."""
        outbox, self._dialogue.outbox = self._dialogue.outbox, []
        return outbox

    @property
    def noise_count(self) -> int:
        """Damaged lines and missing rows so far."""
        return self._maker.noise_count

    @property
    def changed(self) -> bool:
        """The description is not what it was when last taken."""
        return self._changed or self.events.changed

    def description(self, now: Moment) -> Description:
        """The run's description as of now."""
        self._changed = self.events.changed = False
        reason, text = self.ended_as or ("", "")
        ended = self.phase is Phase.ENDED
        window_us = self._maker.window_us
        return replace(
            self._base,
            state="ended" if ended else "recording",
            ended_utc=now.utc if ended else "",
            end_reason=reason if ended else "",
            end_text=text if ended else "",
            window_s=window_us / MICRO if window_us else None,
            counters=self._axis.counters(),
            events=self.events.all(),
            **self._host.described(),
            switch_test=self.switch.seen or self._base.switch_test,
        )

    def status(self) -> Status:
        """What there is to see now."""
        window, board = self._maker.last_window, self._base.board
        below_us = self._rule.below_since_us
        reason, text = self.ended_as or ("", "")
        return Status(
            phase=self.phase,
            port=board.port if board else "",
            board=board.board if board else self.wishes.board,
            time_s=self._axis.time_s,
            rows=self._maker.rows_total,
            rows_missing=self._maker.rows_missing,
            pack_v=window.pack_v if window else None,
            current_ma=window.current_ma if window else None,
            charge_mah=self._axis.charge / MICRO,
            energy_mwh=self._axis.energy / MICRO,
            below_since_s=None if below_us is None else below_us / MICRO,
            end_reason=reason,
            end_text=text,
            load=self.load,
            trouble=self.disk_trouble,
            alarm=self.switch.alarm,
        )

    @property
    def under_cutoff_at_once(self) -> bool:
        """The cutoff ended a run that never stood above it."""
        return self.ended_as is not None and self.ended_as[0] == "cutoff" and self._rule.never_above

    def run_s(self, now: Moment) -> float:
        """Run time now, by the computer's clock where it can be told; never before the last row."""
        told_s = self._host.told_s(now)
        return max(self._axis.time_s, told_s or 0.0)

    # What the board says besides windows

    def _other(self, item: Item) -> None:
        if isinstance(item, Void):
            self._maker.void_line()
        elif isinstance(item, Hello):
            self._greeted(item)
        elif isinstance(item, Answer):
            self._link_event(self._dialogue.answered(item, self._now.steady_s))
            self._set_up_is_done()
        elif isinstance(item, Load):
            self._load_changed(item)
        elif isinstance(item, Burst | Own):
            if self._maker.taking:
                self._base = self._sensor.told(self._base, item)
        elif isinstance(item, Fault) and item.code == SWAPPED:
            kind, _, address = item.detail.partition("@")
            if address:  # else the greeting that comes with it says which
                at_s = self._board_s(item.time_us)
                self._base = self._sensor.swapped(self._base, kind, address, at_s)
        elif isinstance(item, Fault):
            self.events.fault(
                self._board_s(item.time_us), item.code, self._fault_text(item), _lost(item)
            )

    def _fault_text(self, fault: Fault) -> str:
        words = FAULT_WORDS.get(fault.code, fault.code)
        hello = self._hello
        if fault.code == OVERFLOW and hello is not None:
            lost = f" ({fault.detail} conversions)" if fault.detail else ""
            return f"{words}{lost}: {beyond_words(hello.shunt_ohm, hello.range_ma)}"
        if fault.code == SWITCH:
            return f"{words}: {self.switch.board_says(fault.detail, hello, self._now.utc)}"
        return f"{words}: {fault.detail}" if fault.detail else words

    def _look_at_switch(self, window: Window) -> None:
        """It was opened a while ago; a window may say whether the current has gone."""
        seen = self.switch.window(window, self._hello, self._now.utc)
        if seen is not None:
            kind = "fault" if seen.stuck else "load"
            self.events.add(self._board_s(window.time_us), kind, seen.words)

    def _close(self, now: Moment) -> None:
        """After the end: the switch's answer, the current's going, the board's stop, each in its time."""
        waited_s = now.steady_s - self._phase_since_s
        patience_s = CLOSING_S + 2 * self._maker.window_us / MICRO
        if not self._dialogue.is_over and waited_s <= patience_s:
            return
        if self.switch.is_waiting and waited_s <= patience_s + SWITCH_S:
            return
        if not self._stop_said:
            self._stop_said = True
            self._dialogue.plan([("stop",)])
            self._dialogue.send(now.steady_s)
            return
        self._end()

    def _greeted(self, hello: Hello) -> None:
        if self.wishes.board and hello.board != self.wishes.board:
            self._link_event(
                f"another board answered: {hello.board} instead of {self.wishes.board}"
            )
            self.wants_reopen = True
            return
        if hello.protocol != PROTOCOL_VERSION:
            text = f"the board speaks protocol {hello.protocol}, this program {PROTOCOL_VERSION}"
            self.finish("error", text, self._now)
            return
        fresh, new_boot = self._axis.boot is None, self._is_new_boot(hello)
        reconnected = self.phase is Phase.GREETING
        load_before, self.load = self.load, hello.load
        self._hello = hello
        self._host.set_factor(hello.time_factor)
        if reconnected:
            self._link_is_back(hello, fresh)
        if new_boot:
            self._new_boot(hello)
        self._base = self._sensor.greeted(
            self._base, hello, self.run_s(self._now), fresh=fresh, again=new_boot or reconnected
        )
        self._maker.boot = hello.boot
        # Its line was lost, or came while nobody listened.
        found_open = not fresh and hello.load == "0" and load_before == "1"
        if found_open or (fresh and hello.load in LOAD_STATES):
            # So that whoever reads the run knows of the switch.
            self.events.add(self.run_s(self._now), "load", load_text(hello.load, "status"))
        if found_open and hello.running:
            found = Load(hello.time_us, "0", "status")
            self.switch.follow(found, load_before, self._maker.last_window)
        if found_open and not self._open_asked:  # the board never opens it for less than its cutoff
            self.finish("cutoff", "the board was found with its load switch opened", self._now)
        if self.ended_as is None and (fresh or new_boot or reconnected or not hello.running):
            self._set_up(hello, fresh)

    def _is_new_boot(self, hello: Hello) -> bool:
        """Another number, or a clock that went back (a board whose EEPROM is worn out)."""
        if self._axis.boot is None:
            return False
        heard_us = self._hello.time_us if self._hello else 0
        if self._maker.last is not None:
            heard_us = self._maker.last[1]
        return hello.boot != self._axis.boot or hello.time_us < heard_us

    def _link_is_back(self, hello: Hello, fresh: bool) -> None:
        port, usb_serial = self._port
        self.wishes = replace(self.wishes, board=hello.board)
        board = self._base.board
        if board is None:
            self._base = introduce(self._base, hello, port, usb_serial)
            self._wiring = self._new_watch()
        elif not fresh:
            away_s = self._now.steady_s - self._down_since.steady_s
            moved = f", now on {port}" if port != board.port else ""
            self._link_event(f"link back after {away_s:.1f} s{moved}")
            self._base = replace(self._base, board=replace(board, port=port))
        self._changed = True

    def _new_watch(self) -> WiringWatch | None:
        """For a new run whose sensor is known."""
        sensor, calibration = self._base.sensor, self._base.calibration
        if sensor is None:
            return None
        zero = calibration.current if calibration else None
        senses = senses_of(sensor.kind, sensor.shunt_ohm, sensor.range_ma, zero)
        return WiringWatch(senses) if senses else None

    def _sense_wiring(self, watch: WiringWatch, window: Window) -> None:
        """In the first ten seconds: is it wired up right?"""
        for finding in watch.row(self._axis.time_s, window.passed):
            self.events.add(self._axis.time_s, "wiring", str(finding))
        if watch.done:
            self._wiring = None

    def _new_boot(self, hello: Hello) -> None:
        """Counters began again at 0: what lies between is bounded and flagged, not invented."""
        self._maker.release()
        self.switch.give_up()  # its clock began anew; the board looks by itself
        before_s = self._axis.time_s
        told_s = self._host.told_s(self._now)
        unknown = self._axis.begin_boot(hello.boot, hello.time_us, told_s)
        self._maker.begin_boot()
        lost, words = _cost_of_boot(unknown)
        text = f"board started again ({hello.cause}, boot {hello.boot}) {words}"
        self.events.add(before_s, "boot", text, lost)

    def _set_up(self, hello: Hello, fresh: bool) -> None:
        """Bring the board to what the user wants, then have it send windows."""
        window_us = self._maker.window_us or self.wishes.window_us or hello.window_us
        self._maker.set_window(window_us)
        orders: list[Order] = []
        if fresh and hello.running:
            orders.append(("stop",))
        if window_us != hello.window_us:
            orders.append(("window", str(window_us)))
        guard_v = self.wishes.guard_v
        if guard_v is not None and hello.load != "-":
            hold_ms = round(self.wishes.guard_hold_s * 1000) if guard_v else 0
            if abs(guard_v - hello.cutoff_v) > 5e-7 or hold_ms != hello.hold_ms:
                orders.append(("cutoff", f"{guard_v:.6f}", str(hold_ms)))
        if hello.burst_us == 0:
            orders.append(("burst", str(BURST_US)))
        if fresh and hello.load == "0":
            person = hello.opened == "cutoff" and self.wishes.close_load
            orders.append(("load", "1", "1") if person else ("load", "1"))
        if fresh or not hello.running:
            orders.append(("start",))
        self._maker.taking = self._maker.last is not None or ("start",) not in orders
        self._dialogue.plan(orders)
        self._enter(Phase.SETTING)
        self._dialogue.send(self._now.steady_s)
        self._set_up_is_done()

    def _set_up_is_done(self) -> None:
        if self._dialogue.order == ("start",):
            self._maker.taking = self.ended_as is None
        if self.phase is Phase.SETTING and self._dialogue.is_over:
            self._enter(Phase.RUNNING)

    def _load_changed(self, load: Load) -> None:
        before, self.load = self.load, load.state
        self.switch.follow(load, before, self._maker.last_window)
        if self._dialogue.confirmed(("load", load.state), self._now.steady_s):
            self.load_unconfirmed = False
            self._set_up_is_done()
        if load.state != before or load.reason == "cutoff":
            text = load_text(load.state, load.reason)
            self.events.add(self._board_s(load.time_us), "load", text)
        if load.state == "0" and load.reason == "cutoff":
            guard_v = self.wishes.guard_v or (self._hello.cutoff_v if self._hello else 0.0)
            text = f"the board opened the load at its own cutoff of {guard_v:g} V"
            self.finish("cutoff", text, self._now)

    def _board_s(self, time_us: int) -> float:
        """Board time on the run's axis, never before the last row; 0 before the first."""
        if self._axis.boot is None:
            return 0.0
        return max(time_us + self._axis.time_zero_us, self._axis.time_us) / MICRO

    def _link_event(self, text: str) -> None:
        if text:
            self.events.add(self.run_s(self._now), "link", text)

    # Watching

    def _watch_answers(self, now: Moment) -> None:
        if self.phase is Phase.GREETING:
            sent_s = self._dialogue.sent_s
            if sent_s is not None and now.steady_s - sent_s >= ANSWER_S:
                self._dialogue.ask("identify", now.steady_s)
            return
        self._link_event(self._dialogue.overdue(now.steady_s))
        self._set_up_is_done()

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
        patience_s = max(SILENCE_S, 3 * self._maker.window_us / MICRO)
        silent_s = now.steady_s - self._heard.steady_s
        asked_s = self._dialogue.sent_s
        if silent_s > 3 * patience_s:
            self.wants_reopen = True
        elif silent_s > patience_s and (asked_s is None or now.steady_s - asked_s > patience_s):
            self._dialogue.ask("identify", now.steady_s)

    def _anchor(self, now: Moment, *, force: bool = False) -> None:
        if self._axis.boot is not None and self._host.anchor(self.run_s(now), now, force=force):
            self._changed = True

    def _enter(self, phase: Phase) -> None:
        self.phase = phase
        self._phase_since_s = self._now.steady_s

    def _end(self) -> None:
        assert self.ended_as is not None
        reason, text = self.ended_as
        if self.load_unconfirmed and self.phase is not Phase.ENDED:
            text += "; THE LOAD SWITCH DID NOT CONFIRM: the pack may still be draining"
            self.ended_as = (reason, text)
        elif self.phase is not Phase.ENDED:
            self.ended_as = (reason, text + self.switch.ended())
        self.phase = Phase.ENDED
        self._changed = True

    def _resume(self, last_row: LastRow, now: Moment) -> None:
        """Take the run up again after its last whole row."""
        axis, maker, base = self._axis, self._maker, self._base
        axis.time_us = round(last_row.time_s * MICRO)
        axis.charge = round(last_row.charge_mah * MICRO)
        axis.energy = round(last_row.energy_mwh * MICRO)
        axis.peak_ma = last_row.peak_ma
        maker.rows_total = last_row.rows
        maker.link_was_lost = True
        if axis.boot != last_row.boot:
            axis.boot = (
                UNKNOWN_BOOT  # where its counters stood is not known: any hello is a new boot
            )
        else:
            maker.last = (last_row.sequence, axis.time_us - axis.time_zero_us)
        self.wishes = replace(self.wishes, board=base.board.board if base.board else "")
        self.events.add(axis.time_s, "link", self._host.take_up(axis.time_s, now))


def _lost(fault: Fault) -> dict[str, float]:
    """What a fault cost, where the board says so."""
    counted = fault.code in (OVERFLOW, "missed") and fault.detail.isdecimal()
    return {"conversions": float(fault.detail)} if counted else {}


def introduce(
    description: Description, hello: Hello, port: str, usb_serial: str = ""
) -> Description:
    """Description with the board and the sensor that the hello tells of."""
    board = Board(hello.board, hello.boot, hello.firmware, port, usb_serial)
    return replace(description, board=board, sensor=sensor_of(hello))


def _cost_of_boot(unknown: Unknown) -> tuple[dict[str, float], str]:
    """What a board's new start cost, as numbers for the event and in words."""
    lost = {"charge_lower_mah": 0.0}
    if unknown.length_s is None or unknown.charge_upper_mah is None:
        return lost, (
            "after a time that nobody measured and this computer's clock does not tell: "
            "how much charge is not counted cannot be bounded; the run's time goes on without it"
        )
    lost["span_s"] = unknown.length_s
    lost["charge_upper_mah"] = round(unknown.charge_upper_mah, 6)
    return lost, (
        f"after at most {unknown.length_s:.2f} s that nobody measured: 0 to "
        f"{digits_text(unknown.charge_upper_mah, 4)} mAh not counted, if the piece drew no more than "
        f"the {digits_text(unknown.assumed_ma, 4)} mA it drew at most before"
    )
