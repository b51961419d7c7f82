"""Every fault of the table by one command: ``python -m tests.benchmarks.all_faults [--few] [--seed N] [--fuzz-s 600]``.

Recordings, page, edits, planted names, foreign files, and, with ``--fuzz-s``, a fuzzer (``pip install atheris``) for that long on each of
stream, run, import and budget. Ends with 1 if anything was lost, invented, doubled or answered wrongly. In full 40 minutes and the fuzzer's own time.
"""

import argparse
import resource
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from tests.benchmarks import planted_names
from tests.benchmarks.faults_judge import edits, page, recording
from tests.benchmarks.faults_judge.fault import Fault, shown
from tests.benchmarks.import_judge import open_kinds, sealed_kinds, second_kinds
from tests.benchmarks.import_judge.case import BAD
from tests.benchmarks.import_judge.draft import cases_of
from tests.benchmarks.import_judge.score import judge_all, power
from tests.support.places import ROOT

FEW: Final = {
    "kills": 16, "unplugs": 3, "resets": 3, "full": 2, "replaced": 4, "moved": 4, "jumps": 4, "days": 1,
}  # fmt: skip
FUZZED: Final = {"decoder": "fuzz_stream", "run": "run", "import": "import", "budget": "budget"}


def foreign_files(seed: int) -> Fault:
    """Files of other meters: a run that says other than the truth is invented."""
    from tests.benchmarks.import_adapter import read_case

    cases = [c for k in (open_kinds, sealed_kinds, second_kinds) for c in cases_of(k.KINDS, seed)]
    with tempfile.TemporaryDirectory() as folder:
        judged = judge_all(cases, lambda case: read_case(case, Path(folder) / "one"))
    bad = sum(item.verdict in BAD for item in judged)
    right, of = power(judged)
    return Fault(
        "foreign files imported", len({case.data for case in cases}), 0, bad, 0, "what can be read in two ways is asked",
        f"{right} of {of} with one reading were read",
    )  # fmt: skip


def fuzzed(what: str, seconds: int, seed: int) -> Fault:
    """One target of ``tests/fuzz``; what it finds counts as invented and stays in the current folder."""
    target = FUZZED[what]
    module = [target] if target.startswith("fuzz") else ["fuzz_files", target]
    run = [sys.executable, "-m", f"tests.fuzz.{module[0]}", *module[1:]]
    limits = [f"-max_total_time={seconds}", "-timeout=5", "-rss_limit_mb=2000", f"-seed={seed}"]
    ended = subprocess.run(
        [*run, *limits], cwd=ROOT, stderr=subprocess.PIPE, text=True, check=False
    )
    last = [line for line in ended.stderr.splitlines() if line.startswith("#")][-1:]
    tried = int(last[0].split()[0].strip("#")) if last else 0
    note = f"{seconds} s" if ended.returncode == 0 else ended.stderr.strip().splitlines()[-1]
    found = int(ended.returncode != 0)
    return Fault(f"fuzzed: {what}", tried, 0, found, 0, "refused in words or read", note)


def rows(few: bool, seed: int, fuzz_s: int) -> Iterator[Fault]:
    for name, (judge, usual) in recording.FAULTS.items():
        yield judge(FEW[name] if few else usual, seed)
    yield from page.rows(few, seed)
    yield from edits.rows(few, seed)
    yield planted_names.planted_links(planted_names.FEW if few else 1.0, seed)
    yield foreign_files(seed)
    if fuzz_s:
        for what in FUZZED:
            yield fuzzed(what, fuzz_s, seed)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--few", action="store_true", help="a small table, for a quick look")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--fuzz-s", type=int, default=0, help="seconds for each fuzz target")
    asked = parser.parse_args()
    return shown(rows(asked.few, asked.seed, asked.fuzz_s))


if __name__ == "__main__":
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    sys.exit(main())
