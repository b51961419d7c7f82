"""Cases with their ideal widths, kept between sittings of the judge: whoever mends the tool asks of the same boards again.

``MEASUREMENT_KEPT=FOLDER`` keeps them, by a digest of all that makes them; without it nothing is written.
An ideal width costs three times its case, and only a median is taken of them: every fourth of the first hundred and twelve boards has one.
"""

import hashlib
import os
import pickle
from functools import cache
from pathlib import Path
from typing import Final

import tests.support.datasheet_boards as datasheet_boards
from tests.benchmarks.measurement_judge.cases import STATES, Case, draw_case
from tests.benchmarks.measurement_judge.oracle import Population, ideal_widths, sampling_spread
from tests.benchmarks.measurement_judge.table import write_whole
from tests.support.datasheet_boards.errors import Law

FOLDER: Final = os.environ.get("MEASUREMENT_KEPT")
IDEAL_EVERY: Final = 4
IDEAL_UNTIL: Final = 112

Ideal = dict[str, dict[str, float]]


def case_of(chip: str, kind: str, law: Law, seed: int, people: Population) -> tuple[Case, Ideal]:
    """A case and, of every fourth, its ideal widths by state and quantity; else an empty one."""
    kept = _place(chip, kind, law, seed)
    if kept is not None and kept.exists():
        found: tuple[Case, Ideal] = pickle.loads(kept.read_bytes())
        return found
    case = draw_case(chip, kind, law, seed)
    ideal: Ideal = {}
    if seed % IDEAL_EVERY == 0 and seed < IDEAL_UNTIL:
        spread = sampling_spread(case)
        ideal = {state: ideal_widths(case, people, state, spread) for state in STATES}
    if kept is not None:
        write_whole(kept, pickle.dumps((case, ideal), protocol=5))
    return case, ideal


def _place(chip: str, kind: str, law: Law, seed: int) -> Path | None:
    if FOLDER is None:
        return None
    return Path(FOLDER) / _makers() / f"{chip} {kind} {law.value} {seed}.pickle"


def sources() -> list[Path]:
    """What a case and its widths come of; this file says which have widths."""
    here, boards = Path(__file__).parent, Path(datasheet_boards.__file__).parent
    return [
        Path(__file__),
        here / "cases.py",
        here / "oracle.py",
        *sorted(boards.glob("*.py")),
    ]


@cache
def _makers() -> str:
    """Digest of ``sources``."""
    return hashlib.sha256(b"".join(path.read_bytes() for path in sources())).hexdigest()[:12]
