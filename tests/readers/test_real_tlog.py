"""Real telemetry logs: every frame and every field against pymavlink used directly."""

from __future__ import annotations

from collections import Counter, defaultdict

import numpy as np
import pytest

from flightproc.channels import GRAVITY
from flightproc.readers import read_log
from flightproc.readers.mavlink_frames import find_frames
from flightproc.readers.mavlink_messages import LAYOUTS

pytestmark = [pytest.mark.reference, pytest.mark.needs_data]

FILES = {"tlog/ardusub_small.tlog": 4, "tlog/dronekit_flight_replay.tlog": 1314}
"""Files, and how many bad frames the table beside them gives."""


class Oracle:
    """All that pymavlink reads from one file."""

    def __init__(self, path):
        from pymavlink import mavutil

        log = mavutil.mavlink_connection(str(path), dialect="ardupilotmega")
        self.bad = 0
        self.counts = Counter()
        self.stamps = []
        self.messages = defaultdict(list)
        while (message := log.recv_msg()) is not None:
            if message.get_type() == "BAD_DATA":
                self.bad += 1
                continue
            system, component, number = (
                message.get_srcSystem(),
                message.get_srcComponent(),
                message.get_msgId(),
            )
            self.counts[system, component, number] += 1
            self.stamps.append(message._timestamp)
            self.messages[system, component, number].append(message)
        log.close()

    def column(self, key, name):
        return np.array([getattr(message, name) for message in self.messages[key]])


@pytest.fixture(scope="module", params=list(FILES))
def pair(request, data_folder):
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("MAVLINK20", "1")
        return request.param, data_folder / request.param, Oracle(data_folder / request.param)


def test_the_same_frames_and_the_same_bad_ones(pair):
    name, path, oracle = pair
    frames = find_frames(path.read_bytes())
    senders = zip(frames.system.tolist(), frames.component.tolist(), frames.message.tolist(), strict=True)
    assert Counter(senders) == oracle.counts
    assert sum(frames.bad.values()) == oracle.bad == FILES[name]
    np.testing.assert_allclose(frames.stamp * 1e-6, oracle.stamps, rtol=0, atol=1e-6)
    assert frames.verified == frames.start.size


def test_every_field_of_every_message_equals_pymavlink(pair):
    _, path, oracle = pair
    data = path.read_bytes()
    frames = find_frames(data)
    seen = 0
    for key in oracle.counts:
        system, component, number = key
        if number not in LAYOUTS:
            continue
        chosen = np.flatnonzero(
            (frames.system == system) & (frames.component == component) & (frames.message == number)
        )
        rows = frames.rows(data, chosen, number)
        for field in rows.dtype.names:
            theirs = oracle.column(key, field).astype(rows.dtype[field].base)
            np.testing.assert_array_equal(rows[field], theirs, err_msg=f"{key} {field}")
            seen += 1
    assert seen > 80


def test_channels_equal_the_vehicles_messages(pair):
    _, path, oracle = pair
    recording = read_log(path)
    factors = {
        ("bank", "ATTITUDE.roll"): (30, "roll", 1.0),
        ("yaw_rate", "ATTITUDE.yawspeed"): (30, "yawspeed", 1.0),
        ("specific_force_z", "SCALED_IMU2.zacc"): (116, "zacc", 1e-3 * GRAVITY),
        ("climb", "LOCAL_POSITION_NED.vz"): (32, "vz", -1.0),
        ("velocity_north", "LOCAL_POSITION_NED.vx"): (32, "vx", 1.0),
        ("pressure", "SCALED_PRESSURE.press_abs"): (29, "press_abs", 100.0),
    }
    for (channel, source), (number, field, factor) in factors.items():
        series = next(s for s in recording.channels[channel] if s.source == source)
        theirs = factor * oracle.column((1, 1, number), field).astype(np.float64)
        np.testing.assert_allclose(series.values, theirs, rtol=1e-12, err_msg=channel)
        boot = oracle.column((1, 1, number), "time_boot_ms") * 1e-3
        steps = np.diff(boot)
        ours = np.diff(series.time)
        same = steps > 0  # where it falls back the vehicle was restarted
        np.testing.assert_allclose(ours[same], steps[same], atol=1e-6, err_msg=channel)


def test_what_the_table_says_of_the_files(data_folder):
    sub = read_log(data_folder / "tlog/ardusub_small.tlog")
    assert sub.format == "MAVLink"
    assert any("system 1, component 1, submarine, ArduPilot" in note for note in sub.notes)
    assert any("255/190 (ground station)" in note for note in sub.notes)
    assert sum(d.lost for d in sub.damage if d.code == "corrupt") == 4
    assert sub.span[1] - sub.span[0] == pytest.approx(263.4, abs=1.0)

    copter = read_log(data_folder / "tlog/dronekit_flight_replay.tlog")
    assert any("system 1, component 1, quadrotor, ArduPilot" in note for note in copter.notes)
    assert any("51/68" in note and "255/0 (ground station)" in note for note in copter.notes)
    assert sum(d.lost for d in copter.damage if d.code == "corrupt") == 1314
    assert [d.where for d in copter.damage if d.code == "cut"] == ["byte 2723821 of 2723840"]
    assert any("restarted 1 time" in note for note in copter.notes)
    assert copter.get("latitude").rate_hz == pytest.approx(2.5, abs=0.5)


def test_copters_airspeed_only_tracks_ground_speed_and_is_not_offered(data_folder):
    copter = read_log(data_folder / "tlog/dronekit_flight_replay.tlog")
    assert not copter.channels.keys() & {"true_airspeed", "indicated_airspeed"}
    hud = next(field for field in copter.fields if field.name == "VFR_HUD.airspeed")
    assert hud.samples == 2815
    assert "only follows ground speed" in hud.note


def test_vertical_speed_of_an_old_autopilot_is_turned_to_agree_with_the_other_sources(data_folder):
    copter = read_log(data_folder / "tlog/dronekit_flight_replay.tlog")
    sources = {series.source: series for series in copter.channels["climb"]}
    best = sources["GLOBAL_POSITION_INT.vz"]
    for name in ("LOCAL_POSITION_NED.vz", "VFR_HUD.climb"):
        other = sources[name]
        ours = np.interp(other.time, best.time, best.values)
        assert np.corrcoef(ours, other.values)[0, 1] > 0.97, name
    assert any("vz is positive up" in note for note in copter.notes)


def test_satellite_time_and_receive_stamps_agree(data_folder):
    """The receiver's UTC and the laptop's differ by the laptop's error, told in the notes."""
    copter = read_log(data_folder / "tlog/dronekit_flight_replay.tlog")
    assert any("agree with it (-1.76 s" in note for note in copter.notes)
    assert copter.start_utc == pytest.approx(1_436_056_005.67, abs=0.5)
