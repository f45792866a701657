"""WAV, the sound of an engine or a camera: no channels, but a waveform that engine speed is found from.

The chunks are walked here, since files that recorders leave behind when they lose power have sizes of zero
or beyond the end, which sound libraries refuse or, worse, trust.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from math import ceil
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..errors import UnreadableLogError
from .build import RecordingBuilder
from .content import Content, load_content, refuse_columns
from .recording import RawField, Recording, Waveform

__all__ = ["NAME", "SOUND_RATE", "read", "sniff"]

NAME = "WAV"

SOUND_RATE = 2000.0
"""Least rate [Hz] to which sound is reduced: engine and propeller speak below half of it."""

_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_NAMES = {2: "ADPCM", 6: "A-law", 7: "mu-law", 17: "IMA ADPCM", 49: "GSM", 80: "MPEG", 85: "MP3"}
_SUBTYPE_TAIL = bytes.fromhex("000000001000800000aa00389b71")
_AFTER = (b"LIST", b"fact", b"id3 ", b"bext", b"cue ", b"PEAK", b"JUNK")  # what may follow no samples
_TRACKS = 8  # tracks kept at most
_BLOCK = 1 << 18  # frames decoded at a time
_TAPS = 12  # half length of the low-pass, in output samples
_CLIPPED = 0.01  # share of samples at full scale from which it is told
_RATES = (50, 768_000)

Array = NDArray[np.float32]


@dataclass(frozen=True)
class _Layout:
    """How samples lie in the file."""

    kind: int
    tracks: int
    rate: int
    width: int  # bytes a sample
    frame: int  # bytes a frame
    valid: int  # bits in use


def sniff(head: bytes) -> bool:
    r"""Return whether the content is a RIFF, RIFX or RF64 file of the kind WAVE.

    Examples
    --------
    >>> sniff(b"RIFF\x24\x00\x00\x00WAVEfmt "), sniff(b"RIFF\x24\x00\x00\x00AVI LIST")
    (True, False)
    """
    return head[:4] in (b"RIFF", b"RF64", b"RIFX", b"BW64") and head[8:12] == b"WAVE"


def read(
    path: str | Path, columns: Mapping[str, object] | None = None, *, content: Content | None = None
) -> Recording:
    """Read a WAV file.

    Parameters
    ----------
    path : str or Path
        File.
    columns : None
        Sound has no columns; a column map is an error.
    content : Content, optional
        The file's bytes, where they are already at hand.

    Raises
    ------
    LogError
        If a column map is given.
    UnreadableLogError
        If the sound is compressed, its description is missing or makes no sense, or there are no samples.

    Notes
    -----
    The sound is decoded in blocks, low-pass filtered and brought down to a rate of 2 to 4 kHz, so that an
    hour takes some 30 MB a track. Time 0 is the first sample. A WAV file carries no UTC.
    """
    content = content or load_content(path)
    refuse_columns(columns, "sound", content.path)
    builder = RecordingBuilder(content, NAME)
    layout, start, stop = _walk(builder)
    frames = (stop - start) // layout.frame
    if frames < 1:
        raise UnreadableLogError(
            "the sound holds no samples", where=content.path, hint="copy the file from the recorder again"
        )
    waveforms = _reduce(builder, layout, start, frames)
    for track in range(layout.tracks):
        kept = track < len(waveforms)
        builder.fields.append(
            RawField(
                f"track {track + 1}",
                frames,
                float(layout.rate),
                "full scale",
                "",
                "sound: engine speed may be found from it" if kept else "not kept: only the first tracks are",
            )
        )
    recording = builder.build()
    return Recording(
        **{name: getattr(recording, name) for name in recording.__dataclass_fields__ if name != "waveforms"},
        waveforms=tuple(waveforms),
    )


def _walk(builder: RecordingBuilder) -> tuple[_Layout, int, int]:
    """Walk the chunks: return the layout and where the samples begin and end."""
    data, size, where = builder.content.data, builder.content.size, builder.content.path
    if data[:4] == b"RIFX":
        raise UnreadableLogError(
            "the sound is stored with the high byte first (RIFX)", where=where, hint="convert it to plain WAV"
        )
    layout: _Layout | None = None
    samples: tuple[int, int] | None = None
    long_size: int | None = None
    at = 12
    while at + 8 <= size:
        name, length = data[at : at + 4], struct.unpack_from("<I", data, at + 4)[0]
        body = at + 8
        lost = not all(32 <= byte < 127 for byte in name)
        lost |= samples is None and name != b"data" and body + length > size
        if lost:
            wanted = b"fmt " if layout is None else b"data"
            found = data.find(wanted, at + 1) if samples is None else size
            if not 0 <= found <= size:
                break
            words = f"{found - at} bytes that are no chunk were skipped"
            builder.tell("corrupt", f"bytes {at} to {found}", words)
            at = found
        elif name == b"ds64" and length >= 16:
            long_size = struct.unpack_from("<Q", data, body + 8)[0]
            at = body + length + (length & 1)
        elif name == b"fmt " and layout is None:
            layout = _layout(data[body : body + min(length, 64)], where)
            at = body + length + (length & 1)
        elif name == b"data" and samples is None:
            end = _end_of_samples(builder, at, length, long_size, layout)
            samples = (body, end)
            at = end + ((end - body) & 1)
        else:
            at = body + length + (length & 1)
    if layout is None or samples is None:
        lacks = "description (fmt)" if layout is None else "samples (data)"
        raise UnreadableLogError(
            f"the WAV file holds no {lacks}", where=where, hint="copy the file from the recorder again"
        )
    rest = (samples[1] - samples[0]) % layout.frame
    if rest and not any(damage.code == "cut" for damage in builder.damage):
        builder.tell(
            "cut", f"byte {samples[1] - rest}", "the sound ends within a sample, which was left out", 1
        )
    return layout, *samples


def _end_of_samples(
    builder: RecordingBuilder, at: int, length: int, long_size: int | None, layout: _Layout | None
) -> int:
    """Return where the samples of the chunk at a byte end, and tell where that is not where they should."""
    data, size, body = builder.content.data, builder.content.size, at + 8
    if length == 0xFFFFFFFF and long_size is not None:
        length = long_size
    if length in (0, 0xFFFFFFFF) and body < size and data[body : body + 4] not in _AFTER:
        builder.tell("cut", f"byte {at + 4}", "the recorder wrote no length; all that follows was taken")
        return size
    if body + length > size:
        missing = body + length - size
        builder.tell(
            "cut",
            f"byte {size}",
            f"the file ends {missing} bytes before its samples do; what is there was used",
            missing // layout.frame if layout else -1,
        )
        return size
    return body + length


def _layout(body: bytes, where: str) -> _Layout:
    if len(body) < 16:
        raise UnreadableLogError("the sound's description is cut", where=where)
    kind, tracks, rate, _, frame, bits = struct.unpack_from("<HHIIHH", body)
    valid = bits
    if kind == _EXTENSIBLE and len(body) >= 40:
        valid = struct.unpack_from("<H", body, 18)[0] or bits
        if body[26:40] == _SUBTYPE_TAIL:
            kind = struct.unpack_from("<H", body, 24)[0]
    if kind not in (_PCM, _FLOAT):
        raise UnreadableLogError(
            "the sound is compressed or of an unknown kind",
            where=where,
            found=_NAMES.get(kind, f"code {kind}"),
            allowed="PCM of 8, 16, 24 or 32 bit, or float of 32 or 64 bit",
            hint="export it as PCM, 16 bit",
        )
    width = (bits + 7) // 8
    allowed = (1, 2, 3, 4) if kind == _PCM else (4, 8)
    if width not in allowed or not 1 <= tracks <= 256 or frame != width * tracks:
        raise UnreadableLogError(
            "the sound's description makes no sense",
            where=where,
            found=f"{tracks} tracks of {bits} bit in frames of {frame} bytes",
            allowed="PCM of 8, 16, 24 or 32 bit, or float of 32 or 64 bit",
        )
    if not _RATES[0] <= rate <= _RATES[1]:
        raise UnreadableLogError(
            "the sound's rate is out of range",
            where=where,
            found=f"{rate} Hz",
            allowed=f"{_RATES[0]} to {_RATES[1]} Hz",
        )
    return _Layout(kind, tracks, rate, width, frame, min(max(valid, 1), 8 * width))


def _decode(raw: NDArray[np.uint8], layout: _Layout, tracks: int) -> Array:
    """Return samples of the first tracks as float32, shape (n, tracks), in full scale."""
    if layout.kind == _FLOAT:
        wide = raw.view("<f4" if layout.width == 4 else "<f8").reshape(-1, layout.tracks)[:, :tracks]
        with np.errstate(over="ignore", invalid="ignore"):
            return np.asarray(wide, dtype=np.float32)
    if layout.width == 1:
        return (raw.reshape(-1, layout.tracks)[:, :tracks].astype(np.float32) - 128.0) / 128.0
    if layout.width == 3:
        triples = raw.reshape(-1, layout.tracks, 3)[:, :tracks]
        whole = np.zeros((*triples.shape[:2], 4), dtype=np.uint8)
        whole[..., 1:] = triples
        return whole.view("<i4")[..., 0].astype(np.float32) / np.float32(2**31)
    whole = raw.view(f"<i{layout.width}").reshape(-1, layout.tracks)[:, :tracks]
    return whole.astype(np.float32) / np.float32(2 ** (8 * layout.width - 1))


def _low_pass(factor: int) -> Array:
    """Return a linear-phase low-pass for a reduction by a factor, length odd, gain 1."""
    if factor == 1:
        return np.ones(1, dtype=np.float32)
    from scipy.signal import firwin

    taps = firwin(2 * _TAPS * factor + 1, 0.8 / factor, window=("kaiser", 7.0))
    return np.asarray(taps, dtype=np.float32)


def _reduce(builder: RecordingBuilder, layout: _Layout, start: int, frames: int) -> list[Waveform]:
    """Decode, filter and thin the sound block by block."""
    from scipy.signal import upfirdn

    factor = max(1, int(layout.rate // SOUND_RATE))
    taps = _low_pass(factor)
    half = taps.size // 2
    tracks = min(layout.tracks, _TRACKS)
    out = np.empty((tracks, (frames - 1) // factor + 1), dtype=np.float32)
    data = np.frombuffer(builder.content.data, dtype=np.uint8)
    block = max(1, _BLOCK // (factor * layout.tracks)) * factor  # starts on an output sample
    bad = clipped = 0
    for first in range(0, frames, block):
        last = min(first + block, frames)
        low, high = max(0, first - half), min(frames, last + half)
        raw = data[start + low * layout.frame : start + high * layout.frame]
        samples = _decode(np.ascontiguousarray(raw), layout, tracks)
        inner = samples[first - low : last - low]
        if layout.kind == _FLOAT:
            wrong = ~(np.abs(samples) <= 1e6)  # also NaN
            bad += int(np.count_nonzero(wrong[first - low : last - low]))
            samples = np.where(wrong, np.float32(0.0), samples)
        clipped += int(np.count_nonzero(np.abs(inner) >= 0.999))
        count = ceil((last - first) / factor)
        for track in range(tracks):
            padded = np.zeros((last - first) + 2 * half, dtype=np.float32)
            offset = half - (first - low)
            padded[offset : offset + samples.shape[0]] = samples[:, track]
            # entry 2 half / factor of the thinned convolution is centred on the block's first sample
            thin = upfirdn(taps, padded, 1, factor)[2 * half // factor :]
            out[track, first // factor : first // factor + count] = thin[:count]
    if bad:
        builder.tell(
            "bad_value", "samples", f"{bad} samples are not numbers, or absurd; silence was put there", bad
        )
    if clipped > _CLIPPED * frames * tracks:
        builder.note(
            f"{100 * clipped / (frames * tracks):.0f} % of the sound is at full scale: the recorder was "
            "overdriven, which harms levels but not the pitch of an engine"
        )
    if not np.any(out != out[:, :1]):
        builder.note("the sound is silent throughout")
    rate = layout.rate / factor
    return [Waveform(f"track {i + 1}", 0.0, rate, out[i]) for i in range(tracks)]
