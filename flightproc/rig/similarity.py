"""Tip Mach number and Reynolds number of a propeller at rest."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..display import displayed
from ..quantity import Quantity

__all__ = ["AIR_GAS_CONSTANT", "SimilarityNumbers", "similarity_numbers", "sound_speed", "viscosity"]

AIR_GAS_CONSTANT = 287.05287
_HEAT_RATIO = 1.4
_CHORD_STD = 0.02  # relative
_ASSUMED_TEMPERATURE, _ASSUMED_STD = 288.15, 10.0


def sound_speed(temperature: float) -> float:
    """Return the speed of sound in dry air [m/s] at a temperature [K] (ISO 2533:1975).

    Examples
    --------
    >>> round(sound_speed(288.15), 3)
    340.294
    """
    return math.sqrt(_HEAT_RATIO * AIR_GAS_CONSTANT * temperature)


def viscosity(temperature: float) -> float:
    """Return the dynamic viscosity of air [Pa s] at a temperature [K] (ISO 2533:1975, Sutherland's law).

    Examples
    --------
    >>> f"{viscosity(288.15):.4e}"
    '1.7894e-05'
    """
    return 1.458e-6 * temperature * math.sqrt(temperature) / (temperature + 110.4)


@displayed
@dataclass(frozen=True)
class SimilarityNumbers:
    """Mach and Reynolds number of a propeller at rest.

    Attributes
    ----------
    tip_speed : Quantity
        pi n_p D [m/s].
    tip_mach : Quantity
        Tip speed over the speed of sound.
    reynolds : Quantity
        rho (0.75 pi n_p D) c / mu at 0.75 R, by the blade's own speed: induced flow left out.

    Examples
    --------
    >>> numbers = similarity_numbers(
    ...     6000.0,
    ...     25.0,
    ...     gear_ratio=2.8,
    ...     diameter=1.28,
    ...     density=1.19,
    ...     density_std=0.01,
    ...     temperature=289.0,
    ...     chord=0.09,
    ... )
    >>> print(numbers.tip_speed)
    143.62 ± 0.60 m/s
    """

    tip_speed: Quantity
    tip_mach: Quantity
    reynolds: Quantity


def similarity_numbers(
    rpm: float,
    rpm_std: float,
    *,
    gear_ratio: float,
    diameter: float,
    density: float,
    density_std: float,
    temperature: float | None,
    temperature_std: float = 1.5,
    chord: float | None = None,
) -> SimilarityNumbers:
    """Return tip speed, tip Mach number and Reynolds number at 0.75 R.

    Parameters
    ----------
    rpm, rpm_std : float
        Engine speed and its standard uncertainty [1/min].
    gear_ratio, diameter : float
        Engine revolutions per propeller revolution, and diameter [m]; taken as exact.
    density, density_std : float
        [kg/m^3].
    temperature, temperature_std : float
        [K]; 288 ± 10 K where it is not known.
    chord : float, optional
        At 0.75 R [m], to 2 %.

    Examples
    --------
    >>> numbers = similarity_numbers(
    ...     6000.0,
    ...     25.0,
    ...     gear_ratio=2.8,
    ...     diameter=1.28,
    ...     density=1.19,
    ...     density_std=0.01,
    ...     temperature=289.0,
    ...     chord=0.09,
    ... )
    >>> print(numbers.tip_mach)
    0.4214 ± 0.0021
    """
    speed = rpm / (60.0 * gear_ratio)
    relative = rpm_std / rpm
    reason = ""
    if temperature is None:
        temperature, temperature_std = _ASSUMED_TEMPERATURE, _ASSUMED_STD
        reason = "the temperature was not stated: 15 ± 10 °C was taken"
    warmth = temperature_std / temperature
    tip = math.pi * speed * diameter
    mach = tip / sound_speed(temperature)
    if chord is None:
        reynolds = Quantity.unknown("", "the chord at 0.75 R was not stated")
    else:
        value = density * 0.75 * tip * chord / viscosity(temperature)
        # d ln mu / d ln T = 1.5 - T / (T + S)
        sensitivity = 1.5 - temperature / (temperature + 110.4)
        parts = (relative, density_std / density, sensitivity * warmth, _CHORD_STD)
        reynolds = Quantity.of(value, value * math.hypot(*parts), reason=reason)
    return SimilarityNumbers(
        tip_speed=Quantity.of(tip, tip * relative, "m/s"),
        tip_mach=Quantity.of(mach, mach * math.hypot(relative, 0.5 * warmth), reason=reason),
        reynolds=reynolds,
    )
