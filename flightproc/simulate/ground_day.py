"""Ground tests of the hung unit: a tilt test with ballast and a bifilar pendulum, as a person notes them.

Tilt test: the unit hangs by its hang points, mass m with its centre of gravity a depth h below them; ballast
m_b that rides along in the centre is moved out by an arm y. At rest tan(phi) = m_b y / (m h), from the zero.

Pendulum: on two upright lines of length L a distance d apart, roll axis upright, the unit swings with the
period T = 4 pi sqrt(I L / (m g d^2)) for small angles, I about its centre of gravity. An amplitude a makes it
longer by 1 + a^2 / 16, a ratio q of successive amplitudes by sqrt(1 + (ln q / 2 pi)^2).

References
----------
.. [1] L. D. Landau, E. M. Lifshitz, "Mechanics", 3rd ed., 1976, section 11, problem 1 (period of a pendulum
   of finite amplitude; the bifilar pendulum's restoring moment too goes with the sine of the angle where d is
   much less than L), from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan, degrees, log, pi, radians, sqrt

import numpy as np

from ..channels import GRAVITY
from .parameters import Parameters

__all__ = ["PendulumNotes", "TiltNotes", "roll_inertia", "swing_pendulum", "tilt_unit"]

ANGLE_STD = 0.2
"""Standard uncertainty of one reading of roll [deg]."""
LINE_SPACING, LINE_SPACING_STD = 0.45, 0.003
LINE_LENGTH, LINE_LENGTH_STD = 2.2, 0.01
SWINGS = 10
TIMINGS = 4
TIME_STD = 0.2
"""Standard uncertainty of one timing, start and stop together [s]."""


@dataclass(frozen=True)
class TiltNotes:
    """What was read at the tilt test.

    Attributes
    ----------
    side : tuple of str
        ``right`` or ``left``, where the ballast hung.
    angle : tuple of float
        Roll read then, positive right side down [deg].
    zero : tuple of float
        Roll read with the ballast in the centre [deg].
    """

    side: tuple[str, ...]
    angle: tuple[float, ...]
    zero: tuple[float, ...]


@dataclass(frozen=True)
class PendulumNotes:
    """What was read at the pendulum.

    Attributes
    ----------
    times : tuple of float
        Each the time of ``SWINGS`` full swings [s].
    amplitude : float
        Mean amplitude [deg].
    damping : float
        Ratio of an amplitude to the next on the same side, above 1.
    """

    times: tuple[float, ...]
    amplitude: float
    damping: float


def roll_inertia(parameters: Parameters) -> float:
    """Return the unit's roll inertia about its centre of gravity [kg m^2].

    Parameters
    ----------
    parameters : Parameters
        The unit.

    Examples
    --------
    >>> from flightproc.simulate.parameters import DEFAULTS
    >>> round(roll_inertia(DEFAULTS), 2)
    7.75
    """
    return parameters.hung_inertia - parameters.hung_mass * parameters.hang_arm**2


def tilt_unit(parameters: Parameters, generator: np.random.Generator, pairs: int = 3) -> TiltNotes:
    """Return the notes of a tilt test.

    Parameters
    ----------
    parameters : Parameters
        The unit and the ballast as they are.
    generator : numpy.random.Generator
        Draws the level's zero and the reading errors.
    pairs : int
        Readings on each side.
    """
    pa = parameters
    lean = degrees(atan(pa.ballast_mass * pa.ballast_arm / (pa.hung_mass * pa.hang_arm)))
    zero = degrees(atan(pa.gravity_offset / pa.hang_arm)) + 0.3 * float(generator.standard_normal())
    errors = ANGLE_STD * generator.standard_normal(2 * pairs + 2)
    sides = ("right", "left") * pairs
    angles = [
        zero + (lean if side == "right" else -lean) + float(e)
        for side, e in zip(sides, errors[2:], strict=True)
    ]
    return TiltNotes(
        sides, tuple(round(a, 1) for a in angles), tuple(round(zero + float(e), 1) for e in errors[:2])
    )


def swing_pendulum(parameters: Parameters, generator: np.random.Generator) -> PendulumNotes:
    """Return the notes of a bifilar pendulum.

    Parameters
    ----------
    parameters : Parameters
        The unit as it is.
    generator : numpy.random.Generator
        Draws the lines' true spacing and length, amplitude, damping and timing errors.

    Notes
    -----
    A unit whose drawn arm leaves no inertia about its centre of gravity has 1 kg m^2 there.
    """
    pa = parameters
    z = generator.standard_normal(2 + TIMINGS).tolist()
    spacing, length = LINE_SPACING + LINE_SPACING_STD * z[0], LINE_LENGTH + LINE_LENGTH_STD * z[1]
    amplitude = float(round(generator.uniform(6.0, 10.0)))
    damping = round(float(generator.uniform(1.02, 1.05)), 3)
    inertia = max(roll_inertia(pa), 1.0)
    period = 4 * pi * sqrt(inertia * length / (pa.hung_mass * GRAVITY * spacing**2))
    period *= (1 + radians(amplitude) ** 2 / 16) * sqrt(1 + (log(damping) / (2 * pi)) ** 2)
    times = tuple(round(SWINGS * period + TIME_STD * e, 2) for e in z[2:])
    return PendulumNotes(times, amplitude, damping)
