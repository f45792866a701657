"""The air: standard atmosphere, density along the flight, indicated and true airspeed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..channels import GRAVITY

__all__ = [
    "AIR_GAS_CONSTANT",
    "SEA_LEVEL_DENSITY",
    "Atmosphere",
    "DensityResult",
    "density_along",
    "equivalent_airspeed",
    "geometric_height",
    "geopotential_height",
    "standard_atmosphere",
    "standard_pressure_height",
    "true_airspeed",
]

AIR_GAS_CONSTANT = 287.05287
"""Specific gas constant of dry air [J/(kg K)] (ISO 2533)."""

SEA_LEVEL_DENSITY = 1.225
"""Density of the standard atmosphere at sea level [kg/m^3]."""

_EARTH_RADIUS = 6_356_766.0  # nominal, ISO 2533
_T0 = 288.15
_P0 = 101_325.0
_LAPSE = -0.0065
_TROPOPAUSE = 11_000.0
_KAPPA = 1.4
_SUTHERLAND_BETA = 1.458e-6
_SUTHERLAND_S = 110.4
_LOWEST, _HIGHEST = -5_000.0, 20_000.0

HEIGHT_ONLY_STD_RATIO = 0.03
"""Relative standard uncertainty of a density taken from the standard atmosphere at a known height: about
8 K of temperature and 10 hPa of pressure, as the weather brings."""

_STANDARD_TEMPERATURE_STD = 8.0  # [K] weather against the standard atmosphere
_SENSOR_TEMPERATURE_STD = 2.0  # [K] a sensor near a pilot, an engine and the sun
_PRESSURE_STD_RATIO = 0.003  # 3 hPa: barometer offset and position error
_HUMIDITY_STD_RATIO = 0.003  # dry air taken where it may be moist


@dataclass(frozen=True)
class Atmosphere:
    """Properties of the standard atmosphere.

    Attributes
    ----------
    temperature : ndarray, shape (n,)
        [K].
    pressure : ndarray, shape (n,)
        [Pa].
    density : ndarray, shape (n,)
        [kg/m^3].
    speed_of_sound : ndarray, shape (n,)
        [m/s].
    viscosity : ndarray, shape (n,)
        Dynamic viscosity [Pa s].
    """

    temperature: NDArray[np.float64]
    pressure: NDArray[np.float64]
    density: NDArray[np.float64]
    speed_of_sound: NDArray[np.float64]
    viscosity: NDArray[np.float64]


def geopotential_height(height: ArrayLike) -> NDArray[np.float64]:
    """Return the geopotential height [m] of a geometric height [m] (ISO 2533, Eq. 8)."""
    h = np.asarray(height, dtype=float)
    return np.asarray(_EARTH_RADIUS * h / (_EARTH_RADIUS + h), dtype=float)


def geometric_height(geopotential: ArrayLike) -> NDArray[np.float64]:
    """Return the geometric height [m] of a geopotential height [m]."""
    h = np.asarray(geopotential, dtype=float)
    return np.asarray(_EARTH_RADIUS * h / (_EARTH_RADIUS - h), dtype=float)


def standard_atmosphere(height: ArrayLike) -> Atmosphere:
    r"""Return the standard atmosphere at a geometric height.

    Parameters
    ----------
    height : array_like, shape (n,)
        Geometric height above mean sea level [m], -5 km to 20 km.

    Returns
    -------
    Atmosphere

    Raises
    ------
    ValueError
        If a height lies outside that range.

    Notes
    -----
    Temperature falls by 6.5 K per geopotential kilometre to 11 km and stays from there on; pressure by
    hydrostatic balance; viscosity by Sutherland's law,
    :math:`1.458\times10^{-6}\,T^{3/2}/(T + 110.4)`.

    References
    ----------
    .. [1] ISO 2533:1975, Standard Atmosphere.

    Examples
    --------
    >>> air = standard_atmosphere(1000.0)
    >>> round(float(air.temperature), 3), round(float(air.density), 5)
    (281.651, 1.11166)
    """
    h = geopotential_height(height)
    if np.any((h < _LOWEST) | (h > _HIGHEST)):
        raise ValueError(
            f"the standard atmosphere is kept from {_LOWEST:.0f} to {_HIGHEST:.0f} m, "
            f"found {float(np.nanmin(h)):.0f} to {float(np.nanmax(h)):.0f} m"
        )
    low = np.minimum(h, _TROPOPAUSE)
    temperature = _T0 + _LAPSE * low
    pressure = _P0 * (temperature / _T0) ** (-GRAVITY / (_LAPSE * AIR_GAS_CONSTANT))
    top = _T0 + _LAPSE * _TROPOPAUSE
    pressure = pressure * np.exp(-GRAVITY * np.maximum(h - _TROPOPAUSE, 0.0) / (AIR_GAS_CONSTANT * top))
    return Atmosphere(
        temperature=np.asarray(temperature, dtype=float),
        pressure=np.asarray(pressure, dtype=float),
        density=np.asarray(pressure / (AIR_GAS_CONSTANT * temperature), dtype=float),
        speed_of_sound=np.asarray(np.sqrt(_KAPPA * AIR_GAS_CONSTANT * temperature), dtype=float),
        viscosity=np.asarray(
            _SUTHERLAND_BETA * temperature**1.5 / (temperature + _SUTHERLAND_S), dtype=float
        ),
    )


def standard_pressure_height(pressure: ArrayLike) -> NDArray[np.float64]:
    """Return the geometric height [m] at which the standard atmosphere has a pressure [Pa] (to 11 km)."""
    ratio = np.asarray(pressure, dtype=float) / _P0
    geopotential = _T0 / _LAPSE * (ratio ** (-_LAPSE * AIR_GAS_CONSTANT / GRAVITY) - 1.0)
    return geometric_height(geopotential)


def true_airspeed(equivalent: ArrayLike, density: ArrayLike) -> NDArray[np.float64]:
    """Return the true airspeed [m/s] of an equivalent airspeed [m/s] at a density [kg/m^3].

    At the speeds of a paraglider equivalent, calibrated and indicated airspeed differ by instrument
    error only.
    """
    return np.asarray(np.asarray(equivalent) * np.sqrt(SEA_LEVEL_DENSITY / np.asarray(density)), dtype=float)


def equivalent_airspeed(airspeed: ArrayLike, density: ArrayLike) -> NDArray[np.float64]:
    """Return the equivalent airspeed [m/s] of a true airspeed [m/s] at a density [kg/m^3]."""
    return np.asarray(np.asarray(airspeed) * np.sqrt(np.asarray(density) / SEA_LEVEL_DENSITY), dtype=float)


@dataclass(frozen=True)
class DensityResult:
    """Density along a flight.

    Attributes
    ----------
    density : ndarray, shape (n,)
        [kg/m^3]; NaN where nothing supports it.
    std_ratio : float
        Relative standard uncertainty, common to the flight.
    method : str
        ``measured``, ``pressure``, ``ground``, ``height`` or ``sea_level``.
    words : str
        How it was had.
    """

    density: NDArray[np.float64]
    std_ratio: float
    method: Literal["measured", "pressure", "ground", "height", "sea_level"]
    words: str


def density_along(
    n: int,
    *,
    pressure: NDArray[np.float64] | None = None,
    temperature: NDArray[np.float64] | None = None,
    height: NDArray[np.float64] | None = None,
    ground_pressure: float | None = None,
    ground_temperature: float | None = None,
    ground_height: float | None = None,
) -> DensityResult:
    """Return the air density along a flight from the best that is known.

    Parameters
    ----------
    n : int
        Number of samples.
    pressure, temperature, height : ndarray, shape (n,), optional
        Static pressure [Pa], outside air temperature [K], height above mean sea level [m].
    ground_pressure, ground_temperature : float, optional
        Stated for the day at the field [Pa], [K].
    ground_height : float, optional
        Height of the field [m]; the lowest height of the flight where it is not given.

    Returns
    -------
    DensityResult

    Notes
    -----
    With pressure p and temperature T, density is p / (R T) (dry air). Without a thermometer the
    temperature is the stated ground temperature carried up at the standard lapse rate, or that of the
    standard atmosphere at the height of the flight (8 K of standard uncertainty). Without a barometer but
    with both stated for the ground, they are carried up by hydrostatic balance. With a height alone it is
    the standard atmosphere, with 3 % of standard uncertainty.
    """
    has_pressure = pressure is not None and bool(np.isfinite(pressure).any())
    has_temperature = temperature is not None and bool(np.isfinite(temperature).any())
    has_height = height is not None and bool(np.isfinite(height).any())
    level = _filled(height) if height is not None and has_height else None
    if level is None and pressure is not None and has_pressure:
        level = standard_pressure_height(_filled(pressure))
    base: float | None = ground_height
    if base is None and level is not None:
        base = float(np.min(level))

    def warmth() -> tuple[NDArray[np.float64], float, str]:
        if temperature is not None and has_temperature:
            return _filled(temperature), _SENSOR_TEMPERATURE_STD, "logged temperature"
        if ground_temperature is not None and level is not None and base is not None:
            return (
                ground_temperature + _LAPSE * (level - base),
                3.0,
                "stated ground temperature carried up at the standard lapse rate",
            )
        at = np.clip(level, -4_000.0, 18_000.0) if level is not None else np.zeros(n)
        return (
            standard_atmosphere(at).temperature,
            _STANDARD_TEMPERATURE_STD,
            "standard temperature at that height",
        )

    if pressure is not None and has_pressure:
        kelvin, kelvin_std, told = warmth()
        ratio = float(
            np.sqrt(
                _PRESSURE_STD_RATIO**2 + _HUMIDITY_STD_RATIO**2 + (kelvin_std / float(np.mean(kelvin))) ** 2
            )
        )
        method: Literal["measured", "pressure"] = "measured" if has_temperature else "pressure"
        density = _filled(pressure) / (AIR_GAS_CONSTANT * kelvin)
        return DensityResult(density, ratio, method, f"logged pressure and {told}")
    if ground_pressure is not None and ground_temperature is not None and base is not None:
        above = np.zeros(n) if level is None else level - base
        kelvin = ground_temperature + _LAPSE * above
        air = ground_pressure * (kelvin / ground_temperature) ** (-GRAVITY / (_LAPSE * AIR_GAS_CONSTANT))
        return DensityResult(
            air / (AIR_GAS_CONSTANT * kelvin),
            0.015,
            "ground",
            "stated ground pressure and temperature carried to the height of flight",
        )
    if level is not None:
        density = standard_atmosphere(np.clip(level, -4_000.0, 18_000.0)).density
        return DensityResult(
            density, HEIGHT_ONLY_STD_RATIO, "height", "standard atmosphere at satellite height"
        )
    return DensityResult(
        np.full(n, SEA_LEVEL_DENSITY),
        0.08,
        "sea_level",
        "standard density at sea level: neither pressure nor height was logged",
    )


def _filled(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a series with gaps bridged by straight lines and ends held."""
    good = np.isfinite(x)
    if good.all():
        return x
    index = np.arange(x.size)
    return np.interp(index, index[good], x[good])
