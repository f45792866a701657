"""Which DataFlash columns feed which channel, best source first.

Body axes are forward, right, down and local axes north, east, down, as in the channel table, so that no sign
is changed except from "down" to "climb". The unit beside each column is that of logs which state none; where
a log states a unit of the same kind, that one is used.

References
----------
ArduPilot project, "Onboard Message Log Messages": ATT, XKF1, NKF1, XKF4, AHR2, IMU, GYR, ACC, RATE, GPS, POS,
BARO, ARSP, EFI, RPM, ESC, CTUN and their units.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .units import dimension_of

__all__ = [
    "EKF_STATUS",
    "FEEDS",
    "GPS_NAMES",
    "LABELS",
    "NEEDED",
    "ROTATION",
    "Column",
    "Feed",
    "gps_to_utc",
    "unit_for",
]

Array = NDArray[np.float64]
Gate = tuple[str, Callable[[Array], NDArray[np.bool_]]]

GPS_NAMES = ("GPS", "GPS2", "GPSB")
"""Messages with the satellite receivers' own position, velocity and time."""

LABELS = {
    "deg": "deg",
    "degheading": "deg",
    "deglatitude": "deg",
    "deglongitude": "deg",
    "rad": "rad",
    "rad/s": "rad/s",
    "deg/s": "deg/s",
    "m": "m",
    "m/s": "m/s",
    "m/s/s": "m/s^2",
    "Pa": "Pa",
    "degC": "C",
    "rpm": "rpm",
    "Hz": "Hz",
    "%": "%",
}
"""Unit as such logs spell it to the spelling of :mod:`flightproc.readers.units`."""

EKF_STATUS = {"XKF1": "XKF4", "NKF1": "NKF4", "NKF6": "NKF9"}
"""Message of a state estimator to the one whose ``SS`` says what the estimate is worth."""


@dataclass(frozen=True)
class Column:
    """A column that a feed needs.

    Attributes
    ----------
    name : str
        Column.
    unit : str
        Unit where the log states none.
    kind : str
        A channel of the same dimension; the column is brought to that channel's unit.
    """

    name: str
    unit: str
    kind: str


@dataclass(frozen=True)
class Feed:
    """One way to have one channel.

    Attributes
    ----------
    channel : str
        Channel.
    message : str
        DataFlash message.
    columns : tuple of Column
        Columns needed; all must be there.
    make : callable
        From the columns, each of shape (n,) and in SI, to the channel.
    gates : tuple of (str, callable)
        Optional columns and, for each, which of its values mean "valid".
    note : str
        What to know about this source.
    joined : bool
        Whether the channel is made of all the columns, not of the first alone.
    status_bit : int
        Bit of the estimator's status that must be set; -1 where there is none.
    only_with : str
        A column that must be there too, to tell apart messages of one name.
    """

    channel: str
    message: str
    columns: tuple[Column, ...]
    make: Callable[..., Array]
    gates: tuple[Gate, ...] = ()
    note: str = ""
    joined: bool = False
    status_bit: int = -1
    only_with: str = ""


def unit_for(column: Column, label: str) -> str:
    """Return the unit to read a column in: the log's own where it is of the right kind.

    Examples
    --------
    >>> yaw = Column("Yaw", "deg", "heading")
    >>> unit_for(yaw, "rad"), unit_for(yaw, "degheading"), unit_for(yaw, "UNKNOWN")
    ('rad', 'deg', 'deg')
    """
    stated = LABELS.get(label, "")
    if stated and dimension_of(stated) == dimension_of(column.unit):
        return stated
    return column.unit


def _same(x: Array) -> Array:
    return x


def _minus(x: Array) -> Array:
    return -x


def _north(speed: Array, track: Array) -> Array:
    return speed * np.cos(track)


def _east(speed: Array, track: Array) -> Array:
    return speed * np.sin(track)


def _true(name: str) -> Gate:
    return (name, lambda x: x > 0)


def _not_zero(x: Array, other: Array) -> Array:
    return np.where((x == 0) & (other == 0), np.nan, x)


_FIX: Gate = ("Status", lambda x: x >= 3)
_ATTITUDE = (("bank", "Roll"), ("pitch", "Pitch"), ("heading", "Yaw"))
_RATES = ("roll_rate", "pitch_rate", "yaw_rate")
_HEALTHY = (_true("H"), _true("Health"))
_CHIP = "temperature of the barometer chip, usually warmer than the air"
_STICK = "output of the throttle controller"


def _column(channel: str, name: str, unit: str) -> tuple[Column, ...]:
    return (Column(name, unit, channel),)


def _body() -> list[Feed]:
    out: list[Feed] = []
    for message in ("ATT", *EKF_STATUS, "AHR2"):
        note = {"ATT": "", "AHR2": "second, simpler estimate of the autopilot"}.get(message, "")
        bit = -1 if message in ("ATT", "AHR2") else 0
        out += [
            Feed(channel, message, _column(channel, name, "deg"), _same, note=note, status_bit=bit)
            for channel, name in _ATTITUDE
        ]
    for axis, rate, short in zip("XYZ", _RATES, "RPY", strict=True):
        force = f"specific_force_{axis.lower()}"
        gyro, accelerometer = _column(rate, f"Gyr{axis}", "rad/s"), _column(force, f"Acc{axis}", "m/s^2")
        for message in ("IMU", "IMU2", "IMU3"):
            out += [
                Feed(rate, message, gyro, _same, (_true("GH"), _true("GyHlt"))),
                Feed(force, message, accelerometer, _same, (_true("AH"), _true("AcHlt"))),
            ]
        raw = "one sensor, before the autopilot's own filter"
        for number in ("", "1", "2", "3"):
            out += [
                Feed(rate, f"GYR{number}", gyro, _same, note=raw),
                Feed(force, f"ACC{number}", accelerometer, _same, note=raw),
            ]
        out.append(Feed(rate, "RATE", _column(rate, short, "deg/s"), _same, note="rate that is controlled"))
    return out


def _track() -> list[Feed]:
    out: list[Feed] = []
    latitude, longitude = Column("Lat", "deg", "latitude"), Column("Lng", "deg", "longitude")
    speed, track = Column("Spd", "m/s", "ground_speed"), Column("GCrs", "deg", "track")
    fused = "position of the autopilot's estimator"
    for gps in GPS_NAMES:
        out += [
            Feed("latitude", gps, (latitude, longitude), _not_zero, (_FIX,)),
            Feed("longitude", gps, (longitude, latitude), _not_zero, (_FIX,)),
            Feed("height", gps, _column("height", "Alt", "m"), _same, (_FIX,)),
            Feed("velocity_north", gps, (speed, track), _north, (_FIX,), joined=True),
            Feed("velocity_east", gps, (speed, track), _east, (_FIX,), joined=True),
            Feed("climb", gps, _column("climb", "VZ", "m/s"), _minus, (_FIX,)),
            Feed("ground_speed", gps, (speed,), _same, (_FIX,)),
            Feed("track", gps, (track,), _same, (_FIX,)),
        ]
    out += [
        Feed("latitude", "POS", (latitude, longitude), _not_zero, note=fused),
        Feed("longitude", "POS", (longitude, latitude), _not_zero, note=fused),
    ]
    for message in EKF_STATUS:
        out += [
            Feed("velocity_north", message, _column("velocity_north", "VN", "m/s"), _same, status_bit=1),
            Feed("velocity_east", message, _column("velocity_east", "VE", "m/s"), _same, status_bit=1),
            Feed("climb", message, _column("climb", "VD", "m/s"), _minus, status_bit=2),
        ]
    pressure = "from the barometer"
    out += [Feed("climb", "BARO", _column("climb", "CRt", "m/s"), _same, note=pressure)]
    return out


def _air() -> list[Feed]:
    speed = _column("indicated_airspeed", "Airspeed", "m/s")
    used = "temperature that the airspeed is worked out with"
    out: list[Feed] = []
    for message in ("ARSP", "ASP2"):
        out += [
            Feed("indicated_airspeed", message, speed, _same, _HEALTHY),
            Feed("temperature", message, _column("temperature", "Temp", "C"), _same, _HEALTHY, note=used),
        ]
    for message in ("BARO", "BAR2", "BAR3"):
        out += [
            Feed("pressure", message, _column("pressure", "Press", "Pa"), _same, _HEALTHY),
            Feed("temperature", message, _column("temperature", "Temp", "C"), _same, _HEALTHY, note=_CHIP),
        ]
    return out


def _engine() -> list[Feed]:
    out = [
        Feed("rpm", "EFI", _column("rpm", "Rpm", "rpm"), _same, note="engine's own control unit"),
        *(Feed("rpm", "RPM", _column("rpm", f"rpm{k}", "rpm"), _same) for k in range(1, 9)),
        Feed("rpm", "RPM", _column("rpm", "RPM", "rpm"), _same, (_true("H"),)),
        Feed("rpm", "ESC", _column("rpm", "RPM", "rpm"), _same, note="motor controller"),
        *(
            Feed("rpm", f"ESC{k}", _column("rpm", "RPM", "rpm"), _same, note="motor controller")
            for k in range(1, 9)
        ),
        Feed("throttle", "EFI", _column("throttle", "TPS", "%"), _same, note="engine's own control unit"),
    ]
    fraction, percent = _column("throttle", "ThO", "1"), _column("throttle", "ThO", "%")
    out += [
        Feed("throttle", "CTUN", fraction, _same, note=_STICK, only_with="ABst"),
        Feed("throttle", "CTUN", percent, _same, note=_STICK, only_with="NavRoll"),
    ]
    return out


FEEDS: tuple[Feed, ...] = (*_body(), *_track(), *_air(), *_engine())
"""Every way to have a channel from a DataFlash log, for each channel the best first."""


def _needed() -> dict[str, frozenset[str]]:
    out: dict[str, set[str]] = {name: {"SS"} for name in EKF_STATUS.values()}
    for feed in FEEDS:
        out.setdefault(feed.message, set()).update(
            [column.name for column in feed.columns], [name for name, _ in feed.gates]
        )
    for name in GPS_NAMES:
        out[name] |= {"U", "GWk", "GMS", "Week", "TimeMS"}
    return {name: frozenset(columns) for name, columns in out.items()}


NEEDED = _needed()
"""For each message the columns that are looked at, its time and instance apart."""

ROTATION = frozenset({"rpm"})
"""Channels in which 0 throughout or a negative value stands for "no sensor"."""


# GPS time -------------------------------------------------------------------------------------------------

_EPOCH = 315_964_800.0  # POSIX seconds of 1980-01-06, where GPS time begins
_WEEK = 604_800.0

# POSIX seconds of the UTC day from which GPS time has been ahead by so many seconds.
_LEAPS = (
    (362_793_600, 1),  # 1981-07-01
    (394_329_600, 2),  # 1982-07-01
    (425_865_600, 3),  # 1983-07-01
    (489_024_000, 4),  # 1985-07-01
    (567_993_600, 5),  # 1988-01-01
    (631_152_000, 6),  # 1990-01-01
    (662_688_000, 7),  # 1991-01-01
    (709_948_800, 8),  # 1992-07-01
    (741_484_800, 9),  # 1993-07-01
    (773_020_800, 10),  # 1994-07-01
    (820_454_400, 11),  # 1996-01-01
    (867_715_200, 12),  # 1997-07-01
    (915_148_800, 13),  # 1999-01-01
    (1_136_073_600, 14),  # 2006-01-01
    (1_230_768_000, 15),  # 2009-01-01
    (1_341_100_800, 16),  # 2012-07-01
    (1_435_708_800, 17),  # 2015-07-01
    (1_483_228_800, 18),  # 2017-01-01
)


def gps_to_utc(week: float, milliseconds: float) -> float:
    """Return UTC [POSIX seconds] of a GPS week, counted from 1980 without roll-over, and time of week [ms].

    Parameters
    ----------
    week : float
        Full week number.
    milliseconds : float
        Since the beginning of the week.

    Notes
    -----
    GPS time has no leap seconds: it has been ahead of UTC by 18 s since 2017, by less before. A leap second
    after 2017 is not known to this table; none had been announced when it was written.

    References
    ----------
    IS-GPS-200, "Navstar GPS Space Segment/Navigation User Interfaces": epoch and week. IERS Bulletin C: leap
    seconds.

    Examples
    --------
    >>> gps_to_utc(1930, 18_000.0) - gps_to_utc(1930, 0.0)
    17.0
    >>> from datetime import datetime, UTC
    >>> datetime.fromtimestamp(gps_to_utc(2418, 0.0), UTC).isoformat()
    '2026-05-09T23:59:42+00:00'
    """
    seconds = _EPOCH + week * _WEEK + milliseconds * 1e-3
    ahead = 0
    for begin, leap in _LEAPS:
        if seconds - leap >= begin:
            ahead = leap
    return math.fsum((seconds, -float(ahead)))
