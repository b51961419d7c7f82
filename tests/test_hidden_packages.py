"""A file of the user's with the name of one of our packages: one clear error that names it, and it is not run."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.places import ROOT

# Real processes, ports and time.
pytestmark = pytest.mark.real_time

PACKAGES = ("logger", "analysis", "firmware_probe")
# What pip writes as the program ``drawbench``; the folder of that program comes first on its path.
INSTALLED = (
    "import sys\nfrom drawbench import main\nif __name__ == '__main__':\n    sys.exit(main())\n"
)


def python(
    *arguments: str | Path, cwd: Path, path: tuple[Path, ...] = ()
) -> subprocess.CompletedProcess[str]:
    """A fresh interpreter; our own folder comes last in PYTHONPATH."""
    return subprocess.run(
        [sys.executable, *map(str, arguments)],
        cwd=cwd,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(map(str, (*path, ROOT)))},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Where the user works."""
    (tmp_path / "bench").mkdir()
    return tmp_path / "bench"


def plant(name: str, as_folder: bool, folder: Path) -> Path:
    """A module of the user's that leaves a trace when it is run; gives what the error should name."""
    hiding = folder / (name if as_folder else f"{name}.py")
    code = f"open({str(folder / 'was-run')!r}, 'w').close()\n"
    if as_folder:
        hiding.mkdir()
        (hiding / "__init__.py").write_text(code, encoding="utf-8")
    else:
        hiding.write_text(code, encoding="utf-8")
    return hiding


@pytest.mark.parametrize("as_folder", [False, True], ids=["file", "folder"])
@pytest.mark.parametrize("name", PACKAGES)
def test_the_module_run_beside_it(name: str, as_folder: bool, folder: Path) -> None:
    hiding = plant(name, as_folder, folder)
    result = python("-m", "drawbench", "--help", cwd=folder)
    assert (result.returncode, result.stdout) == (2, "")
    assert result.stderr == (
        f"drawbench: {hiding} hides a part of drawbench that has the same name.\n"
        f"  Seen: import {name} finds it before {ROOT / name}\n"
        "  Next: rename it or move it to another folder; in a notebook, restart the kernel then.\n"
    )
    assert not (folder / "was-run").exists()


@pytest.mark.parametrize("name", PACKAGES)
def test_the_installed_program(name: str, folder: Path, tmp_path: Path) -> None:
    """Its own folder is first on the path, so only PYTHONPATH can hide our packages from it."""
    hiding = plant(name, False, folder)
    program = tmp_path / "drawbench"
    program.write_text(INSTALLED, encoding="utf-8")
    assert python(program, "--help", cwd=folder).returncode == 0
    result = python(program, "--help", cwd=tmp_path, path=(folder,))
    assert (result.returncode, result.stdout) == (2, "")
    assert result.stderr.startswith(f"drawbench: {hiding} hides a part of drawbench")
    assert "Traceback" not in result.stderr
    assert not (folder / "was-run").exists()


@pytest.mark.parametrize("name", PACKAGES)
def test_a_notebook_and_a_script(name: str, folder: Path, tmp_path: Path) -> None:
    """``import drawbench`` where the working folder, or the script's own, comes first on the path."""
    hiding = plant(name, False, folder)
    (folder / "script.py").write_text("import drawbench\n", encoding="utf-8")
    for arguments, cwd in (
        (("-c", "import drawbench"), folder),
        ((folder / "script.py",), tmp_path),
    ):
        result = python(*arguments, cwd=cwd)
        assert result.returncode == 1
        *_, error, seen, remedy = result.stderr.strip().splitlines()
        assert error == f"ImportError: {hiding} hides a part of drawbench that has the same name."
        assert seen == f"  Seen: import {name} finds it before {ROOT / name}"
        assert remedy.startswith("  Next: rename it")
        assert not (folder / "was-run").exists()


def test_an_import_error_says_which_module_and_file(folder: Path) -> None:
    hiding = plant("analysis", False, folder)
    code = "try:\n    import drawbench\nexcept ImportError as error:\n    print(error.name, error.path)\n"
    assert python("-c", code, cwd=folder).stdout == f"analysis {hiding}\n"


def test_a_module_that_the_notebook_has_imported_already(folder: Path, tmp_path: Path) -> None:
    hiding = plant("logger", False, folder)
    code = f"import sys, os; import logger; os.chdir({str(tmp_path)!r}); import drawbench"
    result = python("-c", code, cwd=folder)
    assert f"ImportError: {hiding} hides a part of drawbench" in result.stderr
    code = "import sys, types; sys.modules['logger'] = types.ModuleType('logger'); import drawbench"
    assert "ImportError: a module made by hand hides" in python("-c", code, cwd=tmp_path).stderr


def test_our_packages_stay_ours_when_the_notebook_changes_its_folder(
    folder: Path, tmp_path: Path
) -> None:
    """The empty first entry of a notebook's path means whatever folder it is in at the moment."""
    for name in PACKAGES:
        plant(name, False, folder)
    code = (
        f"import drawbench, os; os.chdir({str(folder)!r})\n"
        "import analysis.run.rundown, firmware_probe.line_format, logger.run.reader"
    )
    result = python("-c", code, cwd=tmp_path)
    assert (result.returncode, result.stderr) == (0, "")


def test_another_installed_package_needs_another_remedy(tmp_path: Path) -> None:
    installed = tmp_path / "site-packages"
    installed.mkdir()
    plant("logger", True, installed)
    result = python("-m", "drawbench", "--help", cwd=tmp_path, path=(installed,))
    assert result.returncode == 2
    assert "install drawbench into a virtual environment of its own." in result.stderr


def test_what_hides_nothing_is_left_alone(folder: Path) -> None:
    """A plain folder of runs called ``logger`` is no package; other files have other names."""
    (folder / "logger").mkdir()
    (folder / "logger" / "night.csv").touch()
    (folder / "analysis.csv").touch()
    plant("my_logger", False, folder)
    result = python("-m", "drawbench", "--help", cwd=folder)
    assert (result.returncode, result.stderr) == (0, "")
    assert python("-c", "import drawbench", cwd=folder).returncode == 0
