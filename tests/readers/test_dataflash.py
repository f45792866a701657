"""DataFlash, binary: what is read from logs whose content is known, and what damage costs."""

from __future__ import annotations

import hashlib
import struct
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flightproc.errors import UnreadableLogError
from flightproc.readers import dataflash as reader
from flightproc.readers.content import Content
from flightproc.readers.dataflash_map import FEEDS, gps_to_utc
from flightproc.readers.dataflash_walk import walk_records

pytestmark = pytest.mark.synthetic

SECOND = 1_000_000
PAGE = Path(__file__).resolve().parents[2] / "docs" / "formats" / "dataflash.md"


def read(data):
    return reader.read("flight.bin", content=Content("flight.bin", data, hashlib.sha256(data).hexdigest()))


def codes(recording):
    return [damage.code for damage in recording.damage]


@pytest.fixture
def ticks():
    return [SECOND * 5 + 20_000 * i for i in range(400)]


@pytest.fixture
def rates(logged, ticks):
    rows = [(t, 0, 0.001 * i, 0.1, 0.2, 1.0, 2.0, -9.8) for i, t in enumerate(ticks)]
    return logged(162, "IMU", "QBffffff", "TimeUS,I,GyrX,GyrY,GyrZ,AccX,AccY,AccZ", rows)


@pytest.fixture
def turns(logged, ticks):
    return logged(
        186, "RPM", "Qff", "TimeUS,rpm1,rpm2", [(t + 7, 5000.0 + i, -1.0) for i, t in enumerate(ticks)]
    )


# Formats --------------------------------------------------------------------------------------------------


def test_every_format_character(logged, dataflash):
    values = {
        "b": -7, "B": 200, "h": -3000, "H": 60000, "i": -70000, "I": 4_000_000_000, "f": 1.5, "d": -2.25,
        "g": 0.5, "c": -123, "C": 54321, "e": -12345, "E": 123456, "L": -335_000_000, "M": 3,
        "q": -(2**40),
    }  # fmt: skip
    letters = "".join(values)
    columns = ",".join(f"x{k}" for k in range(len(letters)))
    message = logged(50, "ALL", letters, columns, [tuple(values.values())] * 3)
    texts = logged(
        51, "TXT", "nNZa", "A,B,C,D", [(b"abcd", b"word", b"a longer text", struct.pack("<32h", *range(32)))]
    )
    found = {}
    for data in (dataflash([message]), dataflash([texts])):
        found |= {m.form.name: m.columns(data, m.form.columns) for m in walk_records(data).messages}
    got = [found["ALL"][f"x{k}"].tolist() for k in range(len(letters))]
    assert got == [[value] * 3 for value in values.values()]
    row = {name: column.tolist()[0] for name, column in found["TXT"].items()}
    assert row == {"A": b"abcd", "B": b"word", "C": b"a longer text", "D": list(range(32))}


def test_scaled_characters_ignore_the_multiplier_and_plain_ones_take_it(
    logged, dataflash, unit_messages, ticks
):
    """A column "c" with multiplier 1 is still in hundredths; a column "h" with multiplier 0.1 in tenths."""
    rows = [(t, 1234, -200, 25) for t in ticks]
    attitude = logged(100, "ATT", "Qcch", "TimeUS,Roll,Pitch,Yaw", rows, "sdrh", "F00A")
    units = unit_messages(
        [attitude], {"s": "s", "d": "deg", "r": "rad", "h": "degheading"}, {"F": 1e-6, "0": 1.0, "A": 0.1}
    )
    recording = read(dataflash([*units, attitude]))
    assert recording.get("bank").values[0] == pytest.approx(np.radians(12.34))
    assert recording.get("heading").values[0] == pytest.approx(np.radians(2.5))
    # pitch is stated in rad: -2 rad lies outside the channel's limits
    assert "pitch" not in recording.channels
    assert "bad_value" in codes(recording)
    listed = {field.name: (field.unit, field.feeds) for field in recording.fields}
    assert listed["ATT.Roll"] == ("deg", "bank")
    assert listed["ATT.Yaw"] == ("0.1 degheading", "heading")
    assert listed["ATT.TimeUS"] == ("1e-6 s", "")


def test_definitions_that_come_late_serve_earlier_records(dataflash, rates, turns):
    whole = dataflash([rates, turns])
    late = whole[:89] + whole[89 * 3 :] + whole[89 : 89 * 3]
    assert read(late).channels.keys() == read(whole).channels.keys()
    assert read(late).get("roll_rate").time.size == 400
    assert read(late).damage == ()


def test_first_definition_missing(dataflash, rates, turns):
    """The log need not define FMT itself."""
    recording = read(dataflash([rates, turns])[89:])
    assert recording.get("rpm").time.size == 400
    assert recording.damage == ()


def test_records_without_a_definition_are_counted(dataflash, rates, turns):
    recording = read(dataflash([rates, turns], defined=[turns]))
    assert recording.get("rpm").time.size == 400
    assert "roll_rate" not in recording.channels
    assert [(d.code, d.lost) for d in recording.damage] == [("corrupt", 400)]
    assert "(162)" in recording.damage[0].what


def test_wrong_length_in_a_definition_is_put_right(dataflash, rates, turns):
    data = bytearray(dataflash([rates, turns]))
    assert data[89 + 4] == 36
    data[89 + 4] = 52
    recording = read(bytes(data))
    assert recording.get("roll_rate").time.size == 400
    assert codes(recording) == ["corrupt"]
    assert "says 52 bytes, its records have 36" in recording.damage[0].what


def test_id_defined_anew_half_way(logged, dataflash, rates, ticks):
    """Each record is read by the definition before it."""
    old = logged(90, "RPM", "Qf", "TimeUS,rpm1", [(t + 3, 5000.0) for t in ticks[:200]])
    new = logged(90, "RPM", "Qff", "TimeUS,spare,rpm1", [(t + 3, 1.0, 6000.0) for t in ticks[200:]])
    first = dataflash([rates, old], defined=[rates, old])
    second = dataflash([new], defined=[new])[89:]
    recording = read(first + second)
    sizes = {s.source: (s.time.size, s.values[0]) for s in recording.channels["rpm"]}
    assert sorted(sizes.values()) == [(200, 5000.0), (200, 6000.0)]
    assert any("defined 2 times over" in damage.what for damage in recording.damage)


def test_bytes_that_look_like_a_header_within_a_record(logged, dataflash, ticks):
    inside = struct.unpack("<I", b"\xa3\x95\xa2\x00")[0]
    rows = [(t, inside, 0.5, inside) for t in ticks]
    data = dataflash([logged(0xA2, "GYR", "QIfI", "TimeUS,S,GyrX,E", rows)])
    recording = read(data)
    assert recording.damage == ()
    assert recording.get("roll_rate").time.size == 400


# Damage ---------------------------------------------------------------------------------------------------


def starts(data):
    return {m.form.name: set(m.starts.tolist()) for m in walk_records(data).messages}


@pytest.fixture
def whole(dataflash, rates, turns):
    return dataflash([rates, turns])


def test_zeroed_block_costs_what_it_covers(whole):
    damaged = bytearray(whole)
    damaged[8000:8512] = bytes(512)
    recording = read(bytes(damaged))
    assert codes(recording) == ["corrupt"]
    lost = next(m.starts for m in walk_records(whole).messages if m.form.name == "IMU")
    covered = np.count_nonzero((lost + 36 > 8000) & (lost < 8512))
    assert recording.get("roll_rate").time.size == 400 - covered
    first, last = (int(word) for word in recording.damage[0].where.split() if word.isdigit())
    assert 8000 - 36 <= first <= 8000
    assert 8512 <= last <= 8512 + 36


def test_flipped_header_costs_one_record(whole):
    place = sorted(starts(whole)["RPM"])[100]
    for offset in (0, 1):
        damaged = bytearray(whole)
        damaged[place + offset] ^= 0x10
        recording = read(bytes(damaged))
        assert recording.get("rpm").time.size == 399
        assert recording.get("roll_rate").time.size == 400
        assert [(d.code, d.where) for d in recording.damage] == [
            ("corrupt", f"bytes {place} to {place + 19}")
        ]


def test_bytes_lost_within_a_record(whole):
    place = sorted(starts(whole)["IMU"])[50]
    recording = read(whole[: place + 10] + whole[place + 15 :])
    assert recording.get("roll_rate").time.size == 399
    assert recording.get("rpm").time.size == 400
    assert recording.damage[0].where == f"bytes {place} to {place + 31}"


def test_garbage_before_the_log(whole):
    recording = read(b"\xa3\x95\xff" + bytes(range(200)) + whole)
    assert recording.get("rpm").time.size == 400
    assert recording.damage[0].where == "bytes 0 to 203"


def test_file_cut_within_a_record_and_filled_up(whole):
    cut = read(whole[:-5])
    assert codes(cut) == ["cut"]
    assert cut.damage[0].where == f"byte {len(whole) - 19} of {len(whole) - 5}"
    filled = read(whole + b"\xff" * 300)
    assert codes(filled) == ["cut"]
    assert "300 bytes of filling (ff)" in filled.damage[0].what
    assert filled.get("rpm").time.size == 400


def test_no_data(whole):
    with pytest.raises(UnreadableLogError, match="beyond its definitions"):
        read(whole[: 89 * 3])
    with pytest.raises(UnreadableLogError, match="800 records have lost their definitions"):
        read(whole[89 * 3 :])
    with pytest.raises(UnreadableLogError, match="no whole record"):
        read(b"\xa3\x95")
    with pytest.raises(UnreadableLogError, match="no whole record"):
        read(b"\xa3\x95\x80" + b"\x11" * 40)


QUICK = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@QUICK
@given(data=st.data())
def test_what_survives_damage_is_what_was_written(whole, data):
    """Zeroed stretches never make a record that was not there, and cost only their neighbours."""
    at = data.draw(st.integers(89 * 3, len(whole) - 600))
    length = data.draw(st.integers(1, 600))
    damaged = bytearray(whole)
    damaged[at : at + length] = bytes(length)
    before, after = starts(whole), starts(bytes(damaged))
    for name, places in after.items():
        assert places <= before[name]
        size = {"IMU": 36, "RPM": 19, "FMT": 89}[name]
        reach = 36  # the record before the damage cannot be confirmed
        clear = {p for p in before[name] if p + size + reach <= at or p >= at + length + reach}
        assert clear <= places


@QUICK
@given(data=st.data())
def test_bytes_put_in_never_shift_a_record(whole, data):
    at = data.draw(st.integers(89 * 3, len(whole) - 1))
    extra = data.draw(st.binary(min_size=1, max_size=80))
    before, after = starts(whole), starts(whole[:at] + extra + whole[at:])
    allowed = {p for p in before["IMU"] if p <= at} | {p + len(extra) for p in before["IMU"] if p >= at - 36}
    assert len(after["IMU"] - allowed) <= len(extra) // 3  # what was put in may itself look like a record
    assert len(after["IMU"]) >= 397


@pytest.mark.parametrize(
    "hostile",
    [
        b"\xa3\x95" * 1_000_000,
        b"\xa3\x95\x80" * 700_000,
        b"\xa3\x95\x80\x05\x04AB\x00\x00Q\x00" * 200_000,
        b"".join(
            b"\xa3\x95\x80" + struct.pack("<BB4s16s64s", k % 127, 11, b"A%d" % (k % 99), b"Q", b"T%d" % k)
            for k in range(20_000)
        ),
        bytes(range(256)) * 8_000,
    ],
    ids=["marks", "ids", "definitions", "definitions-differ", "count"],
)
def test_hostile_content_costs_no_time(hostile):
    begun = time.process_time()
    with pytest.raises(UnreadableLogError):
        read(hostile)
    assert time.process_time() - begun < 5.0


# Time -----------------------------------------------------------------------------------------------------


def test_wild_stamps_cost_their_records_only(logged, dataflash, turns, ticks):
    rows = [(t, 0.1) for t in ticks]
    data = bytearray(dataflash([turns, logged(70, "GYR", "Qf", "TimeUS,GyrX", rows)]))
    for place in sorted(starts(bytes(data))["GYR"])[10:13]:
        data[place + 3 : place + 11] = struct.pack("<Q", 2**60)
    recording = read(bytes(data))
    assert recording.get("roll_rate").time.size == 397
    assert recording.span[1] < 9.0
    assert [(d.code, d.lost) for d in recording.damage] == [("bad_time", 3)]


def test_pause_of_the_log_is_no_damage(logged, dataflash):
    early = [(SECOND * 5 + 20_000 * i, 1.0) for i in range(300)]
    inside = [(SECOND * 100 + 1000 * i, 1.0) for i in range(5)]
    late = [(SECOND * 400 + 20_000 * i, 1.0) for i in range(300)]
    after = [(SECOND * 600 + 10 * i, 1.0) for i in range(4)]
    rows = early + inside + late + after
    recording = read(dataflash([logged(70, "GYR", "Qf", "TimeUS,GyrX", rows)]))
    assert recording.damage == ()
    assert recording.get("roll_rate").time.size == 609
    assert recording.span == pytest.approx((0.0, 595.00003))


def test_clock_that_jumps_back(logged, dataflash):
    rows = [(SECOND * 5 + 20_000 * (i if i < 300 else i - 50), 1.0) for i in range(400)]
    message = logged(70, "GYR", "Qf", "TimeUS,GyrX", [])
    data = dataflash([message]) + b"".join(message.pack(*row) for row in rows)
    recording = read(data)
    assert codes(recording) == ["bad_time"]
    assert recording.damage[0].lost == 50
    assert np.all(np.diff(recording.get("roll_rate").time) > 0)


def test_milliseconds_and_old_satellite_messages(logged, dataflash):
    """Old logs: TimeMS, and a GPS message whose TimeMS is the time of week while T is the clock."""
    count = 100
    attitude = logged(
        1, "ATT", "Icc", "TimeMS,Roll,Pitch", [(60_000 + 100 * i, 1000, 0) for i in range(count)]
    )
    gps = logged(
        2, "GPS", "BIHBcLLeeEefI", "Status,TimeMS,Week,NSats,HDop,Lat,Lng,RelAlt,Alt,Spd,GCrs,VZ,T",
        [(3, 1000 * i, 1700, 9, 100, 470_000_000, 80_000_000, 0, 60_000, 1100, 9000, -0.5, 60_000 + 1000 * i)
         for i in range(count)],
    )  # fmt: skip
    recording = read(dataflash([attitude, gps]))
    assert recording.damage == ()
    assert recording.get("bank").time[1] == pytest.approx(0.1)
    assert recording.get("height").values[0] == 600.0
    assert recording.get("velocity_east").values[0] == pytest.approx(11.0)
    assert recording.get("climb").values[0] == 0.5
    assert recording.get("latitude").time[1] == pytest.approx(1.0)
    assert recording.start_utc == pytest.approx(gps_to_utc(1700, 0.0))


def test_messages_without_a_clock(logged, dataflash):
    recording = read(dataflash([logged(1, "IMU", "fff", "GyrX,GyrY,GyrZ", [(0.1, 0.1, 0.1)] * 50)]))
    assert codes(recording) == ["no_time"]
    assert recording.channels == {}
    assert [field.samples for field in recording.fields if field.name == "IMU.GyrX"] == [50]


def test_one_message_without_a_clock_is_told(logged, dataflash, rates):
    """The oldest GPS messages hold the time of week alone."""
    rows = [(3, 1000 * i, 1700, 470_000_000, 80_000_000) for i in range(50)]
    gps = logged(2, "GPS", "BIHLL", "Status,TimeMS,Week,Lat,Lng", rows)
    recording = read(dataflash([gps, rates]))
    assert "latitude" not in recording.channels
    assert [(d.code, d.where, d.lost) for d in recording.damage] == [("no_time", "GPS", 50)]


@pytest.mark.parametrize(
    ("week", "leap"), [(1042, 13), (1355, 13), (1356, 14), (1513, 15), (1930, 18), (2418, 18)]
)
def test_gps_time(week, leap):
    """Weeks that begin after 2000-01-01, after 2006-01-01, 2009-01-01, 2017-01-08 and so on."""
    assert 315_964_800 + week * 604_800 + 86_400 - gps_to_utc(week, 86_400_000.0) == leap


def satellites(logged, **changes):
    base = {"Status": 3, "GMS": 0, "GWk": 2418, "Lat": 470_000_000, "Lng": 80_000_000}
    rows = []
    for i in range(60):
        row = {"TimeUS": SECOND * (5 + i), **base, "GMS": 1000 * i}
        row |= {k: (v(i) if callable(v) else v) for k, v in changes.items()}
        rows.append(tuple(row.values()))
    return logged(130, "GPS", "QBIHLL", "TimeUS,Status,GMS,GWk,Lat,Lng", rows)


def test_fixes_below_three_dimensions_are_not_used(logged, dataflash):
    recording = read(dataflash([satellites(logged, Status=lambda i: 2 if i < 10 else 4)]))
    values = recording.get("latitude").values
    assert np.isnan(values[:10]).all()
    assert np.isfinite(values[10:]).all()
    assert recording.start_utc == pytest.approx(gps_to_utc(2418, 0.0))
    assert [(d.code, d.lost) for d in recording.damage] == [("bad_value", 10)]


def test_utc_holds_against_single_wild_fixes(logged, dataflash):
    def wild(i):
        return 0 if i % 9 == 0 else 2418

    recording = read(dataflash([satellites(logged, GWk=wild)]))
    assert recording.start_utc == pytest.approx(gps_to_utc(2418, 0.0))


@pytest.mark.parametrize("changes", [{"Status": 1}, {"GWk": 370}, {"GWk": 0}])
def test_no_utc_without_a_fix_or_a_full_week(logged, dataflash, rates, changes):
    recording = read(dataflash([satellites(logged, **changes), rates]))
    assert recording.start_utc is None
    assert ("latitude" in recording.channels) == ("GWk" in changes)


def test_position_zero_is_missing(logged, dataflash):
    recording = read(
        dataflash([satellites(logged, Lat=lambda i: 0 if i < 5 else 470_000_000,
                              Lng=lambda i: 0 if i < 5 else 80_000_000)])
    )  # fmt: skip
    assert np.isnan(recording.get("longitude").values[:5]).all()


# Sources --------------------------------------------------------------------------------------------------


def test_instances_are_parted_and_ranked(logged, dataflash, ticks):
    rows = [row for t in ticks for row in ((t, 0, 0.1), (t + 1, 1, 0.2))]
    recording = read(dataflash([logged(1, "IMU", "QBf", "TimeUS,I,GyrX", rows)]))
    found = [(s.source, float(s.values[0])) for s in recording.channels["roll_rate"]]
    assert found == [("IMU.GyrX", pytest.approx(0.1)), ("IMU:1.GyrX", pytest.approx(0.2))]
    assert recording.damage == ()


def test_receiver_in_use_comes_first(logged, dataflash, ticks):
    rows = [(t + k, k, 3, 470_000_000 + k, 80_000_000, int(k == 1)) for t in ticks for k in (0, 1)]
    recording = read(dataflash([logged(1, "GPS", "QBBLLB", "TimeUS,I,Status,Lat,Lng,U", rows)]))
    assert [s.source for s in recording.channels["latitude"]] == ["GPS:1.Lat", "GPS.Lat"]


def test_wild_instance_number_is_told(logged, dataflash, ticks):
    rows = [(t, 199 if i == 50 else 0, 0.1) for i, t in enumerate(ticks)]
    recording = read(dataflash([logged(1, "IMU", "QBf", "TimeUS,I,GyrX", rows)]))
    assert recording.get("roll_rate").time.size == 399
    assert [(d.code, d.lost) for d in recording.damage] == [("bad_value", 1)]


def test_no_sensor_feeds_no_rpm(logged, dataflash, rates, ticks):
    none = logged(1, "RPM", "Qff", "TimeUS,rpm1,rpm2", [(t, -1.0, 0.0) for t in ticks])
    recording = read(dataflash([rates, none]))
    assert "rpm" not in recording.channels
    notes = {field.name: field.note for field in recording.fields}
    assert notes["RPM.rpm1"] == "no sensor (-1 throughout)"
    assert notes["RPM.rpm2"] == "no sensor (0 throughout)"


def test_single_missing_readings_of_rpm(logged, dataflash, ticks):
    rows = [(t, -1.0 if i < 30 else 5000.0) for i, t in enumerate(ticks)]
    recording = read(dataflash([logged(1, "RPM", "Qf", "TimeUS,rpm1", rows)]))
    assert np.isnan(recording.get("rpm").values[:30]).all()
    assert [(d.code, d.lost) for d in recording.damage] == [("bad_value", 30)]


def test_rpm_by_instance_with_health(logged, dataflash, ticks):
    rows = [(t, 0, 5000.0, 0.9, int(i >= 20)) for i, t in enumerate(ticks)]
    recording = read(dataflash([logged(1, "RPM", "QBffB", "TimeUS,I,RPM,Qual,H", rows)]))
    assert recording.get("rpm").source == "RPM.RPM"
    assert np.isnan(recording.get("rpm").values[:20]).all()


def test_motor_controllers(logged, dataflash, ticks):
    rows = [(t + k, k, value) for t in ticks for k, value in ((0, 300_000), (1, -310_000), (2, 0))]
    recording = read(dataflash([logged(1, "ESC", "QBe", "TimeUS,Instance,RPM", rows)]))
    found = [(s.source, float(s.values[0])) for s in recording.channels["rpm"]]
    assert found == [("ESC.RPM", 3000.0), ("ESC:1.RPM", 3100.0)]
    assert any("reverse rotation" in note for note in recording.notes)
    assert any("2 speeds of rotation" in note for note in recording.notes)


def test_unhealthy_sensors_are_missing(logged, dataflash, ticks):
    rows = [(t, 0.1, -9.8, int(i > 9), int(i > 19)) for i, t in enumerate(ticks)]
    recording = read(dataflash([logged(1, "IMU", "QffBB", "TimeUS,GyrX,AccZ,GH,AH", rows)]))
    assert np.count_nonzero(np.isnan(recording.get("roll_rate").values)) == 10
    assert np.count_nonzero(np.isnan(recording.get("specific_force_z").values)) == 20


def test_estimated_velocity_counts_only_with_aid(logged, dataflash, ticks):
    aid = [(t, 0x03 if i >= 100 else 0x81) for i, t in enumerate(ticks)]
    status = logged(1, "XKF4", "QH", "TimeUS,SS", aid)
    speed = logged(2, "XKF1", "Qff", "TimeUS,VN,VE", [(t + 5, 3.0, 4.0) for t in ticks])
    recording = read(dataflash([status, speed]))
    values = recording.get("velocity_north").values
    assert np.isnan(values[:100]).all()
    assert np.all(values[100:] == 3.0)


@pytest.mark.parametrize(
    ("columns", "value", "expected"),
    [("TimeUS,ThO,ABst", 0.6, 0.6), ("TimeUS,ThO,NavRoll", 60.0, 0.6), ("TimeUS,ThO,Spare", 0.6, None)],
)
def test_throttle_only_where_its_unit_is_plain(logged, dataflash, ticks, columns, value, expected):
    message = logged(1, "CTUN", "Qff", columns, [(t, value, 0.0) for t in ticks])
    recording = read(dataflash([message]))
    if expected is None:
        assert "throttle" not in recording.channels
    else:
        assert recording.get("throttle").values[0] == pytest.approx(expected)


def test_outputs_to_servos_feed_nothing(logged, dataflash, rates, ticks):
    servo = logged(1, "RCOU", "QHH", "TimeUS,C1,C2", [(t, 1500, 1600) for t in ticks])
    recording = read(dataflash([rates, servo]))
    assert "throttle" not in recording.channels
    assert [f.feeds for f in recording.fields if f.name.startswith("RCOU.")] == ["", "", ""]


@pytest.mark.parametrize("channel", sorted({feed.channel for feed in FEEDS}))
def test_page_lists_the_sources_in_order(channel):
    page = PAGE.read_text(encoding="utf-8")
    row = next(line for line in page.splitlines() if line.startswith(f"| `{channel}` | "))
    listed = []
    for cell in row.split("|")[2].strip().split(", "):
        first, _, last = cell.partition(" to ")
        if last:
            digit = next(i for i, (a, b) in enumerate(zip(first, last, strict=True)) if a != b)
            ends = int(first[digit]), int(last[digit])
            listed += [first[:digit] + str(k) + first[digit + 1 :] for k in range(ends[0], ends[1] + 1)]
        else:
            listed.append(first)
    names = [
        f"`{feed.message}.{'+'.join(c.name for c in feed.columns) if feed.joined else feed.columns[0].name}`"
        for feed in FEEDS
        if feed.channel == channel
    ]
    assert listed == list(dict.fromkeys(names))
