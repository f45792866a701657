"""``flightproc ground``: what it prints, what it returns, and the page that tells of it."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import pytest

from flightproc.channels import GRAVITY
from flightproc.cli import main

pytestmark = pytest.mark.synthetic

ROOT = Path(__file__).parents[2]
AIRCRAFT = (ROOT / "sample_logs" / "school-wing-28" / "aircraft.toml").read_text(encoding="utf-8")
PAGE = (ROOT / "docs" / "ground-tests.md").read_text(encoding="utf-8")
TILT = """
[tilt_test]
side = ["right", "left"]
angle_deg = [1.637, -1.637]
angle_std_deg = 0.05
ballast_kg = 4.0
arm_m = 0.25
"""
INERTIA = """
[inertia]
mass_kg = 100.0
line_spacing_m = 0.8
line_length_m = 2.5
swings = 10
times_s = [30.0, 30.1, 29.9]
amplitude_deg = 2.0
"""


@pytest.fixture
def run(tmp_path, capsys, monkeypatch):
    def go(text, *options):
        monkeypatch.setenv("COLUMNS", "90")
        path = tmp_path / "aircraft.toml"
        path.write_text(AIRCRAFT + text, encoding="utf-8")
        code = main(["ground", str(path), *options])
        out, err = capsys.readouterr()
        return code, out, err

    return go


def test_both_tests_are_printed(run):
    code, out, err = run(TILT + INERTIA)
    assert (code, err) == (0, "")
    for words in (
        "roll stiffness of the weight, m g h",
        "hang arm",
        "roll inertia about the hang points",
        "roll period by the weight alone",
        "less the fit",
        "share",
        "line spacing",
        "Engine",
        "caution",
    ):
        assert words.lower() in out.lower()
    assert max(map(len, out.splitlines())) <= 90


@pytest.mark.parametrize(
    ("text", "there", "absent"), [(TILT, "hang arm", "inertia"), (INERTIA, "inertia", "m g h")]
)
def test_one_test_alone(run, text, there, absent):
    code, out, _ = run(text)
    table = out.split("caution")[0]
    assert code == 0 and there in table and absent not in table


def test_json(run):
    code, out, _ = run(TILT + INERTIA, "--json")
    found = json.loads(out)
    assert code == 0 and found["schema"] == "flightproc-ground/1"
    tilt, swing = found["tilt_test"], found["inertia"]
    stiffness = tilt["weight_stiffness_N_m_rad"]["value"]
    assert stiffness == pytest.approx(4.0 * GRAVITY * 0.25 / math.tan(math.radians(1.637)), rel=1e-9)
    assert tilt["hang_arm_m"]["value"] == pytest.approx(stiffness / (100.0 * GRAVITY), rel=1e-9)
    plain = 100.0 * GRAVITY * 0.8**2 * 3.0**2 / (16 * math.pi**2 * 2.5)
    assert swing["inertia_kg_m2"]["value"] == pytest.approx(plain, rel=1e-3)
    h = tilt["hang_arm_m"]["value"]
    inertia = swing["inertia_kg_m2"]["value"] + 100.0 * h * h
    assert found["hang_inertia_kg_m2"]["value"] == pytest.approx(inertia, rel=1e-9)
    assert found["free_period_s"]["value"] == pytest.approx(
        2 * math.pi * math.sqrt(inertia / stiffness), rel=1e-9
    )


def test_page_tells_of_every_field(run):
    _, out, _ = run(TILT + INERTIA, "--json")
    found = json.loads(out)
    rows = [line for line in PAGE.splitlines() if line.startswith("| `")]
    first = {name for row in rows for name in re.findall(r"`(\w+)`", row.split("|")[1])}
    assert first == set(found)
    for part in ("tilt_test", "inertia"):
        for name in found[part]:
            assert f"`{name}`" in PAGE
    for name in found["tilt_test"]["readings"][0]:
        assert f"`{name}`" in PAGE


def test_the_sheets_of_the_page_can_be_reduced(run):
    blocks = re.findall(r"```toml\n(.*?)```", PAGE, flags=re.S)
    code, out, _ = run("\n" + "\n".join(blocks))
    assert len(blocks) == 2 and code == 0 and "hang arm" in out


def test_no_ground_test_in_the_sheet(run):
    code, out, err = run("")
    assert (code, out) == (2, "")
    assert "there is no ground test in the aircraft sheet" in err and "Traceback" not in err


def test_faults_of_the_sheet_are_told_together(run):
    code, _, err = run(TILT.replace("4.0", "-4.0") + INERTIA.replace("swings = 10", "swings = 0"))
    assert code == 2 and "2 faults" in err and "ballast_kg" in err and "swings" in err


def test_readings_that_tell_nothing_are_told_together(run):
    weak = TILT.replace("1.637", "0.01")
    odd = INERTIA.replace("29.9", "60.1")
    code, _, err = run(weak + odd)
    assert code == 2
    assert "does not tell a tilt from none" in err and "differ too much" in err
    assert run(weak)[0] == 2


def test_what_the_sheet_and_the_tests_disagree_on(run):
    code, out, _ = run(TILT.replace("1.637", "0.9") + INERTIA.replace("100.0", "80.0"))
    words = " ".join(out.split())
    assert code == 0
    assert "standard uncertainties apart: measure again" in words
    assert "The pendulum carried 80 kg" in words


def test_help_shows_a_worked_example(capsys):
    assert main(["ground", "--help"]) == 0
    out = capsys.readouterr().out
    assert "flightproc ground aircraft.toml" in out and "[tilt_test]" in out and "[inertia]" in out
