"""Real IGC files, every field of every fix against aerofiles, and what the folder's table says of them."""

from __future__ import annotations

import numpy as np
import pytest
from aerofiles.igc import Reader as OracleReader
from ambiance import Atmosphere

from flightproc.readers import read_log
from flightproc.readers.igc import isa_pressure
from flightproc.readers.igc_decode import decode_igc

pytestmark = pytest.mark.reference

FILES = {  # file: fixes in it, fixes kept, span [s], day of the first
    "igc/aerofiles_example.igc": (10, 8, 21_608 - 0, "2001-07-16"),
    "igc/goigc_0000.igc": (1434, 1434, 1433, "2023-10-07"),
    "igc/goigc_0001.igc": (723, 723, 730, "2023-10-08"),
    "igc/goigc_0005.igc": (770, 770, 3846, "2023-10-08"),
    "igc/goigc_0018.igc": (269, 269, 268, "2023-10-02"),
    "igc/goigc_0026.igc": (876, 875, 875, "2023-10-08"),
    "igc/igclib_new_date_format.igc": (107, 107, 106, "2018-04-03"),
    "igc/igclib_olsztyn.igc": (2469, 2469, 17_759, "2011-09-02"),
    "igc/igcparser_20180427.igc": (1831, 1831, 8890, "2018-04-27"),
    "igc/igcparser_20241007TZN.igc": (199, 199, 198, "2024-10-07"),
    "bad/aerofiles_bad-line.igc": (9, 9, 11_689, "2022-08-05"),
    "bad/igclib_no_time_increment.igc": (200, 150, 435, "2003-02-01"),
    "bad/igc_truncated_mid_B_record.igc": (4164, 4164, 4163, "2023-10-09"),
}


def oracle_of(path):
    with path.open(encoding="utf-8", errors="replace") as file:
        return OracleReader().read(file)


def test_pressure_against_ambiance():
    geopotential = np.array([-500.0, 0.0, 1000.0, 5000.0, 10_999.0, 11_500.0])
    radius = 6_356_766.0
    geometric = radius * geopotential / (radius - geopotential)
    # ambiance takes the pressure at the foot of each layer from a table of six digits
    np.testing.assert_allclose(isa_pressure(geopotential), Atmosphere(geometric).pressure, rtol=3e-6)


@pytest.mark.needs_data
def test_every_file_has_its_line(data_folder):
    found = {f"{p.parent.name}/{p.name}" for sub in ("igc", "bad") for p in (data_folder / sub).glob("*.igc")}
    assert found == set(FILES)


@pytest.mark.needs_data
@pytest.mark.parametrize("file", FILES)
def test_fixes_span_and_date(file, data_folder):
    total, kept, span, day = FILES[file]
    recording = read_log(data_folder / file)
    assert recording.format == "IGC"
    latitude = recording.get("latitude")
    listed = {field.name: field for field in recording.fields}
    assert (listed["B.latitude"].samples, latitude.time.size) == (total, kept)
    assert recording.span == (0.0, span)
    assert str(np.datetime64(int(recording.start_utc), "s"))[:10] == day
    lost = sum(d.lost for d in recording.damage if d.code == "bad_time")
    assert lost == total - kept


@pytest.mark.needs_data
@pytest.mark.parametrize("file", FILES)
def test_every_field_equals_aerofiles(file, data_folder):
    records = decode_igc((data_folder / file).read_bytes())
    oracle = oracle_of(data_folder / file)
    theirs = oracle["fix_records"][1]
    if "truncated" in file:
        theirs.pop()  # aerofiles takes what is left of the cut altitude for the whole
    assert records.fixes.line.size == len(theirs)
    codes = {item["extension_type"] for item in oracle["fix_record_extensions"][1]}
    assert set(records.fixes.fields) == codes
    clock = [fix["time"] for fix in theirs]
    seconds = [3600 * t.hour + 60 * t.minute + t.second for t in clock]
    np.testing.assert_array_equal(records.fixes.time_of_day, seconds)
    np.testing.assert_array_equal(records.valid, [fix["validity"] == "A" for fix in theirs])
    np.testing.assert_array_equal(records.pressure_altitude, [fix["pressure_alt"] for fix in theirs])
    np.testing.assert_array_equal(records.gnss_altitude, [fix["gps_alt"] for fix in theirs])
    for values, name, code in (
        (records.latitude, "lat", "LAD"),
        (records.longitude, "lon", "LOD"),
    ):
        expected = np.array([fix[name] for fix in theirs])
        if code in codes:  # aerofiles leaves the further decimals aside
            more = records.fixes.fields[code] / (60_000 * 10.0 ** records.fixes.width[code])
            expected += np.where(expected < 0, -more, more)
        np.testing.assert_allclose(values, expected, rtol=0, atol=1e-12)
    for code in codes:
        expected = [fix.get(code, np.nan) for fix in theirs]
        np.testing.assert_array_equal(records.fixes.fields[code], expected, err_msg=code)


@pytest.mark.needs_data
@pytest.mark.parametrize("file", FILES)
def test_counts_dates_and_header_codes_equal_the_text(file, data_folder):
    lines = (data_folder / file).read_text(encoding="utf-8").splitlines()
    records = decode_igc((data_folder / file).read_bytes())
    for letter in "ABCDEFGHIJKL":
        assert records.counts[letter] == sum(line.startswith(letter) for line in lines)
    assert sum(records.header.codes.values()) == records.counts["H"]
    date = oracle_of(data_folder / file)["header"][1]["utc_date"]
    assert [day for _, day in records.dates] == [
        (np.datetime64(date) - np.datetime64("1970-01-01")).astype(int)
    ]


@pytest.mark.needs_data
def test_k_records_equal_the_bytes_that_j_names(data_folder):
    """Bytes 8 to 10 and 11 to 15 of each line, the first being 1 (aerofiles cuts them one too late)."""
    path = data_folder / "igc/igclib_olsztyn.igc"
    lines = [line for line in path.read_text().splitlines() if line.startswith("K")]
    extra = decode_igc(path.read_bytes()).extra
    np.testing.assert_array_equal(extra.fields["WDI"], [int(line[7:10]) for line in lines])
    np.testing.assert_array_equal(extra.fields["WVE"], [int(line[10:15]) for line in lines])


@pytest.mark.needs_data
def test_logged_speed_and_track_agree_with_positions(data_folder):
    recording = read_log(data_folder / "igc/igclib_olsztyn.igc")
    turn = np.abs(np.diff(np.unwrap(recording.get("track").values)))
    straight = np.zeros(turn.size + 1, dtype=bool)  # centred differences cut the corners of turns
    straight[1:-1] = np.maximum(turn[1:], turn[:-1]) < np.radians(4.0)
    for channel in ("velocity_north", "velocity_east"):
        logged, derived = recording.channels[channel]
        assert (logged.source, derived.derived) == ("B.GSP and B.TRT", True)
        fast = np.isfinite(derived.values) & (np.abs(logged.values) > 10.0) & straight
        assert np.median(logged.values[fast] / derived.values[fast]) == pytest.approx(1.0, abs=0.02)
        assert np.median(np.abs(logged.values - derived.values)[fast]) < 0.5


@pytest.mark.needs_data
def test_oddities_of_real_files(data_folder):
    read = {name: read_log(data_folder / "igc" / f"{name}.igc") for name in (
        "goigc_0005", "goigc_0018", "goigc_0026", "goigc_0001", "aerofiles_example")}  # fmt: skip
    assert "true_airspeed" not in read["goigc_0005"].channels
    assert any("TAS is declared but 0" in note for note in read["goigc_0005"].notes)
    assert "pressure" not in read["goigc_0018"].channels
    assert any("0 throughout" in note for note in read["goigc_0018"].notes)
    first_fixes = read["goigc_0026"].get("latitude").values[:30]
    assert np.count_nonzero(np.isnan(first_fixes)) == 8  # V at 0 N 0 E
    assert read["goigc_0001"].get("ground_speed").values.max() == pytest.approx(62 / 3.6, rel=0.2)
    assert "track" not in read["goigc_0001"].channels  # its CCO is magnetic
    assert read["aerofiles_example"].span[1] < 86_400  # the stray stamp is no midnight


@pytest.mark.needs_data
def test_bad_files_tell_their_damage(data_folder):
    def damage(name):
        return [(d.code, d.where, d.lost) for d in read_log(data_folder / "bad" / name).damage]

    assert damage("aerofiles_bad-line.igc") == [("bad_value", "B.ACZ", 1)]
    assert damage("igc_truncated_mid_B_record.igc") == [("cut", "line 4196", 1)]
    assert damage("igclib_no_time_increment.igc") == [("bad_time", "B records", 50)]


@pytest.mark.needs_data
def test_personal_fields_of_real_files_do_not_leak(data_folder):
    for file in FILES:
        text = repr(read_log(data_folder / file))
        assert "WITHHELD" not in text
        assert "LXNAV" not in text and "OZONE" not in text.upper()
