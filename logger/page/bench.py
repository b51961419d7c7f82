"""What the page shows: runs, their newest figures, and what may be done to them. No network in here."""

import json
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

from logger.base.clean_text import visible_in
from logger.base.durations import clock_text
from logger.base.errors import BenchError
from logger.base.left import Left
from logger.base.marks import mark_text
from logger.base.pack import SAFETY_CLOSING
from logger.page.photos import photo_list
from logger.page.rough_left import rough_left
from logger.recording.terms import Phase
from logger.run.course import Course
from logger.run.feed import RunFeed, unread_words

EVENTS_SHOWN: Final = 100
LATE_S: Final = 20.0  # a board's rows come at least every minute; most come many times a second
TEXT_MAX: Final = 2000
NO_PACK: Final = (
    f"The pack is not stated, so nobody checks where its cells must stop. {SAFETY_CLOSING}"
)
LOOK_ONLY: Final = (
    "This browser may look. For marks and the load switch, open the page with the act key."
)

# Told what the user wants of a run: ("mark", text) or ("load-off", ""). Raises BenchError if it cannot be passed on.
Control = Callable[[str, str], None]


Forecaster = Callable[[RunFeed], Left | None]
Results = Callable[[RunFeed], Mapping[str, Any]]


@dataclass
class PageRun:
    """One run on the page.

    ``live``: the logger's own words about it, if it records in this moment. ``control``: where marks
    and the load switch go; None: the run cannot be acted on from here. ``asked``: what another program's
    recording was asked for and what came of it; None: ``control`` acts at once. ``on_foreseen`` is told
    every new forecast, ``on_fault`` of what is found wrong with the run, each once.
    """

    key: str
    feed: RunFeed
    control: Control | None = None
    asked: Callable[[], list[dict[str, str]]] | None = None
    forecaster: Forecaster | None = None
    results: Results | None = None
    on_foreseen: Callable[[Mapping[str, Any]], None] | None = None
    on_fault: Callable[[str], None] | None = None
    live: dict[str, Any] = field(default_factory=dict)
    loaded: bool = False
    more: bool = True
    seen: tuple[int, float] = (-1, 0.0)
    left: Left | None = None
    share_most: float = 0.0
    said: Mapping[str, Any] | None = None
    told: Mapping[str, Any] = field(default_factory=dict)
    edits: int = 0  # that ``told`` heeds
    lock: threading.Lock = field(default_factory=threading.Lock)
    fault: str = ""

    @property
    def is_recording(self) -> bool:
        return self.feed.description.state != "ended" and not self.feed.problem

    def poll(self, now_s: float) -> None:
        """Read what is new; call from one thread at a time."""
        if not self.loaded:
            self.feed.glance()
        edits = len(self.feed.description.history)
        if (
            self.results is not None
            and not self.is_recording
            and (not self.told or edits != self.edits)
        ):
            self.edits = edits
            self.told = self._results(self.results)
        with self.lock:
            self.more = self.feed.poll()
        self.loaded = True
        if self.feed.rows != self.seen[0]:
            first = self.seen[0] < 0
            self.seen = (self.feed.rows, now_s - (self.feed.age_s() if first else 0.0))
        if self.more:
            return
        left = self._foreseen()
        if left and left.foreseen and self.on_foreseen and left.foreseen is not self.said:
            self.said = left.foreseen
            self.on_foreseen(left.foreseen)
        self.left = left or (rough_left(self.feed) if self.is_recording else None)
        if self.left is not None and self.left.share is not None:
            # What has been shown as done stays done, whatever a new forecast says.
            self.share_most = max(self.share_most, self.left.share)
            self.left = replace(self.left, share=self.share_most)

    def _foreseen(self) -> Left | None:
        if self.forecaster is None or not self.is_recording:
            return None
        try:
            return self.forecaster(self.feed)
        except Exception as error:  # noqa: BLE001  # the page of all other runs must not end by it
            self.forecaster = None
            self.fault = f"The forecast failed ({type(error).__name__}); time left is a rough estimate from now on."
            return None

    def _results(self, results: Results) -> Mapping[str, Any]:
        """What is told of a finished run; where it cannot be, why."""
        try:
            return results(self.feed)
        except (BenchError, OSError) as error:
            answer = unread_words(error)
        except Exception as error:  # noqa: BLE001  # a fault of ours: as above
            answer = f"The results of this run cannot be worked out: {type(error).__name__}."
            self.fault = answer
        return {"headline": "", "answer": answer, "rows": [], "interval": "", "warnings": []}


@dataclass
class Known:
    """What one browser was sent: the course up to step ``last`` of ``generation``, the row of runs.

    ``may_act``: whether it may set marks and switch the load; ``form``: what its forms must send along;
    ``shared``: whether other devices can reach the page.
    """

    may_act: bool = True
    form: str = ""
    shared: bool = False
    course: Course | None = None
    generation: int = -1
    last: int = -1
    runs: list[dict[str, Any]] | None = None


class Bench:
    """All runs of one page. ``version`` grows with every change; ``message`` is what a browser gets."""

    def __init__(
        self, runs: Sequence[PageRun] = (), clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self.runs: dict[str, PageRun] = {run.key: run for run in runs}
        self.watched: dict[str, int] = {}

    def set_runs(self, runs: Sequence[PageRun]) -> None:
        with self._lock:
            self.runs = {run.key: run for run in runs}

    def poll(self) -> None:
        """One round over every run that is being recorded or looked at."""
        for run in sorted(self.runs.values(), key=lambda run: run.key not in self.watched):
            if not run.loaded or run.more or run.is_recording or run.key in self.watched:
                try:
                    run.poll(self._clock())
                except Exception as error:  # noqa: BLE001 (one bad run must not end the page)
                    run.feed.problem = unread_words(error)

    def run(self, key: str) -> PageRun | None:
        """The run of this key; the first one for an empty key."""
        runs = self.runs
        if not key:
            recording = [run for run in runs.values() if run.is_recording]
            return next(iter(recording or runs.values()), None)
        return runs.get(key)

    def watch(self, key: str, count: int) -> None:
        with self._lock:
            left = self.watched.get(key, 0) + count
            if left > 0:
                self.watched[key] = left
            else:
                self.watched.pop(key, None)

    def state(self, run: PageRun) -> dict[str, Any]:
        """Everything about one run but its course, as plain values; all text as it came (``message`` makes it visible)."""
        feed, live = run.feed, run.live
        description = feed.description
        latest = feed.latest
        tone, phase = self._phase(run)
        left = _left_to_tell(run)
        return {
            "key": run.key,
            "title": _short(description.title or feed.folder.name),
            "folder": _short(feed.folder.name),
            "pack": str(description.pack) if description.pack else "",
            "load": _short(description.load),
            "author": _short(description.author),
            "notes": _short(description.notes),
            "started": description.started_utc,
            "simulated": description.simulated,
            "recording": run.is_recording,
            "tone": tone,
            "phase": phase,
            "elapsed_s": latest.time_s,
            "elapsed": _span(latest.time_s - feed.course.begin_s),
            "rows": feed.rows,
            "rows_rejected": feed.rows_rejected,
            "rows_missing": live.get("rows_missing", 0),
            "pack_v": latest.pack_v,
            "current_ma": latest.current_ma,
            "charge_mah": latest.charge_mah,
            "energy_mwh": latest.energy_mwh,
            "cutoff_v": description.asked.cutoff_v,
            "floor_v": (description.pack.floor_v or None) if description.pack else None,
            "goal": "" if _alarm(run) else live.get("goal") or _goal(run),
            "left": None if left is None else _left(left, latest.time_s, description.simulated),
            "fan": None if left is None else left.fan,
            "end_text": _short(description.end_text),
            "trouble": _short(feed.problem or _alarm(run) or str(live.get("trouble", ""))),
            "load_switch": _load_switch(run),
            "can_act": run.control is not None and run.is_recording,
            "why_not": _why_not(run),
            "asks": run.asked is not None,
            "asked": run.asked() if run.asked is not None else [],
            "cautions": [
                f"{description.pack}: {description.pack.caution}" if description.pack else NO_PACK,
                *filter(None, [description.unknown_words, run.fault]),
            ],
            "results": run.told,
            "photos": photo_list(description),
            "events": [
                {"time_s": time_s, "at": _span(time_s), "kind": _short(kind), "text": _short(text)}
                for time_s, kind, text in self._events(run)
            ],
            "begin_s": feed.course.begin_s,
            "window_s": description.window_s,
            "loading": run.more,
        }

    def summaries(self) -> list[dict[str, Any]]:
        """One short line for each run, for the row of runs at the top."""
        lines = []
        for run in self.runs.values():
            tone, phase = self._phase(run)
            latest, left = run.feed.latest, _left_to_tell(run)
            lines.append(
                {
                    "key": run.key,
                    "title": _short(run.feed.description.title or run.feed.folder.name),
                    "tone": tone,
                    "phase": phase,
                    "pack_v": latest.pack_v,
                    "current_ma": latest.current_ma,
                    "left": left.words if left else "",
                }
            )
        return lines

    def message(self, run: PageRun, known: "Known") -> bytes:
        """JSON for a browser that has what ``known`` says; ``known`` is brought up to date."""
        with run.lock:
            course = run.feed.course
            same = course is known.course and course.generation == known.generation
            begin = max(known.last, 0) if same and known.last <= course.last else 0
            known.course, known.generation, known.last = course, course.generation, course.last
            runs = visible_in(self.summaries()) if len(self.runs) > 1 else []
            state = visible_in(self.state(run))
            if state["can_act"] and not known.may_act:
                state |= {"can_act": False, "why_not": LOOK_ONLY}
            document = {
                "form": known.form,
                "may_act": known.may_act,
                "shared": known.shared,
                "runs": None if runs == known.runs else runs,
                "run": state,
                "course": {
                    "begin": begin,
                    "step_s": course.step_s,
                    "generation": course.generation,
                    "steps": course.steps(begin),
                },
                "clock": time.strftime("%H:%M"),
            }
            known.runs = runs
        text = json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        return text.encode()

    def act(self, key: str, what: str, text: str) -> str:
        """Do something to a run; returns why not, or nothing."""
        run = self.runs.get(key)
        if run is None:
            return "There is no such run."
        if run.control is None or not run.is_recording:
            return _why_not(run) or "This run is not being recorded by this page's logger."
        if what == "load-off" and _load_switch(run) == "-":
            return "The board has no load switch."
        try:
            run.control(what, mark_text(text))
        except BenchError as error:
            return f"{error.happened} {error.next_step}"
        return ""

    def _events(self, run: PageRun) -> list[tuple[float, str, str]]:
        if run.is_recording and "events" in run.live:
            return [(item[0], item[1], item[2]) for item in run.live["events"]]
        found = run.feed.description.events[-EVENTS_SHOWN:]
        return [(event.time_s, event.kind, event.text) for event in found]

    def _phase(self, run: PageRun) -> tuple[str, str]:
        """Tone (good, wait, bad, done) and words for what the run is about."""
        feed = run.feed
        if feed.problem:
            return "bad", "cannot be read"
        if _alarm(run):
            return "bad", "the load switch does not open"
        if not run.is_recording:
            return "done", "ended"
        if run.live:
            if run.live.get("trouble"):
                return "bad", "disk trouble"
            phase = str(run.live.get("phase", ""))
            return ("good" if phase.startswith(Phase.RUNNING) else "wait"), phase
        late_s = self._clock() - run.seen[1]
        patience_s = max(LATE_S, 3 * (feed.description.window_s or 0.0))
        if late_s > patience_s:
            return "wait", f"no new rows for {clock_text(late_s)}"
        return "good", str(Phase.RUNNING)


def _why_not(run: PageRun) -> str:
    """Why nothing can be noted or switched; empty where it can, or where that goes without saying."""
    if run.feed.problem or run.more:
        return ""
    if not run.is_recording:
        return "This run is not being recorded any more: marks are set while it runs."
    return "" if run.control else "This run is not being recorded by this page's logger."


def _load_switch(run: PageRun) -> str:
    """``1`` closed, ``0`` opened, ``-`` there is none, as the logger says it, else by the run's events."""
    if "load" in run.live:
        return str(run.live["load"])
    return run.feed.description.load_state


def _alarm(run: PageRun) -> str:
    """Current flows through an open load switch, as the logger says it, else as the run's record has it."""
    return str(run.live.get("alarm") or run.feed.description.switch_alarm)


def _left_to_tell(run: PageRun) -> Left | None:
    """Time left; with an alarm none, for then the pack is to be taken off now."""
    return None if _alarm(run) else run.left


def _left(left: Left, now_s: float, simulated: bool) -> dict[str, Any]:
    clock = ""
    if (
        left.end_s is not None and not simulated and not left.clocked
    ):  # a simulated board's hours are not ours
        clock = time.strftime("%H:%M", time.localtime(time.time() + max(left.end_s - now_s, 0.0)))
    return {
        "words": left.words,
        "detail": left.detail,
        "share": left.share,
        "end_s": left.end_s,
        "lower_s": left.lower_s,
        "upper_s": left.upper_s,
        "clock": clock,
    }


def _goal(run: PageRun) -> str:
    stop = run.feed.description.asked
    parts = []
    if stop.cutoff_v is not None:
        parts.append(f"below {stop.cutoff_v:g} V")
    if stop.duration_s is not None:
        parts.append(f"{clock_text(stop.duration_s)} are over")
    if stop.charge_mah is not None:
        parts.append(f"{stop.charge_mah:g} mAh are drawn")
    return "until " + " or ".join(parts) if parts else ""


def _span(seconds: float) -> str:
    """Seconds only within the first hour: the figure is read from across the room."""
    text = clock_text(max(seconds, 0.0))
    return text.rsplit(" ", 2)[0] if seconds >= 3600 and text.endswith(" s") else text


def _short(text: str) -> str:
    return text if len(text) <= TEXT_MAX else text[:TEXT_MAX] + "…"


def run_keys(folders: Sequence[Path]) -> list[str]:
    """Short keys that say nothing about the file system."""
    return [f"r{number}" for number in range(1, len(folders) + 1)]
