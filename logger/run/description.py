"""Description of a run: who, what, when, how it ended, and what happened on the way.

Pure data and its JSON form (W3C CSV on the Web, "tabular data model" with
our own part under ``RUN_KEY``); files are written by ``store`` and read by
``reader``. Unknown keys are kept out, missing ones take their defaults, so
that older and newer runs load.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any, Final, TypeVar

from logger.base.durations import utc_moment
from logger.base.fault_words import load_state
from logger.base.pack import CHEMISTRIES, RECHARGEABLE, Pack
from logger.run.calibration import Calibration, calibration_from_json
from logger.run.edited.statements import (
    Change,
    Cutoff,
    Photo,
    Trim,
    cutoff_from_json,
    history_from_json,
    photos_from_json,
    trim_from_json,
)
from logger.run.format import (
    COLUMN_BY_NAME,
    RUN_FORMAT_VERSION,
    RUN_KEY,
    SAMPLES_NAME,
    UNIT_KEY,
)
from logger.run.parts.recorded import Board as Board
from logger.run.parts.recorded import Bursts as Bursts
from logger.run.parts.recorded import Counters as Counters
from logger.run.parts.recorded import Event as Event
from logger.run.parts.recorded import Meter as Meter
from logger.run.parts.recorded import OwnCounted as OwnCounted
from logger.run.parts.recorded import Sensor as Sensor
from logger.run.parts.recorded import Stop as Stop
from logger.run.switch_test import SwitchTest

# Said by the logger, found again by whoever reads the run.
TAKEN_UP: Final = "recording was taken up again"
# No edit changes these; two recordings never have all of them alike.
_OF_A_RECORDING: Final = ("started_utc", "ended_utc", "board", "clock", "counters", "imported")


@dataclass(frozen=True)
class Description:
    """All that is known of a run besides its samples.

    ``state``: ``recording`` until the end was written, then ``ended``.
    ``end_reason``: ``cutoff``, ``duration``, ``charge``, ``user``, ``disk-full``, ``link-lost``,
    ``error``, ``import``. ``clock``: anchors (time_s on the run's axis, host seconds since the
    run began on a clock that never steps, UTC as ISO 8601). ``host_boot``, ``host_zero_s``: which start of the computer
    that was, and where its steady clock stood at host second 0: after a crash the two tell the pause. ``calibration``: the copy that
    the analysis applies; readings in ``samples.csv`` stay raw. ``temperature_c``: of the bench.
    ``board_draw_ma``: what the board itself takes from the pack behind the sensor; None: fed by USB.
    ``need_s``: how long the piece must last, ``fresh``: whether the pack began fresh or freshly charged,
    ``modes_ma``: draws that the piece has in some mode, so that a pause is not taken for a piece gone dark;
    ``meter``: the accuracy of the meter that an import came from; None: nobody said. ``bursts``: what the board's
    short conversions saw, None: it sent none. ``own``: what the sensor counted itself, None: it does not.
    ``switch_test``: what was last seen when the load switch opened, before the run or in it; None: nobody looked.
    ``stop`` is what the recording was asked for; ``cutoff``: what is asked for now, None: the same. ``trim``: the part
    that counts, ``photos``, ``history``: see ``logger.run.edited.statements``. ``lost``: its file is missing or cannot be
    read, so marks, pack and need are unknown, not absent; never written.
    """

    title: str = ""
    source: str = "board"
    state: str = "recording"
    started_utc: str = ""
    ended_utc: str = ""
    end_reason: str = ""
    end_text: str = ""
    author: str = ""
    load: str = ""
    notes: str = ""
    window_s: float | None = None
    pack: Pack | None = None
    sensor: Sensor | None = None
    board: Board | None = None
    counters: Counters | None = None
    stop: Stop = field(default_factory=Stop)
    calibration: Calibration | None = None
    temperature_c: float | None = None
    board_draw_ma: float | None = None
    need_s: float | None = None
    fresh: bool | None = None
    modes_ma: tuple[float, ...] = ()
    clock: tuple[tuple[float, float, str], ...] = ()
    host_boot: str = ""
    host_zero_s: float | None = None
    events: tuple[Event, ...] = ()
    meter: Meter | None = None
    bursts: Bursts | None = None
    own: OwnCounted | None = None
    switch_test: SwitchTest | None = None
    imported: dict[str, Any] = field(default_factory=dict)
    lost: bool = False
    cutoff: Cutoff | None = None
    trim: Trim | None = None
    photos: tuple[Photo, ...] = ()
    history: tuple[Change, ...] = ()

    @property
    def asked(self) -> Stop:
        """Stop conditions with the cutoff that is asked for now."""
        if self.cutoff is None:
            return self.stop
        return replace(self.stop, cutoff_v=self.cutoff.cutoff_v, hold_s=self.cutoff.hold_s)

    def same_recording(self, other: "Description") -> bool:
        """Whether one is a copy of the other, edited or not: what was measured once must not count twice."""
        return bool(self.started_utc) and all(
            getattr(self, name) == getattr(other, name) for name in _OF_A_RECORDING
        )

    @property
    def simulated(self) -> bool:
        """Whether a simulated board recorded it."""
        return bool(self.board and self.board.firmware.lower().startswith("simulated"))

    @property
    def was_taken_up(self) -> bool:
        """Whether it was recorded in more than one go, by more than one program."""
        return any(event.kind == "link" and TAKEN_UP in event.text for event in self.events)

    @property
    def unknown_pauses(self) -> tuple[Event, ...]:
        """New starts of the board over which not even the length is known: later times and sums are at least what they are."""
        return tuple(event for event in self.events if event.is_unknown_pause)

    @property
    def unknown_words(self) -> str:
        """What a pause of unknown length means for all results; empty where there was none."""
        count = len(self.unknown_pauses)
        if not count:
            return ""
        restarts = "1 restart" if count == 1 else f"{count} restarts"
        return (
            f"{restarts} of the board, away for an unknown time; charge, energy and times after it "
            "are at least what is given here, and no interval covers what is missing."
        )

    @property
    def load_state(self) -> str:
        """How the load switch stood last: ``1`` closed, ``0`` open; ``-``: the run tells of none."""
        return load_state(event.text for event in self.events if event.kind == "load")

    @property
    def has_load_switch(self) -> bool:
        """Whether the board could open the load: by the run's own events, or its switch was tested in the run.

        An earlier test of the same board tells nothing: the board may have moved.
        """
        if self.load_state != "-" or self.switch_test is None:
            return self.load_state != "-"
        begun, tested = utc_moment(self.started_utc), utc_moment(self.switch_test.tested_utc)
        return begun is not None and tested is not None and tested >= begun

    @property
    def switch_alarm(self) -> str:
        """The load switch is open, and current was seen to flow all the same; empty: not seen, or it is closed."""
        seen = self.switch_test
        return seen.sentence if seen and seen.stuck and self.load_state == "0" else ""


def to_document(description: Description, columns: Sequence[str]) -> dict[str, Any]:
    """CSV-on-the-Web metadata of a run whose samples have these columns."""
    own = {"format": RUN_FORMAT_VERSION, **asdict(description)}
    del own["lost"]
    return {
        "@context": ["http://www.w3.org/ns/csvw", {"@language": "en"}],
        "url": SAMPLES_NAME,
        "dc:title": description.title,
        "dialect": {
            "encoding": "utf-8",
            "delimiter": ",",
            "header": True,
            "lineTerminators": ["\r\n", "\n"],
        },
        "tableSchema": {
            "columns": [
                {
                    "name": name,
                    "titles": name,
                    "datatype": COLUMN_BY_NAME[name].datatype,
                    "dc:description": COLUMN_BY_NAME[name].meaning,
                    UNIT_KEY: COLUMN_BY_NAME[name].unit_ucum,
                }
                for name in columns
            ],
        },
        RUN_KEY: own,
    }


def from_document(document: Mapping[str, Any]) -> tuple[Description, list[str]]:
    """Description from its JSON form, and in words what in it could not be used."""
    problems: list[str] = []
    own = document.get(RUN_KEY)
    if not isinstance(own, Mapping):
        return Description(), [f"the description has no part {RUN_KEY!r}"]
    values: dict[str, Any] = {
        # On one line, so that no title looks like a sentence of ours on the next.
        key: own[key] if key == "notes" else " ".join(own[key].splitlines())
        for key in _plain_names()
        if isinstance(own.get(key), str)
    }
    for key in ("window_s", "temperature_c", "board_draw_ma", "need_s", "host_zero_s"):
        number = own.get(key)
        if isinstance(number, int | float) and _is_number(number):
            values[key] = float(number)
    if isinstance(own.get("fresh"), bool):
        values["fresh"] = own["fresh"]
    values["modes_ma"] = tuple(float(ma) for ma in _sequence(own.get("modes_ma")) if _is_number(ma))
    if own.get("calibration") is not None:
        values["calibration"] = calibration_from_json(own["calibration"])
        if values["calibration"] is None:
            problems.append("the description's calibration is not usable; readings stay raw")
    if isinstance(own.get("imported"), Mapping):
        values["imported"] = dict(own["imported"])
    for key, kind in (
        ("pack", Pack),
        ("sensor", Sensor),
        ("meter", Meter),
        ("bursts", Bursts),
        ("own", OwnCounted),
        ("board", Board),
        ("counters", Counters),
        ("stop", Stop),
        ("switch_test", SwitchTest),
    ):
        part = own.get(key)
        if part is not None:
            made = _build(kind, part)
            if made is None:
                problems.append(f"the description's {key!r} is not usable: {_short(part)}")
            else:
                values[key] = made
    values |= _edited(own, problems)
    events = [_build(Event, item) for item in _sequence(own.get("events"))]
    values["events"] = tuple(_with_costs(event) for event in events if event is not None)
    if values["events"] != tuple(event for event in events if event is not None):
        problems.append("costs of some events in the description are no numbers; left out")
    if None in events:
        problems.append(f"{events.count(None)} events of the description are not usable")
    values["clock"] = tuple(
        (float(item[0]), float(item[1]), str(item[2]))
        for item in _sequence(own.get("clock"))
        if len(_sequence(item)) == 3 and _is_number(item[0]) and _is_number(item[1])
    )
    return Description(**values), problems


def _edited(own: Mapping[str, Any], problems: list[str]) -> dict[str, Any]:
    """What was said of the run later. What is not usable is told, and everything before it stands."""
    values: dict[str, Any] = {}
    for key, made in (("cutoff", cutoff_from_json), ("trim", trim_from_json)):
        if own.get(key) is not None:
            values[key] = made(own[key])
            if values[key] is None:
                problems.append(f"the description's {key!r} is not usable: {_short(own[key])}")
    values["photos"], wrong = photos_from_json(own.get("photos"))
    if wrong:
        problems.append(f"{wrong} photos of the description are not usable")
    values["history"], wrong = history_from_json(own.get("history"))
    if wrong:
        problems.append(f"{wrong} changes in the description's history are not usable")
    return values


_T = TypeVar("_T")
_CELLS_MAX: Final = 1000
# Exact, for True is an int to Python.
_EXACT: Final = {str(kind): kind for kind in (str, int, bool)}


def _short(part: object) -> str:
    """How it stands in the file, no longer than a line."""
    text = repr(part)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _build(kind: type[_T], part: object) -> _T | None:
    """Dataclass of a JSON object, ignoring unknown keys; None if it does not fit."""
    if not isinstance(part, Mapping):
        return None
    known = {item.name: item.type for item in fields(kind)}  # type: ignore[arg-type]
    given = {key: value for key, value in part.items() if key in known}
    for key, value in given.items():
        annotation = str(known[key])
        if "float" in annotation and "dict" not in annotation:
            if value is None and "None" in annotation:
                continue
            if not _is_number(value):
                return None
        elif annotation in _EXACT and type(value) is not _EXACT[annotation]:
            return None
    try:
        made = kind(**given)
    except TypeError:
        return None
    return made if _can_be(made) else None


def pack_from_json(part: object) -> Pack | None:
    """None if there can be no such pack."""
    return _build(Pack, part)


def _can_be(part: object) -> bool:
    """Whether there can be such a pack or sensor; anything else is taken as it is."""
    if isinstance(part, Pack):
        return (
            part.chemistry in CHEMISTRIES
            and 0 < part.cells <= _CELLS_MAX
            and (part.capacity_mah is None or part.capacity_mah > 0)
            and (not part.used or part.chemistry in RECHARGEABLE)
        )
    if isinstance(part, Sensor):
        return part.shunt_ohm is None or part.shunt_ohm > 0
    if isinstance(part, Meter):
        numbers = (
            part.voltage_share,
            part.voltage_offset_v,
            part.current_share,
            part.current_offset_ma,
        )
        return all(number is None or number >= 0 for number in numbers)
    return True


def _with_costs(event: Event) -> Event:
    """The event with those of its costs that are numbers."""
    lost = event.lost if isinstance(event.lost, Mapping) else {}
    costs = {str(name): value for name, value in lost.items() if _is_number(value)}
    return event if costs == event.lost else replace(event, lost=costs)


def _plain_names() -> list[str]:
    return [item.name for item in fields(Description) if item.type is str]


def _sequence(value: object) -> Sequence[Any]:
    return value if isinstance(value, list | tuple) else ()


def _is_number(value: object) -> bool:
    if not isinstance(value, int | float) or isinstance(value, bool):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:  # an integer of hundreds of digits
        return False
