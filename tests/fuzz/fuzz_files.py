"""Coverage-guided fuzzing of what reads files; not part of the normal tests.

    pip install atheris
    python -m tests.fuzz.fuzz_files run|import|budget -max_total_time=600 -timeout=5 -rss_limit_mb=2000

No exception but BenchError, nothing that takes 5 s or 2 GB, and what ``tests/support/fuzz_targets.py`` promises.
What it finds is left in the current folder as ``crash-...``; the corpus lives in a folder that goes with it.
"""

import sys
import tempfile
from pathlib import Path

import atheris
import pandas as pd  # before the first input, of which it would take all the time

with atheris.instrument_imports(include=["logger", "analysis.budget", "analysis.listed"]):
    from tests.support.fuzz_targets import TARGETS, seeds


def main() -> None:
    name = sys.argv.pop(1)
    assert pd.__version__
    with tempfile.TemporaryDirectory() as place:
        corpus, folder = Path(place) / "corpus", Path(place) / "files"
        corpus.mkdir()
        folder.mkdir()
        for number, data in enumerate(seeds(name)):
            (corpus / str(number)).write_bytes(data)
        target = TARGETS[name]
        atheris.Setup([*sys.argv, str(corpus), "-max_len=16384"], lambda data: target(data, folder))
        atheris.Fuzz()


if __name__ == "__main__":
    main()
