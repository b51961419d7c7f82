"""The sample notebook: runs in a clean kernel, says what the commands say, carries no outputs."""

import json
from typing import Any, Final

import nbformat
import pytest
from click.testing import CliRunner
from nbclient import NotebookClient

import drawbench
from tests.support.places import SAMPLES

NOTEBOOK: Final = SAMPLES / "notebook.ipynb"


def test_carries_no_outputs() -> None:
    document = json.loads(NOTEBOOK.read_text(encoding="utf-8"))
    left = [
        cell["id"]
        for cell in document["cells"]
        if cell["cell_type"] == "code" and (cell["outputs"] or cell["execution_count"] is not None)
    ]
    assert left == []
    assert all(cell["metadata"] == {} for cell in document["cells"])
    assert set(document["metadata"]) == {"kernelspec", "language_info"}


def test_says_first_that_it_is_simulated() -> None:
    document = json.loads(NOTEBOOK.read_text(encoding="utf-8"))
    assert "SIMULATED" in "".join(document["cells"][0]["source"])


@pytest.fixture(scope="module")
def outputs() -> list[dict[str, Any]]:
    """All outputs of a whole run in a fresh kernel, in order; a cell that raises fails here."""
    notebook = nbformat.read(NOTEBOOK, as_version=4)  # type: ignore[no-untyped-call]
    NotebookClient(
        notebook, timeout=240, kernel_name="python3", resources={"metadata": {"path": str(SAMPLES)}}
    ).execute()
    return [item for cell in notebook.cells for item in cell.get("outputs", ())]


@pytest.mark.slow
def test_runs_from_a_clean_kernel_without_a_word_on_stderr(outputs: list[dict[str, Any]]) -> None:
    assert [item for item in outputs if item.get("name") == "stderr"] == []
    assert [item for item in outputs if item["output_type"] == "error"] == []


@pytest.mark.slow
def test_shows_a_picture_where_one_was_asked_for(outputs: list[dict[str, Any]]) -> None:
    asked = NOTEBOOK.read_text(encoding="utf-8").count(".plot(")
    shown = [item for item in outputs if "image/png" in item.get("data", {})]
    assert len(shown) == asked
    assert asked >= 5


@pytest.mark.slow
@pytest.mark.parametrize(
    "command",
    [
        "rundown night-ride-vest",
        "forecast night-ride-vest --until 2h --need 9h",
        "budget ../firmware_probe/twin/vest_budget.toml vest-evening",
        "flex life vest-joints-by-hand.csv --wearings 3 --at elbow --reference solid",
    ],
)
def test_says_what_the_command_says(
    command: str, outputs: list[dict[str, Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The command's answer, its first paragraph after what is simulated, stands in the notebook."""
    monkeypatch.chdir(SAMPLES)
    told = CliRunner().invoke(drawbench.cli, command.split()).output
    paragraphs = [" ".join(part.split()) for part in told.split("\n\n")]
    answer = next(
        part for part in paragraphs if not part.startswith("SIMULATED") and "simulation" not in part
    )
    texts = [" ".join(item["data"]["text/plain"].split()) for item in outputs if "data" in item]
    assert any(answer in text for text in texts), answer
