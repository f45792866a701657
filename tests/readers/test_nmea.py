"""NMEA streams written for the purpose: epochs, dates, checksums, what stands between sentences, damage."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flightproc.errors import LogError, UnreadableLogError
from flightproc.readers import read_log
from flightproc.readers.nmea import sniff
from flightproc.readers.nmea_decode import decode_stream

pytestmark = pytest.mark.synthetic

KNOT = 1852 / 3600
DAY = 86_400
DATE = 1_714_521_600  # 2024-05-01


def sentence(body, end="\r\n"):
    total = 0
    for byte in body.encode():
        total ^= byte
    return f"${body}*{total:02X}{end}"


def clock(second):
    second %= DAY
    return f"{int(second) // 3600:02d}{int(second) // 60 % 60:02d}{second % 60:05.2f}"


def place(k):
    return f"47{12 + 0.006 * k:08.5f},N,00830.00000,W"


def rmc(second, k=0, *, status="A", speed="21.6", course="90.0", date="010524", mode="A", talker="GP"):
    return sentence(f"{talker}RMC,{clock(second)},{status},{place(k)},{speed},{course},{date},1.5,E,{mode}")


def gga(second, k=0, *, quality="1", height="620.5", unit="M", talker="GP"):
    return sentence(f"{talker}GGA,{clock(second)},{place(k)},{quality},09,0.9,{height},{unit},47.0,M,,")


def gsa(fix="3"):
    return sentence(f"GPGSA,A,{fix},01,02,03,,,,,,,,,,1.8,1.1,1.5")


@pytest.fixture
def read(tmp_path):
    def read(parts, encoding="latin-1"):
        path = tmp_path / "stream"
        data = b"".join(p if isinstance(p, bytes) else p.encode(encoding) for p in parts)
        path.write_bytes(data)
        return read_log(path)

    return read


def told(recording, code):
    return [damage for damage in recording.damage if damage.code == code]


def both(count=40, start=36_000, **words):
    return [s for k in range(count) for s in (rmc(start + k, k, **words), gga(start + k, k))]


def test_plain_stream(read):
    recording = read(both())
    assert recording.format == "NMEA"
    assert recording.damage == () and recording.notes == ()
    assert recording.start_utc == DATE + 36_000
    assert recording.get("longitude").values[0] == pytest.approx(np.radians(-8.5), rel=1e-14)
    assert recording.get("latitude").values[2] == pytest.approx(np.radians(47 + 12.012 / 60), rel=1e-14)
    assert recording.get("ground_speed").values[0] == pytest.approx(21.6 * KNOT)
    assert recording.get("velocity_east").values[0] == pytest.approx(21.6 * KNOT)
    assert recording.get("velocity_north").values[0] == pytest.approx(0.0, abs=1e-12)
    assert recording.get("height").values.tolist() == [620.5] * 40


def test_one_epoch_one_stamp(read):
    parts = []
    for k in range(30):
        t = 36_000 + 0.2 * k
        parts += [
            rmc(t, k),
            sentence("GPVTG,90.0,T,,M,21.6,N,40.0,K,A"),
            gga(t, k),
            gsa(),
            sentence("HEHDT,45.0,T"),
        ]
    recording = read(parts)
    expected = np.round(0.2 * np.arange(30), 6)
    for channel in ("latitude", "ground_speed", "track", "height", "heading", "velocity_north"):
        for series in recording.channels[channel]:
            np.testing.assert_array_equal(series.time, expected, err_msg=series.source)
    assert [s.source for s in recording.channels["ground_speed"]] == ["RMC.speed", "VTG.speed"]


@pytest.mark.parametrize("talker", ["GP", "GN", "GL", "GA", "GB", "II", "IN"])
def test_all_talkers(read, talker):
    recording = read([rmc(k, k, talker=talker) + gga(k, k, talker=talker) for k in range(10)])
    assert recording.get("latitude").time.size == 10
    assert f"talker {talker}" in {field.note for field in recording.fields}


def test_midnight_with_the_date_of_rmc(read):
    parts = [
        s
        for k in range(20)
        for s in (
            gga(DAY - 10 + k, k),
            rmc(DAY - 10 + k, k, date="010524" if k < 10 else "020524"),
        )
    ]
    recording = read(parts)
    assert recording.start_utc == DATE + DAY - 10
    for channel in ("latitude", "height"):
        np.testing.assert_array_equal(recording.get(channel).time, np.arange(20.0))


def test_date_that_lags_at_midnight_is_outvoted(read):
    parts = [
        rmc(DAY - 30 + k, k, date="010524" if k < 31 else "020524") for k in range(60)
    ]  # the first second of the new day still bears the old date
    recording = read(parts)
    assert recording.start_utc == DATE + DAY - 30
    assert recording.span == (0.0, 59.0)
    assert any(d.where == "dates" and d.lost == 1 for d in recording.damage)


def test_old_date_before_the_first_fix(read):
    parts = [rmc(36_000 + k, k, status="V", date="060180", mode="N") for k in range(30)]
    recording = read([*parts, *both(30, 36_030)])
    assert recording.start_utc == DATE + 36_000
    assert np.isnan(recording.get("ground_speed").values[:30]).all()


def test_date_from_zda(read):
    parts = [sentence(f"GPZDA,{clock(100 + k)},01,05,2024,00,00") + gga(100 + k, k) for k in range(5)]
    assert read(parts).start_utc == DATE + 100


def test_stream_without_a_date(read):
    recording = read([gga(DAY - 5 + k, k) for k in range(10)])
    assert recording.start_utc is None
    np.testing.assert_array_equal(recording.get("height").time, np.arange(10.0))
    assert any("23:59:55 UTC of a day that is not known" in note for note in recording.notes)


def test_wrong_checksums_are_left_out_and_told(read):
    parts = both(10)
    parts[3] = parts[3].replace("620.5", "920.5")
    parts[6] = parts[6][:-4] + "zz\r\n"
    recording = read(parts)
    (damage,) = told(recording, "corrupt")
    assert (damage.where, damage.lost) == ("lines 4, 7", 2)
    assert recording.get("height").values.max() == 620.5
    assert recording.get("latitude").time.size in (9, 10)


def test_missing_checksums_are_accepted_where_all_lack_them(read):
    parts = [part.split("*")[0] + "\r\n" for part in both(10)]
    recording = read(parts)
    assert recording.get("height").time.size == 10
    assert any("without a checksum accepted: GGA 10, RMC 10" in note for note in recording.notes)


def test_missing_checksum_among_checked_ones_is_damage(read):
    parts = both(10)
    parts[4] = parts[4].split("*")[0] + "\r\n"
    recording = read(parts)
    assert told(recording, "corrupt")[0].where == "line 5"


@pytest.mark.parametrize("cut", [3, 8, 30, 60])
def test_cut_last_sentence(read, cut):
    parts = both(10)
    recording = read([*parts[:-1], parts[-1][:cut]])
    (damage,) = told(recording, "cut")
    assert (damage.where, damage.lost) == ("line 20", 1)
    assert recording.get("height").time.size == 9


def test_text_and_binary_between_sentences(read):
    ubx = b"\xb5\x62\x01\x07\x04\x00\x0a$\x00\x01\x20\x40"
    parts = ["# a comment\r\n", "# Notes: $GPGSV is for satellites\r\n"]
    for k in range(20):
        parts += [f"2024-05-01 12:00:{k:02d} | DEBUG | got {rmc(36_000 + k, k)}", ubx, gga(36_000 + k, k)]
    recording = read(parts)
    assert recording.damage == ()
    assert recording.get("latitude").time.size == recording.get("height").time.size == 20
    notes = " ".join(recording.notes)
    assert "20 binary (UBX) messages" in notes
    assert "2 lines of other text skipped" in notes


def test_bytes_that_are_no_text_are_damage(read):
    recording = read([*both(10), bytes(500), *both(10, 36_010)])
    assert any("500 bytes that are no text" in d.what for d in recording.damage)
    assert recording.get("height").time.size == 20


def test_fixes_that_are_none(read):
    parts = []
    for k in range(40):
        quality, mode, status = "1", "A", "A"
        if k == 5:
            quality, mode, status = "0", "N", "V"
        if k == 6:
            quality, mode = "6", "E"
        parts += [
            rmc(k, k, mode=mode, status=status),
            gga(k, k, quality=quality),
            gsa("2" if k == 9 else "3"),
        ]
    recording = read(parts)
    missing = {
        channel: np.flatnonzero(np.isnan(recording.get(channel).values)).tolist()
        for channel in ("latitude", "height", "ground_speed", "track")
    }
    assert missing == {"latitude": [5, 6], "height": [5, 6, 9], "ground_speed": [5, 6], "track": [5, 6]}
    assert any("1 fixes are 2D by GSA" in note for note in recording.notes)


def test_height_in_another_unit_is_not_used(read):
    assert "height" not in read([gga(k, k, unit="F") for k in range(5)]).channels


def test_simulator_is_told(read):
    recording = read([gga(k, k, quality="8") for k in range(5)])
    assert recording.get("height") is not None
    assert any("simulator" in note for note in recording.notes)


def test_speed_without_course_gives_no_velocity_from_it(read):
    recording = read([rmc(k, k, speed="0.1", course="") for k in range(10)])
    assert recording.get("ground_speed").values[0] == pytest.approx(0.1 * KNOT)
    assert "track" not in recording.channels
    assert all(series.derived for series in recording.channels["velocity_north"])


def test_gns_gll_and_vtg_in_kmh(read):
    parts = []
    for k in range(10):
        parts += [
            sentence(f"GNGNS,{clock(k)},{place(k)},NAN,10,0.9,700.25,47.0,,"),
            sentence(f"GNGLL,{place(k)},{clock(k)},A,A"),
            sentence("GNVTG,180.0,T,,M,,N,36.0,K,A"),
        ]
    recording = read(parts)
    assert recording.get("height").values[0] == 700.25
    assert [s.source for s in recording.channels["latitude"]] == ["GNS.latitude", "GLL.latitude"]
    assert recording.get("velocity_north").values[0] == pytest.approx(-10.0)


def test_heading_faster_than_the_fixes_is_spread(read):
    parts = []
    for k in range(10):
        parts.append(rmc(k, k))
        parts += [sentence(f"HEHDT,{10 * k + j:.1f},T") for j in range(5)]
    recording = read(parts)
    heading = recording.get("heading")
    np.testing.assert_allclose(heading.time, np.arange(50) / 5, atol=1e-6)
    assert any("HDT comes more often" in note for note in recording.notes)


def test_engine_and_shaft(read):
    parts = []
    for k in range(10):
        parts += [
            rmc(k, k),
            sentence(f"IIRPM,E,1,{6000 + k}.0,,A"),
            sentence("IIRPM,S,1,-2400.0,10.5,A"),
        ]
    recording = read(parts)
    assert recording.get("rpm").values.tolist() == [6000.0 + k for k in range(10)]
    assert recording.get("propeller_rpm").values.tolist() == [2400.0] * 10


def test_values_that_make_no_sense(read):
    parts = both(10)
    parts[4] = rmc(36_002, 2, speed="1e35", course="x")
    parts[7] = sentence(f"GPGGA,{clock(36_003)},9912.00000,N,00830.00000,W,1,09,0.9,-,M,47.0,M,,")
    parts[9] = sentence("GPGGA,259999.00,4712.00000,N,00830.00000,W,1,09,0.9,5,M,47.0,M,,")
    recording = read(parts)
    told_of = {d.where for d in told(recording, "bad_value")}
    assert {"RMC.speed", "RMC.course", "GGA.latitude", "GGA.height", "GGA.time"} <= told_of
    assert np.isnan(recording.get("ground_speed").values[2])
    assert recording.get("height").time.size == 9


def test_without_any_time(read):
    recording = read([sentence("HEHDT,45.0,T")] * 10)
    assert recording.channels == {}
    assert told(recording, "no_time")[0].lost == 10
    assert {field.name for field in recording.fields} == {"HDT.heading", "HDT.reference"}


def test_proprietary_and_unknown_sentences_are_counted(read):
    recording = read([*both(10), sentence("PTNL,DG,44.0"), sentence("GPXYZ,1"), sentence("PASHR,1")])
    listed = {field.name: field.samples for field in recording.fields}
    assert (listed["PTNL"], listed["XYZ"], listed["PASHR"]) == (1, 1, 1)


def test_clear_errors(tmp_path):
    path = tmp_path / "stream"
    path.write_bytes(b"$GPGGA,1,2,3*00\n$GPRMC,1,2,3*00\n" * 20)
    with pytest.raises(UnreadableLogError, match="40 have a wrong checksum"):
        read_log(path)
    path.write_text("".join(both(5)))
    with pytest.raises(LogError, match="column map"):
        read_log(path, {"rpm": {"column": "RMC", "unit": "rpm"}})


@pytest.mark.parametrize("encoding", ["utf-16", "utf-8-sig"])
def test_encodings(tmp_path, encoding):
    path = tmp_path / "stream"
    path.write_bytes("".join(both(10)).encode(encoding))
    assert read_log(path).get("height").time.size == 10


def test_sniff_leaves_others_alone():
    for text in (
        b"",
        b"$",
        b"time,price\n1,$5\n",
        b"t,rpm\n0,1\n",
        b"$GP\n$GP\n",
        b"# $GPGGA is a sentence\n" * 9,
    ):
        assert not sniff(text)


def test_blocks_change_nothing(monkeypatch):
    from flightproc.readers import nmea_decode

    data = ("# text\r\n" + "".join(s for k in range(50) for s in (rmc(k, k), gga(k, k), gsa()))).encode()
    data += b"\x00\x01" * 20 + gga(51).replace("620", "621").encode() + b"$GPGGA,12"
    whole = decode_stream(data)
    monkeypatch.setattr(nmea_decode, "_BLOCK", 500)
    parts = decode_stream(data)
    assert (whole.wrong_checksum, whole.cut) == (parts.wrong_checksum, parts.cut) == ([152], 153)
    assert (whole.text_lines, whole.other_bytes, whole.others) == (
        parts.text_lines,
        parts.other_bytes,
        parts.others,
    )
    for kind, sentences in whole.kinds.items():
        assert sentences.filled == parts.kinds[kind].filled
        for name, column in sentences.columns.items():
            np.testing.assert_array_equal(column, parts.kinds[kind].columns[name])


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_one_wrong_byte_never_becomes_a_value(data):
    """The checksum finds any single byte: no value appears that was not sent, and the loss shows."""
    sent = "".join(both(6)).encode()
    at = data.draw(st.integers(0, len(sent) - 1))
    byte = data.draw(st.integers(0, 255).filter(lambda b: b not in (sent[at], ord("*"))))
    good = decode_stream(sent)
    stream = decode_stream(sent[:at] + bytes([byte]) + sent[at + 1 :])
    for kind, sentences in stream.kinds.items():
        for name, column in sentences.columns.items():
            assert np.isin(column[np.isfinite(column)], good.kinds[kind].columns[name]).all()
    lost = 12 - sum(s.order.size for s in stream.kinds.values())
    assert lost in (0, 1, 2)
    shown = (
        len(stream.wrong_checksum) + len(stream.broken) + stream.text_lines + stream.other_bytes + stream.cut
    )
    assert not lost or shown + sum(stream.others.values())
