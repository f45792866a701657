"""``flightproc blade`` from sheet to tables, figures and JSON."""

import json
import re
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from flightproc.cli import main
from flightproc.cli.app import build_app

pytestmark = pytest.mark.synthetic

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_logs" / "school-wing-28"
QUANTITY = {"value", "std", "low95", "high95"}


def run(*arguments):
    return CliRunner().invoke(build_app(), ["blade", *map(str, arguments)])


@pytest.fixture(scope="module")
def calibrated(tmp_path_factory):
    folder = tmp_path_factory.mktemp("blade") / "out"
    result = run(SAMPLE / "aircraft.toml", "--rig", SAMPLE / "rig.toml", "-o", folder)
    assert result.exit_code == 0, result.output
    return folder, result.output


def test_tables_name_what_they_show(calibrated):
    _, text = calibrated
    for word in ("static torque", "C_T", "C_P", "efficiency", "angle at 0.75 R", "by geometry alone"):
        assert word in text
    assert "at rest" in text and "The rig decides pitch offset" in text
    assert "caution" in text


def test_figures_and_json_are_written(calibrated):
    folder, _ = calibrated
    names = {path.name for path in folder.iterdir()}
    assert names == {
        *(f"{n}.{kind}" for n in ("coefficients", "alpha", "ratio") for kind in ("png", "svg")),
        "blade.json",
    }


def test_json_is_sound(calibrated):
    folder, _ = calibrated
    found = json.loads((folder / "blade.json").read_text())
    assert found["schema"] == "flightproc-blade/1"
    assert found["calibration"]["measurements"] == 10
    ratio = np.array(found["ratio_table"]["torque_ratio"])
    assert ratio.shape == (len(found["ratio_table"]["rpm"]), len(found["ratio_table"]["airspeed_m_s"]))
    assert np.all(np.diff(ratio[0]) < 0.0)
    assert found["ratio_curve"]["torque_ratio"][0][0] == 1.0
    angles = [item["alpha_075_deg"]["value"] for item in found["alpha"]]
    assert found["alpha"][0]["airspeed_m_s"] == 0.0
    assert angles == sorted(angles, reverse=True)
    naive = [item["geometric_075_deg"]["value"] for item in found["alpha"]]
    assert all(n > a for n, a in zip(naive, angles, strict=True))
    torque = {item["rpm"]: item["torque_N_m"]["value"] for item in found["static"]}
    assert torque[7600.0] == pytest.approx(37.6, rel=0.05)  # the rig day measured that


def _walk(value, path, found):
    if isinstance(value, list):
        for item in value:
            _walk(item, f"{path}[]", found)
    elif isinstance(value, dict) and not set(value) >= QUANTITY:
        found.setdefault(path or "Top level", set()).update(value)
        for key, item in value.items():
            _walk(item, f"{path}.{key}" if path else key, found)


def test_the_page_describes_every_field_and_no_other(calibrated):
    folder, _ = calibrated
    found = {}
    _walk(json.loads((folder / "blade.json").read_text()), "", found)
    page, heading = {}, ""
    for line in (ROOT / "docs" / "blade-json.md").read_text().splitlines():
        if line.startswith("## "):
            heading = line.removeprefix("## ")
        row = re.match(r"\| `(\w+)` \| \S.* \|$", line)
        if row:
            page.setdefault(heading, set()).add(row.group(1))
    assert page == found


def test_without_a_rig_it_says_so(tmp_path):
    result = run(
        SAMPLE / "aircraft.toml",
        "-o",
        tmp_path / "out",
        "--rpm",
        6000,
        "--airspeed",
        10,
        "--airspeed",
        13,
        "--json",
    )
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    assert found["calibration"]["measurements"] == 0
    assert found["ratio_table"]["airspeed_m_s"] == [10.0, 13.0]
    assert any("no rig" in words for words in found["remarks"])


def test_faults_are_told_without_a_traceback(tmp_path, capsys):
    bad = tmp_path / "aircraft.toml"
    bad.write_text((SAMPLE / "aircraft.toml").read_text().replace("blades = 2", "blades = 0"))
    assert main(["blade", str(bad), "-o", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert "blades" in said and "Traceback" not in said
    assert not (tmp_path / "out").exists()


def test_odd_speeds_are_refused(tmp_path, capsys):
    sheet = str(SAMPLE / "aircraft.toml")
    assert main(["blade", sheet, "-o", str(tmp_path / "out"), "--airspeed", "-3"]) == 2
    assert "airspeeds must be above zero" in capsys.readouterr().err
