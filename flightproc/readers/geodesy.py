"""Velocity over ground from positions on the WGS 84 ellipsoid."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["centred_rate", "radii_of_curvature", "velocity_from_positions"]

Array = NDArray[np.float64]

_SEMI_MAJOR = 6_378_137.0  # m, WGS 84
_FLATTENING = 1.0 / 298.257223563  # WGS 84
_ECCENTRICITY_2 = _FLATTENING * (2.0 - _FLATTENING)


def radii_of_curvature(latitude: Array) -> tuple[Array, Array]:
    r"""Return the meridional and the prime vertical radius of curvature of WGS 84.

    Parameters
    ----------
    latitude : ndarray
        Geodetic latitude [rad].

    Returns
    -------
    meridional, prime_vertical : ndarray
        [m].

    Notes
    -----
    .. math:: M = a (1 - e^2) / (1 - e^2 \sin^2 \varphi)^{3/2}, \quad N = a / (1 - e^2 \sin^2 \varphi)^{1/2}

    Examples
    --------
    >>> [round(float(r)) for r in radii_of_curvature(np.array(0.0))]
    [6335439, 6378137]

    References
    ----------
    NIMA TR8350.2, "Department of Defense World Geodetic System 1984", 3rd ed., 2000 (constants a and 1/f).
    """
    w2 = 1.0 - _ECCENTRICITY_2 * np.sin(latitude) ** 2
    return _SEMI_MAJOR * (1.0 - _ECCENTRICITY_2) / w2**1.5, _SEMI_MAJOR / np.sqrt(w2)


def centred_rate(time: Array, values: Array) -> Array:
    """Return the rate of change by differences of second order, also where steps are unequal.

    Parameters
    ----------
    time : ndarray, shape (n,)
        [s], strictly increasing.
    values : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (n,)
        Unit of ``values`` per second; NaN throughout below three samples, except that two give their slope.
    """
    if time.size < 2:
        return np.full(time.size, np.nan)
    return np.asarray(np.gradient(values, time), dtype=np.float64)


def velocity_from_positions(
    time: Array, latitude: Array, longitude: Array, height: Array
) -> tuple[Array, Array]:
    """Return ground velocity north and east from positions, by centred differences.

    Parameters
    ----------
    time : ndarray, shape (n,)
        [s], strictly increasing.
    latitude, longitude : ndarray, shape (n,)
        [rad], WGS 84; longitude may jump at the date line.
    height : ndarray, shape (n,)
        [m]; NaN counts as 0.

    Returns
    -------
    north, east : ndarray, shape (n,)
        [m/s].
    """
    meridional, prime = radii_of_curvature(latitude)
    h = np.where(np.isfinite(height), height, 0.0)
    north = centred_rate(time, latitude) * (meridional + h)
    east = centred_rate(time, np.unwrap(longitude)) * (prime + h) * np.cos(latitude)
    return north, east
