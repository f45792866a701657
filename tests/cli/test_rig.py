"""``flightproc rig`` and ``flightproc new --rig``."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path

import pytest

from flightproc.cli import main

pytestmark = pytest.mark.synthetic

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "school-wing-28"
THREE = """\
name = "three points"
kind = "two_point"
spacing_m = 0.38
gear_ratio = 2.87
diameter_m = 1.25
air = { density_kg_m3 = 1.225 }
readings = [
  { rpm = 0, left_kg = 58.5, right_kg = 58.5 },
  { rpm = 5500, left_kg = 56.6, right_kg = 61.1 },
  { rpm = 6500, left_kg = 55.65, right_kg = 63.35 },
  { rpm = 8450, left_kg = 53.3, right_kg = 67.7, thrust_N = 735.5 },
]
"""


@pytest.fixture(autouse=True)
def narrow(monkeypatch, tmp_path):
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.chdir(tmp_path)


def test_sample_prints_tables_within_80_columns_and_writes(capsys):
    assert (
        main(["rig", str(SAMPLE / "rig.toml"), "--aircraft", str(SAMPLE / "aircraft.toml"), "-o", "out"]) == 0
    )
    out = capsys.readouterr().out
    lines = out.splitlines()
    assert max(len(line) for line in lines if not line.startswith("written")) <= 80
    assert "…" not in out
    for word in (
        "torque",
        "power",
        "thrust ceiling",
        "C_Q",
        "C_P",
        "C_T",
        "tip Mach",
        "Re 0.75 R",
        "figure of merit",
    ):
        assert word in out
    assert "kill switch" in out
    names = {"torque", "budget", "coefficients"}
    assert set(os.listdir("out")) == {f"{n}.{end}" for n in names for end in ("png", "svg")} | {"rig.json"}
    assert (Path("out") / "torque.png").read_bytes().startswith(b"\x89PNG")
    assert "<svg" in (Path("out") / "torque.svg").read_text()


def test_three_points_are_warned_of_and_the_impossible_thrust_is_flagged(capsys):
    Path("three.toml").write_text(THREE)
    assert main(["rig", "three.toml"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "confirms nothing" in out
    assert "exponent of 2.68" in out
    assert "figure of merit of 1.39, impossible (above 1)" in out
    assert Path("three-rig/rig.json").is_file()
    point = json.loads(Path("three-rig/rig.json").read_text())["days"][0]["points"][2]
    assert point["figure_of_merit"]["value"] == pytest.approx(1.39, abs=0.005)
    assert point["torque_N_m"]["value"] == pytest.approx(26.83, abs=0.005)


def test_days_are_compared(capsys):
    text = (SAMPLE / "rig.toml").read_text()
    Path("one.toml").write_text(text)
    Path("two.toml").write_text(text.replace("training frame A", "training frame A, again"))
    assert main(["rig", "one.toml", "two.toml", "-o", "both"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "No difference between the days is shown" in out
    assert {"days.png", "days.svg"} <= set(os.listdir("both"))
    assert main(["rig", "one.toml", "-o", "both"]) == 0
    assert "days.png" not in os.listdir("both")


def test_json_alone_on_standard_output(capsys):
    assert main(["rig", str(SAMPLE / "rig.toml"), "--json", "-o", "out"]) == 0
    out = capsys.readouterr().out
    assert json.loads(out) == json.loads(Path("out/rig.json").read_text())


def test_faults_of_all_sheets_are_told_and_nothing_is_written(capsys):
    Path("a.toml").write_text(THREE.replace("spacing_m = 0.38", "arm_m = 0.4"))
    Path("b.toml").write_text(THREE.replace("left_kg = 56.6", "load_kg = 3"))
    assert main(["rig", "a.toml", "b.toml"]) == 2
    err = capsys.readouterr().err
    assert "spacing_m" in err and "only with lever_arm" in err
    assert "load_kg" in err and "b.toml" in err
    assert "Traceback" not in err
    assert not Path("a-rig").exists()


def test_a_series_that_is_missing(capsys):
    Path("lever.toml").write_text(
        'kind = "lever_arm"\narm_m = 0.5\nair = { density_kg_m3 = 1.2 }\n'
        '[[series]]\nfile = "cell.csv"\nload_column = "load"\nrpm_column = "rpm"\n'
    )
    assert main(["rig", "lever.toml"]) == 2
    assert "cell.csv" in capsys.readouterr().err


@pytest.mark.parametrize("kind", ["two_point", "lever_arm", "torque_transducer"])
def test_new_rig_asks_little_and_loads_once_filled_in(kind, capsys):
    assert main(["new", "--rig", "--kind", kind, "my rig"]) == 0
    out = capsys.readouterr().out
    assert os.listdir("my rig") == ["rig.toml"]
    assert "flightproc rig 'my rig/rig.toml'" in out and "kill switch" in out
    text = Path("my rig/rig.toml").read_text()
    assert max(len(line) for line in text.splitlines()) <= 110
    asked = text.count('= "FILL IN"')
    assert asked <= 16
    speeds = iter((5500, 6500, 7500))
    text = re.sub(r'rpm = "FILL IN"', lambda _: f"rpm = {next(speeds)}", text)
    text = text.replace('pressure_hPa = "FILL IN"', "pressure_hPa = 1004").replace(
        'temperature_C = "FILL IN"', "temperature_C = 17"
    )
    text = re.sub(r'(spacing_m|arm_m) = "FILL IN"', r"\1 = 0.5", text)
    value = iter(range(50, 90))
    text = re.sub(r'= "FILL IN"', lambda _: f"= {next(value) ** 2 / 50}", text)
    Path("my rig/rig.toml").write_text(text)
    assert main(["rig", "my rig/rig.toml"]) == 0
    assert "torque" in capsys.readouterr().out


def test_new_rig_overwrites_nothing(capsys):
    Path("rig.toml").write_text("mine")
    assert main(["new", "--rig", "."]) == 2
    assert "exists already" in capsys.readouterr().err
    assert Path("rig.toml").read_text() == "mine"
    assert main(["new", "--rig", "--kind", "pendulum", "x"]) == 2
    assert "two_point, lever_arm, torque_transducer" in capsys.readouterr().err
    Path("file").write_text("x")
    assert main(["new", "--rig", "file"]) == 2
    assert "Traceback" not in capsys.readouterr().err
