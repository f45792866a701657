"""What is known of the calibration before the sortie: geometry and priors.

The hang stiffness is ``K = m_b f h + k_r``: the weight of the hung unit on its hang arm, and the roll
stiffness of the riser geometry. Where the sheet does not state ``k_r`` it is taken for anything between
nothing and 500 N m/rad. The turn coefficients are wide because published derivatives of soft wings disagree.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..channels import GRAVITY

__all__ = ["Frame", "Priors", "Wing", "make_priors"]

_RISER_STIFFNESS = (250.0, 145.0)  # uniform over 0 to 500 N m/rad: mean and standard deviation
_TURN_COEFFICIENT = (4.0, 3.0)  # c_L: median, spread; log-normal, 95 % within 1 and 15
_YAW_OVER_ROLL = (3.0, 0.4)  # c_N / c_L: median and relative spread (log-normal)
_TURN_MODEL = 0.2  # relative change of c_L from glide to power
_HANG_ZERO_DRIFT = math.radians(0.3) / 3600.0  # [rad/s], accelerometer offset with temperature
_TURN_ZERO_DRIFT = math.radians(0.1) / 3600.0  # [rad/s^2], gyro offset with temperature


@dataclass(frozen=True)
class Frame:
    """The hung unit.

    Attributes
    ----------
    mass, mass_std : float
        Everything below the hang points, ballast included [kg].
    hang_arm, hang_arm_std : float
        CG below the hang points [m].
    riser_stiffness, riser_stiffness_std : float or None
        Roll stiffness of the riser geometry [N m/rad], where the sheet states it.
    """

    mass: float
    mass_std: float
    hang_arm: float
    hang_arm_std: float
    riser_stiffness: float | None = None
    riser_stiffness_std: float | None = None


@dataclass(frozen=True)
class Wing:
    """The glider.

    Attributes
    ----------
    area : float
        Flat area [m^2].
    span : float
        Flat span [m].
    trim_speed : float
        Trim speed [m/s], used where no airspeed was found.
    turn_coefficient, turn_coefficient_std : float or None
        c_L, where the sheet states it.
    """

    area: float
    span: float
    trim_speed: float
    turn_coefficient: float | None = None
    turn_coefficient_std: float | None = None


@dataclass(frozen=True)
class Priors:
    """Means and standard deviations before the flight.

    Attributes
    ----------
    stiffness, stiffness_std : float
        K at one g [N m/rad].
    turn_coefficient, turn_coefficient_std : float
        c_L [1], positive, so that the spread is taken for that of a log-normal law.
    yaw_over_roll, yaw_over_roll_spread : float
        c_N / c_L, median and log-normal spread [1].
    turn_model : float
        Relative standard uncertainty of c_L under power when it was found in glides [1].
    hang_zero_drift, turn_zero_drift : float
        Standard deviations of the drift of both zeros [rad/s], [rad/s^2].
    words : tuple of str
        What was assumed.
    """

    stiffness: float
    stiffness_std: float
    turn_coefficient: float
    turn_coefficient_std: float
    yaw_over_roll: float
    yaw_over_roll_spread: float
    turn_model: float
    hang_zero_drift: float
    turn_zero_drift: float
    words: tuple[str, ...]


def make_priors(frame: Frame, wing: Wing) -> Priors:
    """Return the priors that the sheets support.

    Examples
    --------
    >>> priors = make_priors(Frame(100.0, 1.0, 0.35, 0.05), Wing(23.0, 11.0, 10.8))
    >>> round(priors.stiffness), round(priors.stiffness_std)
    (593, 153)
    """
    weight = frame.mass * GRAVITY * frame.hang_arm
    weight_std = GRAVITY * math.hypot(frame.hang_arm * frame.mass_std, frame.mass * frame.hang_arm_std)
    words = []
    if frame.riser_stiffness is not None:
        riser = frame.riser_stiffness
        given = frame.riser_stiffness_std
        riser_std = 0.3 * riser if given is None else given
    else:
        riser, riser_std = _RISER_STIFFNESS
        words.append(
            f"the roll stiffness of the risers is not in the sheet: {riser:.0f} ± {riser_std:.0f} N m/rad "
            "assumed before ballast glides speak"
        )
    if wing.turn_coefficient is not None:
        turn = wing.turn_coefficient
        turn_std = 0.3 * turn if wing.turn_coefficient_std is None else wing.turn_coefficient_std
    else:
        turn, turn_std = _TURN_COEFFICIENT
        words.append(
            f"the glider's turn coefficient is not in the sheet: {turn:.0f} ± {turn_std:.0f} assumed before "
            "the ballast glides speak"
        )
    return Priors(
        stiffness=weight + riser,
        stiffness_std=math.hypot(weight_std, riser_std),
        turn_coefficient=turn,
        turn_coefficient_std=turn_std,
        yaw_over_roll=_YAW_OVER_ROLL[0],
        yaw_over_roll_spread=_YAW_OVER_ROLL[1],
        turn_model=_TURN_MODEL,
        hang_zero_drift=_HANG_ZERO_DRIFT,
        turn_zero_drift=_TURN_ZERO_DRIFT,
        words=tuple(words),
    )
