"""The tables of the ground tests in the aircraft sheet: what is taken, what is told."""

from __future__ import annotations

import pytest

from flightproc.errors import SheetError
from flightproc.sheets import load_aircraft

from .conftest import AIRCRAFT

pytestmark = pytest.mark.synthetic

TILT = """
[tilt_test]
side = ["right", "left", "right", "left"]
angle_deg = [1.7, -1.3, 1.6, -2]
zero_deg = [0.1]
ballast_kg = 4.0
arm_m = 0.25
"""

INERTIA = """
[inertia]
mass_kg = 118.0
line_spacing_m = 0.8
line_length_m = 2.5
swings = 10
times_s = [29.6, 29.4, 30]
amplitude_deg = 10.0
"""


def faults(tmp_path, text):
    path = tmp_path / "aircraft.toml"
    path.write_text(AIRCRAFT + text, encoding="utf-8")
    try:
        load_aircraft(path)
    except SheetError as error:
        return [(f.table, f.field, f.allowed) for f in error.faults]
    return []


def test_both_tables_are_read_and_may_be_left_out(tmp_path):
    path = tmp_path / "aircraft.toml"
    path.write_text(AIRCRAFT + TILT + INERTIA, encoding="utf-8")
    sheet = load_aircraft(path)
    assert sheet.tilt_test.side == ("right", "left", "right", "left")
    assert sheet.tilt_test.angle_deg == (1.7, -1.3, 1.6, -2.0)  # whole numbers are numbers, too
    assert sheet.inertia.times_s == (29.6, 29.4, 30.0)
    path.write_text(AIRCRAFT, encoding="utf-8")
    sheet = load_aircraft(path)
    assert sheet.tilt_test is None and sheet.inertia is None


@pytest.mark.parametrize(
    ("old", "new", "table", "field", "words"),
    [
        ("-2]", "]", "tilt_test", "angle_deg", "one angle for each entry of side: there are 3"),
        (
            '"left", "right", "left"]',
            '"right", "right", "right"]',
            "tilt_test",
            "side",
            "left and on the right",
        ),
        (
            "[1.7, -1.3, 1.6, -2]",
            "[-1.7, 1.3, -1.6, 2]",
            "tilt_test",
            "angle_deg",
            "positive right side down",
        ),
        (
            '"right", "left"]',
            '"starboard", "left"]',
            "tilt_test.side[3]",
            "(entry)",
            'each one of "left", "right"',
        ),
        ("1.6", '"1,6"', "tilt_test.angle_deg[3]", "(entry)", "without quotes and with a decimal point"),
        ("1.6", "true", "tilt_test.angle_deg[3]", "(entry)", "true and false are no numbers"),
        ("1.6", "160", "tilt_test", "angle_deg", "each -45 to 45 deg"),
        ("[0.1]", "0.1", "tilt_test", "zero_deg", "a list of numbers in square brackets"),
        ("arm_m = 0.25", "", "tilt_test", "arm_m", "0.02 to 2 m"),
        ("[29.6, 29.4, 30]", "[]", "inertia", "times_s", "at least one timing"),
        ("swings = 10", "swings = 10\ndamping = 0.98", "inertia", "damping", "1 to 5"),
        ("line_length_m = 2.5", "line_length_m = 0.2\nline_spacing_std_m = 0.001", "", "", ""),
        ("swings = 10", "swing = 10", "inertia", "swing", "did you mean swings?"),
        ("amplitude_deg = 10.0", "amplitude_deg = 90", "", "", ""),
    ],
)
def test_a_slip_is_told_where_it_is(tmp_path, old, new, table, field, words):
    text = TILT + INERTIA
    assert old in text
    found = faults(tmp_path, text.replace(old, new, 1))
    if not table:  # sound, if odd
        assert found == []
    else:
        assert any((t, f) == (table, field) and words in w for t, f, w in found), found


def test_lines_too_short_for_the_amplitude(tmp_path):
    text = INERTIA.replace("2.5", "0.3").replace("10.0", "45")
    assert faults(tmp_path, text) == [
        ("inertia", "line_length_m", "longer: with this amplitude the ends swing out by 0.31 m")
    ]


def test_faults_of_both_tables_are_told_together(tmp_path):
    text = TILT.replace("4.0", '"FILL IN"') + INERTIA.replace("swings = 10", "swings = 10.0")
    found = faults(tmp_path, text)
    assert [(t, f) for t, f, _ in found] == [("tilt_test", "ballast_kg"), ("inertia", "swings")]
