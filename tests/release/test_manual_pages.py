"""Manual pages and completion scripts of the distribution are those of the program."""

from __future__ import annotations

import runpy
import shutil
import subprocess
import tomllib
from pathlib import Path

import pytest

pytestmark = pytest.mark.synthetic

ROOT = Path(__file__).resolve().parents[2]
DOCS = ROOT / "docs"
MADE = runpy.run_path(str(DOCS / "make_man.py"))["made"]()


@pytest.mark.parametrize("name", MADE)
def test_file_is_up_to_date(name: str) -> None:
    assert (DOCS / name).read_text(encoding="utf-8") == MADE[name], "run: python docs/make_man.py"


def test_no_page_is_left_of_a_command_that_is_no_more() -> None:
    there = {f"{folder}/{p.name}" for folder in ("man", "completion") for p in (DOCS / folder).iterdir()}
    assert there == set(MADE)


def test_the_wheel_installs_them_where_they_are_looked_for() -> None:
    data = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    shared = data["tool"]["hatch"]["build"]["targets"]["wheel"]["shared-data"]
    assert shared["docs/man"] == "share/man/man1"
    assert {f"docs/{name}" for name in MADE if name.startswith("completion/")} <= set(shared)


def test_pages_are_sound_roff() -> None:
    if shutil.which("groff") is None:
        pytest.skip("groff is not installed")
    pages = [str(DOCS / name) for name in MADE if name.startswith("man/")]
    done = subprocess.run(
        ["groff", "-man", "-ww", "-Tutf8", "-z", *pages],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert done.stderr == ""
