"""``flightproc logs --check`` on recordings written by the simulator's writers."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from flightproc.channels import GRAVITY
from flightproc.cli import main
from flightproc.simulate.sensors import EngineLog, GpsLog, UnitLog
from flightproc.simulate.writers import csv_text, gpx_text, ulog_bytes

pytestmark = pytest.mark.synthetic

ROOT = Path(__file__).parents[2]
AIRCRAFT = str(ROOT / "sample_logs" / "school-wing-28" / "aircraft.toml")
STATUSES = ("ready", "look at", "mend")


def unit_log(seconds=125.0, rate=50.0):
    """Return the unit at rest for 80 s, then rocked in roll and in pitch."""
    rng = np.random.default_rng(11)
    time = np.arange(round(seconds * rate)) / rate
    roll, pitch = np.full(time.size, 0.02), np.full(time.size, 0.06)
    for angle, start in ((roll, 85.0), (pitch, 100.0)):
        use = (time >= start) & (time < start + 12.0)
        angle[use] += 0.35 * np.sin(2 * np.pi * (time[use] - start) / 6.0)
    p, q = np.gradient(roll, 1 / rate), np.gradient(pitch, 1 / rate)
    rates = np.column_stack([p, q * np.cos(roll), -q * np.sin(roll)])
    force = GRAVITY * np.column_stack(
        [np.sin(pitch), -np.cos(pitch) * np.sin(roll), -np.cos(pitch) * np.cos(roll)]
    )
    slow = np.arange(0.0, seconds, 0.2)
    return UnitLog(
        time,
        rates + 0.003 * rng.standard_normal(rates.shape),
        force + 0.05 * rng.standard_normal(force.shape),
        np.empty(0),
        np.empty((0, 4)),
        slow,
        95_000.0 + 2.0 * rng.standard_normal(slow.size),
        np.full(slow.size, 290.0) + 0.02 * rng.standard_normal(slow.size),
    )


def gps_log():
    rng = np.random.default_rng(12)
    time = np.arange(0.0, 125.0, 0.5)
    return GpsLog(
        time,
        47.0 + 1e-5 * rng.standard_normal(time.size),
        8.0 + 1e-5 * rng.standard_normal(time.size),
        500.0 + rng.standard_normal(time.size),
        np.abs(0.05 * rng.standard_normal(time.size)),
        np.full(time.size, 90.0),
    )


def engine_log():
    rng = np.random.default_rng(13)
    time = np.arange(0.0, 125.0, 0.2)
    rpm = np.where(time > 100, np.round(2200 + 30 * rng.standard_normal(time.size), -1), 0.0)
    flat = np.full(time.size, 90.0)
    return EngineLog(time, rpm, flat, 4.0 * flat, 0.1 * flat, 0.14 * flat)


@pytest.fixture
def files(tmp_path, monkeypatch):
    monkeypatch.setenv("COLUMNS", "90")

    def write(unit=None, gps=None, engine=None):
        (tmp_path / "unit.ulg").write_bytes(ulog_bytes(unit or unit_log()))
        start = datetime(2026, 5, 1, 10, tzinfo=UTC)
        (tmp_path / "gps.gpx").write_text(gpx_text(gps or gps_log(), start, "check"))
        (tmp_path / "engine.csv").write_text(csv_text(engine or engine_log()))
        return {name: str(tmp_path / name) for name in ("unit.ulg", "gps.gpx", "engine.csv")}

    return write


def run(capsys, *arguments):
    code = main(["logs", "--check", *arguments])
    out, err = capsys.readouterr()
    return code, out, err


def document(capsys, *arguments):
    code, out, err = run(capsys, *arguments, "--json")
    found = json.loads(out)
    assert (found["verdict"] == "mend") == (code == 1), err
    return found


def lines(found, subject):
    return [line for line in found["lines"] if line["subject"] == subject]


def test_a_sound_set_is_ready(files, capsys):
    code, out, err = run(capsys, *files().values(), "--aircraft", AIRCRAFT)
    assert (code, err) == (0, "")
    assert "Ready, with 1 thing to look at." in out  # the unit's clock has no UTC
    assert "→ its clock will be found" in out
    assert "roll_rate [deg/s]" in out and "Whether to fly is for the pilot" in out
    assert max(map(len, out.splitlines())) <= 90
    assert "\x1b" not in out


def test_json(files, capsys):
    found = document(capsys, *files().values())
    assert found["schema"] == "flightproc-check/1" and found["verdict"] == "look at"
    assert {line["status"] for line in found["lines"]} <= set(STATUSES)
    assert found["rest_s"][1] - found["rest_s"][0] == pytest.approx(84.0, abs=2.0)
    curve = found["allan"]["specific_force_y"]
    assert len(curve["tau_s"]) == len(curve["deviation"]) == len(curve["std"]) > 10
    scale = lines(found, "gyro scale")[0]["numbers"]["gyro_scale"]
    assert scale == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize(
    ("fault", "subject", "words"),
    [
        ("dead gyro", "gyro", "is dead: always 0"),
        ("range", "gravity", "2 times what it should be"),
        ("gyro range", "gyro scale", "turns 0.50"),
        ("stuck axis", "accelerometer", "specific_force_y is stuck at"),
        ("no fix", "satellites", "no fix"),
    ],
)
def test_each_fault_is_found(files, capsys, fault, subject, words):
    unit, gps = unit_log(), gps_log()
    force = unit.force.copy()
    if fault == "dead gyro":
        unit = replace(unit, rates=np.zeros_like(unit.rates))
    elif fault == "range":
        unit = replace(unit, force=2.0 * force)
    elif fault == "gyro range":
        unit = replace(unit, rates=0.5 * unit.rates)
    elif fault == "stuck axis":
        force[:, 1] = -0.25
        unit = replace(unit, force=force)
    else:
        gps = replace(gps, latitude=0.0 * gps.time, longitude=0.0 * gps.time)
    found = document(capsys, *files(unit, gps).values())
    told = [line for line in lines(found, subject) if line["status"] == "mend"]
    assert told and any(words in line["found"] for line in told), found["lines"]
    assert all(line["advice"] for line in told)


def test_what_is_not_there_is_told(files, capsys):
    paths = files()
    found = document(capsys, paths["unit.ulg"])
    assert lines(found, "satellites")[0]["status"] == "mend"
    assert lines(found, "engine speed")[0]["status"] == "mend"
    silent = replace(engine_log(), rpm=np.zeros(engine_log().time.size))
    found = document(capsys, *files(engine=silent).values())
    assert lines(found, "engine speed")[0]["status"] == "look at"


def test_a_log_that_cannot_be_read_ends_with_2(files, capsys, tmp_path):
    (tmp_path / "empty.ulg").write_bytes(b"")
    code, out, err = run(capsys, *files().values(), str(tmp_path / "empty.ulg"), "--json")
    assert code == 2 and "the file is empty" in err
    found = json.loads(out)
    assert "the file is empty" in found["unreadable"][0] and len(found["lines"]) > 10
    assert run(capsys, str(tmp_path / "empty.ulg"))[0] == 2


def test_faults_of_sheet_and_logs_are_told_together(files, capsys, tmp_path):
    (tmp_path / "aircraft.toml").write_text("name = 3\n")
    code, out, err = run(
        capsys, files()["unit.ulg"], "nowhere.ulg", "--aircraft", str(tmp_path / "aircraft.toml")
    )
    assert code == 2 and out == ""
    assert "faults in the sheets" in err and "nowhere.ulg: there is no such file" in err


@pytest.mark.parametrize("ending", ["png", "svg"])
def test_figure(files, capsys, tmp_path, ending):
    path = tmp_path / f"allan.{ending}"
    code, _, err = run(capsys, *files().values(), "--figure", str(path))
    assert (code, err) == (0, "") and path.stat().st_size > 5000


def test_a_figure_that_cannot_be_made(files, capsys, tmp_path):
    paths = files()
    for name, words in (("a.pdf", "PNG or an SVG"), ("nowhere/a.png", "cannot be written")):
        code, _, err = run(capsys, paths["unit.ulg"], "--figure", str(tmp_path / name))
        assert code == 2 and words in err
    code, _, err = run(capsys, paths["gps.gpx"], "--figure", str(tmp_path / "a.png"))
    assert code == 2 and "no curve to draw" in err


def test_options_that_do_not_go_together(files, capsys):
    unit = files()["unit.ulg"]
    assert run(capsys, unit, "--fields")[0] == 2
    assert main(["logs", unit, "--aircraft", AIRCRAFT]) == 2
    assert "go with --check only" in capsys.readouterr().err


def test_help_shows_a_worked_example(capsys):
    assert main(["logs", "--help"]) == 0
    assert "flightproc logs --check unit.ulg gps.gpx" in capsys.readouterr().out


def test_page_tells_of_every_field(files, capsys):
    page = (ROOT / "docs" / "instrument-check.md").read_text(encoding="utf-8")
    found = document(capsys, *files().values())
    for name in (*found, *found["lines"][0], *found["allan"]["roll_rate"]):
        assert f"`{name}`" in page
    for status in STATUSES:
        assert f"**{status}**" in page
    assert math.isfinite(found["rest_s"][0])
