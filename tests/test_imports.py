"""What is loaded, and what is not: help comes at once, an analysis loads no library that it does not use."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from flightproc.cli.app import COMMANDS

pytestmark = pytest.mark.regression

ROOT = Path(__file__).parents[1]
HEAVY = ("matplotlib", "numpy", "pandas", "scipy", "jinja2", "sqlalchemy", "fastapi", "plotly")
UNUSED = (
    "matplotlib.pyplot",
    "pandas",
    "pyarrow",
    "scipy.signal",
    "scipy.stats",
    "scipy.integrate",
    "scipy.ndimage",
    "sqlalchemy",
    "weasyprint",
)


def loaded(code: str, names: tuple[str, ...], folder: Path) -> set[str]:
    """Run code in a fresh process and return which of the modules it has loaded."""
    end = f"\nimport sys\nprint('loaded', *[name for name in {names!r} if name in sys.modules])"
    return set(run(code + end, folder).splitlines()[-1].split()[1:])


def run(code: str, folder: Path) -> str:
    """Run code in a fresh process and return what it prints."""
    path = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": path},
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_help_and_version_load_nothing_heavy(tmp_path: Path) -> None:
    asked = [["--help"], ["--version"], *([name, "--help"] for name in COMMANDS)]
    code = f"from flightproc.cli import main\nfor asked in {asked!r}:\n    assert main(asked) == 0, asked"
    assert not loaded(code, HEAVY, tmp_path)


def test_the_package_itself_loads_nothing_heavy(tmp_path: Path) -> None:
    assert not loaded("import flightproc", (*HEAVY, "flightproc.analysis", "typer"), tmp_path)


def test_a_report_loads_no_library_that_it_does_not_use(tmp_path: Path) -> None:
    sheet = ROOT / "sample_logs" / "school-wing-28" / "sortie.toml"
    code = f"from flightproc.cli import main\nassert main(['report', {str(sheet)!r}, '-o', 'out', '-q']) == 0"
    assert not loaded(code, UNUSED, tmp_path)
    assert (tmp_path / "out" / "report.html").exists()


def test_a_worker_has_all_that_a_report_needs_from_the_start(tmp_path: Path) -> None:
    sheet = ROOT / "sample_logs" / "school-wing-28" / "sortie.toml"
    code = (
        "import sys\nimport flightproc as fp\nimport flightproc.web.warm\nbefore = set(sys.modules)\n"
        f"fp.write_report(fp.analyse({str(sheet)!r}), 'out')\n"
        "own = ('encodings', 'importlib')  # Python's\n"
        "print(sorted(name for name in set(sys.modules) - before if not name.startswith(own)))\n"
        "assert not any(name in before for name in ('pandas', 'scipy.stats', 'matplotlib.pyplot'))"
    )
    done = run(code, tmp_path)
    assert done.splitlines()[-1] == "[]"
