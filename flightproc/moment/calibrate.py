r"""What is known of the calibration before the sortie: geometry, ground tests and priors.

The hang stiffness is ``K = W + k_r``: the weight stiffness ``W = m_b g h`` of the hung unit, and the roll
stiffness that the riser geometry adds. Of the moment on the unit the risers pass the share ``k_r / K`` on to
the wing, so the turn per moment on the unit is ``c_L = c_W k_r / K``, with ``c_W`` the turn of the wing for a
moment on the wing itself. The wing banks along, so that a steady moment feels less of the
geometry's stiffness than a swing does. Where no sheet states ``k_r`` it is taken for anything between nothing
and 440 N m/rad, all alike; ``c_W`` is wide because published derivatives of soft wings disagree: a rigid six
degree-of-freedom wing gives 7.5, a nine degree-of-freedom wing and payload 9.8, measured parafoils less.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..channels import GRAVITY
from ..display import displayed

__all__ = ["INERTIA_MODEL", "Frame", "Priors", "Wing", "make_priors"]

INERTIA_MODEL = 0.05
"""Relative standard uncertainty of I omega^2 as a stiffness: the wing moves along with the unit."""
SWING_RISER = 1.13
"""Riser stiffness that a swing feels over that which a steady moment feels.

In a steady turn the wing banks along and takes up to a third off; in a swing it hardly moves. Median over
simulated wings with derivatives over the published range; 68 % lie within 1.01 and 1.31.
"""
SWING_RISER_STD = 0.15
"""Its standard uncertainty [1]."""

_RISER_RANGE = (0.0, 440.0)  # k_r as a steady moment feels it, uniform [N m/rad]: 0 to 500 over SWING_RISER
_WING_TURN = (7.0, 0.4)  # c_W: median and log-normal spread
_YAW_OVER_ROLL = (3.0, 0.4)  # turn by a yaw moment over turn by a roll moment on the wing; the same
_TURN_MODEL = 0.2  # relative change of c_L from glide to power
_STIFFNESS_MODEL = 0.015  # relative change of K from glide to power: 2 % at 400 N in a published model
_YAW_HANG = (
    0.25  # (bank - atan(V psi_dot / g)) / atan(V psi_dot / g) in a turn by yaw: 1.14 to 0.8 coordinated
)
_HANG_ZERO_DRIFT = math.radians(0.3) / 3600.0  # [rad/s], accelerometer offset with temperature
_TURN_ZERO_DRIFT = math.radians(0.1) / 3600.0  # [rad/s^2], gyro offset with temperature
_LEVEL_STD = math.radians(3.0)  # of a unit's own hang, where no glide tells [rad]


@displayed
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
        Roll stiffness of the riser geometry [N m/rad], the wing held, where the sheet states it.
    weight_stiffness, weight_stiffness_std : float or None
        ``m_b g h`` from a tilt test on the ground [N m/rad].
    inertia, inertia_std : float or None
        Roll inertia about the line through the hang points [kg m^2].

    Examples
    --------
    >>> Frame(mass=100.0, mass_std=1.0, hang_arm=0.35, hang_arm_std=0.03)
    Frame(mass=100, mass_std=1, hang_arm=0.35, hang_arm_std=0.03)
    """

    mass: float
    mass_std: float
    hang_arm: float
    hang_arm_std: float
    riser_stiffness: float | None = None
    riser_stiffness_std: float | None = None
    weight_stiffness: float | None = None
    weight_stiffness_std: float | None = None
    inertia: float | None = None
    inertia_std: float | None = None


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

    Examples
    --------
    >>> Wing(area=28.0, span=12.0, trim_speed=10.2)
    Wing(area=28.0, span=12.0, trim_speed=10.2, turn_coefficient=None, turn_coefficient_std=None)
    """

    area: float
    span: float
    trim_speed: float
    turn_coefficient: float | None = None
    turn_coefficient_std: float | None = None


@displayed
@dataclass(frozen=True)
class Priors:
    """What is known before the flight.

    Attributes
    ----------
    weight, weight_std : float
        ``m_b g h`` [N m/rad], sheet and tilt test together.
    riser : tuple of float
        ``(low, high)`` of a uniform law, or ``(median, log-normal spread)`` where ``riser_stated``
        [N m/rad].
    riser_stated : bool
        Whether the sheet states ``k_r``.
    wing_turn, wing_turn_spread : float
        c_W, median and log-normal spread [1]; c_L itself where ``turn_stated``.
    turn_stated : bool
        Whether the sheet states c_L.
    yaw_over_roll, yaw_over_roll_spread : float
        c_N / c_W, median and log-normal spread [1].
    turn_model, stiffness_model : float
        Relative standard uncertainty of c_L and of K under power when they were found in glides [1].
    yaw_hang : float
        Standard uncertainty of how far a turn by yaw is from coordinated, relative [1].
    hang_zero_drift, turn_zero_drift : float
        Standard deviations of the drift of both zeros [rad/s], [rad/s^2].
    level_std : float
        Standard uncertainty of the hang zero where no glide tells [rad].
    tilt_share : float
        Share of the knowledge of ``weight`` that comes from a tilt test, 0 to 1.
    words : tuple of str
        What was assumed.

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> prepared = fp.prepare_sortie(sheets, fp.read_recordings(sheets))
    >>> round(prepared.priors.stiffness), round(prepared.priors.stiffness_std)
    (563, 130)
    """

    weight: float
    weight_std: float
    riser: tuple[float, float]
    riser_stated: bool
    wing_turn: float
    wing_turn_spread: float
    turn_stated: bool
    yaw_over_roll: float
    yaw_over_roll_spread: float
    turn_model: float
    stiffness_model: float
    yaw_hang: float
    hang_zero_drift: float
    turn_zero_drift: float
    level_std: float
    tilt_share: float
    words: tuple[str, ...]

    @property
    def turn_coefficient(self) -> float:
        """Median of c_L before the flight, about [1]."""
        if self.turn_stated:
            return self.wing_turn
        return self.wing_turn * (self.stiffness - self.weight) / self.stiffness

    @property
    def turn_coefficient_std(self) -> float:
        """Standard uncertainty of :attr:`turn_coefficient`, about [1]."""
        if self.turn_stated:
            return self.turn_coefficient * self.wing_turn_spread
        riser = self.stiffness - self.weight
        riser_std = math.sqrt(max(self.stiffness_std**2 - self.weight_std**2, 0.0))
        share_std = self.weight / self.stiffness * riser_std / riser
        return self.turn_coefficient * math.hypot(self.wing_turn_spread, share_std)

    @property
    def stiffness(self) -> float:
        """K before the flight [N m/rad]."""
        return self.weight + (self.riser[0] if self.riser_stated else sum(self.riser) / 2)

    @property
    def stiffness_std(self) -> float:
        """Standard uncertainty of :attr:`stiffness` [N m/rad]."""
        low, high = self.riser
        return math.hypot(self.weight_std, low * high if self.riser_stated else (high - low) / math.sqrt(12))


def make_priors(frame: Frame, wing: Wing) -> Priors:
    """Return the priors that sheets and ground tests support.

    Examples
    --------
    >>> priors = make_priors(Frame(100.0, 1.0, 0.35, 0.05), Wing(23.0, 11.0, 10.8))
    >>> round(priors.stiffness), round(priors.stiffness_std)
    (563, 136)
    """
    words = []
    weight = frame.mass * GRAVITY * frame.hang_arm
    weight_std = GRAVITY * math.hypot(frame.hang_arm * frame.mass_std, frame.mass * frame.hang_arm_std)
    tilt_share = 0.0
    if frame.weight_stiffness is not None and frame.weight_stiffness_std:
        own, tilt = 1.0 / max(weight_std, 1e-6) ** 2, 1.0 / frame.weight_stiffness_std**2
        tilt_share = tilt / (own + tilt)
        gap = abs(frame.weight_stiffness - weight) / math.hypot(weight_std, frame.weight_stiffness_std)
        if gap > 3.0:
            words.append(
                f"the tilt test gives m g h = {frame.weight_stiffness:.0f} N m/rad, mass and hang arm of the "
                f"sheet give {weight:.0f}: {gap:.1f} standard uncertainties apart; the tilt test was used "
                f"alone"
            )
            tilt_share = 1.0
        weight += tilt_share * (frame.weight_stiffness - weight)
        weight_std = frame.weight_stiffness_std if tilt_share == 1.0 else (own + tilt) ** -0.5
    stated = frame.riser_stiffness is not None and frame.riser_stiffness > 0.0
    riser = _RISER_RANGE
    if frame.riser_stiffness is not None and stated:
        given = frame.riser_stiffness_std
        spread = 0.3 if given is None else _log_std(frame.riser_stiffness, given)
        riser = (frame.riser_stiffness / SWING_RISER, math.hypot(spread, SWING_RISER_STD))
    else:
        words.append(
            f"the roll stiffness of the risers is not in the sheet: anything from {riser[0]:.0f} to "
            f"{riser[1]:.0f} N m/rad was taken for possible before the flight speaks"
        )
    turn_stated = wing.turn_coefficient is not None
    turn, spread = _WING_TURN
    if wing.turn_coefficient is not None:
        turn = wing.turn_coefficient
        given = wing.turn_coefficient_std
        spread = 0.3 if given is None else _log_std(turn, given)
    else:
        words.append(
            "the glider's turn coefficient is not in the sheet: the wing's own, before the risers' share, "
            "was "
            f"taken for {turn:.0f} within a factor of {math.exp(2 * spread):.1f} either way before the "
            f"ballast "
            "glides speak"
        )
    return Priors(
        weight=weight,
        weight_std=weight_std,
        riser=riser,
        riser_stated=stated,
        wing_turn=turn,
        wing_turn_spread=spread,
        turn_stated=turn_stated,
        yaw_over_roll=_YAW_OVER_ROLL[0],
        yaw_over_roll_spread=_YAW_OVER_ROLL[1],
        turn_model=_TURN_MODEL,
        stiffness_model=_STIFFNESS_MODEL,
        yaw_hang=_YAW_HANG,
        hang_zero_drift=_HANG_ZERO_DRIFT,
        turn_zero_drift=_TURN_ZERO_DRIFT,
        level_std=_LEVEL_STD,
        tilt_share=tilt_share,
        words=tuple(words),
    )


def _log_std(median: float, std: float) -> float:
    """Return the standard deviation of the logarithm of a log-normal quantity with this relative spread."""
    return math.sqrt(math.log1p((std / median) ** 2))
