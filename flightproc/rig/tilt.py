"""The ground tilt test: what the hung unit's weight does against a roll moment."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..channels import GRAVITY
from ..display import displayed
from ..errors import RigError
from ..quantity import Quantity

if TYPE_CHECKING:
    from ..sheets import TiltTestEntry

__all__ = ["TiltTest", "reduce_tilt"]

Array = NDArray[np.float64]

_DRAWS = 40_000
_WEAK = 3.0  # standard uncertainties of the slope within which zero makes the stiffness unbounded
_REFUTED = 0.05  # probability of the scatter below which the stated uncertainty does not hold
_LEAST_DOF = 3  # below which a t distribution has no standard deviation
_STEEP = math.radians(10.0)  # tilt beyond which a remark is due


@displayed
@dataclass(frozen=True)
class TiltTest:
    """What a tilt test gives.

    Attributes
    ----------
    weight_stiffness : Quantity
        m_b g h at one g [N m/rad]: the least that the hang stiffness K can be, with its budget.
    hang_arm : Quantity
        Centre of gravity below the hang points [m].
    words : tuple of str
        What was found, and what to doubt.
    zero : Quantity
        Roll with the ballast in its usual place [rad], by the fit.
    moment : ndarray, shape (n,)
        Roll moment of the ballast in each reading, the zeros last [N m].
    angle : ndarray, shape (n,)
        The readings [rad].
    residual : ndarray, shape (n,)
        Readings less the fit [rad].
    chi2 : float
        Sum of squared residuals over their stated uncertainty.
    dof : int
        Readings less two.

    Examples
    --------
    >>> import flightproc as fp
    >>> from flightproc.sheets import TiltTestEntry
    >>> aircraft = fp.load_aircraft("sample_logs/school-wing-28/aircraft.toml")
    >>> test = TiltTestEntry(
    ...     side=("right", "left", "right", "left"),
    ...     angle_deg=(1.7, -1.3, 1.6, -1.4),
    ...     ballast_kg=4.0,
    ...     arm_m=0.25,
    ... )
    >>> aircraft = aircraft.model_copy(update={"tilt_test": test})
    >>> print(fp.reduce_ground(aircraft).tilt.hang_arm)
    0.382 ± 0.028 m
    """

    weight_stiffness: Quantity
    hang_arm: Quantity
    words: tuple[str, ...]
    zero: Quantity
    moment: Array
    angle: Array
    residual: Array
    chi2: float
    dof: int


def reduce_tilt(test: TiltTestEntry, mass: float, mass_std: float, *, seed: int = 1) -> TiltTest:
    r"""Reduce a tilt test to the weight's roll stiffness and the hang arm.

    Parameters
    ----------
    test : TiltTestEntry
        The table ``[tilt_test]``.
    mass, mass_std : float
        The hung mass, ballast included, and its standard uncertainty [kg].
    seed : int
        Of the Monte Carlo draws.

    Returns
    -------
    TiltTest

    Raises
    ------
    RigError
        Where the readings do not tell a tilt from none.

    Notes
    -----
    The hung mass M has its centre of gravity H below the pivot. A mass m of it is moved sideways by y, at
    right angles to the unit's centre plane, and lowered by d. Moments about the pivot, in the unit's axes:

    .. math:: M H g \sin\phi + m d g \sin\phi = m y g \cos\phi + M y_0 g \cos\phi

    so that :math:`\tan\phi = \tan\phi_0 + L / K'` with :math:`L = m g y` and :math:`K' = g (M H + m d)`
    exactly: a straight line of the tangent over the moment, fitted by least squares with the zero as its
    intercept. What lies between pivot and hang points, a, is taken off:
    :math:`m_b g h = K' - g (M a + m d)`, :math:`h = m_b g h / (M g)`.

    Type A: the scatter of the readings about the line widens what is stated for a reading where the reduced
    chi^2 exceeds one; where chi^2 refutes what is stated (5 %), the scatter alone holds, as a t distribution
    with n - 2 degrees of freedom (3 at least, so that it has a standard deviation). Type B: angle, mass and
    arm of the ballast, drop, pivot, hung mass. As K' is the inverse of a slope that may be uncertain by a
    tenth, the distribution is drawn [2]_; budget by first order [1]_.

    References
    ----------
    .. [1] JCGM 100:2008, 5.1 and H.3.
    .. [2] JCGM 101:2008, 5.9.

    Examples
    --------
    >>> from flightproc.sheets import TiltTestEntry
    >>> test = TiltTestEntry(
    ...     side=("right", "left"), angle_deg=(1.388, -1.388), ballast_kg=4.0, arm_m=0.25, angle_std_deg=0.05
    ... )
    >>> found = reduce_tilt(test, 118.0, 1.0)
    >>> print(found.weight_stiffness, "|", found.hang_arm)
    405 ± 15 N m/rad | 0.350 ± 0.014 m
    """
    sides = [1.0 if side == "right" else -1.0 for side in test.side]
    sign = np.array(sides + [0.0] * len(test.zero_deg))
    angle = np.radians(np.array([*test.angle_deg, *test.zero_deg], dtype=float))
    tangent = np.tan(angle)
    reading = math.radians(test.angle_std_deg) * (1.0 + tangent**2)  # of the tangent
    # tan(phi) = intercept + tilt * sign, with tilt = m y / (M H + m d)
    design = np.column_stack([np.ones_like(sign), sign]) / reading[:, None]
    covariance = np.linalg.inv(design.T @ design)
    intercept, tilt = (float(c) for c in covariance @ design.T @ (tangent / reading))
    residual = tangent - intercept - tilt * sign
    chi2, dof = float(np.sum((residual / reading) ** 2)), sign.size - 2
    refuted = dof > 0 and _chance(dof, chi2) < _REFUTED
    freedom = max(dof, _LEAST_DOF)
    if dof > 0:
        covariance = covariance * max(chi2 / dof, 1.0)
    tilt_std = float(np.sqrt(covariance[1, 1]))
    if not tilt > _WEAK * tilt_std:
        raise RigError(
            "the tilt test does not tell a tilt from none",
            where="[tilt_test] angle_deg",
            found=f"{math.degrees(math.atan(tilt)):.2f} ± {math.degrees(tilt_std):.2f} deg",
            allowed=f"a tilt of more than {_WEAK:g} standard uncertainties",
            hint="more ballast or a longer arm, more readings, a finer inclinometer",
        )
    rng = np.random.default_rng(seed)
    normal = rng.standard_normal((6, _DRAWS))
    t = rng.standard_t(freedom, _DRAWS) if refuted else normal[0]
    tilts = tilt + tilt_std * t
    tilts = np.where(tilts > 0.2 * tilt, tilts, np.nan)  # a tail of t without meaning
    ballast = test.ballast_kg + test.ballast_std_kg * normal[1]
    arm = test.arm_m + test.arm_std_m * normal[2]
    drop = test.drop_m + test.drop_std_m * normal[3]
    pivot = test.pivot_height_m + test.pivot_height_std_m * normal[4]
    masses = mass + mass_std * normal[5]
    stiffness = GRAVITY * (ballast * (arm / tilts - drop) - masses * pivot)
    g, m, y = GRAVITY, test.ballast_kg, test.arm_m
    value = g * (m * (y / tilt - test.drop_m) - mass * test.pivot_height_m)
    if not value > 0.0:
        raise RigError(
            "the unit tilts so far that no hang arm is left below the hang points",
            where="[tilt_test]",
            found=f"{value / (mass * g):.3f} m",
            allowed="a positive hang arm",
            hint="look at ballast_kg, arm_m, drop_m and pivot_height_m again",
        )
    parts = {
        "angle": g * m * y * tilt_std / tilt**2,
        "ballast mass": g * (y / tilt - test.drop_m) * test.ballast_std_kg,
        "ballast arm": g * m / tilt * test.arm_std_m,
        "drop of the ballast": g * m * test.drop_std_m,
        "pivot": g * mass * test.pivot_height_std_m,
        "hung mass": g * abs(test.pivot_height_m) * mass_std,
    }
    weight = Quantity.from_samples(stiffness, "N m/rad", value=value, budget=_kept(parts))
    length = value / (mass * g)
    over = {name: part / (mass * g) for name, part in parts.items()}
    over["hung mass"] = (length + test.pivot_height_m) * mass_std / mass
    hang_arm = Quantity.from_samples(stiffness / (masses * g), "m", value=length, budget=_kept(over))
    zero = Quantity.of(
        math.atan(intercept),
        float(np.sqrt(covariance[0, 0])) / (1.0 + intercept**2),
        "rad",
        dof=freedom if refuted else math.inf,
    )
    return TiltTest(
        weight_stiffness=weight,
        hang_arm=hang_arm,
        words=_words(test, weight, hang_arm, zero, tilt, chi2, dof),
        zero=zero,
        moment=g * m * y * sign,
        angle=angle,
        residual=residual / (1.0 + tangent**2),
        chi2=chi2,
        dof=dof,
    )


def _chance(dof: int, chi2: float) -> float:
    from scipy.special import chdtrc

    return float(chdtrc(dof, chi2))


def _kept(parts: dict[str, float]) -> dict[str, float]:
    return {name: part for name, part in parts.items() if part > 0.0}


def _words(
    test: TiltTestEntry,
    weight: Quantity,
    arm: Quantity,
    zero: Quantity,
    tilt: float,
    chi2: float,
    dof: int,
) -> tuple[str, ...]:
    words = [
        f"{len(test.side)} readings, {test.ballast_kg * GRAVITY * test.arm_m:.1f} N m to either side tilt "
        f"the unit by {math.degrees(math.atan(tilt)):.2f} deg: its weight alone gives {weight.text()}, a "
        f"hang arm of {arm.text()}. In flight the risers add their own stiffness to it"
    ]
    if arm.std is not None and arm.budget:
        first = max(arm.budget, key=lambda name: arm.budget[name])
        words.append(f"most of the uncertainty comes from: {first}")
    if dof > 0:
        if _chance(dof, chi2) < _REFUTED:
            words.append(
                f"the readings scatter {math.sqrt(chi2 / dof):.1f} times as much as stated (angle_std_deg); "
                "the interval follows the scatter. Look for something that rubs, or a unit not yet at rest"
            )
    elif not test.zero_deg:
        words.append("one reading to each side: nothing tells whether they repeat")
    known = zero.value is not None and zero.std is not None
    if known and abs(zero.value or 0.0) > max(math.radians(1.0), 3.0 * (zero.std or 0.0)):
        words.append(
            f"with the ballast in its usual place the unit hangs {zero.degrees().text()} to the right: its "
            "centre of gravity lies beside the hang points' middle, or the inclinometer is off"
        )
    if abs(math.atan(tilt)) > _STEEP:
        words.append("a tilt beyond 10 deg asks for arms measured square to the unit; less ballast will do")
    if test.pivot_height_m > 0.1:
        words.append(
            "the pivot lies well above the hang points: the hang arm is a small difference. A bar that hangs "
            "from its middle at the height of its ends does better"
        )
    return tuple(words)
