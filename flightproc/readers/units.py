"""Units that a column of a table may be in, and how they become the program's own."""

from __future__ import annotations

import math
import re

import numpy as np
from numpy.typing import NDArray

from ..channels import CHANNELS, GRAVITY
from ..errors import LogError

__all__ = ["TIME_UNITS", "allowed_units", "convert", "dimension_of", "find_unit"]

TIME_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0, "h": 3600.0}
"""Units of a time column, in seconds."""

_DEGREE = math.pi / 180.0
_FOOT = 0.3048
_KNOT = 1852.0 / 3600.0
_MILE = 1609.344

# unit: (dimension, factor, offset); SI = factor * value + offset
_UNITS: dict[str, tuple[str, float, float]] = {
    "rad": ("angle", 1.0, 0.0),
    "deg": ("angle", _DEGREE, 0.0),
    "1e-7 deg": ("angle", 1e-7 * _DEGREE, 0.0),
    "rad/s": ("angular rate", 1.0, 0.0),
    "deg/s": ("angular rate", _DEGREE, 0.0),
    "m/s": ("speed", 1.0, 0.0),
    "km/h": ("speed", 1.0 / 3.6, 0.0),
    "kt": ("speed", _KNOT, 0.0),
    "mph": ("speed", _MILE / 3600.0, 0.0),
    "ft/min": ("speed", _FOOT / 60.0, 0.0),
    "m": ("length", 1.0, 0.0),
    "mm": ("length", 1e-3, 0.0),
    "km": ("length", 1e3, 0.0),
    "ft": ("length", _FOOT, 0.0),
    "Pa": ("pressure", 1.0, 0.0),
    "hPa": ("pressure", 100.0, 0.0),
    "kPa": ("pressure", 1000.0, 0.0),
    "K": ("temperature", 1.0, 0.0),
    "C": ("temperature", 1.0, 273.15),
    "F": ("temperature", 5.0 / 9.0, 459.67 * 5.0 / 9.0),
    "m/s^2": ("acceleration", 1.0, 0.0),
    "g": ("acceleration", GRAVITY, 0.0),
    "1/min": ("rotation", 1.0, 0.0),
    "rpm": ("rotation", 1.0, 0.0),
    "Hz": ("rotation", 60.0, 0.0),
    "1": ("fraction", 1.0, 0.0),
    "%": ("fraction", 0.01, 0.0),
}

_ALIASES = {
    "°": "deg",
    "degree": "deg",
    "degrees": "deg",
    "radian": "rad",
    "radians": "rad",
    "rads": "rad/s",
    "rad/sec": "rad/s",
    "°/s": "deg/s",
    "deg/sec": "deg/s",
    "dps": "deg/s",
    "degs": "deg/s",
    "mps": "m/s",
    "m/sec": "m/s",
    "ms-1": "m/s",
    "m s-1": "m/s",
    "m/s2": "m/s^2",
    "m/s/s": "m/s^2",
    "m/s²": "m/s^2",
    "m/s**2": "m/s^2",
    "mps2": "m/s^2",
    "kmh": "km/h",
    "kph": "km/h",
    "kts": "kt",
    "kn": "kt",
    "knot": "kt",
    "knots": "kt",
    "fpm": "ft/min",
    "metre": "m",
    "meter": "m",
    "metres": "m",
    "meters": "m",
    "feet": "ft",
    "foot": "ft",
    "mbar": "hPa",
    "mb": "hPa",
    "pascal": "Pa",
    "°c": "C",
    "degc": "C",
    "celsius": "C",
    "°f": "F",
    "degf": "F",
    "fahrenheit": "F",
    "kelvin": "K",
    "r/min": "rpm",
    "rev/min": "rpm",
    "min-1": "rpm",
    "hertz": "Hz",
    "rev/s": "Hz",
    "percent": "%",
    "pct": "%",
    "-": "1",
    "µs": "us",
    "μs": "us",
    "sec": "s",
    "secs": "s",
    "second": "s",
    "seconds": "s",
    "msec": "ms",
    "millis": "ms",
    "milliseconds": "ms",
    "usec": "us",
    "micros": "us",
    "microseconds": "us",
    "nsec": "ns",
    "nanoseconds": "ns",
    "minutes": "min",
    "hours": "h",
}

_EXACT = {name: name for name in (*_UNITS, *TIME_UNITS)}
_FOLDED = {name.casefold(): name for name in (*_UNITS, *TIME_UNITS)} | _ALIASES

_DIMENSION = {
    "rad": "angle",
    "rad/s": "angular rate",
    "m/s": "speed",
    "m": "length",
    "Pa": "pressure",
    "K": "temperature",
    "m/s^2": "acceleration",
    "1/min": "rotation",
    "1": "fraction",
}


def dimension_of(unit: str) -> str:
    """Return the dimension of a unit as spelt by :func:`find_unit` (``time`` for time units)."""
    return "time" if unit in TIME_UNITS else _UNITS[unit][0]


def find_unit(text: str) -> str | None:
    """Return a unit in this module's spelling, or None where it is not known.

    Examples
    --------
    >>> find_unit("°/s"), find_unit("KM/H"), find_unit("furlong")
    ('deg/s', 'km/h', None)
    """
    bare = re.sub(r"\s+", " ", text.strip().strip("[](){}").strip())
    if bare in _EXACT:
        return bare
    return _FOLDED.get(bare.casefold())


def allowed_units(channel: str) -> str:
    """Return the units allowed for a channel (or ``time``), separated by commas.

    Examples
    --------
    >>> allowed_units("bank")
    'rad, deg, 1e-7 deg'
    """
    if channel == "time":
        return ", ".join(TIME_UNITS) + ", utc"
    wanted = _DIMENSION[CHANNELS[channel].unit]
    return ", ".join(name for name, (dimension, _, _) in _UNITS.items() if dimension == wanted)


def convert(values: NDArray[np.float64], unit: str, channel: str, where: str) -> NDArray[np.float64]:
    """Bring values to the channel's own unit.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Values in ``unit``.
    unit : str
        Unit, any known spelling.
    channel : str
        Channel they are for.
    where : str
        File and column, for the error.

    Raises
    ------
    LogError
        If the unit is not known or is not one of the channel's.
    """
    name = find_unit(unit)
    wanted = _DIMENSION[CHANNELS[channel].unit]
    if name is None or name in TIME_UNITS or _UNITS[name][0] != wanted:
        raise LogError(
            f"this unit does not fit the channel {channel}",
            where=where,
            found=unit,
            allowed=allowed_units(channel),
        )
    _, factor, offset = _UNITS[name]
    return values * factor + offset
