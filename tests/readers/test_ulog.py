"""ULog: damage, times and mappings, on small files made here."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from flightproc.errors import UnreadableLogError
from flightproc.readers import read_log
from flightproc.readers import ulog as reader
from flightproc.readers.content import Content

pytestmark = pytest.mark.synthetic

T, F, D, I, U8, B = "uint64_t", "float", "double", "int32_t", "uint8_t", "bool"
RPM = [(T, "timestamp"), (F, "rpm_estimate")]


def read(data):
    return reader.read("log.ulg", content=Content("log.ulg", data, "0" * 64))


def codes(recording):
    return [damage.code for damage in recording.damage]


def steady(topic, name="rpm", fields=RPM, count=50, start=2_000_000, step=100_000, value=5000.0, **options):
    return topic(name, fields, [(start + i * step, value + i) for i in range(count)], **options)


def test_time_counts_from_the_first_sample_of_a_channel(ulog, topic):
    other = topic("cpuload", [(T, "timestamp"), (F, "load")], [(1_500_000, 0.5)])
    recording = read(ulog([other, steady(topic)]))
    assert recording.get("rpm").time[0] == 0.0
    assert recording.get("rpm").time[-1] == pytest.approx(4.9)
    assert [f.name for f in recording.fields][:2] == ["cpuload.timestamp", "cpuload.load"]


@pytest.mark.parametrize("wild", [0, 5, 900_000_000_000, 2**63 + 17, 2**64 - 1])
def test_wild_stamp_costs_one_row_and_is_told(ulog, topic, wild):
    rows = [(2_000_000 + i * 100_000, 5000.0) for i in range(40)]
    data = ulog([topic("rpm", RPM, rows)])
    place = data.index(struct.pack("<Q", rows[20][0]))
    data = data[:place] + struct.pack("<Q", wild) + data[place + 8 :]
    recording = read(data)
    assert recording.get("rpm").time.size == 39
    assert recording.span == pytest.approx((0.0, 3.9))
    assert [(d.code, d.lost) for d in recording.damage] == [("bad_time", 1)]


def test_stamps_at_the_very_end_of_their_range(ulog, topic):
    recording = read(ulog([topic("rpm", RPM, [(2**64 - 1 - k * 100_000, 5000.0) for k in range(9, -1, -1)])]))
    assert recording.get("rpm").time.size == 10
    assert recording.span == pytest.approx((0.0, 0.9))


def test_pause_in_the_log_costs_nothing(ulog, topic):
    rows = [(2_000_000 + i * 100_000 + (600_000_000 if i > 37 else 0), 5000.0) for i in range(400)]
    recording = read(ulog([topic("rpm", RPM, rows)]))
    assert recording.damage == ()
    assert recording.get("rpm").time.size == 400


def test_wrong_start_in_the_header_costs_nothing(ulog, topic):
    recording = read(ulog([steady(topic)], start=2**62))
    assert recording.get("rpm").time.size == 50
    assert any("header" in note for note in recording.notes)


def test_stamp_that_jumps_back_a_little_is_left_out(ulog, topic):
    data = ulog([topic("rpm", RPM, [(2_000_000 + i * 100_000, 1000.0 + i) for i in range(20)])])
    place = data.index(struct.pack("<Q", 2_500_000))
    recording = read(data[:place] + struct.pack("<Q", 2_150_000) + data[place + 8 :])
    series = recording.get("rpm")
    assert np.all(np.diff(series.time) > 0)
    assert series.time.size == 19
    assert 1005.0 not in series.values
    assert codes(recording) == ["bad_time"]


def test_cut_is_told_with_its_byte(ulog, topic):
    data = ulog([steady(topic)])
    recording = read(data[:-5])
    (damage,) = recording.damage
    assert damage.code == "cut"
    assert str(len(data) - 17) in damage.where  # the last message: 3 + 2 + 12 bytes
    assert recording.get("rpm").time.size == 49


def test_bytes_put_in_are_skipped_and_told(ulog, topic):
    data = ulog([steady(topic, count=60)])
    place = data.rindex(struct.pack("<Q", 2_000_000 + 30 * 100_000)) - 5
    recording = read(data[:place] + b"\xff" * 37 + data[place:])
    assert recording.get("rpm").time.size == 60
    (damage,) = recording.damage
    assert damage.code == "corrupt"
    assert damage.where == f"bytes {place} to {place + 37}"


def test_header_alone_and_less_than_a_header(ulog, topic):
    data = ulog([steady(topic)])
    with pytest.raises(UnreadableLogError, match="no data message"):
        read(data[:16])
    with pytest.raises(UnreadableLogError, match="cut within its header, after byte 11"):
        read(data[:11])


def test_dropouts_are_summed(ulog, topic, ulog_message):
    drops = ulog_message("O", struct.pack("<H", 30)) + ulog_message("O", struct.pack("<H", 120))
    recording = read(ulog([steady(topic)], after_data=drops))
    (damage,) = recording.damage
    assert (damage.code, damage.lost) == ("dropout", 2)
    assert "150 ms in all" in damage.what


def test_appended_data_are_read_and_the_break_before_them_told(ulog, topic, ulog_message):
    body = ulog([steady(topic, count=10)])
    more = ulog_message("D", struct.pack("<HQf", 0, 3_100_000, 7000.0))
    broken = body + b"\x0e\x00D\x00"  # a message that was being written when the power went
    flags = bytes(8) + b"\x01" + bytes(7) + struct.pack("<3Q", len(broken), 0, 0)
    recording = read(ulog([steady(topic, count=10)], flags=flags) + b"\x0e\x00D\x00" + more)
    assert recording.get("rpm").values[-1] == 7000.0
    assert recording.get("rpm").time.size == 11
    assert codes(recording) == ["cut"]
    assert any("appended" in note for note in recording.notes)


def test_unknown_incompatible_flag_is_refused(ulog, topic):
    with pytest.raises(UnreadableLogError, match="definitions"):
        read(ulog([steady(topic)], flags=bytes(8) + b"\x02" + bytes(31)))


def test_hostile_format_does_not_exhaust_memory(ulog, topic, ulog_message):
    bomb = ulog_message("F", b"bomb:uint64_t timestamp;bomb[60000] more;")
    bomb += ulog_message("F", b"big:uint64_t timestamp;double[65000] more;")
    bomb += ulog_message("F", b"none:") + ulog_message("F", b"many:uint64_t timestamp;none[65000] more;")
    asks = (
        ulog_message("A", b"\x00\x09\x00many") * 50
        + ulog_message("A", b"\x00\x07\x00bomb")
        + ulog_message("A", b"\x00\x08\x00big")
    )
    data = ulog([steady(topic)], before_data=asks)
    place = data.index(b"rpm:") - 3
    recording = read(data[:place] + bomb + data[place:])
    assert recording.get("rpm").time.size == 50
    assert "corrupt" in codes(recording)


def test_padding_at_the_end_may_be_logged_or_not(ulog, topic):
    fields = [(T, "timestamp"), (F, "rpm_estimate"), ("uint8_t", "x")]
    rows = [(2_000_000 + i * 100_000, 5000.0, 7) for i in range(10)]
    short = read(ulog([topic("rpm", fields, rows, padding=3)]))
    assert short.get("rpm").values.tolist() == [5000.0] * 10
    assert all("_padding" not in field.name for field in short.fields)
    assert short.damage == ()


def test_unused_motor_slots_feed_nothing_and_others_are_ranked(ulog, topic):
    fields = [(T, "timestamp"), *((I, f"esc[{k}].esc_rpm") for k in range(4))]
    rows = [(2_000_000 + i * 100_000, 0, 5000 + i, -4000 - i, 0) for i in range(10)]
    recording = read(ulog([topic("esc_status", fields, rows)]))
    first, second = recording.channels["rpm"]
    assert first.source == "esc_status.esc[1].esc_rpm"
    assert second.values[0] == 4000.0  # reverse rotation: its size
    notes = {field.name: field.note for field in recording.fields}
    assert "not used" in notes["esc_status.esc[0].esc_rpm"]
    assert notes["esc_status.esc[2].esc_rpm"] == "motor 3; choice 2"
    assert any("2 motors (2, 3)" in note for note in recording.notes)


@pytest.mark.parametrize(
    ("bank", "pitch", "heading"), [(20, 0, 0), (-35, 10, 120), (5, -60, -170), (179, 2, 90)]
)
def test_quaternion_gives_the_angles_it_was_made_from(ulog, topic, bank, pitch, heading):
    half = np.radians([bank, pitch, heading]) / 2
    (cr, cp, cy), (sr, sp, sy) = np.cos(half), np.sin(half)
    q = (
        cr * cp * cy + sr * sp * sy,
        sr * cp * cy - cr * sp * sy,
        cr * sp * cy + sr * cp * sy,
        cr * cp * sy - sr * sp * cy,
    )
    rows = [(2_000_000 + i * 100_000, *q) for i in range(5)]
    recording = read(
        ulog([topic("vehicle_attitude", [(T, "timestamp"), *((F, f"q[{k}]") for k in range(4))], rows)])
    )
    for channel, degrees in (("bank", bank), ("pitch", pitch), ("heading", heading)):
        assert np.degrees(recording.get(channel).values[0]) == pytest.approx(degrees, abs=1e-3)


def test_quaternion_that_is_none_is_missing(ulog, topic):
    fields = [(T, "timestamp"), *((F, f"q[{k}]") for k in range(4))]
    rows = [(2_000_000, 0, 0, 0, 0), (2_100_000, 1, 0, 0, 0), (2_200_000, float("nan"), 0, 0, 0)]
    recording = read(ulog([topic("vehicle_attitude", fields, rows)]))
    assert np.isnan(recording.get("bank").values).tolist() == [True, False, True]
    assert [(d.code, d.lost) for d in recording.damage] == [("bad_value", 2)]


def test_imu_increments_become_rates(ulog, topic):
    fields = [(T, "timestamp"), (F, "delta_angle[0]"), (F, "delta_velocity[2]")]
    fields += [("uint16_t", "delta_angle_dt"), ("uint16_t", "delta_velocity_dt")]
    rows = [(2_000_000 + i * 100_000, 0.001, -0.049, 5000, 5000) for i in range(4)]
    recording = read(ulog([topic("vehicle_imu", fields, rows)]))
    assert recording.get("roll_rate").values[0] == pytest.approx(0.2)
    assert recording.get("specific_force_z").values[0] == pytest.approx(-9.8)


def test_position_without_fix_and_invalid_velocity_are_missing(ulog, topic):
    fields = [
        (T, "timestamp"),
        (D, "latitude_deg"),
        (D, "altitude_msl_m"),
        (F, "vel_n_m_s"),
        (F, "vel_d_m_s"),
    ]
    fields += [(U8, "fix_type"), (B, "vel_ned_valid"), (T, "time_utc_usec")]
    rows = [
        (2_000_000, 47.0, 500.0, 1.0, -2.0, 0, True, 0),
        (2_100_000, 47.0, 500.0, 1.0, -2.0, 2, True, 1_700_000_000_100_000),
        (2_200_000, 47.0, 500.0, 1.0, -2.0, 3, False, 1_700_000_000_200_000),
        (2_300_000, 47.0, 500.0, 1.0, -2.0, 3, True, 1_700_000_000_300_000),
    ]
    recording = read(ulog([topic("sensor_gps", fields, rows)]))
    valid = {name: np.isfinite(recording.get(name).values).tolist() for name in recording.channels}
    assert valid["latitude"] == [False, True, True, True]
    assert valid["height"] == [False, False, True, True]
    assert valid["velocity_north"] == [False, True, False, True]
    assert recording.get("climb").values[-1] == 2.0
    assert np.degrees(recording.get("latitude").values[-1]) == pytest.approx(47.0, abs=1e-12)
    assert recording.start_utc == pytest.approx(1_700_000_000.0, abs=1e-6)


def test_airspeed_that_is_not_from_a_pitot_is_missing(ulog, topic):
    fields = [(T, "timestamp"), (F, "true_airspeed_m_s"), ("uint8_t", "airspeed_source")]
    rows = [(2_000_000 + i * 100_000, 11.0, source) for i, source in enumerate([0, 1, 2, 3, 4])]
    recording = read(ulog([topic("airspeed_validated", fields, rows)]))
    assert np.isfinite(recording.get("true_airspeed").values).tolist() == [False, True, True, True, False]


def test_values_beyond_the_limits_are_missing_and_counted(ulog, topic):
    rows = [(2_000_000 + i * 100_000, value) for i, value in enumerate([5000.0, -1.0, 1e35, np.inf, np.nan])]
    recording = read(ulog([topic("rpm", RPM, rows)]))
    assert np.isfinite(recording.get("rpm").values).tolist() == [True, False, False, False, False]
    assert sorted((d.code, d.lost) for d in recording.damage) == [("bad_value", 1), ("bad_value", 3)]


def test_pressure_in_hectopascal_of_old_logs(ulog, topic):
    fields = [(T, "timestamp"), (F, "pressure")]
    old = read(ulog([steady(topic, "sensor_baro", fields, value=950.0, count=3)]))
    new = read(ulog([steady(topic, "sensor_baro", fields, value=95_000.0, count=3)]))
    assert old.get("pressure").values[0] == new.get("pressure").values[0] == 95_000.0


def test_second_instance_is_a_further_choice(ulog, topic):
    fields = [(T, "timestamp"), (F, "pressure")]
    topics = [steady(topic, "sensor_baro", fields, value=95e3, count=5, instance=k) for k in range(2)]
    recording = read(ulog(topics))
    assert [s.source for s in recording.channels["pressure"]] == [
        "sensor_baro.pressure",
        "sensor_baro:1.pressure",
    ]


def test_log_without_known_topics_lists_its_fields(ulog, topic):
    recording = read(ulog([steady(topic, "cpuload", [(T, "timestamp"), (F, "load")])]))
    assert recording.channels == {}
    assert [field.name for field in recording.fields] == ["cpuload.timestamp", "cpuload.load"]
    assert recording.fields[1].rate_hz == pytest.approx(10.0)


def test_a_huge_log_is_read_where_it_lies_and_gives_the_same(ulog, topic, tmp_path, monkeypatch):
    """Part by part, from the disk: the same channels, damage and hash as from memory."""
    from flightproc.readers import content

    path = tmp_path / "log.ulg"
    fields = [(T, "timestamp"), (F, "true_airspeed_m_s")]
    slow = steady(topic, "airspeed", fields, count=9, step=500_000, value=11.0)
    data = ulog([steady(topic), slow])
    path.write_bytes(data[:-30])
    small = read_log(path)
    monkeypatch.setattr(content, "_HUGE", 100)
    monkeypatch.setattr("flightproc.readers.ulog._STAMPS", 7)
    monkeypatch.setattr("flightproc.readers.ulog_walk._SPAN", 1_000)
    huge = content.load_content(path)
    assert not isinstance(huge.mapped, bytes)
    assert (huge.data, huge.head, huge.size) == (path.read_bytes(), path.read_bytes()[:65_536], small.size)
    again = read_log(path)
    assert (again.sha256, again.damage, again.notes) == (small.sha256, small.damage, small.notes)
    assert repr(again.fields) == repr(small.fields)
    assert list(again.channels) == list(small.channels)
    for name, group in small.channels.items():
        for ours, theirs in zip(again.channels[name], group, strict=True):
            assert ours.source == theirs.source
            assert np.array_equal(ours.time, theirs.time)
            assert np.array_equal(ours.values, theirs.values, equal_nan=True)
