"""Which MAVLink fields feed which channel, best source first.

Body axes in MAVLink are forward, right, down, and local axes north, east, down, as in the channel table; only
"down" becomes "climb".

References
----------
MAVLink Developer Guide, "MAVLINK Common Message Set" and the ArduPilot set: fields, units, values that stand
for "unknown".
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..channels import GRAVITY

__all__ = [
    "AUTOPILOTS",
    "FEEDS",
    "INSTANCE_FIELDS",
    "NOT_VEHICLES",
    "NO_AUTOPILOT",
    "RPM_FIELDS",
    "VEHICLE_TYPES",
    "Feed",
]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Feed:
    """One way to have one channel.

    Attributes
    ----------
    channel : str
        Channel.
    message : str
        MAVLink message.
    fields : tuple of str
        Fields needed.
    make : callable
        From the fields' values, each of shape (n,), to the channel's; NaN where they stand for "unknown".
    gate : tuple of (str, callable), optional
        A field, and which of its values mean "valid".
    note : str
        What to know about this source.
    beside : str
        A further field that ``make`` is given, which only tells whether the others are valid.
    """

    channel: str
    message: str
    fields: tuple[str, ...]
    make: Callable[..., Array]
    gate: tuple[str, Callable[[Array], NDArray[np.bool_]]] | None = None
    note: str = ""
    beside: str = ""


NO_AUTOPILOT = 8
"""``HEARTBEAT.autopilot`` of ground stations, cameras and other parts that steer nothing."""

AUTOPILOTS = {0: "generic autopilot", 3: "ArduPilot", 12: "PX4"}
"""Autopilots in words."""

NOT_VEHICLES = frozenset({5, 6, 18, 26, 27, 30, 31, 32, 33, 34, 36, 38, 39, 40, 41, 42, 44, 48, 49})
"""``HEARTBEAT.type`` of what is no vehicle: trackers, ground stations, cameras, gimbals, and the like."""

_COPTER, _PLANE, _OTHER = "copter", "plane", "other"
VEHICLE_TYPES: dict[int, tuple[str, str]] = {
    0: ("generic vehicle", _OTHER),
    1: ("fixed wing", _PLANE),
    2: ("quadrotor", _COPTER),
    3: ("coaxial helicopter", _COPTER),
    4: ("helicopter", _COPTER),
    7: ("airship", _OTHER),
    8: ("free balloon", _OTHER),
    9: ("rocket", _OTHER),
    10: ("ground rover", _OTHER),
    11: ("boat", _OTHER),
    12: ("submarine", _OTHER),
    13: ("hexarotor", _COPTER),
    14: ("octorotor", _COPTER),
    15: ("tricopter", _COPTER),
    16: ("flapping wing", _PLANE),
    17: ("kite", _OTHER),
    19: ("tail-sitter", _PLANE),
    20: ("tail-sitter", _PLANE),
    21: ("tiltrotor", _PLANE),
    22: ("plane with lift rotors", _PLANE),
    23: ("tail-sitter", _PLANE),
    24: ("tiltwing", _PLANE),
    28: ("parafoil", _OTHER),
    29: ("dodecarotor", _COPTER),
    35: ("decarotor", _COPTER),
    37: ("parachute", _OTHER),
    43: ("multirotor", _COPTER),
}
"""``HEARTBEAT.type`` in words, and whether it is a copter, a plane or something else."""

INSTANCE_FIELDS = {
    "RAW_IMU": "id",
    "HIGHRES_IMU": "id",
    "AIRSPEED": "id",
    "EFI_STATUS": "ecu_index",
    "ESC_STATUS": "index",
}
"""Fields that say which of several sensors a message is about."""

RPM_FIELDS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("EFI_STATUS", ("rpm",)),
    ("RPM", ("rpm1", "rpm2")),
    ("ESC_STATUS", ("rpm[0]", "rpm[1]", "rpm[2]", "rpm[3]")),
    *(
        (f"ESC_TELEMETRY_{k}_TO_{k + 3}", ("rpm[0]", "rpm[1]", "rpm[2]", "rpm[3]"))
        for k in (1, 5, 9)
    ),
)  # fmt: skip
"""Fields with an engine's or motor's speed [1/min], best first; one that is not in use reads 0 or less."""


def _same(x: Array) -> Array:
    return x


def _minus(x: Array) -> Array:
    return -x


def _times(factor: float) -> Callable[[Array], Array]:
    return lambda x: factor * x


def _known(factor: float, unknown: float) -> Callable[[Array], Array]:
    return lambda x: np.where(x == unknown, np.nan, factor * x)


def _not_both_zero(factor: float) -> Callable[[Array, Array], Array]:
    return lambda x, other: np.where((x == 0) & (other == 0), np.nan, factor * x)


def _toward(turn: Callable[[Array], Array]) -> Callable[[Array, Array], Array]:
    def component(speed: Array, course: Array) -> Array:
        unknown = (speed == 65535) | (course == 65535)
        return np.where(unknown, np.nan, 0.01 * speed * turn(np.radians(0.01 * course)))

    return component


def _celsius(x: Array) -> Array:
    return np.where(x == 32767, np.nan, 0.01 * x + 273.15)


def _unit(*q: Array) -> tuple[Array, ...]:
    norm = np.sqrt(sum(part * part for part in q))
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.where(np.abs(norm - 1.0) < 0.1, 1.0 / norm, np.nan)
    return tuple(part * scale for part in q)


def _bank(*q: Array) -> Array:
    w, x, y, z = _unit(*q)
    return np.arctan2(2 * (w * x + y * z), 1 - 2 * (x * x + y * y))


def _pitch(*q: Array) -> Array:
    w, x, y, z = _unit(*q)
    return np.arcsin(np.clip(2 * (w * y - z * x), -1.0, 1.0))


def _heading(*q: Array) -> Array:
    w, x, y, z = _unit(*q)
    return np.arctan2(2 * (w * z + x * y), 1 - 2 * (y * y + z * z))


def _fix(least: int) -> tuple[str, Callable[[Array], NDArray[np.bool_]]]:
    return ("fix_type", lambda x: x >= least)


_DEGREE_7 = 1e-7 * np.pi / 180.0
_MILLI_G = 1e-3 * GRAVITY
_QUATERNION = ("q1", "q2", "q3", "q4")
_FUSED = "filtered by the flight controller"
_CHIP = "temperature of the barometer chip, usually warmer than the air"


def _imu() -> list[Feed]:
    out: list[Feed] = []
    for axis, rate in zip("xyz", ("roll", "pitch", "yaw"), strict=True):
        gyro, force = f"{axis}gyro", f"{axis}acc"
        out += [
            Feed(f"{rate}_rate", "HIGHRES_IMU", (gyro,), _same),
            Feed(f"{rate}_rate", "ATTITUDE", (f"{rate}speed",), _same),
            Feed(f"{rate}_rate", "ATTITUDE_QUATERNION", (f"{rate}speed",), _same),
            Feed(f"specific_force_{axis}", "HIGHRES_IMU", (force,), _same),
        ]
        for message in ("SCALED_IMU", "RAW_IMU", "SCALED_IMU2", "SCALED_IMU3"):
            out += [
                Feed(f"{rate}_rate", message, (gyro,), _times(1e-3)),
                Feed(f"specific_force_{axis}", message, (force,), _times(_MILLI_G)),
            ]
    return out


def _receiver(message: str) -> list[Feed]:
    flat, full = _fix(2), _fix(3)
    return [
        Feed("latitude", message, ("lat",), _times(_DEGREE_7), flat),
        Feed("longitude", message, ("lon",), _times(_DEGREE_7), flat),
        Feed("height", message, ("alt",), _times(1e-3), full),
        Feed("velocity_north", message, ("vel", "cog"), _toward(np.cos), flat),
        Feed("velocity_east", message, ("vel", "cog"), _toward(np.sin), flat),
        Feed("ground_speed", message, ("vel",), _known(0.01, 65535), flat),
        Feed("track", message, ("cog",), _known(np.pi / 18_000.0, 65535), flat),
    ]


def _feeds() -> list[Feed]:
    position = "GLOBAL_POSITION_INT"
    out = _imu()
    for channel, field, make in (
        ("bank", "roll", _bank),
        ("pitch", "pitch", _pitch),
        ("heading", "yaw", _heading),
    ):
        out.append(Feed(channel, "ATTITUDE", (field,), _same))
        out.append(Feed(channel, "ATTITUDE_QUATERNION", _QUATERNION, make))
    out += [*_receiver("GPS_RAW_INT"), *_receiver("GPS2_RAW")]
    out += [
        Feed("heading", position, ("hdg",), _known(np.pi / 18_000.0, 65535), None, _FUSED),
        Feed("heading", "VFR_HUD", ("heading",), _times(np.pi / 180.0), None, "whole degrees"),
        Feed("latitude", position, ("lat",), _not_both_zero(_DEGREE_7), None, _FUSED, "lon"),
        Feed("longitude", position, ("lon",), _not_both_zero(_DEGREE_7), None, _FUSED, "lat"),
        Feed("height", position, ("alt",), _times(1e-3), None, _FUSED),
    ]
    for channel, axis in (("velocity_north", "x"), ("velocity_east", "y")):
        out.append(Feed(channel, position, (f"v{axis}",), _times(0.01), None, _FUSED))
        out.append(Feed(channel, "LOCAL_POSITION_NED", (f"v{axis}",), _same, None, _FUSED))
    out += [
        Feed("climb", position, ("vz",), _times(-0.01), None, _FUSED),
        Feed("climb", "LOCAL_POSITION_NED", ("vz",), _minus, None, _FUSED),
        Feed("climb", "VFR_HUD", ("climb",), _same, None, _FUSED),
        Feed("ground_speed", "VFR_HUD", ("groundspeed",), _same, None, _FUSED),
        Feed("indicated_airspeed", "AIRSPEED", ("airspeed",), _same, ("flags", lambda x: x % 2 == 0)),
        Feed("indicated_airspeed", "VFR_HUD", ("airspeed",), _same),
        Feed("pressure", "HIGHRES_IMU", ("abs_pressure",), _times(100.0)),
        Feed("temperature", "AIRSPEED", ("temperature",), _celsius),
    ]
    for message in ("SCALED_PRESSURE", "SCALED_PRESSURE2", "SCALED_PRESSURE3"):
        out.append(Feed("pressure", message, ("press_abs",), _times(100.0)))
        out.append(Feed("temperature", message, ("temperature",), _celsius, None, _CHIP))
    out += [
        Feed("throttle", "EFI_STATUS", ("throttle_position",), _times(0.01)),
        Feed(
            "throttle", "VFR_HUD", ("throttle",), _times(0.01), None, "throttle that the controller asks for"
        ),
    ]
    return out


FEEDS: tuple[Feed, ...] = tuple(_feeds())
"""Every way to have a channel but rpm from a telemetry log, for each channel the best first."""
