"""Real GPX files and tables: what is in them, against gpxpy and pandas used directly."""

from __future__ import annotations

import gpxpy
import numpy as np
import pandas as pd
import pytest

from flightproc.readers import read_log

pytestmark = [pytest.mark.reference, pytest.mark.needs_data]

TIMED = {  # file: samples kept, span [s], points without a usable time
    "gpx/georust_garmin_with_extensions.gpx": (3540, 36624.0, 0),
    "gpx/georust_wahoo_example.gpx": (3, 2.0, 0),
    "gpx/gogpx_ashland.gpx": (263, 2965.0, 85),
    "gpx/gpxpy_gpx1.0_with_all_fields.gpx": (1, 0.0, 0),
    "gpx/gpxpy_track-with-less-sec-time.gpx": (2, 0.994, 0),
    "gpx/gpxpy_track_with_speed.gpx": (3, 13.0, 0),
    "bad/gpxpy_track-with-empty-segment.gpx": (9, 76.0, 0),
    "bad/georust_with_accuracy.gpx": (3, 2.0, 0),
}
UNTIMED = {  # file: words of the damage
    "gpx/gpxpy_Mojstrovka.gpx": "only 2 of 184 times advance",
    "gpx/gpxpy_cerknicko-without-times.gpx": "only 5 of 296 rows have a time",
    "gpx/gpxpy_gpx1.1_with_extensions.gpx": "only 1 waypoint",
    "gpx/gpxpy_route.gpx": "only 55 route points",
    "gpx/gpxpy_unicode_with_bom.gpx": "only 1 waypoint",
    "bad/gpxpy_gpx1.1_with_extensions_without_namespaces.gpx": "only 1 waypoint",
    "bad/gpxpy_unicode_with_bom_noencoding.gpx": "only 1 waypoint",
    "bad/ticofab_truncated.gpx": "only 2 waypoints",
}


def test_every_gpx_file_has_its_line(data_folder):
    files = {f"{p.parent.name}/{p.name}" for sub in ("gpx", "bad") for p in (data_folder / sub).glob("*.gpx")}
    assert files == set(TIMED) | set(UNTIMED)


@pytest.mark.parametrize("file", TIMED)
def test_timed_tracks(file, data_folder):
    samples, span, lost = TIMED[file]
    recording = read_log(data_folder / file)
    assert recording.get("latitude").time.size == samples
    assert recording.span == pytest.approx((0.0, span), abs=1e-6)
    assert sum(d.lost for d in recording.damage if d.code == "bad_time") == lost


@pytest.mark.parametrize("file", [f for f in TIMED if "accuracy" not in f])
def test_points_equal_gpxpy(file, data_folder):
    recording = read_log(data_folder / file)
    document = gpxpy.parse((data_folder / file).read_text(encoding="utf-8-sig"))
    points = {}
    for segment in (s for track in document.tracks for s in track.segments):
        for point in segment.points:
            if point.time is not None:
                points.setdefault(point.time.timestamp(), point)
    latitude, height = recording.get("latitude"), recording.get("height")
    for i in range(latitude.time.size):
        point = points[round(recording.start_utc + latitude.time[i], 6)]
        assert np.degrees(latitude.values[i]) == pytest.approx(point.latitude, abs=1e-12)
        if height is not None and point.elevation is not None:
            assert height.values[i] == point.elevation


@pytest.mark.parametrize("file", UNTIMED)
def test_files_that_place_nothing_in_time(file, data_folder):
    recording = read_log(data_folder / file)
    assert recording.channels == {}
    assert recording.fields
    (damage,) = [d for d in recording.damage if d.code == "no_time"]
    assert damage.what.startswith(UNTIMED[file]) or UNTIMED[file] in damage.what


def test_derived_speed_against_gpxpy_lengths(data_folder):
    """Distance by our velocities against gpxpy's sum over points (a sphere, so to 0.5 %)."""
    path = data_folder / "gpx/georust_garmin_with_extensions.gpx"
    recording = read_log(path)
    north, east = recording.get("velocity_north"), recording.get("velocity_east")
    steps = np.diff(north.time, append=north.time[-1])
    steps[steps > 100] = 0.0  # pauses
    ours = np.sum(np.hypot(north.values, east.values) * steps)
    theirs = gpxpy.parse(path.read_text(encoding="utf-8")).length_2d()
    assert ours == pytest.approx(theirs, rel=0.05)  # centred differences cut the zigzag of a walk


def test_native_speed_of_gpx_1_0(data_folder):
    recording = read_log(data_folder / "gpx/gpxpy_track_with_speed.gpx")
    assert recording.get("ground_speed").values.tolist() == [1.2, 2.2, 3.2]


def test_invalid_fix_type_costs_nothing_else(data_folder):
    path = data_folder / "bad/georust_with_accuracy.gpx"
    with pytest.raises(gpxpy.gpx.GPXException):
        gpxpy.parse(path.read_text())
    recording = read_log(path)
    assert recording.get("latitude").time.size == 3
    assert any("something_not_in_the_spec" in d.what and d.lost == 1 for d in recording.damage)


def test_truncated_gpx_says_cut_and_what_was_lost(data_folder):
    damage = read_log(data_folder / "bad/ticofab_truncated.gpx").damage
    assert (damage[0].code, damage[0].lost) == ("cut", 1)
    assert damage[0].where == "line 58"


# Tables ---------------------------------------------------------------------------------------------------


def test_cyclone_unmapped_feeds_rpm_alone(data_folder):
    recording = read_log(data_folder / "csv/tudelft_cyclone2_flight_test_50Hz.csv")
    assert list(recording.channels) == ["rpm"]
    assert recording.get("rpm").rate_hz == pytest.approx(50.0)
    doubtful = [f.name for f in recording.fields if f.note.startswith("may be")]
    assert doubtful == [
        *("airspeed", "gyrop", "gyroq", "gyror", "Vnorth", "Veast", "Vdown", "phi", "theta", "psi"),
    ]


def test_cyclone_mapped_equals_pandas(data_folder):
    path = data_folder / "csv/tudelft_cyclone2_flight_test_50Hz.csv"
    columns = {
        "time": {"column": "t", "unit": "s"},
        "true_airspeed": {"column": "airspeed", "unit": "m/s"},
        "yaw_rate": {"column": "gyror", "unit": "rad/s"},
        "climb": {"column": "Vdown", "unit": "m/s", "sign": -1},
        "pitch": {"column": "theta", "unit": "rad"},
    }
    recording, frame = read_log(path, columns), pd.read_csv(path)
    assert list(recording.channels) == ["yaw_rate", "pitch", "true_airspeed", "climb"]
    np.testing.assert_array_equal(recording.get("yaw_rate").values, frame["gyror"])
    np.testing.assert_array_equal(recording.get("climb").values, -frame["Vdown"])
    airspeed = recording.get("true_airspeed").values
    negative = (frame["airspeed"] < 0).to_numpy()
    np.testing.assert_array_equal(airspeed[~negative], frame["airspeed"][~negative])
    assert np.isnan(airspeed[negative]).all()
    beyond = frame["theta"].abs() > 1.6  # it hovers tail down
    assert {d.where: d.lost for d in recording.damage} == {"airspeed": negative.sum(), "theta": beyond.sum()}
    assert np.degrees(np.nanmedian(recording.get("pitch").values)) < -50.0


def test_windtunnel_keeps_its_own_clock(data_folder):
    recording = read_log(data_folder / "csv/tudelft_windtunnel_10Hz.csv")
    assert recording.span == pytest.approx((680.001, 1188.9))
    assert recording.get("rpm").values.max() == 12070.0


def test_quadrotor_model_counts_microseconds(data_folder):
    recording = read_log(data_folder / "csv/ddd_quadrotor_model.csv")
    assert recording.get("specific_force_z").rate_hz == pytest.approx(100.0)
    assert recording.span == pytest.approx((13.55, 69.18))
    assert {f.name: f.note for f in recording.fields}["(unnamed 1)"] == "counts the rows"


def test_kite_has_utc_and_no_channel_for_certain(data_folder):
    path = data_folder / "csv/kitepower_20191008_0001.csv"
    recording = read_log(path)
    assert recording.channels == {}
    assert recording.start_utc == pytest.approx(1570531585.3, abs=1e-3)
    mapped = read_log(path, {"bank": {"column": "kite_1_roll", "unit": "deg"}})
    frame = pd.read_csv(path)
    np.testing.assert_allclose(mapped.get("bank").values, np.radians(frame["kite_1_roll"]), rtol=1e-12)
    np.testing.assert_allclose(mapped.get("bank").time, frame["time"] - frame["time"][0], atol=1e-6)
