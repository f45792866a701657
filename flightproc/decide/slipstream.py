"""The stream behind the propeller, and what a lifting surface does in it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..rig.power import induced_velocity

__all__ = ["lift_slope", "stream_radius", "stream_speed", "surface_drag_coefficient", "swirl_angle"]

Array = NDArray[np.float64]


def _growth(distance: float, diameter: float) -> float:
    """Return the induced velocity at a distance behind the disc over that at the disc."""
    x = 2.0 * distance / diameter
    return 1.0 + x / math.sqrt(1.0 + x * x)


def stream_speed(
    thrust: ArrayLike, *, diameter: float, density: ArrayLike, airspeed: ArrayLike, distance: float
) -> Array:
    r"""Return the axial speed in the stream of a propeller.

    Parameters
    ----------
    thrust : array_like
        [N]; below zero it is taken for zero.
    diameter : float
        [m].
    density, airspeed : array_like
        [kg/m^3], [m/s].
    distance : float
        Behind the disc [m]; negative in front of it.

    Returns
    -------
    ndarray
        [m/s], :math:`V + v (1 + x / \sqrt{1 + x^2})` with v the induced velocity at the disc and x the
        distance over the radius: v at the disc, 2 v far behind [1]_, in between as on the axis of the
        vortex cylinder of a disc with even load [2]_.

    References
    ----------
    .. [1] H. Glauert, Airplane Propellers, in W. F. Durand (ed.), Aerodynamic Theory, vol. IV, 1935,
       div. L, ch. II.
    .. [2] B. W. McCormick, Aerodynamics of V/STOL Flight, 1967, ch. 4.

    Examples
    --------
    >>> float(stream_speed(600.0, diameter=1.3, density=1.225, airspeed=11.0, distance=0.0)).__round__(4)
    20.1545
    >>> float(stream_speed(600.0, diameter=1.3, density=1.225, airspeed=11.0, distance=1e6)).__round__(4)
    29.3091
    """
    push = np.maximum(np.asarray(thrust, dtype=float), 0.0)
    induced = induced_velocity(push, diameter=diameter, density=density, airspeed=airspeed)
    return np.asarray(np.asarray(airspeed, dtype=float) + _growth(distance, diameter) * induced)


def stream_radius(
    thrust: ArrayLike, *, diameter: float, density: ArrayLike, airspeed: ArrayLike, distance: float
) -> Array:
    """Return the radius of the stream [m], by continuity; parameters as in `stream_speed`."""
    push = np.maximum(np.asarray(thrust, dtype=float), 0.0)
    induced = induced_velocity(push, diameter=diameter, density=density, airspeed=airspeed)
    speed = np.asarray(airspeed, dtype=float)
    through = speed + induced
    there = speed + _growth(distance, diameter) * induced
    return np.asarray(0.5 * diameter * np.sqrt(through / np.maximum(there, 1e-9)))


def swirl_angle(
    torque: ArrayLike,
    thrust: ArrayLike,
    *,
    diameter: float,
    density: ArrayLike,
    airspeed: ArrayLike,
    distance: float,
    radius: float,
) -> Array:
    """Return the mean swirl angle of the stream at a radius [rad], in the propeller's sense of turning.

    The angular momentum that the torque puts in per second, spread over the stream as rigid rotation:
    ``omega = 2 Q / (m' R_s^2)`` with m' the mass flow and R_s the stream's radius.
    """
    push = np.maximum(np.asarray(thrust, dtype=float), 0.0)
    induced = induced_velocity(push, diameter=diameter, density=density, airspeed=airspeed)
    flow = np.asarray(density) * 0.25 * math.pi * diameter**2 * (np.asarray(airspeed) + induced)
    wide = stream_radius(push, diameter=diameter, density=density, airspeed=airspeed, distance=distance)
    spin = 2.0 * np.abs(np.asarray(torque, dtype=float)) / np.maximum(flow * wide**2, 1e-9)
    axial = stream_speed(push, diameter=diameter, density=density, airspeed=airspeed, distance=distance)
    out: Any = np.arctan2(spin * radius, np.maximum(axial, 1e-9))
    return np.asarray(out)


def lift_slope(section: float, aspect_ratio: float, efficiency: float = 1.0) -> float:
    r"""Return the lift slope of a surface of finite span.

    Parameters
    ----------
    section : float
        Lift slope of the section [1/rad]; 2 pi by thin-aerofoil theory [1]_.
    aspect_ratio, efficiency : float
        Span squared over area; Oswald factor, 1 for elliptic lift.

    Returns
    -------
    float
        [1/rad], :math:`a_0 / (1 + a_0 / (\pi e A))` by lifting-line theory [2]_. Too high by some 10 % at
        an aspect ratio of 2.

    References
    ----------
    .. [1] H. Glauert, The Elements of Aerofoil and Airscrew Theory, 1926, ch. VII.
    .. [2] The same, ch. XI.

    Examples
    --------
    >>> import math
    >>> round(lift_slope(2.0 * math.pi, 6.0), 4)  # 2 pi / (1 + 2 / A)
    4.7124
    """
    return section / (1.0 + section / (math.pi * efficiency * aspect_ratio))


def surface_drag_coefficient(
    lift: ArrayLike, *, zero_lift: float, aspect_ratio: float, efficiency: float
) -> Array:
    """Return C_D = C_D0 + C_L^2 / (pi e A)."""
    cl = np.asarray(lift, dtype=float)
    return np.asarray(zero_lift + cl * cl / (math.pi * efficiency * aspect_ratio))
