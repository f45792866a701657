"""A day on the rig with the same unit: scale readings of a two-point suspension, as a person notes them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..channels import GRAVITY
from .flight import GAS_CONSTANT, compensation_law
from .parameters import Parameters

__all__ = ["RigDay", "RigReading", "static_thrust", "static_torque", "take_readings"]

RIG_PRESSURE = 98700.0
RIG_TEMPERATURE = 289.15
SPACING, SPACING_STD = 0.38, 0.002
SCALE_STD, SCALE_RESOLUTION = 0.05, 0.1
RPM_STD = 25.0
THRUST_STD = 8.0
HUNG_ON_RIG = 118.0
"""Unit and the person in the seat, as the scales see them [kg]."""
LEAK = 0.6
"""Change of the scales' sum at full throttle [kg]."""


@dataclass(frozen=True)
class RigReading:
    """One line of the rig notes.

    Attributes
    ----------
    rpm : float
        Engine speed read off [1/min]; 0 for a zero.
    left, left_low, left_high, right, right_low, right_high : float
        Scale readings and the swing they moved in [kg].
    thrust : float
        Static thrust [N].
    """

    rpm: float
    left: float
    left_low: float
    left_high: float
    right: float
    right_low: float
    right_high: float
    thrust: float


@dataclass(frozen=True)
class RigDay:
    """The rig's notes with the truth behind them.

    Attributes
    ----------
    readings : tuple of RigReading
        Zero, settings, zero.
    spacing : float
        True distance between the scales [m].
    density : float
        [kg/m^3].
    """

    readings: tuple[RigReading, ...]
    spacing: float
    density: float


def static_torque(parameters: Parameters, rpm: float, density: float) -> float:
    """Return the true static torque, C_Q rho n^2 D^5 [N m].

    Parameters
    ----------
    parameters : Parameters
        The propeller.
    rpm : float
        Engine speed [1/min].
    density : float
        [kg/m^3].

    Examples
    --------
    >>> from flightproc.simulate.parameters import DEFAULTS
    >>> round(static_torque(DEFAULTS, 6800.0, 1.19), 1)
    29.8
    """
    turns = rpm / (60.0 * parameters.gear_ratio)
    return parameters.torque_coefficient * density * turns**2 * parameters.propeller_diameter**5


def static_thrust(parameters: Parameters, rpm: float, density: float) -> float:
    """Return the true static thrust, C_T rho n^2 D^4 [N].

    Parameters
    ----------
    parameters : Parameters
        The propeller.
    rpm : float
        Engine speed [1/min].
    density : float
        [kg/m^3].
    """
    turns = rpm / (60.0 * parameters.gear_ratio)
    return parameters.thrust_coefficient * density * turns**2 * parameters.propeller_diameter**4


def _read_scale(value: float) -> float:
    """Return a mass as the scale shows it [kg]."""
    return round(round(value / SCALE_RESOLUTION) * SCALE_RESOLUTION, 1)


def take_readings(
    parameters: Parameters,
    generator: np.random.Generator,
    settings: tuple[float, ...] = (4600.0, 5200.0, 6000.0, 6800.0, 7600.0),
) -> RigDay:
    """Return the notes of a rig day.

    Parameters
    ----------
    parameters : Parameters
        The propeller.
    generator : numpy.random.Generator
        Draws each scale's calibration error, the spacing, the swing and the reading errors.
    settings : tuple of float
        Throttle settings [1/min].

    Notes
    -----
    With two scales a distance s apart and the torque reaction +Q rolling right, right less left changes by
    2 Q / (g s). A compensation that works by thrust or slipstream acts on the rig as it does at rest in
    flight; a hang offset is part of the zero.
    """
    density = RIG_PRESSURE / (GAS_CONSTANT * RIG_TEMPERATURE)
    spacing = SPACING + SPACING_STD * float(generator.standard_normal())
    calibration = SCALE_STD * generator.standard_normal(2)
    lean = 0.3 * float(generator.standard_normal())
    full = max(settings)
    _, per_thrust, per_square = compensation_law(parameters, density, parameters.trim_speed)
    readings = []
    for rpm in (0.0, *settings, 0.0):
        actual = rpm + RPM_STD * float(generator.standard_normal()) if rpm else 0.0
        turns = actual / (60.0 * parameters.gear_ratio)
        thrust = static_thrust(parameters, actual, density)
        torque = static_torque(parameters, actual, density) - per_thrust * thrust - per_square * turns**2
        difference = 2.0 * parameters.sense * torque / (GRAVITY * spacing) + lean
        total = HUNG_ON_RIG + LEAK * (actual / full) ** 2
        swing = 0.1 + 0.7 * (actual / full) ** 2
        line: list[tuple[float, float, float]] = []
        for side, sign in enumerate((-0.5, 0.5)):
            centre = 0.5 * total + sign * difference + float(calibration[side])
            ends = swing * (1 + 0.15 * generator.standard_normal(2))
            mean = _read_scale(centre + swing / 8.0 * float(generator.standard_normal()))
            low, high = _read_scale(centre - float(ends[0])), _read_scale(centre + float(ends[1]))
            line.append((mean, min(low, mean), max(high, mean)))
        if rpm:
            thrust += THRUST_STD * float(generator.standard_normal())
        readings.append(RigReading(rpm, *line[0], *line[1], float(round(max(thrust, 0.0)))))
    return RigDay(tuple(readings), spacing, density)
