"""What a recording looks like on a terminal: live, or as plain lines where nobody sees it."""

import contextlib
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from io import TextIOWrapper
from pathlib import Path
from typing import Final, Protocol

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.padding import Padding
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from logger.base.clean_text import clean_console, ring, trusted
from logger.base.durations import clock_text, rough_text
from logger.base.numbers import digits_text
from logger.base.pack import Pack
from logger.recording.outlook import Foreseen, History, Outlook, outlook
from logger.recording.terms import Phase, Status
from logger.run.description import Event, Stop

PLAIN_INTERVAL_S: Final = 60.0
EVENTS_SHOWN: Final = 6
_FIGURE_WIDTH: Final = 23  # signs that a name, a number and its unit take
BARS: Final = " ▁▂▃▄▅▆▇█"


@dataclass
class BoardView:
    """One recording as the screen sees it."""

    title: str
    folder: Path
    stop: Stop
    pack: Pack | None
    status: Status
    danger: str = ""
    shouted: str = ""
    in_trouble: bool = False
    foreseen: Foreseen | None = None
    history: History = field(default_factory=History)
    events: list[Event] = field(default_factory=list)

    share_most: float = 0.0

    @property
    def outlook(self) -> Outlook:
        """As of now; what has been shown as done stays done, whatever a new forecast says."""
        ahead = outlook(self.status, self.history, self.stop, self.pack, self.foreseen)
        if ahead.share is None:
            return replace(ahead, share=self.share_most) if self.share_most else ahead
        self.share_most = max(self.share_most, ahead.share)
        return replace(ahead, share=self.share_most)

    @property
    def verdict(self) -> str:
        """Whether it lasts as long as needed; empty where nobody asked or nothing is known."""
        return "" if self.foreseen is None else self.foreseen.verdict


class Screen(Protocol):
    """Shows views again and again, and texts once."""

    def open(self) -> None: ...
    def close(self) -> None: ...
    def say(self, text: str) -> None: ...
    def event(self, view: BoardView, event: Event) -> None: ...
    def alarm(self, view: BoardView, text: str) -> None: ...
    def show(self, views: Sequence[BoardView], typed: str, now_s: float) -> None: ...


def left_text(view: BoardView) -> str:
    ahead = view.outlook
    if ahead.left_s is None:
        return "time left: not known yet" if _has_end(view.stop) else "until you end it"
    if ahead.within_s is not None:
        low, high = (rough_text(end).removeprefix("about ") for end in ahead.within_s)
        return f"{rough_text(ahead.left_s)} left (9 in 10: {low} to {high})"
    if not ahead.rough:
        return f"{clock_text(ahead.left_s)} left"
    return f"{rough_text(ahead.left_s)} left ({ahead.by or 'rough'})"


def _has_end(stop: Stop) -> bool:
    return any(value is not None for value in (stop.cutoff_v, stop.duration_s, stop.charge_mah))


def goal_text(stop: Stop) -> str:
    """The stop conditions in words."""
    parts = []
    if stop.cutoff_v is not None:
        held = f" held for {clock_text(stop.hold_s)}" if stop.hold_s else ""
        parts.append(f"below {stop.cutoff_v:g} V{held}")
    if stop.duration_s is not None:
        parts.append(f"{clock_text(stop.duration_s)} are over")
    if stop.charge_mah is not None:
        parts.append(f"{stop.charge_mah:g} mAh are drawn")
    return "until " + " or ".join(parts) if parts else "until you end it"


def phase_text(status: Status) -> str:
    if status.end_reason:
        ended = status.phase is Phase.ENDED
        return f"{'ended' if ended else 'ending'}: {status.end_reason}"
    if status.below_since_s is not None:
        return "recording, below the cutoff"
    return str(status.phase)


def choose_screen(plain: bool) -> Screen:
    """Live where a terminal can show it, plain lines elsewhere."""
    encoding = (getattr(sys.stdout, "encoding", None) or "").lower().replace("-", "")
    if isinstance(stream := trusted(sys.stdout), TextIOWrapper):
        stream.reconfigure(errors="replace")  # a title that the terminal cannot show
    console = clean_console()
    live = console.is_terminal and not console.is_dumb_terminal and encoding.startswith("utf")
    return PlainScreen() if plain or not live else LiveScreen(console)


class PlainScreen:
    """A line a minute and a line per event; survives a closed terminal."""

    def __init__(self) -> None:
        self._shown_s = float("-inf")
        self._dead = False

    def open(self) -> None:
        return

    def close(self) -> None:
        return

    def say(self, text: str) -> None:
        if self._dead:
            return
        try:
            sys.stdout.write(text + "\n")
            sys.stdout.flush()
        except (OSError, ValueError):  # nobody reads any more; the recording goes on
            self._dead = True

    def event(self, view: BoardView, event: Event) -> None:
        self.say(f"{view.title}  {clock_text(event.time_s)}  {event.kind}: {event.text}")

    def alarm(self, view: BoardView, text: str) -> None:
        if not self._dead:
            with contextlib.suppress(OSError, ValueError):
                ring()
        self.say(f"! {view.title}  {text}")

    def show(self, views: Sequence[BoardView], typed: str, now_s: float) -> None:
        if now_s - self._shown_s < PLAIN_INTERVAL_S:
            return
        self._shown_s = now_s
        for view in views:
            status = view.status
            if status.pack_v is None or status.current_ma is None:
                self.say(f"{view.title}  {phase_text(status)}")
                continue
            self.say(
                f"{view.title}  {clock_text(status.time_s)}  {_number(status.pack_v, 3, 'V')}  "
                f"{_number(status.current_ma, 2, 'mA')}  {_number(status.charge_mah, 2, 'mAh')}  "
                f"{phase_text(status)}, {view.verdict or left_text(view)}"
            )
            if status.trouble:
                self.say(f"! {view.title}  {status.trouble}")


class LiveScreen:
    """The terminal view, redrawn in place."""

    def __init__(self, console: Console | None = None) -> None:
        self.console = console or clean_console()
        self._live = Live(console=self.console, auto_refresh=False, transient=False)
        self._dead = False

    def open(self) -> None:
        self._live.start()

    def close(self) -> None:
        try:
            self._live.stop()
        except OSError:
            self._dead = True

    def say(self, text: str) -> None:
        if not self._dead:
            try:
                self.console.print(Text(text))
            except OSError:
                self._dead = True

    def event(self, view: BoardView, event: Event) -> None:
        view.events.append(event)
        del view.events[:-EVENTS_SHOWN]

    def alarm(self, view: BoardView, text: str) -> None:
        """The text itself stays on the picture; here the bell."""
        if not self._dead:
            try:
                self.console.bell()
            except OSError:
                self._dead = True

    def show(self, views: Sequence[BoardView], typed: str, now_s: float) -> None:
        if self._dead:
            return
        try:
            self._live.update(draw(views, typed, self.console.width), refresh=True)
        except OSError:
            self._dead = True


def draw(views: Sequence[BoardView], typed: str, width: int) -> RenderableType:
    """The whole picture for one or for several boards."""
    parts = list(_one(views[0], width)) if len(views) == 1 else list(_several(views))
    if all(view.status.phase is Phase.ENDED for view in views):
        return Group(*parts, Rule(style="dim"))
    prompt = Text.assemble(
        ("mark: ", "bold"), f"{typed}▏ ", ("Enter notes this moment, Ctrl-C ends the run", "dim")
    )
    return Group(*parts, Rule(style="dim"), prompt)


def _one(view: BoardView, width: int) -> list[RenderableType]:
    status = view.status
    head = Table.grid(expand=True)
    head.add_column(ratio=1, no_wrap=True, overflow="ellipsis")
    head.add_column(justify="right", no_wrap=True)
    head.add_row(Text(view.title, "bold"), _phase(status))
    where = Text(f"board {status.board or '?'} on {status.port or '?'}", "dim")
    head.add_row(where, Text(f"{status.rows} rows", "dim"))

    power_mw = (
        None
        if status.pack_v is None or status.current_ma is None
        else status.pack_v * status.current_ma
    )
    numbers = _side_by_side(
        [
            _figure("elapsed", clock_text(status.time_s)),
            _figure("pack", _number(status.pack_v, 3, "V")),
            _figure("current", _number(status.current_ma, 2, "mA")),
            _figure("charge", _number(status.charge_mah, 2, "mAh")),
            _figure("energy", _number(status.energy_mwh, 1, "mWh")),
            _figure("power", _number(power_mw, 1, "mW")),
        ],
        width,
    )
    parts: list[RenderableType] = [Padding(head, (0, 0, 1, 0)), numbers, Text("")]
    inner = max(width - 24, 10)
    for name, column, unit in (("pack", 1, "V"), ("current", 2, "mA")):
        parts.append(_trace(name, [point[column] for point in view.history.points], unit, inner))
    parts += [Text(""), _progress(view, width), *_danger([view]), Rule(style="dim")]
    return [*parts, *_events([view])]


def _several(views: Sequence[BoardView]) -> list[RenderableType]:
    table = Table(expand=True, box=None, padding=(0, 1), header_style="dim")
    table.add_column("board", no_wrap=True, overflow="ellipsis")
    for name in ("elapsed", "V", "mA", "mAh"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("done", no_wrap=True)
    table.add_column("left", justify="right", no_wrap=True)
    table.add_column("state", ratio=1, no_wrap=True, overflow="ellipsis")
    for view in views:
        status = view.status
        ahead = view.outlook
        table.add_row(
            Text(view.title, "bold"),
            _short_clock(status.time_s),
            _number(status.pack_v, 3, ""),
            _number(status.current_ma, 1, ""),
            _number(status.charge_mah, 1, ""),
            _bar(ahead.share, 8),
            _short_left(view),
            _phase(status),
        )
    goal = Text(f" {goal_text(views[0].stop)}; times left are rough", "dim")
    return [table, goal, *_danger(views), Rule(style="dim"), *_events(views)]


def _danger(views: Sequence[BoardView]) -> list[RenderableType]:
    loud = [view.status.alarm for view in views] + [view.danger for view in views]
    # Boards on one disk are in the same trouble: one of them says it.
    troubles = [view.status.trouble for view in views if view.status.trouble]
    loud = [text for text in (*troubles[:1], *loud) if text]
    words = dict.fromkeys(loud)
    return [Text(f"! {text}", "bold red") for text in words]


def _short_left(view: BoardView) -> str:
    left_s = view.outlook.left_s
    if left_s is None or view.status.phase is Phase.ENDED:
        return "-"
    return rough_text(left_s).removeprefix("about ")


def _phase(status: Status) -> Text:
    text = phase_text(status)
    if status.trouble:
        return Text("! disk in trouble", "bold red")
    if status.phase is Phase.RUNNING:
        return Text(
            f"● {text}", "bold yellow" if status.below_since_s is not None else "bold green"
        )
    if status.phase is Phase.ENDED:
        return Text(f"■ {text}", "bold")
    return Text(f"○ {text}", "bold yellow")


def _figure(name: str, value: str) -> Text:
    return Text.assemble((f"{name:<8}", "dim"), (value, "bold"))


def _side_by_side(figures: Sequence[Text], width: int) -> Table:
    """As many figures in a line as fit without breaking one from its unit."""
    in_line = max(1, min(3, width // _FIGURE_WIDTH))
    table = Table.grid(expand=True, padding=(0, 1))
    for _ in range(in_line):
        table.add_column(ratio=1)
    for first in range(0, len(figures), in_line):
        table.add_row(*figures[first : first + in_line])
    return table


def _number(value: float | None, decimals: int, unit: str) -> str:
    """At most ``decimals`` and four digits: no sensor of this kind knows more."""
    if value is None:
        return "-"
    before_point = len(str(int(abs(value))))
    return f"{value:.{max(0, min(decimals, 4 - before_point))}f} {unit}".rstrip()


def _short_clock(seconds: float) -> str:
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def _trace(name: str, values: Sequence[float], unit: str, width: int) -> Text:
    """The whole run as one row of bars between its least and its greatest value."""
    if len(values) < 2:
        return Text(f"{name:<8}", "dim")
    low, high = min(values), max(values)
    span = high - low or 1.0
    count = min(width, len(values))
    picked = (
        [values[index * (len(values) - 1) // (count - 1)] for index in range(count)]
        if count > 1
        else [values[-1]]
    )
    bars = "".join(BARS[1 + round((value - low) / span * 7)] for value in picked)
    return Text.assemble(
        (f"{name:<8}", "dim"),
        (bars, "cyan"),
        (f" {digits_text(low, 3)} to {digits_text(high, 3)} {unit}", "dim"),
    )


def _bar(share: float | None, width: int) -> Text:
    if share is None:
        return Text("─" * width, "dim")
    filled = round(share * width)
    return Text.assemble(("━" * filled, "bold cyan"), ("─" * (width - filled), "dim"))


def _progress(view: BoardView, width: int) -> RenderableType:
    ahead = view.outlook
    if view.status.phase is Phase.ENDED:
        return Text(f"ended: {view.status.end_text.removeprefix('ended ')}", "bold")
    if not _has_end(view.stop):
        return Text("records until you end it", "dim")
    below_s = view.status.below_since_s
    if below_s is not None and view.stop.hold_s:
        below = f"below the cutoff for {clock_text(view.status.time_s - below_s)}"
        return Group(Text(goal_text(view.stop), "dim"), Text(below, "bold yellow"))
    percent = "    " if ahead.share is None else f"{ahead.share * 100:3.0f} %"
    bar = Text.assemble(
        _bar(ahead.share, max(width // 3, 10)), f" {percent}  ", (left_text(view), "bold")
    )
    answer = [Text(view.verdict, "bold")] if view.verdict else []
    return Group(*answer, Text(goal_text(view.stop), "dim"), bar)


def _events(views: Sequence[BoardView]) -> list[RenderableType]:
    found = sorted(
        ((event, view) for view in views for event in view.events), key=lambda pair: pair[0].time_s
    )
    if not found:
        return [Text("no events so far", "dim")]
    table = Table.grid(padding=(0, 2, 0, 0), expand=True)
    table.add_column(no_wrap=True, style="dim")
    if len(views) > 1:
        table.add_column(no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column(ratio=1, overflow="ellipsis", no_wrap=len(found) > 3)
    for event, view in found[-EVENTS_SHOWN:]:
        cells: list[RenderableType] = [_short_clock(event.time_s)]
        if len(views) > 1:
            cells.append(view.title)
        table.add_row(*cells, Text(event.kind, "yellow"), Text(event.text))
    return [table]
