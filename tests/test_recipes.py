"""The recipes of DEVELOPERS.md, followed to the letter in a copy of the tree, do what they promise."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.regression

ROOT = Path(__file__).resolve().parents[1]
GIVEN = Path(__file__).with_name("recipes")
SAMPLE = ROOT / "sample_logs" / "school-wing-28"
COPIED = (
    "pyproject.toml",
    "flightproc",
    "docs",
    "tests/conftest.py",
    "tests/readers/conftest.py",
    "tests/readers/test_conformance.py",
    "tests/readers/test_formats_page.py",
)

WRITER = '''
def as_field_log(flight: Flight) -> bytes:
    """The flight as a field log."""
    ms = np.round(flight.time * 1e3).astype(int)
    columns = {
        "time": {"column": "t", "unit": "s"},
        "exhaust_temperature": {"column": "egt", "unit": "degC"},
    }
    read = f"from flightproc import read_log; log = read_log('egt.csv', {columns}); "
    read += "print(log.get('exhaust_temperature').values[0])"
    assert float(house.run("-c", read)) == pytest.approx(773.15)


def test_a_new_sheet_field_stands_on_the_page_and_in_the_template(house: House) -> None:
    assert "`serial`" in house.text("docs/sheets.md")
    house.run("-m", "flightproc", "new", "frame")
    assert "serial" in house.text("frame/glider.toml")


def test_a_new_rig_kind_is_asked_for_and_reduced(house: House) -> None:
    assert "steelyard, a weight slid along a beam" in house.text("docs/sheets.md")
    house.run("-m", "flightproc", "new", "day", "--rig", "--kind", "steelyard")
    assert re.search(r'weight_kg = "FILL IN".*\n', house.text("day/rig.toml"))
    (house.place / "rig.toml").write_text(RIG)
    shown = json.loads(house.run("-m", "flightproc", "rig", "rig.toml", "--json"))
    torques = [point["torque_N_m"]["value"] for point in shown["days"][0]["points"]]
    assert torques == pytest.approx([9.80665 * 5.0 * 0.2, 9.80665 * 5.0 * 0.45])


def test_a_new_chapter_stands_in_the_report(house: House) -> None:
    house.run("-m", "flightproc", "report", SAMPLE / "sortie.toml", "-o", "report", "-q")
    page = house.text("report/report.html")
    assert '<section id="arrow"' in page and "Wind of this flight:" in page
    assert '<figure id="figure-arrow">' in page
    assert (house.place / "report" / "figures" / "arrow.svg").exists()
