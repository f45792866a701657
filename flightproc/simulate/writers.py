"""Log files of a simulated sortie: ULog, GPX 1.0 and CSV.

References
----------
.. [1] "ULog File Format", PX4 User Guide (open specification, file version 1): header, definitions section
   (flag bits, format, information and parameter messages) and data section (subscription and data messages).
.. [2] "GPX 1.0 Developer's Manual" and schema, namespace ``http://www.topografix.com/GPX/1/0``.
"""

from __future__ import annotations

import struct
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from .sensors import EngineLog, GpsLog, UnitLog

__all__ = ["ENGINE_COLUMNS", "csv_text", "gpx_text", "ulog_bytes"]

BOOT_US = 7_300_000
"""Time since boot of the unit's first sample [us]."""

_TOPICS: dict[str, list[tuple[str, str, str]]] = {
    "sensor_combined": [
        ("uint64_t timestamp", "timestamp", "<u8"),
        ("float[3] gyro_rad", "gyro_rad", "(3,)<f4"),
        ("uint32_t gyro_integral_dt", "gyro_integral_dt", "<u4"),
        ("int32_t accelerometer_timestamp_relative", "accelerometer_timestamp_relative", "<i4"),
        ("float[3] accelerometer_m_s2", "accelerometer_m_s2", "(3,)<f4"),
        ("uint32_t accelerometer_integral_dt", "accelerometer_integral_dt", "<u4"),
    ],
    "vehicle_attitude": [
        ("uint64_t timestamp", "timestamp", "<u8"),
        ("float[4] q", "q", "(4,)<f4"),
    ],
    "vehicle_air_data": [
        ("uint64_t timestamp", "timestamp", "<u8"),
        ("float baro_pressure_pa", "baro_pressure_pa", "<f4"),
        ("float ambient_temperature", "ambient_temperature", "<f4"),
    ],
}

ENGINE_COLUMNS = (
    "Clock (s)",
    "Engine speed (rev/min)",
    "CHT (degC)",
    "EGT (degC)",
    "Fuel (L)",
    "Supply (V)",
)
"""Header of the engine logger's CSV."""


def _message(kind: bytes, body: bytes) -> bytes:
    return struct.pack("<HB", len(body), kind[0]) + body


def _keyed(kind: bytes, key: str, value: bytes) -> bytes:
    name = key.encode("ascii")
    return _message(kind, struct.pack("<B", len(name)) + name + value)


def _records(topic: str, identity: int, columns: dict[str, NDArray[np.float64]]) -> NDArray[np.uint8]:
    """Return the data messages of a topic, one a row."""
    fields = [(name, kind) for _, name, kind in _TOPICS[topic]]
    layout = np.dtype([("size", "<u2"), ("kind", "u1"), ("id", "<u2"), *fields])
    rows = np.zeros(columns["timestamp"].size, layout)
    rows["size"] = layout.itemsize - 3
    rows["kind"] = ord("D")
    rows["id"] = identity
    for name, values in columns.items():
        rows[name] = values
    return rows.view(np.uint8).reshape(rows.size, layout.itemsize)


def ulog_bytes(log: UnitLog) -> bytes:
    """Return the unit's log as a ULog file.

    Parameters
    ----------
    log : UnitLog
        The unit's log. It has no UTC: time stamps count from boot.

    Notes
    -----
    Data messages are interleaved by time, as a logger writes them.
    """
    out = [b"ULog\x01\x12\x35\x01" + struct.pack("<Q", BOOT_US - 400_000)]
    out.append(_message(b"B", bytes(40)))
    out.append(_keyed(b"I", "char[16] sys_name", b"hung unit logger"))
    out.append(_keyed(b"I", "char[9] ver_hw", b"simulated"))
    for topic, fields in _TOPICS.items():
        text = f"{topic}:" + "".join(f"{declared};" for declared, _, _ in fields)
        out.append(_message(b"F", text.encode("ascii")))
    out.append(_keyed(b"P", "float imu_rate_hz", struct.pack("<f", 1.0 / np.median(np.diff(log.time)))))

    def stamp(time: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.round(time * 1e6) + BOOT_US

    period = round(1e6 * float(np.median(np.diff(log.time))))
    data: list[tuple[str, dict[str, NDArray[np.float64]]]] = [
        (
            "sensor_combined",
            {
                "timestamp": stamp(log.time),
                "gyro_rad": log.rates,
                "gyro_integral_dt": np.full(log.time.size, period),
                "accelerometer_m_s2": log.force,
                "accelerometer_integral_dt": np.full(log.time.size, period),
            },
        )
    ]
    if log.attitude_time.size:
        data.append(("vehicle_attitude", {"timestamp": stamp(log.attitude_time), "q": log.quaternion}))
    data.append(
        (
            "vehicle_air_data",
            {
                "timestamp": stamp(log.baro_time),
                "baro_pressure_pa": log.pressure,
                "ambient_temperature": log.temperature - 273.15,
            },
        )
    )
    tables, stamps = [], []
    for identity, (topic, columns) in enumerate(data):
        out.append(_message(b"A", struct.pack("<BH", 0, identity) + topic.encode("ascii")))
        tables.append(_records(topic, identity, columns))
        stamps.append(columns["timestamp"])
    out.append(_interleave(tables, stamps))
    return b"".join(out)


def _interleave(tables: list[NDArray[np.uint8]], stamps: list[NDArray[np.float64]]) -> bytes:
    """Return the rows of all tables as one byte string in order of time."""
    widths = np.concatenate([np.full(len(table), table.shape[1]) for table in tables])
    order = np.argsort(np.concatenate(stamps), kind="stable")
    place = np.empty(order.size, dtype=np.int64)
    place[order] = np.concatenate(([0], np.cumsum(widths[order])[:-1]))
    merged = np.empty(int(widths.sum()), dtype=np.uint8)
    first = 0
    for table in tables:
        starts = place[first : first + len(table)]
        merged[starts[:, None] + np.arange(table.shape[1])] = table
        first += len(table)
    return merged.tobytes()


def gpx_text(log: GpsLog, start: datetime, track: str) -> str:
    """Return the receiver's log as GPX 1.0, with its native speed and course.

    Parameters
    ----------
    log : GpsLog
        The receiver's log.
    start : datetime
        UTC of the first fix, by the receiver's clock.
    track : str
        Name of the track.

    Notes
    -----
    As the schema asks, each stretch without a loss of reception is a segment of its own.
    """
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<gpx version="1.0" creator="simulated receiver" xmlns="http://www.topografix.com/GPX/1/0">',
        f"<trk><name>{track}</name><trkseg>",
    ]
    columns = zip(
        log.time.tolist(),
        log.latitude.tolist(),
        log.longitude.tolist(),
        log.height.tolist(),
        log.course.tolist(),
        log.speed.tolist(),
        strict=True,
    )
    lost = 4.0 * float(np.median(np.diff(log.time))) if log.time.size > 1 else 0.0
    before = float(log.time[0]) if log.time.size else 0.0
    for time, latitude, longitude, height, course, speed in columns:
        if time - before > lost:
            lines.append("</trkseg><trkseg>")
        before = time
        at = start + timedelta(milliseconds=round(time * 1000.0))
        lines.append(
            f'<trkpt lat="{latitude:.7f}" lon="{longitude:.7f}"><ele>{height:.1f}</ele>'
            f"<time>{at:%Y-%m-%dT%H:%M:%S}.{at.microsecond // 1000:03d}Z</time>"
            f"<course>{round(course, 2) % 360.0:.2f}</course><speed>{speed:.3f}</speed></trkpt>"
        )
    lines.append("</trkseg></trk>\n</gpx>\n")
    return "\n".join(lines)


def csv_text(log: EngineLog) -> str:
    """Return the engine logger's CSV; columns as in :data:`ENGINE_COLUMNS`.

    Parameters
    ----------
    log : EngineLog
        The engine's log.
    """
    rows = zip(
        log.time.tolist(),
        log.rpm.tolist(),
        log.head_temperature.tolist(),
        log.exhaust_temperature.tolist(),
        log.fuel.tolist(),
        log.supply.tolist(),
        strict=True,
    )
    lines = [",".join(ENGINE_COLUMNS)]
    lines += [f"{t:.2f},{n:.0f},{h:.1f},{e:.0f},{f:.3f},{v:.2f}" for t, n, h, e, f, v in rows]
    return "\n".join(lines) + "\n"
