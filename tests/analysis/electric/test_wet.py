"""Is it dry? Leaks of a known size across wet traces, in runs known from a formula."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from analysis.commands.rundown import rundown_command
from analysis.electric.wet import SinceWash, since_wash
from logger.base.errors import BenchError
from logger.run.description import Board
from logger.run.reader import Run
from tests.support.runs_by_formula import Floats, board_run, stored

NOISE_MA = 0.05


def _run(
    leak_ma: Callable[[Floats], Floats], seed: int, volts: float = 4.2, seconds: float = 120.0
) -> Run:
    """A piece of 43 mA in rows of a second, and what leaks besides."""
    rng = np.random.default_rng(seed)
    noise = NOISE_MA * rng.standard_normal(2400)

    def current_ma(time_s: Floats) -> Floats:
        return 43.0 + leak_ma(time_s) + np.interp(time_s, np.arange(2400.0), noise)

    return board_run(lambda time_s: np.full(time_s.shape, volts), current_ma, seconds)


def _dry(time_s: Floats) -> Floats:
    return np.zeros(time_s.shape)


def _asked(leak_ma: Callable[[Floats], Floats], seed: int = 2, volts: float = 4.2) -> SinceWash:
    return since_wash(_run(_dry, 1), _run(leak_ma, seed, volts))


def test_a_leak_that_dries_is_found_with_its_size() -> None:
    """12 mA that fall with a time constant of 5 min: mean of the first minute 12 (1 - e^-0.2) / 0.2 = 10.88 mA."""
    found = _asked(lambda time_s: 12 * np.exp(-time_s / 300))
    assert found.wet
    assert found.falling
    assert found.added.value == pytest.approx(10.88, abs=0.05)
    assert found.words.startswith("Not dry")
    assert "falls as a leak does" in found.words


def test_a_leak_that_does_not_fall_is_not_called_water_alone() -> None:
    found = _asked(lambda time_s: np.full(time_s.shape, 12.0))
    assert found.answer == "open"
    assert not found.falling
    assert "another mode, a short" in found.words


def test_dry_is_said_with_what_would_not_show() -> None:
    said = [_asked(_dry, seed) for seed in range(2, 22)]
    assert not any(found.wet or found.falling or found.less for found in said)
    assert all("would not show" in found.words for found in said)
    assert all(found.least_seen_ma < 5 for found in said)


def test_a_leak_in_the_doubt_that_falls_is_not_cleared() -> None:
    """Against a run of another board, whose offset may be 1 mA (SBOS448): one board's own falls out."""
    leaky = _run(lambda time_s: 1.5 * np.exp(-time_s / 100), 2)
    assert since_wash(_run(_dry, 1), leaky).wet
    other = replace(leaky.description, board=Board("0BADB0A4", 1))
    found = since_wash(_run(_dry, 1), replace(leaky, description=other))
    assert not found.wet
    assert found.falling
    assert found.words.startswith("Not sure")


def test_less_draw_is_another_fault() -> None:
    found = _asked(lambda time_s: np.full(time_s.shape, -12.0))
    assert found.less
    assert "broken joint" in found.words


def test_another_voltage_of_the_pack_is_doubt_not_water() -> None:
    """Plain LEDs of 2.8 V draw (5.04 - 2.8) / (4.2 - 2.8) = 1.6 times as much at 5.04 V: 20 mA more of 43 are no proof of a leak."""
    found = _asked(lambda time_s: np.full(time_s.shape, 20.0), volts=5.04)
    assert found.answer == "dry"
    assert "other voltage" in found.words
    assert _asked(lambda time_s: np.full(time_s.shape, 20.0)).answer == "open"


def test_a_mode_that_is_left_is_not_taken_for_drying() -> None:
    """From 43 to 20 mA at 80 s, and within the first minute at 30 s."""
    assert _asked(lambda time_s: np.where(time_s > 80.0, -23.0, 0.0)).answer == "dry"
    assert _asked(lambda time_s: np.where(time_s > 30.0, -23.0, 0.0)).answer == "dry"


def test_a_fresher_pack_that_settles_is_not_taken_for_drying() -> None:
    """LEDs fall with a pack that settles by 2 %: 43 mA x 0.02 x 3."""
    rng = np.random.default_rng(4)
    noise = NOISE_MA * rng.standard_normal(2400)
    settling = board_run(
        lambda t: 4.2 * (0.98 + 0.02 * np.exp(-t / 60)),
        lambda t: (
            43.0 * (1 - 0.05 * (1 - np.exp(-t / 60))) + np.interp(t, np.arange(2400.0), noise)
        ),
        120.0,
    )
    assert not since_wash(_run(_dry, 1), settling).falling


def test_too_few_rows_and_no_current_are_refused() -> None:
    dry = _run(_dry, 1)
    long_rows = board_run(
        lambda t: np.full(t.shape, 4.2), lambda t: np.full(t.shape, 43.0), 400, 20.0
    )
    with pytest.raises(BenchError, match="too little in its first minute"):
        since_wash(dry, long_rows)
    blind = replace(dry, samples=dry.samples.drop(columns=["current_ma", "current_min_ma", "current_max_ma"]))  # fmt: skip
    with pytest.raises(BenchError, match="no current"):
        since_wash(blind, dry)


def test_the_command_shows_the_washing_caution(tmp_path: Path) -> None:
    sample = Path(__file__).parents[3] / "sample_runs" / "vest-evening"
    shown = CliRunner().invoke(rundown_command, [str(sample), "--before-wash", str(sample)])
    assert shown.exit_code == 0, shown.exception
    words = " ".join(shown.output.split())
    assert "No leak seen" in words
    assert "the pack out until everything is dry" in words
    assert "Local codes" in words
    asked = [str(sample), "--before-wash", str(sample), "--json"]
    assert '"wet": false' in CliRunner().invoke(rundown_command, asked).output


@pytest.mark.parametrize(
    ("leak_ma", "next_step"),
    [
        (12.0, "When it has dried, record two minutes again"),
        (-12.0, "Looked at, record two minutes again"),
        (0.0, "Wear it, or record it"),
    ],
)
def test_only_a_dry_piece_is_offered_to_be_worn(
    tmp_path: Path, leak_ma: float, next_step: str
) -> None:
    """A leak that does not fall cannot be told from another mode: it is no leave to wear the piece."""
    runs = _run(_dry, 1), _run(lambda time_s: np.full(time_s.shape, leak_ma), 2)
    folders = [
        stored(tmp_path / name, run) for name, run in zip(("before", "after"), runs, strict=True)
    ]
    shown = CliRunner().invoke(rundown_command, [str(folders[1]), "--before-wash", str(folders[0])])
    assert shown.exit_code == 0, shown.output
    assert next_step in shown.output
    assert ("drawbench start" in shown.output) == (leak_ma == 0.0)
