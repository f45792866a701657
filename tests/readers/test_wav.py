"""WAV: every sample format, the reduction of the rate, and files that recorders leave behind."""

from __future__ import annotations

import hashlib
import io
import struct
import tracemalloc
import wave

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.io import wavfile

from flightproc.errors import FlightprocError, LogError, UnreadableLogError
from flightproc.readers import wav
from flightproc.readers.content import Content

RATE = 8000


def read(data):
    return wav.read("sound.wav", content=Content("sound.wav", data, hashlib.sha256(data).hexdigest()))


def tone(seconds=3.0, rate=RATE, hertz=(133.0,), above=()):
    time = np.arange(round(seconds * rate)) / rate
    return sum(0.2 * np.sin(2 * np.pi * f * time + f) for f in (*hertz, *above))


def chunk(name, body, length=None):
    return name + struct.pack("<I", len(body) if length is None else length) + body + b"\0" * (len(body) % 2)


def riff(*chunks, head=b"RIFF"):
    body = b"WAVE" + b"".join(chunks)
    return head + struct.pack("<I", len(body)) + body


def description(kind=1, tracks=1, rate=RATE, bits=16, extra=b""):
    frame = tracks * ((bits + 7) // 8)
    return chunk(b"fmt ", struct.pack("<HHIIHH", kind, tracks, rate, rate * frame, frame, bits) + extra)


def pcm(values, bits):
    if bits == 8:
        return np.round(128 + 127 * values).astype(np.uint8).tobytes()
    whole = np.round(values * (2 ** (bits - 1) - 1)).astype("<i4")
    if bits == 24:
        return whole.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    return whole.astype(f"<i{bits // 8}").tobytes()


def expect(waveform, values, rate, tolerance):
    factor = round(rate / waveform.rate)
    assert rate / factor == waveform.rate
    assert waveform.start == 0.0
    assert waveform.samples.dtype == np.float32
    assert waveform.samples.size == (values.size - 1) // factor + 1
    inner = slice(30, -30)  # the filter runs in and out
    np.testing.assert_allclose(waveform.samples[inner], values[::factor][inner], atol=tolerance)


@pytest.mark.analytic
@pytest.mark.parametrize("bits", [8, 16, 24, 32])
def test_whole_numbers_of_every_width(bits):
    values = tone()
    recording = read(riff(description(bits=bits), chunk(b"data", pcm(values, bits))))
    expect(recording.waveforms[0], values, RATE, 2.0 ** (2 - bits) + 1e-4)
    assert recording.damage == ()
    assert recording.start_utc is None
    assert recording.channels == {}
    assert recording.span == (0.0, recording.waveforms[0].end)


@pytest.mark.analytic
@pytest.mark.parametrize("bits", [32, 64])
def test_floats(bits):
    values = tone()
    body = values.astype(f"<f{bits // 8}").tobytes()
    expect(read(riff(description(3, bits=bits), chunk(b"data", body))).waveforms[0], values, RATE, 1e-4)


@pytest.mark.analytic
def test_what_would_fold_down_is_filtered_out():
    low, both = tone(rate=44_100), tone(rate=44_100, above=(1050.0, 1900.0, 2004.0, 9000.0))
    recording = read(riff(description(rate=44_100, bits=32), chunk(b"data", pcm(both, 32))))
    waveform = recording.waveforms[0]
    assert 2000 <= waveform.rate < 4000
    time = np.arange(waveform.samples.size) / waveform.rate
    spectrum = np.abs(np.fft.rfft(waveform.samples * np.hanning(time.size))) / time.size * 4
    hertz = np.fft.rfftfreq(time.size, 1 / waveform.rate)
    assert spectrum[np.abs(hertz - 133) < 2].max() == pytest.approx(0.2, rel=0.06)
    alias = np.abs(9000 - 2100 * 4)
    assert spectrum[np.abs(hertz - alias) < 5].max() < 1e-4
    expect(read(riff(description(rate=44_100, bits=32), chunk(b"data", pcm(low, 32)))).waveforms[0], low,
           44_100, 2e-4)  # fmt: skip


@pytest.mark.analytic
def test_blocks_join_without_a_seam(monkeypatch):
    values = tone(2.0, 48_000, (37.0, 133.0, 411.0))
    data = riff(description(rate=48_000), chunk(b"data", pcm(values, 16)))
    whole = read(data).waveforms[0].samples
    monkeypatch.setattr(wav, "_BLOCK", 1000)
    np.testing.assert_allclose(read(data).waveforms[0].samples, whole, atol=1e-6)


@pytest.mark.reference
@pytest.mark.parametrize("kind", [np.uint8, np.int16, np.int32, np.float32])
def test_like_scipy_at_a_low_rate_stereo(kind):
    rng = np.random.default_rng(5)
    values = rng.uniform(-0.9, 0.9, (700, 2))
    if kind is np.uint8:
        whole = np.round(128 + 100 * values).astype(kind)
    elif kind is np.float32:
        whole = values.astype(kind)
    else:
        whole = np.round(values * np.iinfo(kind).max).astype(kind)
    out = io.BytesIO()
    wavfile.write(out, 1000, whole)
    _, theirs = wavfile.read(io.BytesIO(out.getvalue()))
    scale = {np.uint8: 128.0, np.int16: 2.0**15, np.int32: 2.0**31, np.float32: 1.0}[kind]
    offset = 128.0 if kind is np.uint8 else 0.0
    recording = read(out.getvalue())
    assert len(recording.waveforms) == 2
    for track in range(2):
        np.testing.assert_allclose(
            recording.waveforms[track].samples, (theirs[:, track] - offset) / scale, atol=1e-6
        )


@pytest.mark.reference
def test_like_the_wave_module():
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(3)
        file.setframerate(1500)
        file.writeframes(pcm(tone(1.0, 1500), 24))
    expect(read(out.getvalue()).waveforms[0], tone(1.0, 1500), 1500, 1e-6)


@pytest.mark.synthetic
def test_extensible_and_chunks_in_between():
    values = tone()
    tail = struct.pack("<HHI", 22, 16, 4) + struct.pack("<H", 1) + wav._SUBTYPE_TAIL
    data = riff(
        chunk(b"bext", bytes(31)),
        description(0xFFFE, extra=tail),
        chunk(b"LIST", b"INFOISFT" + bytes(9)),
        chunk(b"data", pcm(values, 16)),
        chunk(b"id3 ", bytes(10)),
    )
    recording = read(data)
    expect(recording.waveforms[0], values, RATE, 2e-4)
    assert recording.damage == ()


@pytest.mark.synthetic
def test_rf64_takes_its_length_from_ds64():
    values = tone()
    body = pcm(values, 16)
    sizes = chunk(b"ds64", struct.pack("<QQQI", 0, len(body), values.size, 0))
    data = riff(
        sizes, description(), chunk(b"data", body, 0xFFFFFFFF), chunk(b"LIST", bytes(8)), head=b"RF64"
    )
    assert wav.sniff(data)
    recording = read(data)
    expect(recording.waveforms[0], values, RATE, 2e-4)
    assert recording.damage == ()


@pytest.mark.synthetic
@pytest.mark.parametrize("length", [0, 0xFFFFFFFF])
def test_a_recorder_that_lost_power_wrote_no_length(length):
    values = tone()
    recording = read(riff(description(), chunk(b"data", pcm(values, 16), length)))
    expect(recording.waveforms[0], values, RATE, 2e-4)
    assert [damage.code for damage in recording.damage] == ["cut"]


@pytest.mark.synthetic
def test_a_cut_file_says_how_much_is_lost():
    data = riff(description(), chunk(b"data", pcm(tone(), 16)))
    recording = read(data[:-8001])
    assert [damage.code for damage in recording.damage] == ["cut"]
    assert recording.damage[0].lost == 4000
    assert recording.waveforms[0].end == pytest.approx(2.5, abs=0.002)


@pytest.mark.synthetic
def test_a_broken_chunk_before_the_samples_is_skipped_and_told():
    values = tone()
    data = riff(description(), b"LIST\xff\xff\xff\x7fabcd", chunk(b"data", pcm(values, 16)))
    recording = read(data)
    assert [damage.code for damage in recording.damage] == ["corrupt"]
    expect(recording.waveforms[0], values, RATE, 2e-4)


@pytest.mark.synthetic
def test_numbers_that_are_none_become_silence_and_are_counted():
    values = tone().astype("<f4")
    values[100], values[200], values[300] = np.nan, np.inf, 1e35
    recording = read(riff(description(3, bits=32), chunk(b"data", values.tobytes())))
    assert [(damage.code, damage.lost) for damage in recording.damage] == [("bad_value", 3)]
    assert np.isfinite(recording.waveforms[0].samples).all()


@pytest.mark.synthetic
def test_silence_and_overdrive_are_told():
    assert any("silent" in note for note in read(riff(description(), chunk(b"data", bytes(9000)))).notes)
    loud = np.clip(9 * tone(), -1, 1)
    assert any("full scale" in n for n in read(riff(description(), chunk(b"data", pcm(loud, 16)))).notes)


@pytest.mark.synthetic
@pytest.mark.parametrize(
    ("data", "words"),
    [
        (riff(description(85), chunk(b"data", bytes(100))), "MP3"),
        (riff(description(7, bits=8), chunk(b"data", bytes(100))), "mu-law"),
        (riff(description(bits=20 + 64), chunk(b"data", bytes(100))), "makes no sense"),
        (riff(description(tracks=0), chunk(b"data", bytes(100))), "makes no sense"),
        (riff(description(rate=3), chunk(b"data", bytes(100))), "3 Hz"),
        (riff(description()), "samples"),
        (riff(chunk(b"data", bytes(100))), "description"),
        (riff(description(), chunk(b"data", b"\1")), "no samples"),
        (riff(description(), head=b"RIFX"), "high byte first"),
    ],
)
def test_what_cannot_be_read_is_one_clear_error(data, words):
    with pytest.raises(UnreadableLogError, match=words):
        read(data)


@pytest.mark.synthetic
def test_sound_has_no_columns():
    data = riff(description(), chunk(b"data", pcm(tone(), 16)))
    content = Content("sound.wav", data, "")
    with pytest.raises(LogError, match="column map"):
        wav.read("sound.wav", {"rpm": {"column": "rpm"}}, content=content)


@pytest.mark.synthetic
def test_a_long_track_takes_little_memory():
    data = riff(description(tracks=2, rate=48_000), chunk(b"data", bytes(48_000 * 4 * 100)))
    tracemalloc.start()
    try:
        recording = read(data)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    kept = sum(w.samples.nbytes for w in recording.waveforms)
    assert kept == 2 * 4 * 200_000
    assert peak < 3 * kept + 8e6  # a block of the work, whatever the length


@pytest.mark.synthetic
@settings(max_examples=60, deadline=None)
@given(
    place=st.integers(0, 60),
    value=st.integers(0, 255),
    cut=st.integers(1, 1500),
    extra=st.binary(max_size=20),
)
def test_a_damaged_beginning_never_crashes(place, value, cut, extra):
    good = riff(description(tracks=2), chunk(b"LIST", b"INFO"), chunk(b"data", pcm(tone(0.1), 16)))
    data = bytearray(good[:cut] + extra)
    if place < len(data):
        data[place] = value
    try:
        recording = read(bytes(data))
    except FlightprocError as error:
        assert str(error)
    else:
        assert all(np.isfinite(w.samples).all() for w in recording.waveforms)
