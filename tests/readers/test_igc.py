"""IGC files written for the purpose: widths, midnight, strays, headers, damage."""

from __future__ import annotations

import numpy as np
import pytest

from flightproc.errors import LogError, UnreadableLogError
from flightproc.readers import read_log
from flightproc.readers.fixes import continuous_seconds, strays
from flightproc.readers.igc import sniff
from flightproc.readers.igc_decode import decode_igc

pytestmark = pytest.mark.synthetic

START = 10 * 3600


def stamp(second):
    return f"{second // 3600 % 24:02d}{second // 60 % 60:02d}{second % 60:02d}"


def fix(second, k=0, *, valid="A", pressure="00587", gnss="00620", more="", place=None):
    """A fix; ``k`` moves it north by 0.006 minutes (11.1 m) a step."""
    return f"B{stamp(second)}{place or f'47{12_000 + 6 * k:05d}N00830000E'}{valid}{pressure}{gnss}{more}"


def fixes(count=40, start=START, **words):
    return [fix(start + k, k, **words) for k in range(count)]


@pytest.fixture
def read(tmp_path):
    def read(lines, *, head=("AXXX001", "HFDTE010524"), end="\r\n", encoding="ascii"):
        path = tmp_path / "flight.igc"
        path.write_bytes((end.join([*head, *lines]) + end).encode(encoding))
        return read_log(path)

    return read


def told(recording, code):
    return [damage for damage in recording.damage if damage.code == code]


def test_plain_file(read):
    recording = read(fixes())
    assert recording.damage == ()
    assert recording.start_utc == 1_714_557_600.0  # 2024-05-01 10:00:00 UTC
    assert recording.get("latitude").values[1] == pytest.approx(np.radians(47 + 12.006 / 60), rel=1e-14)
    assert recording.get("longitude").values[0] == pytest.approx(np.radians(8.5), rel=1e-14)
    assert recording.get("height").values.tolist() == [620.0] * 40
    north = recording.get("velocity_north")
    assert north.derived
    # 0.006 minutes a second with the meridional radius at 47.2 deg, 6,369,700 m, plus 620 m
    assert north.values[5] == pytest.approx(np.radians(1e-4) * 6_370_320, rel=1e-3)
    assert recording.get("climb").values.tolist() == [0.0] * 40


@pytest.mark.parametrize(
    ("line", "utc"),
    [
        ("HFDTE010203", 1_044_057_600),
        ("HFDTEDATE:010203,01", 1_044_057_600),
        ("HFDTEDATE: 010203", 1_044_057_600),
        ("HODTE010203", 1_044_057_600),
        ("HFDTE160701", 994_111_200 + 1_130_400),
        ("HFDTE310298", None),
        ("HFDTE000000", None),
        ("HFFXA035", None),
    ],
)
def test_date_styles(read, line, utc):
    recording = read(fixes(), head=("AXXX001", line))
    if utc is None:
        assert recording.start_utc is None
        assert any("no usable date" in note for note in recording.notes)
    else:
        assert recording.start_utc == utc + START
    assert recording.span == (0.0, 39.0)


def test_header_values_do_not_leak(read):
    head = ("AXXXSERIAL9 Someone", "HFDTE010524", "HFPLTPILOTINCHARGE:Jane Doe", "HFGIDGLIDERID:D-1234",
            "HFCM2CREW2:John Roe", "HFCIDCOMPETITIONID:JD7", "HFSITSITE:Doetown")  # fmt: skip
    recording = read([*fixes(), "LXXXcomment of Jane Doe", "HFPLT?:Jane Doe"], head=head)
    text = repr(recording)
    for secret in ("Doe", "Jane", "D-1234", "Roe", "JD7", "SERIAL9", "Someone"):
        assert secret not in text
    listed = {field.name: field for field in recording.fields}
    assert {"H.PLT", "H.GID", "H.CM2", "H.CID", "H.SIT", "H.DTE", "A", "L.XXX"} <= set(listed)
    assert "names a person" in listed["H.PLT"].note


def test_speed_and_track_of_three_and_of_five_digits(read):
    three = read(fixes(more="040036090"), head=("AXXX001", "I033638TAS3941GSP4244TRT"))
    five = read(fixes(more="0401203612090"), head=("AXXX001", "I033640TAS4145GSP4648TRT"))
    for recording, tas, gsp in ((three, 40.0, 36.0), (five, 40.12, 36.12)):
        assert recording.get("true_airspeed").values[3] == pytest.approx(tas / 3.6, rel=1e-12)
        assert recording.get("ground_speed").values[3] == pytest.approx(gsp / 3.6, rel=1e-12)
        assert recording.get("track").values[3] == pytest.approx(np.pi / 2)
        assert not recording.get("velocity_east").derived
        assert recording.get("velocity_east").values[3] == pytest.approx(gsp / 3.6)
        assert recording.channels["velocity_east"][1].derived
    units = {field.name: field.unit for field in five.fields}
    assert (units["B.TAS"], units["B.TRT"]) == ("0.01 km/h", "deg")


def test_two_widths_in_one_file(read):
    lines = [
        "I013638TAS",
        *fixes(20, more="041"),
        "I013640TAS",
        *[fix(START + k, k, more="04250") for k in range(20, 40)],
    ]
    recording = read(lines)
    tas = recording.get("true_airspeed").values * 3.6
    np.testing.assert_allclose(tas, [41.0] * 20 + [42.5] * 20, rtol=1e-12)
    assert {f.name: f.unit for f in recording.fields}["B.TAS"] == "km/h or 0.01 km/h"


def test_declared_but_zero_is_absent(read):
    lines = fixes(pressure="00000", gnss="00000", more="000000000042")
    recording = read(lines, head=("AXXX001", "I043638TAS3941GSP4244TRT4547ENL"))
    for channel in ("true_airspeed", "ground_speed", "track", "pressure", "height", "climb"):
        assert channel not in recording.channels
    notes = " ".join(recording.notes)
    assert "TAS is declared but 0 throughout" in notes
    assert "pressure altitude is 0 throughout" in notes
    assert "satellite altitude is 0 throughout" in notes
    noise = next(field for field in recording.fields if field.name == "B.ENL")
    assert noise.feeds == "" and "not an rpm" in noise.note


def test_ground_speed_in_another_unit_is_not_used(read):
    # 11.1 m/s are 40 km/h; 21.6 kt are told as 022, as if the recorder wrote knots
    recording = read(fixes(more="022000"), head=("AXXX001", "I023638GSP3941TRT"))
    assert "ground_speed" not in recording.channels
    assert recording.get("velocity_north").derived
    assert any("GSP" in note and "not used" in note for note in recording.notes)


def test_temperature_and_negative_numbers(read):
    lines = [fix(START + k, k, pressure="-0012", more=oat) for k, oat in enumerate(["-055", "0140"] * 20)]
    recording = read(lines, head=("AXXX001", "I013639OAT"))
    assert recording.get("temperature").values[:2] == pytest.approx([273.15 - 5.5, 273.15 + 14.0])
    assert recording.get("pressure").values[0] == pytest.approx(101_325.0 + 144.2, abs=0.1)


def test_midnight(read):
    recording = read(fixes(40, 86_390))
    np.testing.assert_array_equal(recording.get("latitude").time, np.arange(40.0))
    assert recording.start_utc == 1_714_521_600 + 86_390
    assert recording.damage == ()


def test_midnight_with_a_second_date(read):
    lines = [*fixes(10, 86_390), "HFDTE020524", *[fix(86_400 + k, 10 + k) for k in range(10)]]
    recording = read(lines)
    np.testing.assert_array_equal(recording.get("latitude").time, np.arange(20.0))
    assert any("2 dates" in note for note in recording.notes)


def test_bad_first_fix_hours_away(read):
    recording = read([fix(86_399), *fixes(100)])
    assert recording.start_utc == 1_714_521_600 + START
    assert recording.get("latitude").time.size == 100
    (damage,) = told(recording, "bad_time")
    assert damage.lost == 1 and "hours away" in damage.what


def test_clock_set_back_by_seconds_is_no_midnight(read):
    recording = read([*fixes(20), *fixes(40, START + 15)])
    assert recording.span == (0.0, 54.0)
    (damage,) = told(recording, "bad_time")
    assert damage.lost == 5


def test_repeated_times(read):
    lines = [line for line in fixes(20) for _ in range(3)]
    recording = read(lines)
    assert recording.get("height").time.size == 20
    assert told(recording, "bad_time")[0].lost == 40


def test_validity_v_has_no_height_and_no_stale_position(read):
    lines = fixes(30)
    lines[10] = fix(START + 10, 10, valid="V", gnss="00999")  # 2D: moves
    lines[20] = fix(START + 20, 19, valid="V", gnss="00999")  # none: repeats
    lines[25] = fix(START + 25, valid="V", place="0000000N00000000E")
    recording = read(lines)
    height, latitude = recording.get("height").values, recording.get("latitude").values
    assert np.flatnonzero(np.isnan(height)).tolist() == [10, 20, 25]
    assert np.flatnonzero(np.isnan(latitude)).tolist() == [20, 25]
    assert np.isfinite(recording.get("pressure").values).all()
    assert any(d.where == "B.validity" and d.lost == 3 for d in recording.damage)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("HFALGALTGPS:GEO", "above the geoid"),
        ("HFALGALTGPS:WGS84 ELLIPSOID", "says that satellite altitude is above the WGS 84 ellipsoid"),
        ("HFALGALTGPS:ELL", "says that satellite altitude is above the WGS 84 ellipsoid"),
        ("HFFXA010", "does not say what satellite altitude is above"),
    ],
)
def test_what_altitude_is_above_is_told(read, line, words):
    assert any(words in note for note in read(fixes(), head=("AXXX001", line)).notes)


@pytest.mark.parametrize("word", ["MSL", "NIL", "NKM"])
def test_pressure_only_from_the_standard_datum(read, word):
    recording = read(fixes(), head=("AXXX001", f"HFALPALTPRESSURE:{word}"))
    assert "pressure" not in recording.channels
    assert any("HFALP" in note for note in recording.notes)


def test_security_record_is_not_checked_and_said_so(read):
    assert any("not checked" in note for note in read([*fixes(), "G00112233"]).notes)
    assert any("no security record" in note for note in read(fixes()).notes)


def test_further_decimals(read):
    lines = [fix(START + k // 4, more=f"5{k % 4 * 25:02d}", place="4712000N00830000W") for k in range(40)]
    recording = read(lines, head=("AXXX001", "I023636LAD3738TDS"))
    latitude = recording.get("latitude")
    assert latitude.values[0] == pytest.approx(np.radians(47 + 12.0005 / 60), rel=1e-14)
    np.testing.assert_allclose(latitude.time, np.arange(40) / 4, atol=1e-9)


def test_k_records(read):
    lines = []
    for k, line in enumerate(fixes(40, 86_380)):
        lines.append(line)
        if k % 10 == 0:
            lines.append(f"K{stamp(86_380 + k)}090012")
    recording = read(lines, head=("AXXX001", "HFDTE010524", "J020810HDT1113WVE"))
    heading = recording.get("heading")
    assert heading.source == "K.HDT"
    np.testing.assert_array_equal(heading.time, [0, 10, 20, 30])
    assert heading.values[0] == pytest.approx(np.pi / 2)
    assert {"K.HDT", "K.WVE", "K.time"} <= {field.name for field in recording.fields}


def test_corrupt_lines_are_told_by_number_and_never_quoted(read):
    lines = fixes(30)
    lines[5] = lines[5][:20]
    lines[6] = lines[6].replace("N", "X")
    lines[7] = "B9999994712000N00830000EA0058700620"
    lines[8] = "\x00\x00 no record of Jane"
    recording = read(lines)
    assert recording.get("latitude").time.size == 26
    first, second = told(recording, "corrupt")
    assert (first.where, first.lost) == ("lines 8, 9, 10", 3)
    assert (second.where, second.lost) == ("line 11", 1)
    assert "Jane" not in repr(recording)


def test_damaged_extension_record(read):
    recording = read(fixes(more="123"), head=("AXXX001", "I033638ENL9910FXA"))
    assert any(d.where == "line 2" and "declares 3 fields; 1 make sense" in d.what for d in recording.damage)
    assert "B.ENL" in {field.name for field in recording.fields}


def test_cut_last_fix(read):
    recording = read([*fixes(20), fix(START + 20, 20)[:31]], end="\n")
    assert told(recording, "corrupt")  # with a line end, it is a bad line
    data = "\n".join(["AXXX001", *fixes(20), fix(START + 20, 20)[:31]]).encode()
    assert decode_igc(data).losses == [("cut", "line 22", "the file ends within this B record: left out", 1)]


def test_number_that_is_none_is_missing(read):
    lines = fixes(20, more="007")
    lines[3] = lines[3][:-3] + "0x7"
    lines[4] = lines[4][:-3]
    recording = read(lines, head=("AXXX001", "I013638HDT"))
    heading = recording.get("heading").values
    assert np.flatnonzero(np.isnan(heading)).tolist() == [3, 4]
    assert any("1 value is no number (first: line 6)" in d.what for d in recording.damage)


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-8-sig"])
def test_encodings(tmp_path, encoding):
    path = tmp_path / "flight.txt"
    text = "\r\n".join(["AXXX001", "HFDTE010524", "HFSITSITE:Bäch", *fixes(), ""])
    data = text.encode(encoding)
    path.write_bytes(b"\xff\xfe" + data if encoding == "utf-16-le" else data)
    recording = read_log(path)
    assert recording.format == "IGC"
    assert recording.get("latitude").time.size == 40


def test_line_ends_of_old_computers_and_missing_first_lines(tmp_path):
    path = tmp_path / "flight"
    path.write_bytes("\r".join(fixes()).encode())
    assert read_log(path).get("latitude").time.size == 40


def test_header_alone_is_one_clear_error(tmp_path):
    path = tmp_path / "flight.igc"
    path.write_bytes(b"AXXX001\r\nHFDTE010524\r\nI013638ENL\r\n")
    with pytest.raises(UnreadableLogError, match="no usable fix"):
        read_log(path)
    path.write_bytes(b"AXXX001\r\nHFDTE010524\r\n" + fix(1).encode())
    with pytest.raises(LogError, match="column map"):
        read_log(path, {"rpm": {"column": "ENL", "unit": "rpm"}})


def test_sniff_leaves_others_alone():
    for text in (b"", b"A", b"Altitude,B\n1,2\n", b"$GPGGA,1,2\n", b"B1,2,3\nB4,5,6\n", b"AXXX\nhello\n"):
        assert not sniff(text)


@pytest.mark.parametrize(
    ("times", "expected"),
    [
        ([86_399, 0, 1], [86_399, 86_400, 86_401]),
        ([10, 86_399, 11], [10, -1, 11]),  # a stray stamp costs itself only
        ([100, 90, 110], [100, 90, 110]),
    ],
)
def test_continuous_seconds(times, expected):
    assert continuous_seconds(np.array(times, dtype=float)).tolist() == expected


def test_strays_are_few_and_far_or_none():
    time = np.concatenate([[0.0, 1.0], 30_000.0 + np.arange(100.0), [60_000.0]])
    assert np.flatnonzero(strays(time)).tolist() == [0, 1, 102]
    assert not strays(np.array([0.0, 1.0, 2.0, 12_000.0, 12_001.0])).any()
    assert not strays(np.empty(0)).any()


def test_long_file_in_many_pieces(tmp_path, monkeypatch):
    """What is read does not depend on how the lines are cut into matrices."""
    from flightproc.readers import igc_decode

    data = "\n".join(["AXXX001", "I013638ENL", *fixes(500, more="123")]).encode()
    whole = decode_igc(data)
    monkeypatch.setattr(igc_decode, "_CHUNK", 7)
    monkeypatch.setattr(igc_decode, "_BLOCK", 100)
    parts = decode_igc(data)
    np.testing.assert_array_equal(whole.latitude, parts.latitude)
    np.testing.assert_array_equal(whole.fixes.fields["ENL"], parts.fixes.fields["ENL"])
    assert whole.fixes.line.size == 500


def test_more_codes_and_dates_than_a_recorder_writes_cost_no_memory():
    codes = [f"{a}{b}{c}" for a in "ABC" for b in "DEF" for c in "GHIJKLMNOP"]
    data = "\n".join(["AXXX001", *[f"I013638{code}" for code in codes], *fixes(20, more="001")]).encode()
    assert len(decode_igc(data).fixes.fields) <= 60


def test_dates_without_end_are_told(read):
    lines = []
    for k, line in enumerate(fixes(300)):
        lines += [f"HFDTE{k % 28 + 1:02d}{k // 28 + 1:02d}24", line]
    recording = read(lines)
    assert any(d.where == "H records" and "only the first" in d.what for d in recording.damage)
    assert recording.span == (0.0, 299.0)
