"""A refusal answers before the heavy libraries load: whoever mistyped a name waits for nothing."""

import json
import os
import subprocess
import sys
from pathlib import Path

from tests.support.places import ROOT
from tests.support.refusals import HEAVY, lay_out, refusals

# One Python for all, so that it stays quick: what is loaded once shows in every case after it.
_ALL = """
import contextlib, io, json, sys
import drawbench
told = []
for arguments in json.loads(sys.argv[1]):
    said, code = io.StringIO(), 0
    sys.argv = ["drawbench", *arguments]
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        try:
            drawbench.main()
        except SystemExit as ended:
            code = ended.code
    told.append([arguments, code, said.getvalue(), [name for name in json.loads(HEAVY) if name in sys.modules]])
print(json.dumps(told))
"""


def test_no_refusal_loads_a_heavy_library(tmp_path: Path) -> None:
    lay_out(tmp_path)
    asked = list(refusals())
    code = f"HEAVY = {json.dumps(HEAVY)!r}{_ALL}"
    done = subprocess.run(
        [sys.executable, "-P", "-c", code, json.dumps(asked)], cwd=tmp_path, capture_output=True, text=True, check=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), "XDG_CONFIG_HOME": str(tmp_path / "config")}, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    told = json.loads(done.stdout.splitlines()[-1])
    assert len(told) == len(asked)
    for arguments, exit_code, said, loaded in told:
        assert exit_code == 2, (arguments, said)
        assert "Traceback" not in said, (arguments, said)
        assert not loaded, (arguments, said, loaded)
    assert not list((tmp_path / "new-run").glob("*"))  # nothing was begun
