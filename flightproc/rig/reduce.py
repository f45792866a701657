"""From the readings of a two-point rig to torque with a budget by source."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..channels import GRAVITY
from ..errors import RigError
from ..quantity import Quantity
from .fits import choose_fit, fit_torque
from .model import RigCurve, RigPoint
from .power import check_power

if TYPE_CHECKING:
    from ..sheets import RigReading, RigSheet

__all__ = ["SWING_DIVISORS", "reduce_rig", "two_point_torque"]

Array = NDArray[np.float64]

SWING_DIVISORS = {"triangular": math.sqrt(6.0), "uniform": math.sqrt(3.0), "arcsine": math.sqrt(2.0)}
"""Half-width of a swing over its standard uncertainty, by the distribution assumed.

References: JCGM 100:2008, 4.3 and JCGM 101:2008, 6.4.
"""

_LEAK_TOLD_KG = 0.5
_LEAK_TOLD_SHARE = 0.005
_THRUST_STD = 0.05  # relative, where a thrust comes without one


def two_point_torque(difference: float, zero_difference: float, spacing: float) -> float:
    """Return the torque of a two-point suspension.

    Parameters
    ----------
    difference, zero_difference : float
        Right less left reading, with power and without [kg].
    spacing : float
        Distance between the two scales [m].

    Returns
    -------
    float
        g |dm - dm0| s / 2 [N m].

    Examples
    --------
    >>> [round(two_point_torque(dm, 0.0, 0.380), 2) for dm in (4.5, 7.7, 14.4)]
    [8.38, 14.35, 26.83]
    """
    return GRAVITY * abs(difference - zero_difference) * spacing / 2.0


@dataclass(frozen=True)
class _Zero:
    """Both scales without thrust: difference and sum with standard uncertainties [kg]."""

    difference: float
    difference_std: float
    total: float
    total_std: float
    count: int
    drift: float


def reduce_rig(sheet: RigSheet, *, gear_ratio: float, diameter: float, swing: str = "triangular") -> RigCurve:
    """Reduce the readings of a two-point rig.

    Parameters
    ----------
    sheet : RigSheet
        Readings; those with rpm = 0 are the zero. Its own gear ratio and diameter, where given, come first.
    gear_ratio : float
        Engine revolutions per propeller revolution of the aircraft.
    diameter : float
        Propeller diameter of the aircraft [m].
    swing : {"triangular", "uniform", "arcsine"}
        Distribution assumed for the mean that was read by eye within a swing from low to high.

    Returns
    -------
    RigCurve

    Raises
    ------
    RigError
        Without a zero or without a reading under power.

    Notes
    -----
    Q = g |dm - dm0| s / 2. Standard uncertainty of a point, combined as [1]_, by source:

    - ``swing``: the mean was read by eye within the swing of half-width a. Values near the middle are
      likelier than the ends, so a triangular distribution, u = a / sqrt(6), is the default ([1]_, 4.3.9).
      ``uniform`` (a / sqrt(3)) says nothing but the bounds; ``arcsine`` (a / sqrt(2)) is a single glance at
      a sine.
    - ``resolution``: uniform over one step of each scale.
    - ``scale_calibration``: that of both scales, taken as independent; it is not assumed to cancel with
      the zero.
    - ``spacing``: Q u_s / s, common to all points.
    - ``zero``: swing and resolution of the zero readings; with several, no less than their drift taken as
      uniform over its range. Common to all points.
    - ``leak``: a change D of the sum of both scales tells of thrust or legs that load the rig. How it divides
      between the scales is not known; the difference may be off by up to D, uniform: u = |D| / sqrt(3). What
      reading the scales explains of D is taken off first, as it is in the other sources.
      The division is taken to be the same at every speed, so the error is common to all points.

    The uncertainty of rpm is not in the torque's budget; it goes into the fit by its effective variance.

    References
    ----------
    .. [1] JCGM 100:2008, Evaluation of measurement data: Guide to the expression of uncertainty in
       measurement.
    """
    if swing not in SWING_DIVISORS:
        raise RigError("unknown swing distribution", found=swing, allowed=", ".join(SWING_DIVISORS))
    divisor = SWING_DIVISORS[swing]
    gear = gear_ratio if sheet.gear_ratio is None else sheet.gear_ratio
    size = diameter if sheet.diameter_m is None else sheet.diameter_m
    density, density_std = sheet.density, sheet.density_std
    still = [r for r in sheet.readings if r.rpm == 0.0]
    powered = sorted((r for r in sheet.readings if r.rpm > 0.0), key=lambda r: r.rpm)
    name = sheet.name or "rig sheet"
    if not still:
        raise RigError("the rig has no zero", where=name, hint="add a reading with rpm = 0, engine stopped")
    if not powered:
        raise RigError("the rig has no reading under power", where=name, hint="add readings with rpm above 0")
    step = sheet.scale_resolution_kg / math.sqrt(12.0)
    zero = _zero(still, divisor, step)

    arm = GRAVITY * sheet.spacing_m / 2.0
    warnings: list[str] = []
    points: list[RigPoint] = []
    own: list[float] = []
    leaks: list[float] = []
    signed: list[float] = []
    for reading in powered:
        net = (reading.right_kg - reading.left_kg) - zero.difference
        torque = arm * abs(net)
        sum_change = reading.left_kg + reading.right_kg - zero.total
        swung = _swing_std(reading, divisor)
        noise = math.sqrt(2.0) * math.hypot(step, sheet.scale_std_kg)
        sums_std = math.hypot(swung, noise, zero.total_std)
        leak = math.copysign(math.sqrt(max(sum_change**2 - sums_std**2, 0.0)), sum_change)
        budget = {
            "swing": arm * swung,
            "resolution": arm * math.sqrt(2.0) * step,
            "scale_calibration": arm * math.sqrt(2.0) * sheet.scale_std_kg,
            "spacing": torque * sheet.spacing_std_m / sheet.spacing_m,
            "zero": arm * zero.difference_std,
            "leak": arm * abs(leak) / math.sqrt(3.0),
        }
        quantity = Quantity.of(torque, math.hypot(*budget.values()), "N m", budget=budget)
        thrust = _thrust(reading)
        check = check_power(
            reading.rpm,
            quantity,
            thrust,
            gear_ratio=gear,
            diameter=size,
            density=density,
            density_std=density_std,
            rpm_std=reading.rpm_std,
        )
        if check.message:
            warnings.append(check.message)
        points.append(
            RigPoint(
                rpm=reading.rpm,
                torque=quantity,
                power=check.power,
                thrust=thrust,
                figure_of_merit=check.figure_of_merit,
                thrust_ceiling=check.thrust_ceiling,
                torque_coefficient=check.torque_coefficient,
                sum_change=Quantity.of(sum_change, sums_std, "kg"),
                rpm_std=reading.rpm_std,
            )
        )
        own.append(math.hypot(budget["swing"], budget["resolution"], budget["scale_calibration"]))
        leaks.append(arm * leak / math.sqrt(3.0))
        signed.append(net)

    fits = fit_torque(
        [p.rpm for p in points],
        [p.torque.value or 0.0 for p in points],
        own,
        rpm_std=[p.rpm_std for p in points],
        common=[[arm * zero.difference_std] * len(points), leaks],
        scale_std=sheet.spacing_std_m / sheet.spacing_m,
    )
    chosen, words = choose_fit(fits)
    warnings = [
        *words,
        *_zero_words(zero),
        *_leak_words(powered, points, zero.total),
        *_sign_words(powered, signed, points),
        *_swing_words(powered, swing),
        *warnings,
    ]
    return RigCurve(
        points=tuple(points),
        fits=fits,
        chosen=chosen,
        density=density,
        density_std=density_std,
        warnings=tuple(warnings),
        gear_ratio=gear,
        diameter=size,
    )


def _swing_std(reading: RigReading, divisor: float) -> float:
    """Return the standard uncertainty of difference and sum from the swing of both scales [kg]."""
    parts = [
        (high - low) / 2.0 / divisor
        for low, high in (
            (reading.left_low_kg, reading.left_high_kg),
            (reading.right_low_kg, reading.right_high_kg),
        )
        if low is not None and high is not None
    ]
    return math.hypot(*parts) if parts else 0.0


def _zero(still: Sequence[RigReading], divisor: float, step: float) -> _Zero:
    differences = np.array([r.right_kg - r.left_kg for r in still])
    totals = np.array([r.right_kg + r.left_kg for r in still])
    read = math.sqrt(sum(_swing_std(r, divisor) ** 2 + 2.0 * step**2 for r in still)) / len(still)

    def std(values: Array) -> float:
        return max(read, float(np.ptp(values)) / math.sqrt(12.0))

    return _Zero(
        float(differences.mean()),
        std(differences),
        float(totals.mean()),
        std(totals),
        len(still),
        float(np.ptp(differences)),
    )


def _thrust(reading: RigReading) -> Quantity:
    if reading.thrust_N is None:
        return Quantity.unknown("N", "thrust was not measured")
    if reading.thrust_std_N is None:
        return Quantity.of(
            reading.thrust_N, _THRUST_STD * reading.thrust_N, "N", reason="its uncertainty was taken as 5 %"
        )
    return Quantity.of(reading.thrust_N, reading.thrust_std_N, "N")


def _zero_words(zero: _Zero) -> list[str]:
    if zero.count == 1:
        return [
            "the rig has one zero reading: a drift of it would not be seen. Take one before and one after"
        ]
    if zero.drift > _LEAK_TOLD_KG:
        return [f"the zero difference drifted over {zero.drift:.1f} kg between {zero.count} readings"]
    return []


def _leak_words(powered: Sequence[RigReading], points: Sequence[RigPoint], total: float) -> list[str]:
    told = [
        f"{change:+.1f} kg ({100.0 * change / total:+.1f} %) at {reading.rpm:.0f} rpm"
        for reading, point in zip(powered, points, strict=True)
        if (change := point.sum_change.value) is not None
        and total > 0.0
        and (abs(change) > _LEAK_TOLD_KG or abs(change) > _LEAK_TOLD_SHARE * total)
        and abs(change) > 2.0 * (point.sum_change.std or 0.0)
    ]
    if not told:
        return []
    return [
        f"the sum of both scales changes with throttle: {', '.join(told)}. Thrust or legs load the rig, "
        "and may take up torque; the change is carried as an uncertainty of the difference"
    ]


def _sign_words(
    powered: Sequence[RigReading], signed: Sequence[float], points: Sequence[RigPoint]
) -> list[str]:
    major = math.copysign(1.0, sum(signed))
    odd = [
        f"{reading.rpm:.0f}"
        for reading, net, point in zip(powered, signed, points, strict=True)
        if net * major < 0.0 and point.torque.value is not None
    ]
    if not odd:
        return []
    return [
        f"at {', '.join(odd)} rpm the difference has the opposite sign of the others: check left and right"
    ]


def _swing_words(powered: Sequence[RigReading], swing: str) -> list[str]:
    bare = [f"{r.rpm:.0f}" for r in powered if r.left_low_kg is None or r.right_low_kg is None]
    if not bare:
        return []
    return [f"no swing was noted at {', '.join(bare)} rpm: the uncertainty there leaves it out"]
