"""NMEA streams, every field of every sentence against pynmea2, and what the folder's table says of them."""

from __future__ import annotations

import re
from datetime import date

import numpy as np
import pynmea2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flightproc.readers import read_log
from flightproc.readers.nmea_decode import KINDS, decode_stream

pytestmark = pytest.mark.reference

FILES = {  # file: sentences with a right checksum, epochs with a position, first and last time of day, date
    "nmea/ardusub_nmea_log.txt": (274, 129, "22:56:44.62", "22:57:00.62", "2023-09-01"),
    "nmea/gpsd_bu353s4.log": (90, 25, "03:07:19", "03:07:43", "2014-12-31"),
    "nmea/gpsd_neo-m8n.log": (293, 23, "17:19:25", "17:19:48", "2015-03-18"),
    "nmea/navsat_nmea.log": (240, 120, "09:25:42", "09:26:41.5", "2020-04-20"),
    "nmea/pynmeagps_pygpsdata-mixed.log": (15, 2, "10:41:13", "10:41:14", None),
    "nmea/pynmeagps_trimble_nmea.log": (21, 0, None, None, None),
    "bad/gpsd_nmea-fuzzy-cases.log": (28, 14, "13:28:20.6", "13:39:00.9", "2020-03-18"),
    "bad/pynmeagps_pygpsdata-nmeabadck.log": (1, 1, "10:36:07", "10:36:07", "2021-03-06"),
}
ORACLE = {  # our name of a field: its name in pynmea2, where the two differ
    ("RMC", "speed"): "spd_over_grnd",
    ("RMC", "course"): "true_course",
    ("RMC", "magnetic_variation"): "mag_variation",
    ("RMC", "variation_side"): "mag_var_dir",
    ("RMC", "mode"): "mode_indicator",
    ("GGA", "quality"): "gps_qual",
    ("GGA", "satellites"): "num_sats",
    ("GGA", "hdop"): "horizontal_dil",
    ("GGA", "height"): "altitude",
    ("GGA", "height_unit"): "altitude_units",
    ("GGA", "geoid_separation"): "geo_sep",
    ("GGA", "correction_age"): "age_gps_data",
    ("GGA", "station"): "ref_station_id",
    ("GLL", "mode"): "faa_mode",
    ("VTG", "course"): "true_track",
    ("VTG", "magnetic_course"): "mag_track",
    ("VTG", "speed"): "spd_over_grnd_kts",
    ("VTG", "speed_kmh"): "spd_over_grnd_kmph",
    ("VTG", "mode"): "faa_mode",
    ("GSA", "selection"): "mode",
    ("GSA", "fix"): "mode_fix_type",
    ("HDT", "reference"): "hdg_true",
    ("ZDA", "time"): "timestamp",
    **{(kind, "time"): "timestamp" for kind in ("RMC", "GGA", "GLL")},
    ("RMC", "date"): "datestamp",
}


def oracle_sentences(data):
    """Every sentence that pynmea2 accepts, by kind."""
    out = {}
    for match in re.finditer(rb"\$[A-Z]{5,},[ -#%-~]*\*[0-9A-F]{2}", data):
        try:
            message = pynmea2.parse(match[0].decode(), check=True)
        except pynmea2.ParseError:
            continue
        if isinstance(message, pynmea2.TalkerSentence):
            out.setdefault(message.sentence_type, []).append(message)
    return out


def expected(message, kind, name, field_type):
    if field_type in ("latitude", "longitude"):
        return getattr(message, name) if message.lat else np.nan
    value = getattr(message, ORACLE.get((kind, name), name))
    if value in ("", None):
        return 0 if field_type == "char" else np.nan
    if field_type == "time":
        return 3600 * value.hour + 60 * value.minute + value.second + value.microsecond / 1e6
    if field_type == "date":
        return (value - date(1970, 1, 1)).days
    return ord(value[0]) if field_type == "char" else float(value)


def compare(stream, oracle):
    for kind, sentences in stream.kinds.items():
        messages = oracle[kind]
        assert sentences.order.size == len(messages), kind
        for _, name, field_type in KINDS[kind]:
            theirs = [expected(message, kind, name, field_type) for message in messages]
            tolerance = 1e-12 if field_type in ("latitude", "longitude") else 1e-6 * (field_type == "time")
            np.testing.assert_allclose(
                sentences.columns[name], theirs, rtol=0, atol=tolerance, err_msg=f"{kind}.{name}"
            )


BODIES = (
    "GPZDA,201530.00,04,07,2002,00,00",
    "INZDA,000000.5,31,12,2099,,",
    "IIVTG,360.0,T,348.7,M,000.0,N,000.0,K",
    "GNVTG,,T,,M,0.117,N,0.216,K,A",
    "GPGLL,4916.45,N,12311.12,W,225444,A",
    "GAGLL,0000.00001,S,00000.00001,E,000000.001,V,N",
    "HEHDT,359.99,T",
    "GPRMC,081836,A,3751.65,S,14507.36,E,000.0,360.0,130998,011.3,E",
    "GNRMC,235959.999,V,,,,,,,010100,,,N",
    "GPGGA,134658.00,5106.9792,N,11402.3003,W,2,09,1.0,-1048.47,M,-16.27,M,08,0060",
    "GPGGA,,,,,,0,00,99.99,,,,,,",
    "GPGSA,M,1,,,,,,,,,,,,,99.99,99.99,99.99",
)


def test_sentences_written_for_the_purpose_equal_pynmea2():
    data = "".join(f"${body}*{pynmea2.NMEASentence.checksum(body):02X}\r\n" for body in BODIES).encode()
    stream = decode_stream(data)
    assert sum(s.order.size for s in stream.kinds.values()) == len(BODIES)
    assert not any(count for s in stream.kinds.values() for count in s.bad.values())
    compare(stream, oracle_sentences(data))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.decimals(-9999, 9999, places=4), st.sampled_from(["", "+", "00"])),
        min_size=1,
        max_size=20,
    )
)
def test_any_decimal_number_is_read_as_python_reads_it(numbers):
    texts = [f"{sign if value >= 0 else ''}{value:f}" for value, sign in numbers]
    lines = [f"HEHDT,{text},T" for text in texts]
    data = "".join(f"${body}*{pynmea2.NMEASentence.checksum(body):02X}\n" for body in lines).encode()
    read = decode_stream(data).kinds["HDT"].columns["heading"]
    np.testing.assert_array_equal(read, [float(text) for text in texts])


@pytest.mark.needs_data
def test_every_file_has_its_line(data_folder):
    found = {f"nmea/{path.name}" for path in (data_folder / "nmea").iterdir()}
    found |= {f"bad/{path.name}" for path in (data_folder / "bad").glob("*nmea*")}
    assert found == set(FILES)


@pytest.mark.needs_data
@pytest.mark.parametrize("file", FILES)
def test_every_field_equals_pynmea2(file, data_folder):
    data = (data_folder / file).read_bytes()
    stream = decode_stream(data)
    oracle = oracle_sentences(data)
    compare(stream, oracle)
    for kind, messages in oracle.items():
        if kind not in stream.kinds:
            assert stream.others[kind] == len(messages)


@pytest.mark.needs_data
@pytest.mark.parametrize("file", FILES)
def test_counts_and_times_are_those_of_the_table(file, data_folder):
    count, positions, first, last, day = FILES[file]
    stream = decode_stream((data_folder / file).read_bytes())
    assert sum(s.order.size for s in stream.kinds.values()) + sum(stream.others.values()) == count
    recording = read_log(data_folder / file)
    assert recording.format == "NMEA"
    if not positions:
        assert recording.channels == {}
        assert [d.code for d in recording.damage] == ["no_time"]
        return
    assert recording.get("latitude").time.size == positions
    if day is None:
        assert recording.start_utc is None
        return
    begin, end = (np.datetime64(f"{day}T{t}", "us").astype(np.int64) / 1e6 for t in (first, last))
    assert recording.start_utc == pytest.approx(begin, abs=1e-6)
    assert recording.start_utc + recording.span[1] == pytest.approx(end, abs=1e-6)


@pytest.mark.needs_data
def test_bad_checksums_are_told(data_folder):
    recording = read_log(data_folder / "bad/pynmeagps_pygpsdata-nmeabadck.log")
    (damage,) = recording.damage
    assert (damage.code, damage.where, damage.lost) == ("corrupt", "lines 1, 3", 2)


@pytest.mark.needs_data
def test_binary_and_text_in_between_are_told(data_folder):
    mixed = read_log(data_folder / "nmea/pynmeagps_pygpsdata-mixed.log")
    assert any("binary (UBX) messages" in note for note in mixed.notes)
    assert any("no sentence names a date" in note for note in mixed.notes)
    ardusub = read_log(data_folder / "nmea/ardusub_nmea_log.txt")
    assert any("lines of other text" in note for note in ardusub.notes)
    assert any("heading is always empty" in note for note in ardusub.notes)


@pytest.mark.needs_data
@pytest.mark.parametrize("file", [f for f, (_, n, *_) in FILES.items() if n > 10])
def test_sentences_of_one_epoch_agree(file, data_folder):
    """RMC and GGA of one receiver are two logs of one trip: same stamps, same places."""
    latitudes = read_log(data_folder / file).channels["latitude"]
    by_source = {series.source: series for series in latitudes}
    rmc, gga = by_source["RMC.latitude"], by_source["GGA.latitude"]
    common, at_rmc, at_gga = np.intersect1d(rmc.time, gga.time, return_indices=True)
    assert common.size == gga.time.size
    np.testing.assert_array_equal(rmc.values[at_rmc], gga.values[at_gga])


@pytest.mark.needs_data
def test_speed_of_the_receiver_agrees_with_its_positions(data_folder):
    recording = read_log(data_folder / "nmea/gpsd_bu353s4.log")
    logged, derived = recording.channels["velocity_north"][:2]
    # at rest, a knot at most: both are noise of a few tenths of a metre per second
    assert derived.derived and np.nanmax(np.abs(logged.values - derived.values)) < 0.6


@pytest.mark.needs_data
def test_two_logs_named_alike_are_of_different_trips(data_folder):
    """The NMEA stream and the telemetry log of one repository do not overlap in time or place."""
    stream = read_log(data_folder / "nmea/ardusub_nmea_log.txt")
    telemetry = read_log(data_folder / "tlog/ardusub_small.tlog")
    assert stream.start_utc - telemetry.start_utc > 100 * 86_400
    apart = np.nanmin(stream.get("latitude").values) - np.nanmin(telemetry.get("latitude").values)
    assert abs(np.degrees(apart)) > 0.5
