"""Real ULogs: what is in them, field by field against pyulog used directly."""

from __future__ import annotations

import numpy as np
import pytest
from pyulog import ULog

from flightproc.errors import UnknownFormatError, UnreadableLogError
from flightproc.readers import read_log
from flightproc.readers.ulog_walk import walk_messages

pytestmark = [pytest.mark.reference, pytest.mark.needs_data]

FILES = (
    "ulog/px4rs_esc_status_log.ulg",
    "ulog/px4rs_quadrotor_local.ulg",
    "ulog/pyulog_appended_multiple.ulg",
    "ulog/pyulog_px4_events.ulg",
    "ulog/pyulog_sample_log_small.ulg",
    "ulog/yule_trig_stats_synthetic.ulg",
    "bad/ulog_truncated_mid_message.ulg",
)


@pytest.mark.parametrize("file", FILES)
def test_every_field_of_every_topic_equals_pyulog(file, data_folder):
    path = data_folder / file
    data = path.read_bytes()
    ours = {(t.name, t.instance): t for t in walk_messages(data, file).topics if t.count}
    theirs = {(d.name, d.multi_id): d for d in ULog(str(path)).data_list}
    assert ours.keys() == theirs.keys()
    for key, topic in ours.items():
        columns = theirs[key].data
        named = {name for name in columns if not name.split(".")[-1].startswith("_padding")}
        assert set(topic.fields) == named, key
        for name in topic.fields:
            mine, other = topic.column(data, name), np.ascontiguousarray(columns[name])
            assert mine.tobytes() == other.tobytes(), f"{key} {name}"


@pytest.mark.parametrize("file", FILES)
def test_channels_equal_pyulog_values(file, data_folder):
    """Channels that need no arithmetic beyond a factor, on the rows whose times are kept."""
    factors = {
        "gyro_rad[0]": 1.0,
        "accelerometer_m_s2[2]": 1.0,
        "rollspeed": 1.0,
        "lat": np.pi / 180e7,
        "latitude_deg": np.pi / 180,
        "vel_n_m_s": 1.0,
        "baro_pressure_pa": 1.0,
        "esc[0].esc_rpm": 1.0,
    }
    log = ULog(str(data_folder / file))
    sets = {d.name: d.data for d in log.data_list if d.multi_id == 0}
    recording = read_log(data_folder / file)
    seen = 0
    for group in recording.channels.values():
        for series in group:
            topic, field = series.source.split(".", 1)
            if field not in factors or topic not in sets or topic == "vehicle_global_position":
                continue
            stamps = sets[topic]["timestamp"].astype(np.int64)
            kept = np.round(series.time * 1e6).astype(np.int64)
            origin = stamps[0] - kept[0]
            index = np.searchsorted(stamps, kept + origin)
            np.testing.assert_array_equal(stamps[index], kept + origin)
            expected = sets[topic][field][index].astype(float) * factors[field]
            valid = np.isfinite(series.values)
            np.testing.assert_allclose(series.values[valid], expected[valid], rtol=1e-12)
            seen += 1
    assert seen >= (0 if "yule" in file else 2)


@pytest.mark.parametrize("file", FILES[:5])
def test_whole_logs_are_not_called_damaged(file, data_folder):
    codes = {damage.code for damage in read_log(data_folder / file).damage}
    assert not codes & {"corrupt", "cut"}


def test_esc_status_log(data_folder):
    recording = read_log(data_folder / "ulog/px4rs_esc_status_log.ulg")
    assert [s.source for s in recording.channels["rpm"]] == [f"esc_status.esc[{k}].esc_rpm" for k in range(4)]
    assert recording.get("rpm").time.size == 127
    notes = {f.name: f.note for f in recording.fields}
    assert all("not used" in notes[f"esc_status.esc[{k}].esc_rpm"] for k in range(4, 8))
    assert [s.source for s in recording.channels["roll_rate"]] == [
        "sensor_combined.gyro_rad[0]",
        "vehicle_attitude.rollspeed",
    ]
    assert recording.span == pytest.approx((0.0, 39.590625))
    assert recording.damage == ()
    height = recording.get("height").values
    assert (height.min(), height.max()) == pytest.approx((424.749, 435.315), abs=1e-3)


@pytest.mark.parametrize(
    ("file", "choice", "angles"),
    [("px4rs_quadrotor_local", 0, ("bank", "pitch")), ("px4rs_esc_status_log", 1, ("heading",))],
)
def test_attitude_moves_as_the_body_rates_say(file, choice, angles, data_folder):
    """Angles change over one second as the integrated rates say: signs and axes are right."""
    recording = read_log(data_folder / f"ulog/{file}.ulg")
    p, q, r = (recording.channels[f"{name}_rate"][choice] for name in ("roll", "pitch", "yaw"))
    time = p.time
    attitude = {}
    for name in ("bank", "pitch", "heading"):
        series = recording.get(name)
        attitude[name] = np.interp(time, series.time, np.unwrap(series.values))
    phi, theta = attitude["bank"], attitude["pitch"]
    turn = (q.values * np.sin(phi) + r.values * np.cos(phi)) / np.cos(theta)
    rates = {
        "bank": p.values + turn * np.sin(theta),
        "pitch": q.values * np.cos(phi) - r.values * np.sin(phi),
        "heading": turn,
    }
    second = round(1.0 / np.median(np.diff(time)))
    for name in angles:
        rate = rates[name]
        turned = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(time))])
        change = attitude[name][second:] - attitude[name][:-second]
        expected = turned[second:] - turned[:-second]
        assert np.corrcoef(change, expected)[0, 1] > 0.99
        assert np.polyfit(expected, change, 1)[0] == pytest.approx(1.0, abs=0.01)


def test_quadrotor_local(data_folder):
    recording = read_log(data_folder / "ulog/px4rs_quadrotor_local.ulg")
    first, second = recording.channels["roll_rate"][:2]
    assert (first.source, second.source) == ("sensor_combined.gyro_rad[0]", "vehicle_angular_velocity.xyz[0]")
    assert (first.time.size, second.time.size) == (20236, 4625)
    assert recording.span[1] == pytest.approx(92.55, abs=0.01)
    assert np.median(recording.get("specific_force_z").values) == pytest.approx(-9.8, abs=0.05)
    assert recording.get("latitude") is None  # its receiver never had a fix
    assert recording.start_utc is None


def test_sample_log_small_spans_its_data_and_not_its_stamps(data_folder):
    path = data_folder / "ulog/pyulog_sample_log_small.ulg"
    assert ULog(str(path)).last_timestamp / 1e6 > 1194  # what one stray stamp makes of it
    recording = read_log(path)
    assert recording.span == pytest.approx((0.0, 6.5), abs=0.02)
    told = {d.code: d for d in recording.damage if d.code != "bad_value"}
    assert told["bad_time"].lost == 5
    assert "mission" in told["bad_time"].what
    assert "30 ms" in told["dropout"].what
    assert recording.get("true_airspeed") is None  # negative throughout, on the ground
    assert any("airspeed.true_airspeed_m_s" in d.where and d.lost == 595 for d in recording.damage)
    assert recording.start_utc == pytest.approx(1_618_986_658.5, abs=0.5)


def test_events_log_starts_without_a_fix(data_folder):
    recording = read_log(data_folder / "ulog/pyulog_px4_events.ulg")
    latitude = recording.get("latitude")
    assert np.isnan(latitude.values[:146]).all() and np.isfinite(latitude.values[146:]).all()
    assert recording.start_utc == pytest.approx(1_710_773_350.35, abs=0.5)


def test_appended_log_names_the_places(data_folder):
    recording = read_log(data_folder / "ulog/pyulog_appended_multiple.ulg")
    assert any("434369, 451825, 469281" in note for note in recording.notes)
    assert recording.get("roll_rate").time.size == 2373


def test_synthetic_log_of_unknown_topics(data_folder):
    recording = read_log(data_folder / "ulog/yule_trig_stats_synthetic.ulg")
    assert recording.channels == {}
    assert len(recording.fields) == 6


def test_cut_log_says_cut_and_where(data_folder):
    path = data_folder / "bad/ulog_truncated_mid_message.ulg"
    assert ULog(str(path)).file_corruption is False  # so it has to be found here
    recording = read_log(path)
    (damage,) = recording.damage
    assert (damage.code, damage.where) == ("cut", "byte 414312 of 414320")
    whole = read_log(data_folder / "ulog/px4rs_esc_status_log.ulg")
    part, full = recording.get("bank"), whole.get("bank")
    np.testing.assert_array_equal(part.values, full.values[: part.values.size])


def test_bad_beginnings(data_folder):
    with pytest.raises(UnknownFormatError, match="resembles a ULog"):
        read_log(data_folder / "bad/ulog_bad_magic.ulg")
    with pytest.raises(UnreadableLogError, match="no data message"):
        read_log(data_folder / "bad/ulog_header_only.ulg")
