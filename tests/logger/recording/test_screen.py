"""What the terminal shows: fits 80x24, one board or eight, and says the right thing."""

import io
from itertools import pairwise
from pathlib import Path

import pytest
from rich.console import Console

from logger.base.pack import Pack, parse_pack
from logger.recording.outlook import POINTS_MAX, Foreseen, History, outlook
from logger.recording.screen import BoardView, LiveScreen, PlainScreen, draw, left_text
from logger.recording.terms import Phase, Status
from logger.run.description import Event, Stop

WIDTH, HEIGHT = 80, 24
ALKALINE = parse_pack("3x AA alkaline")


def status(
    time_s: float = 8047.3,
    *,
    phase: Phase = Phase.RUNNING,
    pack_v: float | None = 3.981,
    charge_mah: float = 317.42,
    below_since_s: float | None = None,
    ended: tuple[str, str] = ("", ""),
    trouble: str = "",
) -> Status:
    return Status(
        phase=phase,
        port="/dev/ttyUSB0",
        board="7F3A91C2",
        time_s=time_s,
        rows=80_473,
        rows_missing=12,
        pack_v=pack_v,
        current_ma=None if pack_v is None else 142.31,
        charge_mah=charge_mah,
        energy_mwh=1301.4,
        below_since_s=below_since_s,
        end_reason=ended[0],
        end_text=ended[1],
        load="1",
        trouble=trouble,
    )


def view(now: Status, stop: Stop = Stop(2.7, 10.0), title: str = "night-ride vest") -> BoardView:  # noqa: B008
    made = BoardView(title, Path("run"), stop, ALKALINE, now)
    for step in range(200):
        made.history.points.append((now.time_s * step / 200, 4.5 - 0.003 * step, 140.0 + step % 9))
    return made


def shown(*views: BoardView, typed: str = "") -> list[str]:
    console = Console(file=io.StringIO(), width=WIDTH, height=HEIGHT, color_system=None)
    console.print(draw(views, typed, WIDTH))
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue().splitlines()


def test_one_board_fits_and_says_it_all() -> None:
    one = view(status())
    one.events = [Event(60.0 * number, "mark", "long words " * 20) for number in range(6)]
    lines = shown(one, typed="lights on")
    assert len(lines) < HEIGHT
    assert max(map(len, lines)) <= WIDTH
    text = "\n".join(lines)
    for words in (
        "night-ride vest",
        "● recording",
        "2 h 14 min 07 s",
        "3.981 V",
        "142.3 mA",
        "317.4 mAh",
        "566.5 mW",
        "until below 2.7 V held for 10 s",
        "left (rough)",
        "mark: lights on",
    ):
        assert words in text


def test_eight_boards_fit_side_by_side() -> None:
    views = [view(status(), title=f"7F3A91C{number}") for number in range(8)]
    views[1].status = status(phase=Phase.SEEKING)
    views[2].status = status(phase=Phase.ENDED, ended=("cutoff", "pack voltage below 2.7 V"))
    views[3].status = status(trouble="Read-only file system")
    for item in views:
        item.events = [Event(5.0, "link", "link lost: cable pulled, as far as can be told")] * 6
    lines = shown(*views)
    assert len(lines) < HEIGHT
    assert max(map(len, lines)) <= WIDTH
    text = "\n".join(lines)
    for words in (
        "7F3A91C7",
        "looking for board",
        "ended: cutoff",
        "disk in trouble",
        "! Read-only file system",
    ):
        assert words in text


@pytest.mark.parametrize(
    ("now", "words"),
    [
        (status(pack_v=None, phase=Phase.GREETING), "waiting for board"),
        (status(below_since_s=8040.3), "below the cutoff for 7 s"),
        (status(phase=Phase.CLOSING, ended=("cutoff", "")), "ending: cutoff"),
        (status(phase=Phase.ENDED, ended=("user", "ended with Ctrl-C")), "ended: with Ctrl-C"),
    ],
)
def test_states_in_words(now: Status, words: str) -> None:
    assert words in "\n".join(shown(view(now)))


def test_danger_stays_on_the_screen() -> None:
    one = view(status())
    one.danger = "DANGER OF FIRE: li-ion without a load switch: do not leave it alone."
    assert "! DANGER OF FIRE" in "\n".join(shown(one))


def test_plain_lines_a_minute_apart(capsys: pytest.CaptureFixture[str]) -> None:
    screen = PlainScreen()
    one = view(status())
    for now_s in (0.0, 1.0, 59.0, 61.0):
        screen.show([one], "", now_s)
    screen.event(one, Event(61.5, "gap", "three rows"))
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 3
    assert lines[0].startswith("night-ride vest  2 h 14 min 07 s  3.981 V  142.3 mA  317.4 mAh")
    assert lines[2] == "night-ride vest  1 min 01 s  gap: three rows"


class _Gone(io.StringIO):
    def write(self, text: str) -> int:
        raise OSError(5, "Input/output error")


def test_a_terminal_that_went_away_is_no_error(monkeypatch: pytest.MonkeyPatch) -> None:
    live = LiveScreen(Console(file=_Gone(), force_terminal=True))
    live.show([view(status())], "", 0.0)
    live.say("nobody hears this")
    monkeypatch.setattr("sys.stdout", _Gone())
    plain = PlainScreen()
    plain.say("nor this")
    plain.say("nor that")


def test_time_left() -> None:
    run = view(status(time_s=3600.0, pack_v=3.9), Stop(2.7, 10.0))
    run.history.points = [(60.0 * minute, 4.5 - 0.01 * minute, 100.0) for minute in range(61)]
    # 0.6 V in an hour; 1.2 V to go: two hours.
    ahead = outlook(run.status, run.history, run.stop, None)
    assert ahead.left_s == pytest.approx(7200.0)
    assert ahead.share == pytest.approx(1 / 3)
    assert ahead.rough
    # By the label: 317 of 2000 mAh in an hour.
    ahead = outlook(run.status, run.history, run.stop, Pack("alkaline", 3, "AA", 2000.0))
    assert ahead.left_s == pytest.approx(3600 * (2000 - 317.42) / 317.42)
    # The nearest end counts, and a duration is no guess.
    ahead = outlook(run.status, run.history, Stop(2.7, 10.0, 4000.0), None)
    assert (ahead.left_s, ahead.rough) == (400.0, False)
    flat = History()
    flat.points = [(float(second), 4.4, 1.0) for second in range(100)]
    assert outlook(run.status, flat, run.stop, None).left_s is None


def test_the_bar_never_goes_back() -> None:
    shares = []
    run = view(status(time_s=3600.0, pack_v=3.9), Stop(2.7, 10.0))
    for end_s in (7200.0, 36000.0, 10800.0, 6000.0):
        run.foreseen = Foreseen(3600.0, end_s, end_s - 600, end_s + 600, "soon")
        share = run.outlook.share
        assert share is not None
        shares.append(share)
    assert shares == pytest.approx([0.5, 0.5, 0.5, 0.6])


def test_the_verdict_stands_in_the_view() -> None:
    run = view(status(time_s=3600.0, pack_v=3.9), Stop(2.7, 10.0))
    said = "Lasts until about 05:40 (04:55 to 06:20) — needed until 02:30: yes"
    run.foreseen = Foreseen(3600.0, 34000.0, 32000.0, 36000.0, "soon", said)
    console = Console(file=io.StringIO(), width=WIDTH)
    console.print(draw([run], "", WIDTH))
    assert said in console.file.getvalue()  # type: ignore[attr-defined]


def test_too_early_shows_no_number() -> None:
    """Not even the rough guess by the slope, which a fresh pack makes look like minutes."""
    run = view(status(time_s=300.0, pack_v=4.4), Stop(2.7, 10.0))
    run.history.points = [(float(second), 4.6 - 0.0006 * second, 100.0) for second in range(300)]
    assert run.outlook.left_s is None
    run.foreseen = Foreseen(
        300.0, None, None, None, "", "Too early to say; at least 5 min by now", early=True
    )
    assert run.outlook.left_s is None
    assert run.outlook.share is None


def test_early_numbers_are_the_budgets_and_called_so() -> None:
    """The bar goes by them, never back when the forecast knows less for a while, and yields to the forecast."""
    run = view(status(time_s=3600.0, pack_v=4.4), Stop(2.7, 10.0))
    early = "Too early to say; at least 60 min by now. By the budget about 9 h (8 h to 10 h)"
    run.foreseen = Foreseen(
        3600.0,
        None,
        None,
        None,
        "",
        early,
        early=True,
        usual_s=9 * 3600.0,
        usual_by="by the budget",
    )
    assert run.outlook.share == pytest.approx(1 / 9)
    assert left_text(run) == "about 8.0 h left (by the budget)"
    run.foreseen = Foreseen(3600.0, None, None, None, "", early, early=True)
    assert run.outlook.share == pytest.approx(1 / 9)
    assert left_text(run) == "time left: not known yet"
    run.foreseen = Foreseen(3600.0, 36000.0, 34000.0, 38000.0, "soon")
    assert run.outlook.share == pytest.approx(1 / 9)
    late = view(status(time_s=8.5 * 3600.0, pack_v=3.0), Stop(2.7, 10.0))
    late.foreseen = Foreseen(
        0.0, None, None, None, "", early, early=True, usual_s=9 * 3600.0, usual_by="by the budget"
    )
    assert late.outlook.left_s is None


@pytest.mark.slow
def test_history_is_bounded_and_covers_the_run() -> None:
    history = History()
    for second in range(0, 400_000, 7):
        history.add(status(float(second)))
    times = [point[0] for point in history.points]
    assert len(times) < POINTS_MAX
    assert times[0] == 0.0
    assert times[-1] > 390_000
    steps = [b - a for a, b in pairwise(times)]
    assert max(steps) < 8 * min(steps)
