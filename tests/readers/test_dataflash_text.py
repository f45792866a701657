"""DataFlash as text: the same content as the binary log, and what damage to lines costs."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest

from flightproc.errors import UnreadableLogError
from flightproc.readers import READERS, dataflash_text, read_log
from flightproc.readers.content import Content

pytestmark = pytest.mark.synthetic


def read(data):
    content = Content("flight.log", data, hashlib.sha256(data).hexdigest())
    return dataflash_text.read("flight.log", content=content)


@pytest.fixture
def text(dataflash_text, flight_messages):
    return dataflash_text(flight_messages)


def test_binary_and_text_agree(samples, tmp_path):
    recordings = []
    for name in ("DataFlash", "Text DataFlash"):
        path = tmp_path / "flight"
        path.write_bytes(samples[name])
        recordings.append(read_log(path))
    binary, text = recordings
    assert binary.channels.keys() == text.channels.keys()
    for name, group in binary.channels.items():
        for mine, other in zip(group, text.channels[name], strict=True):
            assert mine.source == other.source
            np.testing.assert_array_equal(mine.time, other.time)
            # The binary log keeps single precision: a course of 90 deg is good to 1e-6 m/s at 11 m/s.
            np.testing.assert_allclose(mine.values, other.values, rtol=1e-6, atol=1e-6)
    assert [(f.name, f.unit, f.feeds) for f in binary.fields] == [
        (f.name, f.unit, f.feeds) for f in text.fields
    ]


def test_scaled_values_are_not_scaled_again_and_multipliers_are_applied():
    text = (
        "FMT, 178, 76, UNIT, QbZ, TimeUS,Id,Label\nFMT, 179, 20, MULT, Qbd, TimeUS,Id,Mult\n"
        "FMT, 177, 44, FMTU, QBNN, TimeUS,FmtType,UnitIds,MultIds\n"
        "FMT, 1, 17, ATT, Qcch, TimeUS,Roll,Pitch,Yaw\n"
        "UNIT, 1, 104, degheading\nUNIT, 1, d, deg\nMULT, 1, 65, 0.1\nMULT, 1, 66, 0.01\n"
        "FMTU, 1, 1, sddh, FBBA\n"
        + "".join(f"ATT, {5_000_000 + 100_000 * i}, 12.34, -2.00, 2500\n" for i in range(20))
    )
    recording = read(text.encode())
    assert recording.damage == ()
    assert recording.get("bank").values[0] == pytest.approx(np.radians(12.34))
    assert recording.get("heading").values[0] == pytest.approx(np.radians(250.0))


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-16-le"])
def test_encodings(text, encoding):
    data = text.decode().encode(encoding)
    assert [reader.NAME for reader in READERS if reader.sniff(data[:65536])] == ["Text DataFlash"]
    recording = read(data)
    assert recording.channels.keys() == read(text).channels.keys()
    assert recording.damage == ()


def test_lines_end_as_they_may(text):
    recording = read(text.replace(b"\n", b"\r\n"))
    assert recording.damage == ()
    assert recording.get("rpm").time.size == 200


def test_bare_commas_between_fields(text):
    assert read(text.replace(b", ", b",")).get("latitude").time.size == 200


def test_preamble_is_not_read(text):
    recording = read(b"\nAutopilot V9.9\nFree RAM: 1234\n" + text)
    assert recording.damage == ()
    assert recording.get("rpm").time.size == 200
    assert any("2 lines before" in note for note in recording.notes)


def lines_of(text, name):
    lines = text.split(b"\n")
    return lines, [i for i, line in enumerate(lines) if line.startswith(name)]


def test_lines_with_too_few_fields_or_no_definition(text):
    lines, places = lines_of(text, b"RPM,")
    lines[places[5]] = b"RPM, 5500000"
    lines[places[9]] = b"XYZ, 5900000, 1, 2"
    recording = read(b"\n".join(lines))
    assert recording.get("rpm").time.size == 198
    told = {(d.code, d.where, d.lost) for d in recording.damage}
    assert told == {
        ("corrupt", f"line {places[5] + 1}", 1),
        ("corrupt", f"line {places[9] + 1}", 1),
    }


def test_text_among_numbers_is_missing(text):
    lines, places = lines_of(text, b"RPM,")
    lines[places[5]] = lines[places[5]].replace(b", -1.0", b", oops").replace(b", 60", b", x60")
    recording = read(b"\n".join(lines))
    values = recording.get("rpm").values
    assert np.isnan(values[5])
    assert np.count_nonzero(np.isnan(values)) == 1
    assert [(d.code, d.lost) for d in recording.damage] == [("bad_value", 1)]


def test_last_line_without_an_end(text):
    recording = read(text[:-3])
    assert [(d.code, d.lost) for d in recording.damage] == [("cut", 1)]
    assert recording.damage[0].where == f"line {len(text.splitlines())}"


def test_broken_definition(text):
    lines, places = lines_of(text, b"FMT, 186")
    lines[places[0]] = b"FMT, 186, 19, RPM, Qf?, TimeUS,rpm1,rpm2"
    recording = read(b"\n".join(lines))
    assert "rpm" not in recording.channels
    assert recording.get("latitude").time.size == 200
    assert [(d.code, d.lost) for d in recording.damage] == [("corrupt", -1), ("corrupt", 200)]
    assert "'?'" in recording.damage[0].what


def test_flight_modes_by_name_and_texts_with_commas():
    text = (
        "FMT, 1, 11, ATT, Qcc, TimeUS,Roll,Pitch\nFMT, 2, 12, MODE, QMB, TimeUS,Mode,Rsn\n"
        "FMT, 3, 75, MSG, QZ, TimeUS,Message\n"
        "MSG, 4000000, started, so to say, by hand\nMODE, 4000001, Stabilize, 1\n"
        + "".join(f"ATT, {5_000_000 + 100_000 * i}, 1.00, 2.00\n" for i in range(30))
    )
    recording = read(text.encode())
    assert recording.damage == ()
    assert {f.name: f.samples for f in recording.fields}["MSG.Message"] == 1


def test_definitions_only(text):
    definitions = b"\n".join(line for line in text.split(b"\n") if line.startswith(b"FMT")) + b"\n"
    with pytest.raises(UnreadableLogError, match="beyond its definitions"):
        read(definitions)


@pytest.mark.parametrize(
    "other",
    [
        b"FMT,a,b\n1,2,3\n2,3,4\n",
        b"t,rpm\n0,2000\n1,2010\n",
        b"\xa3\x95\x80\x80YFMT\x00BBnNZ",
        b"FMT, 128, 89, FMT, BBnNZ, Type,Length,Name,Format,Columns\n",
    ],
)
def test_what_is_not_taken_for_it(other):
    assert not dataflash_text.sniff(other)
