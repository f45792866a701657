"""Field log: a head with the start, then records of seven numbers. Made up, to try the recipe."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from ..errors import UnreadableLogError
from .build import RecordingBuilder, median_rate
from .content import Content, load_content, refuse_columns
from .recording import RawField, Recording

__all__ = ["NAME", "read", "sniff"]

NAME = "Field log"
_MAGIC = b"FIELDLOG"
_UNITS = {
    "latitude": "rad",
    "longitude": "rad",
    "height": "m",
    "velocity_north": "m/s",
    "velocity_east": "m/s",
    "rpm": "1/min",
}
_RECORD = np.dtype([("time_ms", "<u4"), *((name, "<f8") for name in _UNITS)])


def sniff(head: bytes) -> bool:
    """Return whether the first bytes look like a field log."""
    return head.startswith(_MAGIC)


def read(
    path: str | Path, columns: Mapping[str, object] | None = None, *, content: Content | None = None
) -> Recording:
    """Read a field log."""
    content = content or load_content(path)
    refuse_columns(columns, NAME, content.path)
    count, rest = divmod(len(content.data) - 16, _RECORD.itemsize)
    if count < 1:
        raise UnreadableLogError(
            "this field log holds no record", where=content.path, hint="copy it from the logger again"
        )
    builder = RecordingBuilder(content, NAME)
    if rest:
        builder.tell("cut", "records", f"{rest} bytes behind the last whole record", rest)
    table = np.frombuffer(content.data, _RECORD, count, 16)
    time = table["time_ms"] / 1e3
    keep = builder.clock(time, "records")
    time = time[keep]
    for name, unit in _UNITS.items():
        used = bool(keep.any()) and builder.add(name, time, table[name][keep], f"records.{name}")
        builder.fields.append(
            RawField(name, count, median_rate(time), unit, name if used else "", "" if used else "not usable")
        )
    (start,) = struct.unpack("<d", content.data[8:16])
    builder.start_utc = start if 0.0 < start < 4e9 else None
    first = builder.first_time()
    if first is not None:
        builder.shift(first)
    return builder.build()
