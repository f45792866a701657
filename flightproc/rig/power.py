"""What the shaft power can pay for: momentum theory of the disc and the check of a rig point."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..display import displayed
from ..quantity import Quantity

__all__ = [
    "PowerCheck",
    "check_power",
    "figure_of_merit",
    "ideal_power",
    "induced_velocity",
    "thrust_ceiling",
    "unknown_check",
]

Array = NDArray[np.float64]

_FIGURE_OF_MERIT_USUAL = (0.50, 0.75)
_FIGURE_OF_MERIT_HIGH = 0.85


def _disc(diameter: float) -> float:
    return 0.25 * math.pi * diameter**2


def induced_velocity(
    thrust: ArrayLike, *, diameter: float, density: ArrayLike = 1.225, airspeed: ArrayLike = 0.0
) -> Array:
    """Return the axial induced velocity at an ideal disc.

    Parameters
    ----------
    thrust : array_like
        [N], zero or more.
    diameter : float
        [m].
    density : array_like
        [kg/m^3].
    airspeed : array_like
        Axial airspeed [m/s].

    Returns
    -------
    ndarray
        v = -V/2 + sqrt(V^2 / 4 + T / (2 rho A)) [m/s] [1]_.

    References
    ----------
    .. [1] H. Glauert, Airplane Propellers, in W. F. Durand (ed.), Aerodynamic Theory, vol. IV, 1935,
       div. L, ch. II.

    Examples
    --------
    >>> round(float(induced_velocity(600.0, diameter=1.30)), 4)
    13.5833
    """
    half = 0.5 * np.asarray(airspeed, dtype=float)
    loading = np.asarray(thrust, dtype=float) / (2.0 * np.asarray(density, dtype=float) * _disc(diameter))
    speed: Array = -half + np.sqrt(half * half + loading)
    return speed


def ideal_power(
    thrust: ArrayLike, *, diameter: float, density: ArrayLike = 1.225, airspeed: ArrayLike = 0.0
) -> Array:
    """Return the least power that gives a thrust, T (V + v).

    Parameters
    ----------
    thrust, diameter, density, airspeed
        As in `induced_velocity`.

    Returns
    -------
    ndarray
        [W]; at rest this is T^1.5 / sqrt(2 rho A).

    Examples
    --------
    >>> round(float(ideal_power(600.0, diameter=1.30, airspeed=11.0)), 2)
    12092.72
    """
    speed = induced_velocity(thrust, diameter=diameter, density=density, airspeed=airspeed)
    power: Array = np.asarray(thrust, dtype=float) * (np.asarray(airspeed, dtype=float) + speed)
    return power


def figure_of_merit(
    thrust: ArrayLike, power: ArrayLike, *, diameter: float, density: ArrayLike = 1.225
) -> Array:
    """Return ideal static power over shaft power.

    Parameters
    ----------
    thrust : array_like
        Static thrust [N].
    power : array_like
        Shaft power [W].
    diameter, density
        As in `induced_velocity`.

    Returns
    -------
    ndarray
        At most 1; in practice 0.5 to 0.75. Equal to C_T^1.5 / C_P sqrt(2 / pi).

    Examples
    --------
    >>> float(figure_of_merit(353.0, 5164.0, diameter=1.28, density=1.19).round(2))
    0.73
    """
    merit: Array = ideal_power(thrust, diameter=diameter, density=density) / np.asarray(power, dtype=float)
    return merit


def thrust_ceiling(power: ArrayLike, *, diameter: float, density: ArrayLike = 1.225) -> Array:
    """Return the largest static thrust a power can pay for.

    Parameters
    ----------
    power : array_like
        Shaft power [W].
    diameter, density
        As in `induced_velocity`.

    Returns
    -------
    ndarray
        (2 rho A P^2)^(1/3) [N].

    Examples
    --------
    >>> float(thrust_ceiling(5164.0, diameter=1.28, density=1.19).round())
    434.0
    """
    square = np.maximum(np.asarray(power, dtype=float), 0.0) ** 2
    thrust: Array = np.cbrt(2.0 * np.asarray(density, dtype=float) * _disc(diameter) * square)
    return thrust


@displayed
@dataclass(frozen=True)
class PowerCheck:
    """The power balance of one rig point.

    Attributes
    ----------
    power : Quantity
        Shaft power 2 pi n_p Q [W].
    ideal_power : Quantity
        Ideal static power of the measured thrust [W]; unknown without thrust.
    figure_of_merit : Quantity
        Their ratio; unknown without thrust.
    thrust_ceiling : Quantity
        Largest thrust this power can pay for [N].
    torque_coefficient, power_coefficient, thrust_coefficient : Quantity
        C_Q = Q / (rho n_p^2 D^5), C_P = 2 pi C_Q, C_T = T / (rho n_p^2 D^4).
    message : str
        Empty where the point is possible and usual.

    Examples
    --------
    >>> import flightproc as fp
    >>> from flightproc.rig import check_power
    >>> torque, thrust = fp.Quantity.of(23.0, 0.6, "N m"), fp.Quantity.of(353.0, 8.0, "N")
    >>> found = check_power(6000.0, torque, thrust, gear_ratio=2.8, diameter=1.28, density=1.19)
    >>> print(found.figure_of_merit)
    0.734 ± 0.031
    """

    power: Quantity
    ideal_power: Quantity
    figure_of_merit: Quantity
    thrust_ceiling: Quantity
    torque_coefficient: Quantity
    power_coefficient: Quantity
    thrust_coefficient: Quantity
    message: str


def unknown_check(reason: str) -> PowerCheck:
    """Return a check of which nothing is known, and why."""
    watt, newton, plain = (Quantity.unknown(unit, reason) for unit in ("W", "N", ""))
    return PowerCheck(watt, watt, plain, newton, plain, plain, plain, "")


def check_power(
    rpm: float,
    torque: Quantity,
    thrust: Quantity | None = None,
    *,
    gear_ratio: float,
    diameter: float,
    density: float = 1.225,
    density_std: float = 0.0,
    rpm_std: float = 0.0,
    draws: int = 20_000,
    seed: int = 1,
) -> PowerCheck:
    """Hold a rig point against momentum theory, by Monte Carlo (JCGM 101:2008).

    Parameters
    ----------
    rpm, rpm_std : float
        Engine speed and its standard uncertainty [1/min].
    torque : Quantity
        [N m].
    thrust : Quantity, optional
        Static thrust [N].
    gear_ratio : float
        Engine revolutions per propeller revolution.
    diameter : float
        [m].
    density, density_std : float
        [kg/m^3].
    draws, seed : int
        Of the Monte Carlo.

    Returns
    -------
    PowerCheck

    Examples
    --------
    >>> check = check_power(8450.0, Quantity.of(26.8, 1.0, "N m"), Quantity.of(75 * 9.80665, 10.0, "N"),
    ...                     gear_ratio=2.87, diameter=1.25)
    >>> round(check.figure_of_merit.value, 2)
    1.39
    """
    random = np.random.default_rng(seed)

    def draw(value: float, std: float | None) -> Array:
        return random.normal(value, std or 0.0, draws)

    nothing = "thrust was not measured"
    if torque.value is None:
        return unknown_check(torque.reason or "the torque is unknown")
    speed = rpm / (60.0 * gear_ratio)
    speeds = draw(rpm, rpm_std) / (60.0 * gear_ratio)
    torques, densities = draw(torque.value, torque.std), draw(density, density_std)
    power = 2.0 * math.pi * speed * torque.value
    powers = 2.0 * math.pi * speeds * torques
    scale, scales = density * speed**2 * diameter**4, densities * speeds**2 * diameter**4
    ceiling = Quantity.from_samples(
        thrust_ceiling(powers, diameter=diameter, density=densities),
        "N",
        value=float(thrust_ceiling(power, diameter=diameter, density=density)),
    )
    coefficient = Quantity.from_samples(
        torques / (scales * diameter), value=torque.value / (scale * diameter)
    )
    merit = thrust_coefficient = Quantity.unknown("", nothing)
    ideal = Quantity.unknown("W", nothing)
    message = ""
    if thrust is not None and thrust.value is not None:
        thrusts = np.maximum(draw(thrust.value, thrust.std), 0.0)
        ideals = ideal_power(thrusts, diameter=diameter, density=densities)
        least = float(ideal_power(thrust.value, diameter=diameter, density=density))
        ideal = Quantity.from_samples(ideals, "W", value=least)
        thrust_coefficient = Quantity.from_samples(thrusts / scales, value=thrust.value / scale)
        if power > 0.0:
            paid = np.where(powers > 0.0, powers, np.nan)
            merit = Quantity.from_samples(ideals / paid, value=least / power)
            message = _merit_message(rpm, merit, thrust.value, ceiling)
        else:
            merit = Quantity.unknown("", "the shaft power is not positive")
    return PowerCheck(
        power=Quantity.from_samples(powers, "W", value=power),
        ideal_power=ideal,
        figure_of_merit=merit,
        thrust_ceiling=ceiling,
        torque_coefficient=coefficient,
        power_coefficient=coefficient.scaled(2.0 * math.pi, ""),
        thrust_coefficient=thrust_coefficient,
        message=message,
    )


def _merit_message(rpm: float, merit: Quantity, thrust: float, ceiling: Quantity) -> str:
    if merit.value is None or merit.low95 is None or ceiling.value is None:
        return ""
    head = f"at {rpm:.0f} rpm the thrust of {thrust:.0f} N gives a figure of merit of {merit.value:.2f}"
    tail = (
        f"torque is missing, thrust is overstated, or gear ratio or diameter is wrong; "
        f"the torque can pay for {ceiling.value:.0f} N at most"
    )
    if merit.value > 1.0:
        certainty = (
            "impossible (above 1)" if merit.low95 > 1.0 else "above 1, impossible but within its interval"
        )
        return f"{head}, {certainty}: {tail}"
    if merit.value > _FIGURE_OF_MERIT_HIGH:
        low, high = _FIGURE_OF_MERIT_USUAL
        return f"{head}, where {low:.2f} to {high:.2f} is usual: {tail}"
    return ""
