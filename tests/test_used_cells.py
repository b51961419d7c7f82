"""Much-used cells: said once, at the recording, kept with the run, heeded by every forecast."""

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import logger.commands.start as start
from analysis.forecast.discharge import discharge
from analysis.forecast.of_run import forecast_run
from analysis.forecast.stated import with_pack
from analysis.report.build import _about
from logger.base.errors import BenchError
from logger.base.pack import Pack, parse_pack
from logger.commands.log import log
from logger.recording.plan import Plan, prepare
from logger.run.description import Description, from_document, to_document
from logger.run.format import RUN_KEY
from logger.run.reader import Run, read_run
from tests.support.line_feeder import Feeder, FeederBoard
from tests.support.live_runs import play
from tests.support.log_process import run_log
from tests.support.runs_by_formula import board_run, stop_at

CELL = Pack("li-ion", 1, "18650", 2600.0)
CUTOFF_V = 3.2


@pytest.fixture
def feeder(tmp_path: Path) -> Iterator[Feeder]:
    with Feeder(FeederBoard(load="1"), tmp_path) as feeder:
        yield feeder


def falling(pack: Pack) -> Run:
    """4.1 V falling by 0.1 V in 3.3 hours at 130 mA."""
    return board_run(
        lambda time_s: 4.1 - 0.10 * time_s / 12000.0,
        lambda time_s: np.full(len(time_s), 130.0),
        12000.0,
        10.0,
        parts=1,
        pack=pack,
        stop=stop_at(CUTOFF_V, 10.0),
    )


@pytest.mark.parametrize("text", ["2x AA nimh", "2x AA nimh, used", "1x li-ion, used", "1x pouch li-ion"])  # fmt: skip
def test_words_of_a_pack_give_the_pack_back(text: str) -> None:
    pack = parse_pack(text)
    assert str(pack) == text
    assert pack.used is text.endswith("used")


@pytest.mark.parametrize(
    ("text", "why"), [("3x AA alkaline", "partly empty"), ("usb-bank", "power bank"), ("CR2032 lithium-coin", "partly empty")]
)  # fmt: skip
def test_what_is_not_recharged_cannot_be_called_used(text: str, why: str) -> None:
    with pytest.raises(BenchError, match="cannot be called used") as refused:
        parse_pack(text, used=True)
    assert why in str(refused.value)
    with pytest.raises(BenchError, match="cannot be called used"):
        parse_pack(f"{text}, used")


def test_the_description_keeps_it() -> None:
    description = Description(pack=replace(CELL, used=True))
    document = json.loads(json.dumps(to_document(description, ["time_s"])))
    assert from_document(document) == (description, [])
    del document[RUN_KEY]["pack"]["used"]  # as written before there was such a field
    assert from_document(document) == (Description(pack=CELL), [])
    for odd in ("yes", 1, None):
        document[RUN_KEY]["pack"]["used"] = odd
        back, problems = from_document(document)
        assert back.pack is None
        assert "'pack' is not usable" in problems[0]
    document[RUN_KEY]["pack"] |= {"used": True, "chemistry": "alkaline"}
    assert from_document(document)[0].pack is None


@pytest.mark.slow
def test_log_writes_it_into_the_run(tmp_path: Path, feeder: Feeder) -> None:
    folder = tmp_path / "run"
    options = ("--pack", "2x AA nimh", "--capacity", "2000", "--used", "--for", "300ms")
    done = run_log(folder, "--port", feeder.port, *options)
    assert done.returncode == 0, done.stderr
    described = read_run(folder).description
    assert described.pack == Pack("nimh", 2, "AA", 2000.0, used=True)
    assert "Pack: 2x AA nimh, used" in _about(described)


@pytest.mark.parametrize(
    ("pack", "why"), [(None, "not of which pack"), ("3x AA alkaline", "cannot be called used")]
)
def test_log_refuses_before_anything_is_written(tmp_path: Path, pack: str | None, why: str) -> None:
    with pytest.raises(BenchError, match=why):
        prepare(Plan(tmp_path / "run", pack=pack, used=True), lambda text: None)
    assert not (tmp_path / "run").exists()


def test_start_hands_it_on(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[Plan] = []

    def record(plan: Plan, **options: object) -> int:
        seen.append(plan)
        return 0

    monkeypatch.setattr(start, "run_plan", record)
    arguments = [
        "run",
        "--yes",
        "--no-check",
        "--pack",
        "2x AA nimh",
        "--used",
        "--mode-draw",
        "41",
    ]
    result = CliRunner().invoke(start.start_command, arguments, catch_exceptions=False)
    assert (seen[0].pack, seen[0].used) == ("2x AA nimh", True)
    assert "--pack '2x AA nimh' " in result.output
    assert " --used" in result.output
    assert seen[0].modes_ma == (41.0,)
    assert " --mode-draw 41" in result.output
    primary = CliRunner().invoke(start.start_command, ["run", "--yes", "--no-check", "--used"])
    assert isinstance(primary.exception, BenchError)
    for command in (log, start.start_command):
        assert "--used" in CliRunner().invoke(command, ["--help"]).output


@pytest.mark.slow
def test_every_forecast_heeds_it() -> None:
    fresh, used = falling(CELL), falling(replace(CELL, used=True))
    stated = with_pack(fresh, None, None, True)
    assert stated.description.pack == used.description.pack
    recorded = [forecast_run(run, CUTOFF_V, 10.0).median_s for run in (fresh, used, stated)]
    live = [play(run, 4).found for run in (fresh, used)]
    assert recorded[1] == recorded[2] == discharge(used, CUTOFF_V, 10.0).forecast.median_s
    assert live[0] is not None
    assert live[1] is not None
    assert "say --used" in live[0].why
    assert "less what use takes" in live[1].why
    for new_s, worn_s in ((recorded[0], recorded[1]), (live[0].median_s, live[1].median_s)):
        assert new_s is not None
        assert worn_s is not None
        assert 0.6 < worn_s / new_s < 0.95


def test_a_forecast_without_a_pack_cannot_be_told_so() -> None:
    run = falling(CELL)
    nameless = replace(run, description=replace(run.description, pack=None))
    with pytest.raises(BenchError, match="not of which pack"):
        with_pack(nameless, None, None, True)
