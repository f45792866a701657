"""What holds for every recording, whatever the file was like."""

from __future__ import annotations

import struct

import numpy as np

from flightproc.channels import CHANNELS
from flightproc.readers import Recording

__all__ = ["broken_rule", "record_edges", "untold_loss"]

_CODES = {"cut", "corrupt", "bad_value", "bad_time", "gap", "no_time", "dropout", "encoding"}


def broken_rule(recording: Recording) -> str:
    """Return what of a recording breaks what holds for every one; empty where nothing does."""
    for name, group in recording.channels.items():
        limits = CHANNELS[name]
        if not group:
            return f"{name}: no source"
        for series in group:
            good = series.values[np.isfinite(series.values)]
            if series.time.shape != series.values.shape or not good.size:
                return f"{name}: shape, or no value"
            if series.time.dtype != np.float64 or series.values.dtype != np.float64:
                return f"{name}: not of float64"
            if not np.isfinite(series.time).all() or not (np.diff(series.time) > 0).all():
                return f"{name}: times do not increase"
            if good.min() < limits.low or good.max() > limits.high or np.isinf(series.values).any():
                return f"{name}: beyond its limits"
            if series.channel != name or not series.source:
                return f"{name}: another channel, or no source"
    for wave in recording.waveforms:
        if not (np.isfinite(wave.start) and np.isfinite(wave.rate) and wave.rate > 0.0):
            return f"{wave.source}: no rate or no start"
        if np.isinf(wave.samples).any():
            return f"{wave.source}: infinite samples"
    if recording.start_utc is not None and not np.isfinite(recording.start_utc):
        return "start_utc is not finite"
    if not {damage.code for damage in recording.damage} <= _CODES:
        return "a code of damage that is not in the table"
    fed = {name for field in recording.fields for name in field.feeds.split(", ") if name}
    if fed != set(recording.channels):
        return f"fields feed {sorted(fed ^ set(recording.channels))} and channels do not, or the reverse"
    return ""


def record_edges(name: str, data: bytes) -> set[int]:
    """Return where the records of a whole file of a binary or line format begin and end."""
    if name in ("NMEA", "IGC", "Text DataFlash"):
        return {0, len(data), *(k + 1 for k, byte in enumerate(data) if byte == 0x0A)}
    edges, place = {0}, 0
    lengths = {128: 89}
    while place < len(data):
        if name == "ULog":
            place += 16 if place == 0 else 3 + struct.unpack_from("<H", data, place)[0]
        elif name == "MAVLink":
            place += 8 + data[place + 9] + (12 if data[place + 8] == 0xFD else 8)
        elif name == "DataFlash":
            kind = data[place + 2]
            if kind == 128:
                lengths[data[place + 3]] = data[place + 4]
            place += lengths[kind]
        else:
            raise ValueError(name)
        edges.add(place)
    return edges


def untold_loss(whole: Recording, left: Recording, checked: bool) -> str:
    """Return what was lost, or came out otherwise, though nothing is told; empty where nothing was.

    Parameters
    ----------
    whole, left : Recording
        Of a good file, and of the same file with bytes taken out.
    checked : bool
        Whether each record carries a checksum, so that a wrong value can never pass. Engine speed is left
        out: its NMEA sentence has no time, and takes that of the sentence before it.
    """
    shift = (left.start_utc or 0.0) - (whole.start_utc or 0.0) if checked else 0.0
    for channel, group in whole.channels.items():
        full, part = group[0], left.get(channel)
        found = 0 if part is None else part.time.size
        if found < full.time.size and not left.damage and set(left.notes) <= set(whole.notes):
            return f"{channel}: {full.time.size - found} samples are missing and nothing is told"
        if checked and part is not None and channel != "rpm":
            near = np.abs(full.time[:, None] - (part.time + shift)[None, :]).argmin(axis=0)
            off = np.abs(full.time[near] - part.time - shift) > 1e-3
            if off.any():
                return f"{channel}: times that were not in the file"
            same = np.isclose(part.values, full.values[near], rtol=1e-9, atol=1e-9) | np.isnan(part.values)
            if not same.all():
                return f"{channel}: values that were not in the file"
    return ""
