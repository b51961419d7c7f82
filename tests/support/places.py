"""Where the tests find the tree's own files."""

from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
SAMPLES: Final = ROOT / "sample_runs"
# Measured discharge curves of a lithium-ion pouch cell; origin in the folder's README.
POUCH: Final = ROOT / "tests" / "data" / "pouch_discharge"
VEST_BUDGET: Final = ROOT / "firmware_probe" / "twin" / "vest_budget.toml"
