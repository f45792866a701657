"""CSV: layouts, encodings, column maps, guesses, times, damage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from flightproc.errors import LogError, UnreadableLogError
from flightproc.readers import delimited as reader
from flightproc.readers.content import Content
from flightproc.readers.units import allowed_units, convert, find_unit

pytestmark = pytest.mark.synthetic


def read(text, columns=None):
    data = text if isinstance(text, bytes) else text.encode()
    assert reader.sniff(data)
    return reader.read("a.csv", columns, content=Content("a.csv", data, "0" * 64))


def rows(count=10, separator=",", decimal="."):
    lines = []
    for i in range(count):
        cells = [f"{0.1 * i:.1f}", f"{5000 + i}", f"{20 + 0.5 * i:.2f}"]
        lines.append(separator.join(cell.replace(".", decimal) for cell in cells))
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize(
    ("separator", "decimal"),
    [(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), ("|", "."), (" ", ".")],
)
def test_delimiters_and_decimal_marks(separator, decimal):
    header = separator.join(["time_s", "rpm", "oat_degC"]) + "\n"
    recording = read(header + rows(separator=separator, decimal=decimal))
    assert recording.damage == ()
    np.testing.assert_allclose(recording.get("rpm").time, 0.1 * np.arange(10), atol=1e-9)
    assert recording.get("rpm").values.tolist() == [5000.0 + i for i in range(10)]
    np.testing.assert_allclose(recording.get("temperature").values, 293.15 + 0.5 * np.arange(10))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1"])
def test_encodings(encoding):
    recording = read(("time [s],rpm,oat [°C]\n" + rows()).encode(encoding))
    assert recording.get("temperature").values[0] == pytest.approx(293.15)
    assert [d.code for d in recording.damage] == (["encoding"] if encoding == "latin-1" else [])


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_ends_of_line(newline):
    recording = read(("t,rpm,oat [C]\n" + rows()).replace("\n", newline))
    assert recording.get("rpm").time.size == 10


def test_comments_preamble_units_row_index_and_trailing_delimiter():
    text = "# logger 7\nSerial: 12\n;t;rpm;oat;\n;s;1/min;C;\n"
    text += "".join(f"{i};0,{i};{5000 + i};20,5;\n" for i in range(8))
    recording = read(text)
    assert recording.get("rpm").values[-1] == 5007.0
    assert recording.get("temperature").values[0] == pytest.approx(293.65)
    fields = {field.name: field for field in recording.fields}
    assert fields["(unnamed 1)"].note == "counts the rows"
    assert "(unnamed 5)" not in fields
    assert fields["oat"].unit == "C"


def test_header_in_a_comment_and_no_header():
    assert read("# t,rpm\n0,5000\n1,5001\n2,5002\n").get("rpm").values[2] == 5002.0
    bare = read(
        "0,5000\n1,5001\n2,5002\n",
        {"time": {"column": "1", "unit": "s"}, "rpm": {"column": "2", "unit": "rpm"}},
    )
    assert bare.get("rpm").values[2] == 5002.0
    guessed = read("0,5000\n1,5001\n2,5002\n")
    assert guessed.channels == {}
    assert [d.code for d in guessed.damage] == ["no_time"]


def test_last_line_cut_is_left_out_and_told():
    recording = read("t,rpm,oat [C]\n" + rows()[:-12])
    assert [(d.code, d.lost) for d in recording.damage] == [("cut", 1)]
    assert recording.get("rpm").time.size == 9


def test_text_among_numbers_short_and_long_lines():
    text = "t,rpm,oat [C]\n0,5000,20\n1,ERR,20\n2,5002\n3,5003,20,7\n4,,20\n5,5005,20\n"
    recording = read(text)
    series = recording.get("rpm")
    assert series.time.tolist() == [0, 1, 2, 4, 5]
    assert np.isnan(series.values).tolist() == [False, True, False, True, False]
    told = {(d.code, d.where): d.lost for d in recording.damage}
    assert told["bad_value", "line 4"] == 1
    assert told["corrupt", "line 5"] == 1
    assert any('"ERR"' in d.what for d in recording.damage)


def test_values_of_a_broken_sensor():
    text = "t,rpm\n" + "".join(f"{i},{v}\n" for i, v in enumerate([5000, -1, "1e35", "nan", "inf", 5005]))
    recording = read(text)
    assert np.isfinite(recording.get("rpm").values).tolist() == [True, False, False, False, False, True]
    assert sum(d.lost for d in recording.damage if "outside" in d.what) == 3


def test_lone_quotation_mark_costs_nothing_but_itself():
    recording = read('t,rpm\n0,5000\n1,"5001\n2,5002\n')
    assert recording.get("rpm").values.tolist() == [5000.0, 5001.0, 5002.0]
    assert [d.code for d in recording.damage] == ["corrupt"]


def test_quoted_header_and_cells():
    recording = read(
        '"time [s]","Engine, rpm [rpm]",note\n' + "".join(f'{i},"{5000 + i}","a, b"\n' for i in range(5))
    )
    assert [field.name for field in recording.fields] == ["time [s]", "Engine, rpm [rpm]", "note"]
    mapped = read('"t","n"\n"0","5000"\n"1","5001"\n', {"time": Entry("t", "s"), "rpm": Entry("n", "rpm")})
    assert mapped.get("rpm").values.tolist() == [5000.0, 5001.0]


# Column maps ----------------------------------------------------------------------------------------------


@dataclass
class Entry:
    column: str
    unit: str
    sign: int = 1
    offset: float = 0.0


def test_map_with_unit_sign_and_offset():
    text = "clock,n,roll,vz\n" + "".join(f"{1000 * i},{80 + i},{i},{0.5 * i}\n" for i in range(5))
    columns = {
        "time": Entry("clock", "ms"),
        "rpm": {"column": "n", "unit": "Hz"},
        "bank": Entry("roll", "deg", sign=-1, offset=2.0),
        "climb": Entry("VZ", "ft/min", sign=-1),
    }
    recording = read(text, columns)
    assert recording.get("rpm").values.tolist() == [60.0 * (80 + i) for i in range(5)]
    np.testing.assert_allclose(np.degrees(recording.get("bank").values), 2.0 - np.arange(5))
    np.testing.assert_allclose(recording.get("climb").values, -0.5 * np.arange(5) * 0.3048 / 60)
    assert recording.get("rpm").time.tolist() == [0.0, 1.0, 2.0, 3.0, 4.0]
    assert recording.notes == ()


def test_map_feeds_only_what_it_names():
    recording = read("t,rpm,oat [C]\n" + rows(), {"temperature": Entry("oat [C]", "C")})
    assert list(recording.channels) == ["temperature"]
    assert any(note.startswith("guessed") and '"t"' in note for note in recording.notes)


def test_every_absent_column_is_named_with_those_that_exist():
    with pytest.raises(LogError) as caught:
        read(
            "t,rpm\n0,1\n1,2\n",
            {"rpm": Entry("RPMs", "rpm"), "bank": Entry("roll", "deg"), "time": Entry("t", "s")},
        )
    for part in ("'RPMs' (for rpm)", "'roll' (for bank)", "allowed: t, rpm"):
        assert part in str(caught.value)


@pytest.mark.parametrize(
    ("channel", "unit"), [("rpm", "furlong"), ("bank", "m/s"), ("time", "deg"), ("rpm", "s")]
)
def test_unit_that_does_not_fit_names_those_that_do(channel, unit):
    with pytest.raises(LogError) as caught:
        read("t,rpm\n0,1\n1,2\n", {channel: Entry("rpm", unit)})
    assert allowed_units(channel) in str(caught.value)


def test_channel_that_does_not_exist():
    with pytest.raises(LogError, match="wobble"):
        read("t,rpm\n0,1\n1,2\n", {"wobble": Entry("rpm", "rpm")})


# Guesses --------------------------------------------------------------------------------------------------


def test_unclear_units_feed_nothing_and_say_what_to_state():
    text = "t,airspeed,phi,gyrox,temp\n" + "".join(
        f"{0.02 * i:.2f},{9 + 0.1 * i},0.1,0.2,20\n" for i in range(20)
    )
    recording = read(text)
    assert recording.channels == {}
    notes = {field.name: field.note for field in recording.fields}
    assert notes["phi"] == "may be bank: state its unit in the sheet (rad or deg)"
    assert notes["gyrox"].startswith("may be roll_rate")
    assert notes["temp"] == ""  # of the engine, the air or the board: not even a guess
    assert 'bank = { column = "phi", unit = "?" }' in reader.suggested_map(recording)


@pytest.mark.parametrize(
    ("name", "value", "channel", "si"),
    [
        ("Engine speed (rev/min)", 6000, "rpm", 6000),
        ("roll_rate_deg_s", 90, "roll_rate", np.pi / 2),
        ("GyroZ [°/s]", 180, "yaw_rate", np.pi),
        ("heading", 270, "heading", 1.5 * np.pi),
        ("lat", 47.5, "latitude", np.radians(47.5)),
        ("lon", 80_000_000, "longitude", np.radians(8.0)),
        ("pressure", 954.3, "pressure", 95_430.0),
        ("Vdown (m/s)", 2.0, "climb", -2.0),
        ("throttle", 55, "throttle", 0.55),
        ("TAS [kt]", 20, "true_airspeed", 20 * 1852 / 3600),
        ("altitude_ft", 1000, "height", 304.8),
        ("trueAirspeed_km_h", 36, "true_airspeed", 10.0),
    ],
)
def test_clear_names_and_units_are_guessed_and_shown(name, value, channel, si):
    recording = read(f"time_s,{name}\n" + "".join(f"{i},{value}\n" for i in range(5)))
    assert recording.get(channel).values[0] == pytest.approx(si)
    assert any(name in note and "please confirm" in note for note in recording.notes)


def test_specific_force_in_g_is_known_by_gravity():
    text = "t,ax,ay,az\n" + "".join(f"{0.1 * i:.1f},0.0{i},0.1,-1.0\n" for i in range(9))
    assert read(text).get("specific_force_z").values[0] == pytest.approx(-9.80665)
    upward = text.replace("-1.0", "1.0")  # z up: not the program's axes, so not fed
    assert read(upward).channels == {}


# Time -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("header", "stamps", "expected", "utc"),
    [
        ("t", ["0", "0.5", "1.0"], [0, 0.5, 1.0], None),
        ("t", ["680.0", "680.5", "681.0"], [680.0, 680.5, 681.0], None),
        ("time [ms]", ["0", "500", "1000"], [0, 0.5, 1.0], None),
        ("timestamp", ["13550000", "13560000", "13570000"], [13.55, 13.56, 13.57], None),
        ("timestamp", ["1700000000.25", "1700000001.25"], [0.0, 1.0], 1_700_000_000.25),
        ("timestamp", ["1700000000250", "1700000001250"], [0.0, 1.0], 1_700_000_000.25),
        ("timestamp", ["1700000000250000001", "1700000001250000001"], [0.0, 1.0], 1_700_000_000.25),
        ("time", ["2023-11-14T22:13:20Z", "2023-11-14T22:13:20.5Z"], [0.0, 0.5], 1_700_000_000.0),
        ("time", ["2023-11-15T00:13:20+02:00", "2023-11-15T00:13:21+02:00"], [0.0, 1.0], 1_700_000_000.0),
        ("time", ["2023-11-14 22:13:20", "2023-11-14 22:13:21"], [0.0, 1.0], None),
        ("utc time", ["2023-11-14 22:13:20", "2023-11-14 22:13:21"], [0.0, 1.0], 1_700_000_000.0),
        ("time", ["23:59:59.5", "00:00:00.5"], [86_399.5, 86_400.5], None),
    ],
)
def test_times(header, stamps, expected, utc):
    recording = read(f"{header},rpm\n" + "".join(f"{stamp},5000\n" for stamp in stamps))
    np.testing.assert_allclose(recording.get("rpm").time, expected, atol=1e-6)
    assert recording.start_utc == (None if utc is None else pytest.approx(utc, abs=1e-6))


def test_dates_stated_as_utc_in_the_sheet():
    columns = {"time": Entry("when", "utc"), "rpm": Entry("rpm", "rpm")}
    recording = read("when,rpm\n2023-11-14 22:13:20,1\n2023-11-14 22:13:21,2\n", columns)
    assert recording.start_utc == 1_700_000_000.0


def test_times_that_jump_or_are_absent_cost_their_rows():
    recording = read("t,rpm\n0,5001\n1,5002\n1,5003\n,5004\n900,5005\n2,5006\n3,5007\n4,5008\n")
    assert recording.get("rpm").time.tolist() == [0, 1, 2, 3, 4]
    assert sorted((d.code, d.lost) for d in recording.damage) == [("bad_time", 1), ("bad_time", 2)]


def test_text_that_is_guessed_to_be_time_but_cannot_be_read():
    recording = read("time,rpm\nsoon,5001\nlater,5002\nlast,5003\n")
    assert recording.channels == {}
    assert [(d.code, d.where) for d in recording.damage] == [("no_time", "time")]


def test_column_that_is_to_be_time_and_is_not():
    with pytest.raises(UnreadableLogError, match="to be time"):
        read("when,rpm\nsoon,1\nlater,2\nlast,3\n", {"time": Entry("when", "s")})


@pytest.mark.parametrize("text", ["t,rpm\n", "t,rpm\n# nothing\n"])
def test_header_without_rows(text):
    with pytest.raises(UnreadableLogError):
        read(text)


# Units ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("unit", "channel", "value", "si"),
    [
        ("deg", "bank", 180.0, np.pi),
        ("deg/s", "yaw_rate", 90.0, np.pi / 2),
        ("km/h", "ground_speed", 36.0, 10.0),
        ("kt", "ground_speed", 1.0, 1852 / 3600),
        ("mph", "ground_speed", 1.0, 0.44704),
        ("ft/min", "climb", 1.0, 0.00508),
        ("ft", "height", 1.0, 0.3048),
        ("hPa", "pressure", 1013.25, 101_325.0),
        ("kPa", "pressure", 101.325, 101_325.0),
        ("C", "temperature", 15.0, 288.15),
        ("F", "temperature", 59.0, 288.15),
        ("g", "specific_force_z", -1.0, -9.80665),
        ("Hz", "rpm", 100.0, 6000.0),
        ("%", "throttle", 50.0, 0.5),
    ],
)
def test_units_by_their_definitions(unit, channel, value, si):
    """Exact by definition: the mile is 1609.344 m, the nautical mile 1852 m, the foot 0.3048 m."""
    got = convert(np.array([value]), unit, channel, "a.csv")[0]
    assert got == pytest.approx(si, rel=1e-12)
    assert find_unit(unit) == unit


@pytest.mark.parametrize("block", [200, 1_000, 4_096])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "latin-1"])
def test_blocks_leave_no_seam(monkeypatch, block, ending, encoding):
    """A table taken apart in small blocks is the table taken apart at once, with the same losses."""
    from flightproc.readers import table as module

    lines = ["# logger 3", "time [s],rpm,Temp é,note,big", "s,rpm,C,,"]
    for i in range(300):
        word = "word" if i % 7 else ""
        lines.append(f"{i / 10},{5000 + i},{20 + i % 3},{word},{10**18 + i}")
    lines[40] = "3.7,5037"
    lines[90] += ",more"
    lines[150] = '14.7,"5147,20,x,1'
    lines[200] = lines[200].replace("5197", "fast")
    data = (ending.join(lines) + ending + "30.0,53").encode(encoding)
    whole = module.parse_table(data, "a.csv")
    monkeypatch.setattr(module, "_BLOCK", block)
    parts = module.parse_table(data, "a.csv")
    assert parts.losses == whole.losses
    assert parts.notes == whole.notes
    assert {code for code, *_ in whole.losses} >= {"cut", "corrupt", "bad_value"}
    for one, two in zip(whole.columns, parts.columns, strict=True):
        assert (one.name, one.unit, one.count, one.bad_cells) == (
            two.name,
            two.unit,
            two.count,
            two.bad_cells,
        )
        np.testing.assert_array_equal(one.values, two.values)
        assert (one.texts is None) == (two.texts is None)
        if one.texts is not None:
            assert one.texts.tolist() == two.texts.tolist()


def test_infinite_numbers_in_a_row_are_missing_without_a_word_from_numpy():
    rows = "".join(f"{i / 10},{'inf' if 20 < i < 25 else 5000},0\n" for i in range(100))
    recording = read(f"time [s],rpm,other\n{rows}".replace("inf,0", "1e999,inf"))
    assert np.flatnonzero(np.isnan(recording.get("rpm").values)).tolist() == [21, 22, 23, 24]
