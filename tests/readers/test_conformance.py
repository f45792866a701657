"""Every registered reader passes through the same gate."""

from __future__ import annotations

import contextlib
import hashlib
import io
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flightproc.channels import CHANNELS
from flightproc.errors import FlightprocError, LogError, UnknownFormatError
from flightproc.readers import READERS, Recording, read_log
from flightproc.readers.content import Content
from flightproc.readers.registry import find_reader

pytestmark = pytest.mark.synthetic

NAMES = [reader.NAME for reader in READERS]
CODES = {"cut", "corrupt", "bad_value", "bad_time", "gap", "no_time", "dropout", "encoding"}
QUICK = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def read_bytes(data: bytes) -> Recording:
    """Read bytes as the registry would, and hold the reader to printing nothing."""
    content = Content("flight.bin", data, hashlib.sha256(data).hexdigest())
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        recording = find_reader(content).read("flight.bin", content=content)
    assert printed.getvalue() == ""
    return recording


def check(recording: Recording) -> None:
    """What holds for every recording, whatever the file was like."""
    for name, group in recording.channels.items():
        limits = CHANNELS[name]
        assert group, name
        for series in group:
            assert series.channel == name
            assert series.time.dtype == series.values.dtype == np.float64
            assert series.time.shape == series.values.shape
            assert series.source
            assert np.all(np.isfinite(series.time))
            assert np.all(np.diff(series.time) > 0)
            good = series.values[np.isfinite(series.values)]
            assert good.size > 0
            assert not np.isinf(series.values).any()
            assert np.all((good >= limits.low) & (good <= limits.high))
    assert {damage.code for damage in recording.damage} <= CODES
    fed = {name for field in recording.fields for name in field.feeds.split(", ") if name}
    assert fed == set(recording.channels)
    assert recording.fields


@pytest.fixture(params=NAMES)
def name(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def test_every_reader_brings_a_sample(samples: dict[str, bytes]) -> None:
    assert sorted(samples) == sorted(NAMES)


def test_good_file_reads_without_damage(name, samples, tmp_path) -> None:
    path = tmp_path / "flight"
    path.write_bytes(samples[name])
    recording = read_log(path)
    check(recording)
    assert recording.format == name
    assert recording.damage == ()
    assert recording.size == len(samples[name])
    assert recording.sha256 == hashlib.sha256(samples[name]).hexdigest()
    assert recording.span[0] == 0.0
    assert recording.span[1] == pytest.approx(19.9, abs=1e-6)


def test_exactly_one_reader_claims_each_sample(samples) -> None:
    for name, data in samples.items():
        assert [reader.NAME for reader in READERS if reader.sniff(data[:65536])] == [name]


def test_content_decides_not_the_extension(name, samples, tmp_path) -> None:
    for extension in ("ulg", "gpx", "csv", "txt", "bin"):
        path = tmp_path / f"flight.{extension}"
        path.write_bytes(samples[name])
        assert read_log(path).format == name


def test_same_flight_in_all_formats_agrees(samples, flight) -> None:
    recordings = {name: read_bytes(data) for name, data in samples.items()}
    expected = {
        "latitude": (flight.latitude, 2e-9),  # ULog keeps 1e-7 deg
        "longitude": (flight.longitude, 2e-9),
        "height": (flight.height, 1e-3),
        "velocity_north": (flight.north, 1e-3),
        "velocity_east": (flight.east, 1e-3),
        "rpm": (flight.rpm, 1e-3),
    }
    for channel, (truth, tolerance) in expected.items():
        for name, recording in recordings.items():
            series = recording.get(channel)
            if series is None:
                assert (name, channel) in (("GPX", "rpm"), ("IGC", "rpm")) or name == "WAV"  # no place for it
                continue
            np.testing.assert_allclose(series.time, flight.time, atol=1e-6)
            allowed = 0.5 if (name, channel) == ("IGC", "height") else tolerance  # whole metres
            np.testing.assert_allclose(series.values, truth, atol=allowed, err_msg=f"{name} {channel}")
    for name, recording in recordings.items():
        if name == "WAV":
            assert recording.start_utc is None
        else:
            assert recording.start_utc == pytest.approx(flight.utc, abs=1e-3), name


def test_empty_file_missing_file_folder(tmp_path) -> None:
    empty = tmp_path / "empty.ulg"
    empty.write_bytes(b"")
    with pytest.raises(LogError, match="empty"):
        read_log(empty)
    with pytest.raises(LogError, match="no such file"):
        read_log(tmp_path / "nowhere.gpx")
    with pytest.raises(LogError, match="folder"):
        read_log(tmp_path)


def test_file_without_permission(tmp_path, monkeypatch) -> None:
    path = tmp_path / "locked.csv"
    path.write_bytes(b"t,rpm\n0,1\n")

    def refuse(self: Path, mode: str) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)  # root may read anything, so chmod proves nothing
    with pytest.raises(LogError, match="may not be read"):
        read_log(path)


@pytest.mark.parametrize(
    "data",
    [
        b"\x00",
        b"\x89PNG\r\n\x1a\n" + bytes(200),
        b"hello world",
        b"<kml></kml>",
        b"PK\x03\x04" + bytes(99),
        bytes(range(256)) * 8,
    ],
)
def test_unknown_content_is_one_clear_error(data, tmp_path) -> None:
    path = tmp_path / "flight.csv"
    path.write_bytes(data)
    with pytest.raises(UnknownFormatError) as caught:
        read_log(path)
    assert "begins with" in str(caught.value)
    assert f"allowed: {', '.join(NAMES)}" in str(caught.value)


def test_two_claims_are_an_error_naming_both(monkeypatch, tmp_path) -> None:
    from flightproc.readers import gpx

    monkeypatch.setattr(gpx, "sniff", lambda head: True)
    path = tmp_path / "flight.csv"
    path.write_bytes(b"t,rpm\n0,1\n1,2\n")
    with pytest.raises(UnknownFormatError, match="GPX and CSV"):
        read_log(path)


def test_formats_that_name_their_fields_refuse_a_column_map(samples, tmp_path) -> None:
    for name in ("ULog", "GPX", "WAV", "IGC", "NMEA", "MAVLink", "DataFlash", "Text DataFlash"):
        path = tmp_path / "flight"
        path.write_bytes(samples[name])
        with pytest.raises(LogError, match="column map"):
            read_log(path, {"rpm": {"column": "rpm", "unit": "rpm"}})


@pytest.mark.parametrize("reader_name", NAMES)
@QUICK
@given(data=st.data())
def test_cut_anywhere(reader_name, samples, data) -> None:
    whole = samples[reader_name]
    cut = data.draw(st.integers(1, len(whole) - 1))
    good = read_bytes(whole)
    try:
        recording = read_bytes(whole[:cut])
    except FlightprocError:
        assert cut < 0.1 * len(whole)  # so early that no sample is whole
        return
    check(recording)
    for channel in ("latitude", "height"):
        series, full = recording.get(channel), good.get(channel)
        if series is None or series.time.size < 2:
            continue
        size = series.time.size - 1  # the last number of a table may itself be cut, unseen
        np.testing.assert_allclose(series.time[:size], full.time[:size], atol=1e-6)
        np.testing.assert_allclose(series.values[:size], full.values[:size], rtol=1e-12)
        assert size < full.time.size


@pytest.mark.parametrize("reader_name", NAMES)
@QUICK
@given(data=st.data())
def test_flipped_bytes(reader_name, samples, data) -> None:
    damaged = bytearray(samples[reader_name])
    flips = data.draw(
        st.lists(st.tuples(st.integers(0, len(damaged) - 1), st.integers(0, 255)), min_size=1, max_size=30)
    )
    for place, value in flips:
        damaged[place] = value
    try:
        recording = read_bytes(bytes(damaged))
    except FlightprocError as error:
        assert str(error)
    else:
        check(recording)


@pytest.mark.parametrize("reader_name", NAMES)
@QUICK
@given(data=st.data())
def test_bytes_lost_or_put_in(reader_name, samples, data) -> None:
    whole = samples[reader_name]
    place = data.draw(st.integers(0, len(whole) - 1))
    length = data.draw(st.integers(0, 300))
    damaged = whole[:place] + data.draw(st.binary(max_size=100)) + whole[place + length :]
    if not damaged:
        return
    try:
        recording = read_bytes(damaged)
    except FlightprocError as error:
        assert str(error)
    else:
        check(recording)


@QUICK
@given(start=st.sampled_from(["ULog", "GPX", "CSV", "IGC", "NMEA"]), tail=st.binary(max_size=400))
def test_garbage_after_a_good_beginning(samples, start, tail) -> None:
    head = {
        "ULog": samples["ULog"][:16],
        "GPX": b"<gpx>",
        "CSV": b"t,rpm\n0,1\n",
        "IGC": samples["IGC"][:400],
        "NMEA": samples["NMEA"][:100],
    }[start]
    try:
        check(read_bytes(head + tail))
    except FlightprocError as error:
        assert str(error)
