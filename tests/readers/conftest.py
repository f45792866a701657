"""The same short flight written as ULog, GPX and CSV, and a small ULog writer.

The writer follows the published description of the format and shares no code with the reader.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

MAGIC = bytes.fromhex("554c6f67011235")
PACK = {
    "uint64_t": "Q",
    "float": "f",
    "double": "d",
    "int32_t": "i",
    "uint8_t": "B",
    "bool": "?",
    "uint16_t": "H",
}


def message(kind: str, payload: bytes) -> bytes:
    return struct.pack("<HB", len(payload), ord(kind)) + payload


@dataclass
class Topic:
    """A topic to be written: fields as (type, name), one row of values per message, time first."""

    name: str
    fields: Sequence[tuple[str, str]]
    rows: Sequence[Sequence[Any]]
    instance: int = 0
    padding: int = 0


def write_ulog(
    topics: Sequence[Topic],
    *,
    start: int = 1_000_000,
    flags: bytes | None = None,
    before_data: bytes = b"",
    after_data: bytes = b"",
) -> bytes:
    """Return a ULog with its data messages in the order of their first column."""
    out = MAGIC + b"\x01" + struct.pack("<Q", start)
    out += message("B", flags if flags is not None else bytes(40))
    for topic in topics:
        text = f"{topic.name}:" + "".join(f"{kind} {name};" for kind, name in topic.fields)
        if topic.padding:
            text += f"uint8_t[{topic.padding}] _padding0;"
        if topic.instance == 0:
            out += message("F", text.encode())
    key = b"char[4] sys_name"
    out += message("I", bytes([len(key)]) + key + b"test")
    data = []
    for number, topic in enumerate(topics):
        out += message("A", struct.pack("<BH", topic.instance, number) + topic.name.encode())
        code = "<" + "".join(PACK[kind] for kind, _ in topic.fields)
        data += [
            (i, row[0], message("D", struct.pack("<H", number) + struct.pack(code, *row)))
            for i, row in enumerate(topic.rows)
        ]
    out += before_data
    return out + b"".join(item[2] for item in sorted(data, key=lambda item: item[1])) + after_data


@dataclass(frozen=True)
class Flight:
    """What the samples hold: a turn at 11 m/s, sampled at 10 Hz."""

    utc: float
    time: np.ndarray
    latitude: np.ndarray
    longitude: np.ndarray
    height: np.ndarray
    north: np.ndarray
    east: np.ndarray
    rpm: np.ndarray


@pytest.fixture(scope="session")
def flight() -> Flight:
    time = np.arange(0, 20.0, 0.1)
    heading = 0.08 * time
    speed, radius = 11.0, 6_378_137.0
    north, east = speed * np.cos(heading), speed * np.sin(heading)
    # Around 47 deg: metres per radian by the local radii of curvature, integrated in closed form.
    latitude0, longitude0 = np.radians(47.0), np.radians(8.0)
    e2 = 0.00669437999014
    w2 = 1 - e2 * np.sin(latitude0) ** 2
    height = 600.0 + 0.5 * time
    latitude = latitude0 + speed / 0.08 * np.sin(heading) / (radius * (1 - e2) / w2**1.5 + 600.0)
    longitude = longitude0 + speed / 0.08 * (1 - np.cos(heading)) / (
        (radius / np.sqrt(w2) + 600.0) * np.cos(latitude0)
    )
    return Flight(1_778_737_200.0, time, latitude, longitude, height, north, east, 6000 + 20 * np.sin(time))


def as_ulog(flight: Flight) -> bytes:
    us = (5_000_000 + np.round(flight.time * 1e6)).astype(int)
    gps = Topic(
        "vehicle_gps_position",
        [("uint64_t", "timestamp"), ("uint64_t", "time_utc_usec"), ("int32_t", "lat"), ("int32_t", "lon"),
         ("int32_t", "alt"), ("float", "vel_n_m_s"), ("float", "vel_e_m_s"), ("float", "vel_d_m_s"),
         ("uint8_t", "fix_type"), ("bool", "vel_ned_valid")],
        [
            (int(t), int(flight.utc * 1e6 + t - us[0]), round(np.degrees(a) * 1e7),
             round(np.degrees(o) * 1e7), round(h * 1e3), n, e, -0.5, 3, True)
            for t, a, o, h, n, e in zip(us, flight.latitude, flight.longitude, flight.height, flight.north,
                                        flight.east, strict=True)
        ],
        padding=3,
    )  # fmt: skip
    rpm = Topic(
        "rpm",
        [("uint64_t", "timestamp"), ("float", "rpm_estimate")],
        [(int(t), r) for t, r in zip(us, flight.rpm, strict=True)],
    )
    imu = Topic(
        "sensor_combined",
        [("uint64_t", "timestamp"), ("float", "unused"), ("float", "also_unused"), ("float", "not_used")],
        [(int(t), 0.0, 0.0, 0.08) for t in us],
    )
    return write_ulog([gps, rpm, imu], start=int(us[0]))


def as_gpx(flight: Flight) -> bytes:
    points = []
    for t, a, o, h, n, e in zip(
        flight.time, flight.latitude, flight.longitude, flight.height, flight.north, flight.east, strict=True
    ):
        stamp = datetime.fromtimestamp(flight.utc + t, UTC).isoformat(timespec="milliseconds")
        course = np.degrees(np.arctan2(e, n)) % 360
        points.append(
            f'<trkpt lat="{np.degrees(a):.9f}" lon="{np.degrees(o):.9f}"><ele>{h:.3f}</ele>'
            f"<time>{stamp.replace('+00:00', 'Z')}</time><extensions><x:TrackPointExtension>"
            f"<x:speed>{np.hypot(n, e):.4f}</x:speed><x:course>{course:.4f}</x:course>"
            "</x:TrackPointExtension></extensions></trkpt>"
        )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" creator="test" '
        'xmlns="http://www.topografix.com/GPX/1/1" xmlns:x="urn:example:points">\n<trk><trkseg>\n'
        + "\n".join(points)
        + "\n</trkseg></trk></gpx>\n"
    ).encode()


def as_csv(flight: Flight) -> bytes:
    lines = ["unix time [s],latitude [deg],longitude [deg],height [ft],v_north [km/h],v_east [km/h],rpm"]
    for t, a, o, h, n, e, r in zip(
        flight.time, flight.latitude, flight.longitude, flight.height, flight.north, flight.east, flight.rpm,
        strict=True,
    ):  # fmt: skip
        lines.append(
            f"{flight.utc + t:.3f},{np.degrees(a):.9f},{np.degrees(o):.9f},{h / 0.3048:.4f},{3.6 * n:.5f},"
            f"{3.6 * e:.5f},{r:.3f}"
        )
    return ("\n".join(lines) + "\n").encode()


def as_wav(flight: Flight) -> bytes:
    """The sound of the engine at 8 kHz, 16 bit: one beat a revolution."""
    time = np.arange(round(flight.time[-1] * 8000) + 1) / 8000
    cycles = np.cumsum(np.interp(time, flight.time, flight.rpm)) / 60 / 8000
    body = np.round(9000 * np.sin(2 * np.pi * cycles)).astype("<i2").tobytes()
    head = struct.pack(
        "<4sI4s4sIHHIIHH", b"RIFF", 36 + len(body), b"WAVE", b"fmt ", 16, 1, 1, 8000, 16000, 2, 16
    )
    return head + struct.pack("<4sI", b"data", len(body)) + body


def as_igc(flight: Flight) -> bytes:
    """The flight as an IGC file with decimal seconds, further decimals of position, speed and track."""

    def angle(value: float, digits: int, letters: str) -> tuple[str, str]:
        hundred_millionths = round(abs(np.degrees(value)) * 60e8)
        degrees, minutes = divmod(hundred_millionths, 60 * 10**8)
        whole = f"{degrees:0{digits}d}{minutes // 10**5:05d}{letters[int(value < 0)]}"
        return whole, f"{minutes % 10**5:05d}"

    lines = [
        "AXXX001 test",
        "HFDTEDATE:140526,01",
        "HFPLTPILOTINCHARGE:WITHHELD",
        "HFALGALTGPS:GEO",
        "I063636TDS3741LAD4246LOD4752GSP5358TRT5961ENL",
    ]
    for t, a, o, h, n, e in zip(
        flight.time, flight.latitude, flight.longitude, flight.height, flight.north, flight.east, strict=True
    ):
        stamp = datetime.fromtimestamp(round(flight.utc + t, 1), UTC)
        latitude, lad = angle(a, 2, "NS")
        longitude, lod = angle(o, 3, "EW")
        pressure_altitude = round(h) + 30
        lines.append(
            f"B{stamp:%H%M%S}{latitude}{longitude}A{pressure_altitude:05d}{round(h):05d}"
            f"{stamp.microsecond // 100_000}{lad}{lod}{round(3600 * np.hypot(n, e)):06d}"
            f"{round(1000 * (np.degrees(np.arctan2(e, n)) % 360)):06d}420"
        )
    return ("\r\n".join([*lines, "G0123456789ABCDEF"]) + "\r\n").encode()


def sentence(body: str) -> str:
    """An NMEA sentence with its checksum."""
    total = 0
    for byte in body.encode():
        total ^= byte
    return f"${body}*{total:02X}\r\n"


def as_nmea(flight: Flight) -> bytes:
    """The flight as an NMEA stream."""
    out = []
    for t, a, o, h, n, e, r in zip(
        flight.time, flight.latitude, flight.longitude, flight.height, flight.north, flight.east, flight.rpm,
        strict=True,
    ):  # fmt: skip
        stamp = datetime.fromtimestamp(round(flight.utc + t, 1), UTC)
        time = f"{stamp:%H%M%S}.{stamp.microsecond // 10_000:02d}"
        lat, lon = np.degrees(a), np.degrees(o)
        place = f"{int(lat):02d}{60 * (lat % 1):011.8f},N,{int(lon):03d}{60 * (lon % 1):011.8f},E"
        knots = np.hypot(n, e) * 3600 / 1852
        course = np.degrees(np.arctan2(e, n)) % 360
        out += [
            sentence(f"GNRMC,{time},A,{place},{knots:.5f},{course:.5f},{stamp:%d%m%y},,,A"),
            sentence(f"GNGGA,{time},{place},1,12,0.9,{h:.3f},M,47.5,M,,"),
            sentence("GNGSA,A,3,01,11,31,14,22,32,04,25,03,,,,1.5,0.9,1.2"),
            sentence(f"IIRPM,E,1,{r:.3f},,A"),
        ]
    return "".join(out).encode()


@pytest.fixture(scope="session")
def samples(flight: Flight) -> dict[str, bytes]:
    """The flight in every format, by reader name."""
    return {
        "ULog": as_ulog(flight),
        "GPX": as_gpx(flight),
        "CSV": as_csv(flight),
        "WAV": as_wav(flight),
        "IGC": as_igc(flight),
        "NMEA": as_nmea(flight),
    }


@pytest.fixture(scope="session")
def ulog() -> Callable[..., bytes]:
    """The ULog writer."""
    return write_ulog


@pytest.fixture(scope="session")
def topic() -> type[Topic]:
    """What the ULog writer writes."""
    return Topic


@pytest.fixture(scope="session")
def ulog_message() -> Callable[[str, bytes], bytes]:
    """One ULog message from its kind and payload."""
    return message
