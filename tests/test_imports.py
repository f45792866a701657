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
    path = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
    done = subprocess.run(
        [sys.executable, "-c", code + end],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": path},
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    return set(done.stdout.splitlines()[-1].split()[1:])


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
