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


def make_flight() -> Flight:
    """Return the flight that every sample holds."""
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


DATAFLASH = {
    "b": "b", "B": "B", "h": "h", "H": "H", "i": "i", "I": "I", "f": "f", "d": "d", "g": "e", "n": "4s",
    "N": "16s", "Z": "64s", "a": "64s", "c": "h", "C": "H", "e": "i", "E": "I", "L": "i", "M": "B", "q": "q",
    "Q": "Q",
}  # fmt: skip
FMT_TEXT = "Type,Length,Name,Format,Columns"


@dataclass
class Logged:
    """A DataFlash message to be written: its definition and rows of raw values, time first."""

    number: int
    name: str
    form: str
    columns: str
    rows: Sequence[Sequence[Any]]
    units: str = ""
    multipliers: str = ""

    def pack(self, *values: Any) -> bytes:
        code = "<" + "".join(DATAFLASH[c] for c in self.form)
        return b"\xa3\x95" + bytes([self.number]) + struct.pack(code, *values)

    @property
    def length(self) -> int:
        return 3 + struct.calcsize("<" + "".join(DATAFLASH[c] for c in self.form))


def dataflash_units(
    messages: Sequence[Logged], labels: dict[str, str], factors: dict[str, float]
) -> list[Logged]:
    """The messages that state units and multipliers."""
    uses = [(1, m.number, m.units.encode(), m.multipliers.encode()) for m in messages if m.units]
    return [
        Logged(178, "UNIT", "QbZ", "TimeUS,Id,Label", [(1, ord(k), v.encode()) for k, v in labels.items()]),
        Logged(179, "MULT", "Qbd", "TimeUS,Id,Mult", [(1, ord(k), v) for k, v in factors.items()]),
        Logged(177, "FMTU", "QBNN", "TimeUS,FmtType,UnitIds,MultIds", uses),
    ]


def write_dataflash(messages: Sequence[Logged], *, defined: Sequence[Logged] | None = None) -> bytes:
    """Return a binary log: FMT records of ``defined`` (of all, if None), then data in the order of time."""
    out = [b"\xa3\x95\x80" + struct.pack("<BB4s16s64s", 128, 89, b"FMT", b"BBnNZ", FMT_TEXT.encode())]
    for m in messages if defined is None else defined:
        fields = (m.number, m.length, m.name.encode(), m.form.encode(), m.columns.encode())
        out.append(b"\xa3\x95\x80" + struct.pack("<BB4s16s64s", *fields))
    data = sorted(((row[0], i) for i, m in enumerate(messages) for row in m.rows), key=lambda item: item[0])
    rows = [iter(m.rows) for m in messages]
    out += [messages[i].pack(*next(rows[i])) for _, i in data]
    return b"".join(out)


def write_dataflash_text(messages: Sequence[Logged]) -> bytes:
    """Return the same log as text, scaled by the format characters as such text is."""
    out = [f"FMT, 128, 89, FMT, BBnNZ, {FMT_TEXT}"]
    out += [f"FMT, {m.number}, {m.length}, {m.name}, {m.form}, {m.columns}" for m in messages]
    scale = {"c": (100, 2), "C": (100, 2), "e": (100, 2), "E": (100, 2), "L": (10**7, 7)}

    def cell(code: str, value: Any) -> str:
        if code in scale:
            return f"{value / scale[code][0]:.{scale[code][1]}f}"
        return value.decode() if isinstance(value, bytes) else repr(value)

    data = sorted(((row[0], i) for i, m in enumerate(messages) for row in m.rows), key=lambda item: item[0])
    rows = [iter(m.rows) for m in messages]
    for _, i in data:
        m = messages[i]
        out.append(", ".join([m.name, *(cell(c, v) for c, v in zip(m.form, next(rows[i]), strict=True))]))
    return ("\n".join(out) + "\n").encode()


def dataflash_messages(flight: Flight) -> list[Logged]:
    """The flight as DataFlash messages."""
    us = 5_000_000 + np.round(flight.time * 1e6).astype(int)
    week, second = divmod(flight.utc - 315_964_800 + 18, 604_800)
    course = np.degrees(np.arctan2(flight.east, flight.north)) % 360
    speed = np.hypot(flight.north, flight.east)
    gps = Logged(
        130, "GPS", "QBBIHLLfffffB", "TimeUS,I,Status,GMS,GWk,Lat,Lng,Alt,Spd,GCrs,VZ,HDop,U",
        [
            (int(t), 0, 3, round(second * 1000 + (t - us[0]) / 1000), int(week), round(np.degrees(a) * 1e7),
             round(np.degrees(o) * 1e7), float(h), float(v), float(c), -0.5, 0.9, 1)
            for t, a, o, h, v, c in zip(us, flight.latitude, flight.longitude, flight.height, speed, course,
                                        strict=True)
        ],
        "s#---DUmnhn--", "F----GG00000-",
    )  # fmt: skip
    turns = [(int(t), float(r), -1.0) for t, r in zip(us, flight.rpm, strict=True)]
    rpm = Logged(186, "RPM", "Qff", "TimeUS,rpm1,rpm2", turns, "sqq", "F00")
    rates = [(int(t), 0, 0.0, 0.01, 0.08) for t in us]
    imu = Logged(162, "IMU", "QBfff", "TimeUS,I,GyrX,GyrY,GyrZ", rates, "s#EEE", "F-000")
    messages = [gps, rpm, imu]
    labels = {"s": "s", "#": "instance", "D": "deglatitude", "U": "deglongitude", "m": "m", "n": "m/s",
              "h": "degheading", "q": "rpm", "E": "rad/s", "-": ""}  # fmt: skip
    return dataflash_units(messages, labels, {"F": 1e-6, "G": 1e-7, "0": 1.0, "-": 0.0}) + messages


def mavlink_frame(
    number: int,
    seed: int,
    payload: bytes,
    stamp_us: int,
    sequence: int = 0,
    system: int = 1,
    component: int = 1,
    version: int = 2,
    signature: bytes = b"",
) -> bytes:
    """A stamped MAVLink frame; ``seed`` is the message's CRC_EXTRA. MAVLink 2 cuts zeros at the end."""
    if version == 2:
        payload = payload.rstrip(b"\0") or b"\0"
        head = struct.pack("<BBBBBB", len(payload), bool(signature), 0, sequence % 256, system, component)
        body = head + number.to_bytes(3, "little") + payload
    else:
        body = struct.pack("<BBBBB", len(payload), sequence % 256, system, component, number) + payload
    crc = 0xFFFF
    for byte in body + bytes([seed]):
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0x8408 if crc & 1 else crc >> 1
    start = b"\xfd" if version == 2 else b"\xfe"
    return struct.pack(">Q", stamp_us) + start + body + struct.pack("<H", crc) + signature


def as_tlog(flight: Flight) -> bytes:
    """The flight as a telemetry log: positions and velocities with boot time, rpm with receive stamps."""
    out = []

    def send(number: int, seed: int, code: str, *values: Any, version: int = 2) -> None:
        payload = struct.pack(f"<{code}", *values)
        out.append(mavlink_frame(number, seed, payload, round(stamp * 1e6), len(out), version=version))

    for i, (t, a, o, h, n, e, r) in enumerate(
        zip(
            flight.time, flight.latitude, flight.longitude, flight.height, flight.north, flight.east,
            flight.rpm, strict=True,
        )
    ):  # fmt: skip
        stamp, boot_ms = flight.utc + t, 5000 + 100 * i
        if i % 10 == 0:
            send(0, 50, "IBBBBB", 0, 28, 3, 0, 4, 3, version=1)  # a parafoil
            send(2, 137, "QI", round(stamp * 1e6), boot_ms)
        place = round(np.degrees(a) * 1e7), round(np.degrees(o) * 1e7), round(h * 1e3)
        unknown = 65535
        send(24, 24, "QiiiHHHHBB", 1000 * boot_ms, *place, 80, 120, unknown, unknown, 3, 14)
        send(32, 185, "I6f", boot_ms, 0.0, 0.0, 0.0, n, e, -0.5)
        send(226, 207, "2f", r, 0.0)
    return b"".join(out)


@pytest.fixture(scope="session")
def flight() -> Flight:
    """The flight that every sample holds."""
    return make_flight()


@pytest.fixture(scope="session")
def samples(flight: Flight) -> dict[str, bytes]:
    """The flight in every format, by reader name."""
    return make_samples(flight)


def make_samples(flight: Flight) -> dict[str, bytes]:
    """Return the flight in every format, by reader name."""
    return {
        "ULog": as_ulog(flight),
        "GPX": as_gpx(flight),
        "CSV": as_csv(flight),
        "WAV": as_wav(flight),
        "IGC": as_igc(flight),
        "NMEA": as_nmea(flight),
        "MAVLink": as_tlog(flight),
        "DataFlash": write_dataflash(dataflash_messages(flight)),
        "Text DataFlash": write_dataflash_text(dataflash_messages(flight)),
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


@pytest.fixture(scope="session")
def logged() -> type[Logged]:
    """What the DataFlash writers write."""
    return Logged


@pytest.fixture(scope="session")
def dataflash() -> Callable[..., bytes]:
    """The writer of binary DataFlash logs."""
    return write_dataflash


@pytest.fixture(scope="session")
def dataflash_text() -> Callable[..., bytes]:
    """The writer of DataFlash logs as text."""
    return write_dataflash_text


@pytest.fixture(scope="session")
def unit_messages() -> Callable[..., list[Logged]]:
    """DataFlash messages that state units and multipliers."""
    return dataflash_units


@pytest.fixture(scope="session")
def flight_messages(flight: Flight) -> list[Logged]:
    """The flight as DataFlash messages."""
    return dataflash_messages(flight)


@pytest.fixture(scope="session", name="mavlink_frame")
def mavlink_frame_writer() -> Callable[..., bytes]:
    """One stamped MAVLink frame."""
    return mavlink_frame
