"""Telemetry logs made frame by frame, with the faults that real ones have."""

from __future__ import annotations

import hashlib
import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flightproc.errors import FlightprocError, LogError, UnreadableLogError
from flightproc.readers import tlog
from flightproc.readers.content import Content
from flightproc.readers.mavlink_frames import find_frames

pytestmark = pytest.mark.synthetic

UTC = 1_777_629_600.0
SEEDS = {0: 50, 2: 137, 24: 24, 26: 170, 27: 144, 30: 39, 31: 246, 32: 185, 33: 104, 74: 20, 105: 93,
         225: 208, 226: 207, 291: 10, 295: 234, 11030: 144}  # fmt: skip


class Sender:
    """Writes frames to a log, with a clock of its own and one of the device that listens."""

    def __init__(self, frame, utc=UTC, boot=5.0):
        self.frame = frame
        self.utc = utc
        self.boot = boot
        self.parts = []
        self.delay = 0.0

    def send(self, number, code, *values, t=0.0, seed=None, **more):
        seed = SEEDS[number] if seed is None else seed
        stamp = round((self.utc + t + self.delay) * 1e6)
        more.setdefault("sequence", len(self.parts))
        self.parts.append(self.frame(number, seed, struct.pack(f"<{code}", *values), stamp, **more))

    def ms(self, t):
        return round((self.boot + t) * 1e3)

    def heartbeat(self, t=0.0, kind=1, autopilot=3, **more):
        self.send(0, "IBBBBB", 0, kind, autopilot, 0, 4, 3, t=t, **more)

    def attitude(self, t, roll=0.1, **more):
        self.send(30, "I6f", self.ms(t), roll, 0.0, 1.0, 0.0, 0.0, 0.0, t=t, **more)

    def system_time(self, t, utc, **more):
        self.send(2, "QI", round((utc + t) * 1e6), self.ms(t), t=t, **more)

    def hud(self, t, air, ground, **more):
        self.send(74, "4fhH", air, ground, 100.0, 0.5, 90, 55, t=t, **more)

    @property
    def data(self):
        return b"".join(self.parts)


@pytest.fixture
def sender(mavlink_frame):
    return Sender(mavlink_frame)


def read(data):
    return tlog.read("flight.tlog", content=Content("flight.tlog", data, hashlib.sha256(data).hexdigest()))


def codes(recording):
    return [damage.code for damage in recording.damage]


def field(recording, name):
    return next(f for f in recording.fields if f.name == name)


def test_both_versions_signatures_and_cut_zeros_in_one_file(sender):
    sender.heartbeat()
    for k in range(20):
        sender.attitude(0.1 * k, roll=0.01 * k, version=1 + k % 2, signature=bytes(13) if k % 4 == 3 else b"")
    recording = read(sender.data)
    assert recording.damage == ()
    np.testing.assert_allclose(recording.get("bank").values, 0.01 * np.arange(20), rtol=1e-6)
    np.testing.assert_allclose(recording.get("bank").time, 0.1 * np.arange(20), atol=1e-9)
    assert any("5 frames are signed" in note for note in recording.notes)


def test_payload_cut_to_one_byte_reads_zeros(sender):
    sender.heartbeat()
    sender.boot = 0.0
    for k in range(3):
        sender.send(30, "I6f", k, *[0.0] * 6, t=1e-3 * k)
    frames = find_frames(sender.data)
    assert frames.length[1] == 1
    assert read(sender.data).get("bank").values.tolist() == [0.0, 0.0, 0.0]


def test_wrong_checksum_loses_one_frame_and_tells(sender):
    sender.heartbeat()
    for k in range(20):
        sender.attitude(0.1 * k)
    damaged = bytearray(sender.data)
    at = len(b"".join(sender.parts[:8])) + 30  # within a roll angle
    damaged[at] ^= 0xFF
    recording = read(bytes(damaged))
    assert recording.get("bank").time.size == 19
    (damage,) = [d for d in recording.damage if d.code == "corrupt"]
    assert damage.lost == 1
    assert "ATTITUDE of system 1" in damage.where
    assert "dropout" not in codes(recording)  # the bad frame did arrive


@pytest.mark.parametrize("lost", [1, 7, 9, 13, 30, 48, 200])
def test_resumes_after_a_hole(sender, lost):
    sender.heartbeat()
    for k in range(40):
        sender.attitude(0.1 * k)
    whole = sender.data
    recording = read(whole[:700] + whole[700 + lost :])
    assert recording.get("bank").time.size >= 40 - 2 - lost // 36
    assert "corrupt" in codes(recording)


def test_zeroed_block_and_garbage_before_the_first_frame(sender):
    sender.heartbeat()
    for k in range(100):
        sender.attitude(0.1 * k)
    whole = bytearray(b"garbage " * 5 + sender.data)
    whole[2000:2512] = bytes(512)
    recording = read(bytes(whole))
    assert recording.get("bank").time.size >= 100 - 512 // 36 - 2  # frames of 36 bytes
    assert (recording.damage[0].where, recording.damage[0].code) == ("bytes 0 to 40", "corrupt")
    assert codes(recording).count("corrupt") == 2
    assert tlog.sniff(bytes(whole))


def test_file_that_ends_within_a_frame(sender):
    sender.heartbeat()
    for k in range(10):
        sender.attitude(0.1 * k)
    for missing in (1, 20, 35):
        recording = read(sender.data[:-missing])
        assert recording.get("bank").time.size == 9
        assert codes(recording) == ["cut"]


def test_many_breaks_are_told_in_few_lines(sender):
    sender.heartbeat()
    for k in range(100):
        sender.attitude(0.1 * k)
        sender.parts.append(b"noise")
    recording = read(sender.data)
    told = [d for d in recording.damage if d.code == "corrupt"]
    assert len(told) == 9
    assert "455 bytes" in told[-1].what  # 91 of 99 breaks, 5 bytes each; the last one is the file's end
    assert recording.get("bank").time.size == 100


def test_lost_frames_by_sequence_numbers(sender):
    sender.heartbeat()
    for k in range(400):
        sender.attitude(0.1 * k)
    del sender.parts[100:110], sender.parts[300:301]
    (damage,) = read(sender.data).damage
    assert (damage.code, damage.lost) == ("dropout", 11)


def test_unknown_messages_are_listed_not_dropped(sender):
    sender.heartbeat()
    for k in range(5):
        sender.attitude(0.1 * k)
        sender.send(53_123, "Q", 7, t=0.1 * k, seed=1)
    recording = read(sender.data)
    assert field(recording, "message 53123").samples == 5
    assert "not known" in field(recording, "message 53123").note
    assert recording.damage == ()


def test_vehicle_is_chosen_and_others_are_listed(sender):
    sender.heartbeat(kind=6, autopilot=8, system=255, component=190, sequence=0)
    sender.heartbeat(kind=2)
    for k in range(50):
        sender.attitude(0.1 * k, sequence=k + 2)
        sender.attitude(0.1 * k, roll=0.5, system=7, sequence=k)
        sender.attitude(0.1 * k, roll=0.9, component=100, sequence=k)
    recording = read(sender.data)
    assert [s.source for s in recording.channels["bank"]] == ["ATTITUDE.roll", "ATTITUDE:100.roll"]
    assert recording.get("bank").values[0] == pytest.approx(0.1)
    assert any("system 1, component 1, quadrotor, ArduPilot" in note for note in recording.notes)
    assert any("255/190 (ground station)" in note and "7/1 (50 frames)" in note for note in recording.notes)
    assert field(recording, "system 7: ATTITUDE").samples == 50
    assert "choice 2 for bank" in field(recording, "ATTITUDE:100.roll").note


def test_without_heartbeat_the_busiest_system_is_read(sender):
    for k in range(10):
        sender.attitude(0.1 * k, system=3)
    recording = read(sender.data)
    assert recording.get("bank").time.size == 10
    assert any("no heartbeat names an autopilot: system 3" in note for note in recording.notes)


def test_two_autopilots_the_busier_is_read_and_the_other_named(sender):
    sender.heartbeat(system=1)
    sender.heartbeat(system=2, sequence=0)
    for k in range(10):
        sender.attitude(0.1 * k, system=2, sequence=k + 1)
    recording = read(sender.data)
    assert any("system 2" in n and "not read: 1/1" in n for n in recording.notes)


# Time ------------------------------------------------------------------------------------------------------


def test_boot_time_is_free_of_latency_and_the_rest_follows_the_usual_delay(sender):
    rng = np.random.default_rng(5)
    sender.heartbeat()
    for k in range(2000):
        sender.delay = 0.3 + 0.02 * rng.standard_normal()
        sender.attitude(0.1 * k)
        sender.send(226, "2f", 6000.0 + k, 0.0, t=0.1 * k)
    recording = read(sender.data)
    steps = np.diff(recording.get("bank").time)
    np.testing.assert_allclose(steps, 0.1, atol=1e-9)
    start = recording.get("bank").time[0]
    late = -start + recording.get("rpm").time - 0.1 * (recording.get("rpm").values - 6000.0)
    assert abs(np.median(late)) < 0.01
    assert np.std(late) < 0.03
    assert any("placed by their receive stamps" in n and "RPM" in n for n in recording.notes)


def test_clock_of_the_listening_device_may_drift_and_step(sender):
    sender.heartbeat()
    for k in range(4000):
        sender.delay = 1e-4 * 0.1 * k + (7.0 if k >= 2000 else 0.0)  # 100 ppm, and set anew half way
        sender.attitude(0.1 * k)
        sender.send(226, "2f", 6000.0 + k, 0.0, t=0.1 * k)
    recording = read(sender.data)
    assert codes(recording) == []
    start = recording.get("bank").time[0]
    np.testing.assert_allclose(recording.get("bank").time - start, 0.1 * np.arange(4000), atol=1e-9)
    late = -start + recording.get("rpm").time - 0.1 * (recording.get("rpm").values - 6000.0)
    assert np.quantile(np.abs(late), 0.95) < 0.005


def test_restart_of_the_vehicle(sender):
    sender.heartbeat()
    for k in range(300):
        sender.attitude(0.1 * k)
    sender.boot = -50.0 + 2.0  # at t = 50 s it has run for 2 s
    for k in range(300):
        sender.attitude(50.0 + 0.1 * k)
    recording = read(sender.data)
    expected = np.concatenate([0.1 * np.arange(300), 50.0 + 0.1 * np.arange(300)])
    np.testing.assert_allclose(recording.get("bank").time, expected, atol=2e-3)
    assert recording.damage == ()
    assert any("restarted 1 time" in note for note in recording.notes)


def test_stray_boot_time_costs_one_sample(sender):
    sender.heartbeat()
    for k in range(200):
        sender.send(30, "I6f", 9_000_000 if k == 77 else sender.ms(0.1 * k), *[0.1] * 6, t=0.1 * k)
    recording = read(sender.data)
    assert recording.get("bank").time.size == 199
    assert ("bad_time", 1) in [(d.code, d.lost) for d in recording.damage]


def test_stray_stamp_does_not_matter_where_there_is_boot_time(sender):
    sender.heartbeat()
    for k in range(200):
        sender.delay = 5e5 if k == 77 else 0.0
        sender.attitude(0.1 * k)
    recording = read(sender.data)
    assert recording.damage == ()
    assert recording.get("bank").time.size == 200


def test_log_without_any_boot_time_uses_the_stamps(sender):
    sender.heartbeat()
    for k in range(50):
        sender.send(226, "2f", 6000.0, 0.0, t=0.1 * k)
    recording = read(sender.data)
    np.testing.assert_allclose(recording.get("rpm").time, 0.1 * np.arange(50), atol=1e-5)
    assert any("all times are receive stamps" in note for note in recording.notes)
    assert recording.start_utc == pytest.approx(UTC, abs=1e-3)


def test_time_since_1970_is_brought_to_the_boot_clock(sender):
    sender.heartbeat()
    for k in range(100):
        sender.attitude(0.1 * k)
        unix = round((UTC + 0.1 * k) * 1e6)
        sender.send(105, "Q13fH", unix, *[1.0] * 13, 0xFFFF, t=0.1 * k)
    recording = read(sender.data)
    assert recording.channels["yaw_rate"][0].source == "HIGHRES_IMU.zgyro"
    np.testing.assert_allclose(recording.get("yaw_rate").time, 0.1 * np.arange(100), atol=1e-4)


def test_repeated_measurements_are_left_out_and_counted(sender):
    sender.heartbeat()
    for k in range(100):
        sender.attitude(0.1 * k)
        micros = 1000 * sender.ms(0.2 * (k // 2))
        sender.send(
            24, "QiiiHHHHBB", micros, 47 * 10**7, 8 * 10**7, 6 * 10**5, 80, 80, 1100, 9000, 3, 9, t=0.1 * k
        )
    recording = read(sender.data)
    assert recording.get("latitude").time.size == 50
    assert any("50 messages repeat the time" in note for note in recording.notes)
    assert recording.damage == ()


@pytest.mark.parametrize(
    ("off", "words"), [(0.1, "agree with it"), (-3600.0, "3600.0 s behind"), (90.0, "90.0 s ahead of")]
)
def test_utc_of_the_vehicle_is_believed_and_the_device_checked(sender, off, words):
    sender.utc = UTC + off
    sender.heartbeat()
    for k in range(100):
        sender.attitude(0.1 * k)
        sender.system_time(0.1 * k, UTC)
    recording = read(sender.data)
    assert recording.start_utc == pytest.approx(UTC, abs=2e-3)
    assert any(words in note for note in recording.notes)


def test_device_without_a_date(sender):
    sender.utc = 3.0
    sender.heartbeat()
    for k in range(20):
        sender.attitude(0.1 * k)
        sender.system_time(0.1 * k, 0.0)  # no date either: the vehicle had no fix
    recording = read(sender.data)
    assert recording.start_utc is None
    assert any("no UTC" in note for note in recording.notes)


# Channels --------------------------------------------------------------------------------------------------


def test_units_and_signs(sender):
    sender.heartbeat()
    for k in range(10):
        t = 0.1 * k
        sender.send(26, "I9h", sender.ms(t), 100, -200, -1000, 10, -20, 300, 0, 0, 0, t=t)
        sender.send(33, "I4i3hH", sender.ms(t), 470000000, 80000000, 600500, 9000, 300, -400, -150, 9000, t=t)
        sender.send(
            24, "QiiiHHHHBB", 1000 * sender.ms(t), 470000000, 80000000, 600500, 80, 80, 1000, 3000, 3, 9, t=t
        )
        sender.send(295, "ffhBB", 12.5, 0.9, 1550, 0, 2, t=t)
        sender.hud(t, 12.4, 9.0)
    recording = read(sender.data)
    expected = {
        "specific_force_x": 0.1 * 9.80665, "specific_force_y": -0.2 * 9.80665, "specific_force_z": -9.80665,
        "roll_rate": 0.01, "pitch_rate": -0.02, "yaw_rate": 0.3,
        "latitude": np.radians(47.0), "longitude": np.radians(8.0), "height": 600.5,
        "velocity_north": 10 * np.cos(np.radians(30)), "velocity_east": 5.0, "climb": 1.5,
        "ground_speed": 10.0, "track": np.radians(30), "heading": np.radians(90),
        "indicated_airspeed": 12.5, "temperature": 273.15 + 15.5, "throttle": 0.55,
    }  # fmt: skip
    for channel, value in expected.items():
        assert recording.get(channel).values[3] == pytest.approx(value, rel=1e-6), channel
    assert recording.channels["velocity_north"][1].values[3] == pytest.approx(3.0)
    assert recording.channels["velocity_east"][1].values[3] == pytest.approx(-4.0)
    assert [s.source for s in recording.channels["indicated_airspeed"]] == [
        "AIRSPEED.airspeed",
        "VFR_HUD.airspeed",
    ]
    assert "true_airspeed" not in recording.channels


@pytest.mark.parametrize("sign", [1, -1])
def test_vertical_speed_with_the_wrong_sign_is_turned(sender, sign):
    sender.heartbeat()
    for k in range(200):
        climb = np.sin(0.05 * k)
        height = (
            6e5 + 2e4 * (1 - np.cos(0.05 * k)) * 0.1
        )  # mm; its rate is 1 m/s at 0.1 s steps and 0.5 rad/s
        sender.send(
            33, "I4i3hH", sender.ms(0.1 * k), 470000000, 80000000, round(height), 0, 0, 0,
            round(-100 * sign * climb), 9000, t=0.1 * k,
        )  # fmt: skip
    recording = read(sender.data)
    np.testing.assert_allclose(recording.get("climb").values, np.sin(0.05 * np.arange(200)), atol=0.006)
    assert any("positive up" in note for note in recording.notes) is (sign < 0)


def test_quaternion_gives_bank_pitch_heading(sender):
    bank, pitch, heading = 0.3, -0.2, 1.1
    b, p, h = bank / 2, pitch / 2, heading / 2
    q = (
        np.cos(b) * np.cos(p) * np.cos(h) + np.sin(b) * np.sin(p) * np.sin(h),
        np.sin(b) * np.cos(p) * np.cos(h) - np.cos(b) * np.sin(p) * np.sin(h),
        np.cos(b) * np.sin(p) * np.cos(h) + np.sin(b) * np.cos(p) * np.sin(h),
        np.cos(b) * np.cos(p) * np.sin(h) - np.sin(b) * np.sin(p) * np.cos(h),
    )
    sender.heartbeat()
    for k in range(5):
        sender.send(31, "I7f", sender.ms(0.1 * k), *q, 0.0, 0.0, 0.0, t=0.1 * k)
    recording = read(sender.data)
    for channel, value in (("bank", bank), ("pitch", pitch), ("heading", heading)):
        assert recording.get(channel).values == pytest.approx(np.full(5, value), abs=1e-6)


def test_airspeed_of_a_copter_that_follows_ground_speed_feeds_nothing(sender):
    sender.heartbeat(kind=2)
    for k in range(100):
        sender.attitude(0.1 * k)
        sender.hud(0.1 * k, 5 + np.sin(k), 5.02 + np.sin(k))
    recording = read(sender.data)
    assert not {"true_airspeed", "indicated_airspeed"} & recording.channels.keys()
    assert "only follows ground speed" in field(recording, "VFR_HUD.airspeed").note
    assert any("only follows ground speed" in note for note in recording.notes)
    assert recording.get("ground_speed") is not None


def test_airspeed_of_a_copter_apart_from_ground_speed_is_doubted(sender):
    sender.heartbeat(kind=2)
    for k in range(100):
        sender.attitude(0.1 * k)
        sender.hud(0.1 * k, 9.0, 5.0)
    recording = read(sender.data)
    assert "of a copter" in field(recording, "VFR_HUD.airspeed").note
    assert recording.channels.keys() & {"true_airspeed", "indicated_airspeed"} == {"indicated_airspeed"}


def test_raw_readings_are_used_only_at_the_size_of_gravity(sender):
    for z, fed in ((-1000, True), (-4096, False)):
        log = Sender(sender.frame)
        log.heartbeat()
        for k in range(20):
            log.attitude(0.1 * k)
            log.send(27, "Q9h", 1000 * log.ms(0.1 * k), 0, 0, z, 0, 0, 100, 0, 0, 0, t=0.1 * k)
        recording = read(log.data)
        assert ("specific_force_z" in recording.channels) is fed
        assert field(recording, "RAW_IMU.zacc").unit == ("mG" if fed else "")


def test_engine_speeds_in_order_and_unused_slots(sender):
    sender.heartbeat()
    for k in range(20):
        t = 0.1 * k
        sender.attitude(t)
        sender.send(11030, "20H4B", *[0] * 12, 5500, 0, 0, 0, *[0] * 8, t=t)
        sender.send(291, "Q4i8fB", 1000 * sender.ms(t), -7000, 0, 0, 0, *[0.0] * 8, 4, t=t)
        sender.send(226, "2f", 6000.0, -1.0, t=t)
        sender.send(225, "16fB", 0.0, 5900.0, 0.0, 0.0, 0.0, 40.0, *[0.0] * 10, 1, t=t)
    recording = read(sender.data)
    assert [(s.source, s.values[0]) for s in recording.channels["rpm"]] == [
        ("EFI_STATUS.rpm", 5900.0),
        ("RPM.rpm1", 6000.0),
        ("ESC_STATUS[4].rpm[0]", 7000.0),
        ("ESC_TELEMETRY_1_TO_4.rpm[0]", 5500.0),
    ]
    assert field(recording, "RPM.rpm2").note.startswith("not in use")
    assert field(recording, "ESC_STATUS[4].rpm[1]").note.startswith("not in use")
    assert recording.get("throttle").values[0] == pytest.approx(0.4)
    assert any("reverse rotation" in note for note in recording.notes)
    assert any("4 engine or motor speeds" in note for note in recording.notes)


def test_hostile_numbers_of_sensors_and_messages_stay_bounded(sender):
    sender.heartbeat()
    for k in range(600):
        sender.send(291, "Q4i8fB", 1000 * sender.ms(0.01 * k), 100, 0, 0, 0, *[0.0] * 8, k % 200, t=0.01 * k)
        sender.send(70_000 + k, "H", 7, t=0.01 * k, seed=1)
        sender.send(70_000 + k, "H", 7, t=0.01 * k, seed=1, system=9)
    recording = read(sender.data)
    assert len(recording.channels["rpm"]) == 8
    assert any("tells of 200 sensors: the 8 heard most often" in note for note in recording.notes)
    assert len(recording.fields) < 1000
    further = [f for f in recording.fields if "further kinds of message" in f.name]
    assert len(further) == 2
    listed = sum(f.samples for f in recording.fields if "message 7" in f.name) + sum(
        f.samples for f in further
    )
    assert listed == 1200


def test_positions_without_a_fix_are_missing(sender):
    sender.heartbeat()
    for k in range(10):
        fix = 3 if k >= 5 else 0
        sender.attitude(0.1 * k)
        sender.send(
            24, "QiiiHHHHBB", 1000 * sender.ms(0.1 * k), 47 * 10**7, 8 * 10**7, 6 * 10**5, 0, 0, 65535, 65535,
            fix, 9, t=0.1 * k,
        )  # fmt: skip
    recording = read(sender.data)
    assert np.isnan(recording.get("latitude").values).tolist() == [True] * 5 + [False] * 5
    assert "ground_speed" not in recording.channels
    assert "bad_value" in codes(recording)


# Refusals --------------------------------------------------------------------------------------------------


def test_column_map_is_refused(sender):
    sender.heartbeat()
    data = sender.data
    with pytest.raises(LogError, match="column map"):
        tlog.read("x", {"rpm": {"column": "a", "unit": "rpm"}}, content=Content("x", data, ""))


def test_no_frame_at_all():
    with pytest.raises(UnreadableLogError, match="no whole frame"):
        read(bytes(500))


def test_sniff_needs_checksums_that_fit(sender):
    sender.heartbeat()
    good = sender.data
    assert tlog.sniff(good)
    assert not tlog.sniff(good[:-1])
    assert not tlog.sniff(good[:-1] + bytes([good[-1] ^ 1]))
    rng = np.random.default_rng(1)
    assert not tlog.sniff(rng.integers(0, 256, 65_536, dtype=np.uint8).tobytes())
    assert not tlog.sniff((bytes(8) + b"\xfe") * 7000)


@settings(max_examples=60, deadline=None)
@given(
    data=st.data(),
    edits=st.lists(st.tuples(st.floats(0, 1), st.binary(max_size=40), st.integers(0, 400)), max_size=6),
)
def test_mutations_never_escape_and_never_pass_for_good(samples, data, edits):
    whole = samples[tlog.NAME]
    good = read(whole)
    damaged = bytearray(whole)
    for place, put, cut in edits:
        at = int(place * (len(damaged) - 1))
        damaged[at : at + cut] = put
    try:
        recording = read(bytes(damaged))
    except FlightprocError as error:
        assert str(error)
        return
    if len(damaged) < len(whole) - 100 * len(edits) - 1 and recording.channels:
        assert recording.damage
    truth = dict(zip(good.get("rpm").values.tolist(), good.get("rpm").time.tolist(), strict=True))
    if recording.get("rpm") is not None:
        assert {v for v in recording.get("rpm").values.tolist() if np.isfinite(v)} <= truth.keys()
