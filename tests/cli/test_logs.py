"""``flightproc logs``: what it prints, what it returns."""

from __future__ import annotations

import json
import os

import pytest

from flightproc.cli import main
from flightproc.readers import read_log
from flightproc.readers.summary import NEEDS

pytestmark = pytest.mark.synthetic

ENGINE = "time [s],rpm,phi,notes\n" + "".join(f"{i / 10},{5000 + i},0.1,x\n" for i in range(300))
TRACK = (
    '<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>'
    + "".join(
        f'<trkpt lat="{47 + 1e-4 * i}" lon="8"><ele>500</ele><time>2026-05-01T10:00:{i:02d}Z</time></trkpt>'
        for i in range(60)
        if not 20 < i < 40
    )
    + "</trkseg></trk></gpx>"
)


@pytest.fixture
def files(tmp_path, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    (tmp_path / "engine.csv").write_text(ENGINE)
    (tmp_path / "gps.gpx").write_text(TRACK)
    (tmp_path / "empty.ulg").write_bytes(b"")
    return {name: str(tmp_path / name) for name in os.listdir(tmp_path)}


def run(capsys, *arguments):
    code = main(["logs", *arguments])
    out, err = capsys.readouterr()
    return code, out, err


def test_one_log(files, capsys):
    code, out, err = run(capsys, files["engine.csv"])
    assert (code, err) == (0, "")
    assert "CSV" in out and "29.9 s" in out and "UTC unknown" in out
    row = next(line for line in out.splitlines() if line.startswith("rpm "))
    assert row.split() == ["rpm", "1/min", "10", "0.0–29.9", "-", "-", "rpm"]
    assert "from–to [s]" in out
    assert "hang roll" in out and "fix an accelerometer" in out
    assert "please confirm" in out
    assert 'bank = { column = "phi", unit = "?" }' in out
    assert "\x1b" not in out  # no colour when piped


def test_gaps_and_utc(files, capsys):
    _, out, _ = run(capsys, files["gps.gpx"])
    assert "2026-05-01 10:00:00 UTC" in out
    row = next(line for line in out.splitlines() if line.startswith("height "))
    assert "1, 20 s" in row
    assert "worked out" in out


@pytest.mark.parametrize("width", [60, 80, 120])
def test_lines_fit_the_terminal(files, capsys, monkeypatch, width):
    monkeypatch.setenv("COLUMNS", str(width))
    _, out, _ = run(capsys, files["gps.gpx"])
    assert max(map(len, out.splitlines())) <= width


def test_one_bad_file_does_not_stop_the_rest(files, capsys):
    code, out, err = run(capsys, files["empty.ulg"], files["engine.csv"], files["gps.gpx"], "nowhere.csv")
    assert code == 2
    assert "the file is empty" in err
    assert "nowhere.csv: there is no such file" in err
    assert "2 of 4 files could not be read" in err
    assert "Traceback" not in err
    together = out[out.index("All logs together") :]
    assert "engine speed     needed  engine.csv" in together
    assert "hang roll        needed  in none of them" in together


def test_json(files, capsys):
    code, out, err = run(capsys, "--json", files["engine.csv"], files["empty.ulg"])
    assert code == 2 and "empty" in err
    engine, empty = json.loads(out)
    assert "empty" in empty["error"]
    recording = read_log(files["engine.csv"])
    assert engine["sha256"] == recording.sha256
    assert engine["size"] == len(ENGINE)
    assert engine["span_s"] == [0.0, 29.9]
    assert engine["start_utc"] is None
    (rpm,) = engine["channels"]["rpm"]
    assert (rpm["samples"], rpm["rate_hz"], rpm["missing"]) == (300, pytest.approx(10.0), 0.0)
    assert {need["name"] for need in engine["lacking"]} == {n.name for n in NEEDS} - {"engine speed"}
    assert [field["name"] for field in engine["fields"]] == ["time [s]", "rpm", "phi", "notes"]


def test_damage_is_shown(files, capsys, tmp_path):
    path = tmp_path / "cut.csv"
    path.write_text(ENGINE + "30.0,50")
    code, out, _ = run(capsys, str(path))
    assert code == 0
    assert "cut, line 302" in out


def test_every_field_on_request(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "100")
    names = [f"sensor{k}" for k in range(80)]
    path = tmp_path / "wide.csv"
    path.write_text("t," + ",".join(names) + "\n" + "".join(f"{i}" + ",1" * 80 + "\n" for i in range(5)))
    _, short, _ = run(capsys, str(path))
    _, full, _ = run(capsys, "--fields", str(path))
    assert "--fields lists every field" in short
    assert sum(line.startswith("sensor") for line in full.splitlines()) == 80


def test_no_file_is_a_usage_error(capsys):
    assert run(capsys)[0] == 2


@pytest.fixture
def sortie(tmp_path, monkeypatch):
    """Four logs of one sortie: two files of one phone, a track with UTC, an engine monitor."""
    monkeypatch.setenv("COLUMNS", "100")
    rows = range(600)
    phone = 1_777_629_610.0  # ten seconds after the track begins
    texts = {
        "Accelerometer.csv": "time,acc x [m/s^2],acc y [m/s^2],acc z [m/s^2]\n"
        + "".join(f"{phone + i / 10:.1f},0.1,0.2,-9.8\n" for i in rows),
        "Gyroscope.csv": "time,gyro x [rad/s],gyro y [rad/s],gyro z [rad/s]\n"
        + "".join(f"{phone + i / 10:.1f},0.1,0.2,0.3\n" for i in rows),
        "track.gpx": TRACK,
        "engine.csv": ENGINE,
    }
    for name, text in texts.items():
        (tmp_path / name).write_text(text)
    return [str(tmp_path / name) for name in texts]


def test_best_set_names_a_log_for_each_channel(sortie, capsys):
    code, out, _ = run(capsys, *sortie)
    assert code == 0
    best = out[out.index("The best set") : out.index("Clocks")]
    source: dict[str, str] = {}
    log = ""
    for line in best.splitlines()[2:]:
        if line.strip():
            channel, name = line.split()[:2]
            log = name if name != '"' else log
            source[channel] = log
    assert source["specific_force_y"] == "Accelerometer.csv"
    assert source["yaw_rate"] == "Gyroscope.csv"
    assert source["rpm"] == "engine.csv"
    assert source["velocity_north"] == source["height"] == "track.gpx"
    assert "turn rate        needed  Gyroscope.csv" in out
    assert "true airspeed    helps   in none of them: a pitot tube" in out


def test_clocks_say_how_each_log_is_placed(sortie, capsys):
    _, out, _ = run(capsys, *sortie)
    rows = out[out.index("\nClocks") : out.index("For sortie.toml")]
    assert "the time base" in next(line for line in rows.splitlines() if line.startswith("Accelerometer"))
    assert "by UTC, 49.0 s in common" in next(r for r in rows.splitlines() if r.startswith("track"))
    assert "same clock" in " ".join(rows.split())
    assert "no common UTC" in " ".join(rows.split())


def test_logs_tables_are_ready_for_the_sheet(sortie, capsys):
    import tomllib

    from flightproc.sheets import LogEntry

    _, out, _ = run(capsys, *sortie)
    logs = tomllib.loads(out[out.index("[[logs]]") :])["logs"]
    entries = [LogEntry.model_validate(log) for log in logs]
    assert [entry.role for entry in entries] == ["unit", "other", "gps", "engine"]
    assert [entry.file for entry in entries] == [os.path.basename(path) for path in sortie]
    assert len({entry.name for entry in entries}) == 4
    assert entries[1].same_clock_as == "unit"
    assert entries[0].columns["specific_force_z"].unit == "m/s^2"
    assert out.count("# guessed") >= 4


def test_fields_shows_every_source_of_a_channel(sortie, capsys, tmp_path):
    track = tmp_path / "with speed.gpx"
    extra = "<extensions><speed>11</speed><course>0</course></extensions></trkpt>"
    track.write_text(TRACK.replace("</trkpt>", extra))
    _, out, _ = run(capsys, "--fields", str(track))
    lines = out[out.index("Sources, best first") :].splitlines()
    k = next(i for i, line in enumerate(lines) if line.startswith("velocity_north"))
    assert "extensions/speed and extensions/course" in lines[k]
    assert lines[k + 1].split()[:3] == ["2", "trkpt.lat,", "worked"]


@pytest.mark.needs_data
@pytest.mark.parametrize("folder", ["ulog", "gpx", "csv"])
def test_all_real_logs(folder, data_folder, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    paths = sorted(str(path) for path in (data_folder / folder).iterdir())
    code, out, err = run(capsys, *paths)
    assert (code, err) == (0, "")
    assert all(os.path.basename(path) in out for path in paths)
