"""From the readings of a rig to torque with a budget by source."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..channels import GRAVITY
from ..errors import RigError
from ..quantity import Quantity
from .budget import torque_interval, welch_satterthwaite
from .fits import choose_fit, fit_torque
from .model import RigCurve, RigPoint
from .power import check_power, unknown_check
from .readings import Reading, read_rig, scale_of
from .signals import Scale
from .similarity import similarity_numbers

if TYPE_CHECKING:
    from ..sheets import AircraftSheet, RigSheet

__all__ = ["SWING_DIVISORS", "FittedCompensation", "reduce_rig", "reduce_rig_of", "two_point_torque"]

Array = NDArray[np.float64]

SWING_DIVISORS = {"triangular": math.sqrt(6.0), "uniform": math.sqrt(3.0), "arcsine": math.sqrt(2.0)}
"""Half-width of a swing over its standard uncertainty, by the distribution assumed.

References: JCGM 100:2008, 4.3 and JCGM 101:2008, 6.4.
"""

_LEAK_TOLD_KG = 0.5
_LEAK_TOLD_SHARE = 0.005
_EXPONENT_TOLD = 0.4  # distance from 2
_DRIFT_TOLD = {"kg": 0.5, "N": 2.0, "N m": 0.5}


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
class FittedCompensation:
    """A compensation that worked on the rig too, so that the rig showed torque less what it takes off.

    Attributes
    ----------
    moment : float
        What it takes off at ``rpm`` in flight [N m]; it grows with rpm squared.
    rpm : float
        [1/min].
    growth, growth_std : float
        What it takes off at rest over what it takes off in flight, at one engine speed [1].
    """

    moment: float
    rpm: float
    growth: float
    growth_std: float

    def at_rest(self, rpm: float) -> tuple[float, float]:
        """Return what it takes off at rest, and the standard uncertainty by ``growth`` [N m]."""
        size = self.moment * (rpm / self.rpm) ** 2
        return size * self.growth, abs(size) * self.growth_std


@dataclass(frozen=True)
class _Zero:
    """The rig without thrust: signal and, for two scales, their sum, with standard uncertainties."""

    signal: float
    std: float
    total: float | None
    total_std: float
    count: int
    drift: float


def reduce_rig(
    sheet: RigSheet,
    *,
    gear_ratio: float | None = None,
    diameter: float | None = None,
    chord: float | None = None,
    reaction_sign: int = 0,
    folder: str | Path | None = None,
    swing: str = "triangular",
    compensation: FittedCompensation | None = None,
) -> RigCurve:
    """Reduce the readings of a rig day.

    Parameters
    ----------
    sheet : RigSheet
        Readings; those with rpm = 0 are the zero. Its own gear ratio, diameter and chord come first.
    gear_ratio : float, optional
        Engine revolutions per propeller revolution of the aircraft. Without it, or without the diameter,
        coefficients and power are unknown; torque and its curves are not touched.
    diameter : float, optional
        Propeller diameter of the aircraft [m].
    chord : float, optional
        Blade chord at 0.75 R [m], for the Reynolds number.
    reaction_sign : int
        1 where the aircraft's reaction rolls right, -1 left, 0 where it is not known: a two-point rig that
        shows the other side is told of.
    folder : str or Path, optional
        Where the sheet lies; the files of its series are seen from there.
    swing : {"triangular", "uniform", "arcsine"}
        Distribution assumed for the mean that was read by eye within a swing from low to high.
    compensation : FittedCompensation, optional
        Given back to every reading, so that the curve is that of the propeller alone. The uncertainty of its
        size is left to the caller: the same error is in what is given back in flight.

    Returns
    -------
    RigCurve

    Raises
    ------
    RigError
        Without a zero, without a reading under power, or where a series cannot be used.
    LogError
        Where the file of a series cannot be read.

    Notes
    -----
    Q = a |x - x0| with the signal x and its zero x0: g s / 2 times the difference of two scales, arm times
    the load of a cell, or the torque itself. Standard uncertainty of a point, combined as [1]_, by source:

    - ``swing``: the mean was read by eye within the swing of half-width a. Values near the middle are
      likelier than the ends, so a triangular distribution, u = a / sqrt(6), is the default ([1]_, 4.3.9).
      ``uniform`` (a / sqrt(3)) says nothing but the bounds; ``arcsine`` (a / sqrt(2)) is a single glance at
      a sine. For a series it is the standard uncertainty of the fitted mean, type A (`mean_through_swing`).
    - ``resolution``: uniform over one step of each scale.
    - ``scale_calibration``: what a reading of each scale may be off beyond the zero, taken as independent.
    - ``spacing`` or ``arm``, ``sensitivity``: factors common to all points.
    - ``zero``: swing and resolution of the zero readings; with several, no less than their drift taken as
      uniform over its range. Common to all points.
    - ``leak``: a change D of the sum of both scales tells of thrust or legs that load the rig. How it divides
      between the scales is not known; the difference may be off by up to D, uniform: u = |D| / sqrt(3). What
      reading the scales explains of D is taken off first, as it is in the other sources.
      The division is taken to be the same at every speed, so the error is common to all points.
    - ``compensation``: how much more or less a fitted compensation takes off at rest than in flight.

    The uncertainty of rpm is not in the torque's budget; it goes into the fit by its effective variance. The
    95 % interval is value ± 1.96 u, by Monte Carlo [2]_ where a series brings degrees of freedom. A leak
    alone would call for 1.65 u, but its bound is itself read off noisy scales: with 1.96 the intervals hold.

    References
    ----------
    .. [1] JCGM 100:2008, Evaluation of measurement data: Guide to the expression of uncertainty in
       measurement.
    .. [2] JCGM 101:2008, Propagation of distributions using a Monte Carlo method.

    Examples
    --------
    >>> import flightproc as fp
    >>> rig = fp.reduce_rig(fp.load_rig("sample_logs/school-wing-28/rig.toml"))
    >>> print(rig.points[-1].torque.text(interval=True))
    37.7 N m (95 %: 35.7 to 39.7)
    """
    if swing not in SWING_DIVISORS:
        raise RigError("unknown swing distribution", found=swing, allowed=", ".join(SWING_DIVISORS))
    gear = gear_ratio if sheet.gear_ratio is None else sheet.gear_ratio
    size = diameter if sheet.diameter_m is None else sheet.diameter_m
    width = chord if sheet.chord_075_m is None else sheet.chord_075_m
    name = sheet.name or "rig sheet"
    scale = scale_of(sheet)
    readings = read_rig(sheet, SWING_DIVISORS[swing], folder)
    still = [r for r in readings if r.rpm == 0.0]
    powered = sorted((r for r in readings if r.rpm > 0.0), key=lambda r: r.rpm)
    if not still:
        raise RigError("the rig has no zero", where=name, hint="add a reading with rpm = 0, engine stopped")
    if not powered:
        raise RigError("the rig has no reading under power", where=name, hint="add readings with rpm above 0")
    zero = _zero(still, scale)

    arm = scale.arm
    warnings: list[str] = []
    points: list[RigPoint] = []
    own: list[float] = []
    leaks: list[float] = []
    given: list[float] = []
    signed: list[float] = []
    for reading in powered:
        net = reading.signal - zero.signal
        shown = arm * abs(net)
        given_back, given_back_std = (0.0, 0.0) if compensation is None else compensation.at_rest(reading.rpm)
        torque = shown + given_back
        sum_change, leak = _leak(reading, zero, scale)
        budget = {
            "swing": arm * reading.swing_std,
            "resolution": arm * scale.step_std,
            "scale_calibration": arm * scale.calibration_std,
            "zero": arm * zero.std,
        }
        if scale.arm_name:
            budget[scale.arm_name] = shown * scale.arm_std
        if scale.sensitivity_std:
            budget["sensitivity"] = shown * scale.sensitivity_std
        if given_back_std:
            budget["compensation"] = given_back_std
        if sum_change.known:
            budget["leak"] = arm * abs(leak) / math.sqrt(3.0)
        quantity, dof = _torque(torque, budget, reading)
        check, similar = unknown_check("the gear ratio or the diameter is not stated"), None
        if gear is not None and size is not None:
            check = check_power(
                reading.rpm,
                quantity,
                reading.thrust,
                gear_ratio=gear,
                diameter=size,
                density=sheet.density,
                density_std=sheet.density_std,
                rpm_std=reading.rpm_std,
            )
            similar = similarity_numbers(
                reading.rpm,
                reading.rpm_std,
                gear_ratio=gear,
                diameter=size,
                density=sheet.density,
                density_std=sheet.density_std,
                temperature=sheet.temperature,
                chord=width,
            )
        if check.message:
            warnings.append(check.message)
        points.append(
            RigPoint(
                rpm=reading.rpm,
                torque=quantity,
                power=check.power,
                thrust=reading.thrust,
                figure_of_merit=check.figure_of_merit,
                thrust_ceiling=check.thrust_ceiling,
                torque_coefficient=check.torque_coefficient,
                sum_change=sum_change,
                rpm_std=reading.rpm_std,
                power_coefficient=check.power_coefficient,
                thrust_coefficient=check.thrust_coefficient,
                tip_mach=check.torque_coefficient if similar is None else similar.tip_mach,
                reynolds=check.torque_coefficient if similar is None else similar.reynolds,
                dof=dof,
                trace=reading.trace,
            )
        )
        own.append(math.hypot(budget["swing"], budget["resolution"], budget["scale_calibration"]))
        leaks.append(arm * leak / math.sqrt(3.0))
        given.append(given_back_std)
        signed.append(net)

    if not any(point.torque.value for point in points):
        raise RigError(
            "the rig shows no torque: every reading is that of the zero",
            where=name,
            hint="check the columns or the scales",
        )
    common = np.array([[arm * zero.std] * len(points), leaks, *([given] if any(given) else [])])
    factor = math.hypot(scale.arm_std, scale.sensitivity_std)
    fits = fit_torque(
        [p.rpm for p in points],
        [p.torque.value or 0.0 for p in points],
        own,
        rpm_std=[p.rpm_std for p in points],
        common=common,
        scale_std=factor,
    )
    chosen, words = choose_fit(fits)
    sense = int(math.copysign(1.0, sum(signed))) if sheet.kind == "two_point" else 0
    warnings = [
        *words,
        *_exponent_words(points),
        *_zero_words(zero, scale),
        *_leak_words(powered, points, zero.total),
        *_sign_words(powered, signed),
        *_side_words(sense, reaction_sign),
        *_swing_words(powered),
        *(word for reading in readings for word in reading.words),
        *warnings,
    ]
    return RigCurve(
        points=tuple(points),
        fits=fits,
        chosen=chosen,
        density=sheet.density,
        density_std=sheet.density_std,
        warnings=tuple(warnings),
        gear_ratio=gear,
        diameter=size,
        name=sheet.name,
        kind=sheet.kind,
        rig=sheet.rig,
        date=sheet.date,
        own_std=np.array(own),
        common=common,
        scale_std=factor,
        sense=sense,
    )


def reduce_rig_of(
    aircraft: AircraftSheet,
    sheet: RigSheet,
    folder: str | Path | None = None,
    *,
    chord: float | None = None,
    compensation: FittedCompensation | None = None,
) -> RigCurve:
    """Reduce a rig day with gear ratio, diameter and sense of the aircraft it belongs to.

    Parameters
    ----------
    aircraft : AircraftSheet
        The aircraft.
    sheet : RigSheet
        Readings.
    folder, chord, compensation
        As for :func:`reduce_rig`.

    Returns
    -------
    RigCurve

    Raises
    ------
    RigError, LogError
        As :func:`reduce_rig`.

    Examples
    --------
    >>> import flightproc as fp
    >>> folder = "sample_logs/school-wing-28"
    >>> rig = reduce_rig_of(fp.load_aircraft(f"{folder}/aircraft.toml"), fp.load_rig(f"{folder}/rig.toml"))
    >>> rig.gear_ratio, rig.diameter
    (2.8, 1.28)
    """
    return reduce_rig(
        sheet,
        gear_ratio=aircraft.engine.gear_ratio,
        diameter=aircraft.propeller.diameter_m,
        chord=chord,
        reaction_sign=aircraft.reaction_sign,
        folder=folder,
        compensation=compensation,
    )


def _leak(reading: Reading, zero: _Zero, scale: Scale) -> tuple[Quantity, float]:
    """Return the change of the sum of both scales, and what of it reading them does not explain [kg]."""
    if reading.total is None or reading.total_std is None or zero.total is None:
        return Quantity.unknown("kg", "this kind of rig has no sum of scales"), 0.0
    change = reading.total - zero.total
    std = math.hypot(reading.total_std, scale.step_std, scale.calibration_std, zero.total_std)
    return Quantity.of(change, std, "kg"), math.copysign(math.sqrt(max(change**2 - std**2, 0.0)), change)


def _torque(torque: float, budget: dict[str, float], reading: Reading) -> tuple[Quantity, float]:
    """Return the torque with its interval, and its effective degrees of freedom."""
    parts = list(budget.values())
    std = math.hypot(*parts)
    dofs = [reading.swing_dof if name == "swing" else math.inf for name in budget]
    rest = math.hypot(*(part for name, part in budget.items() if name != "swing"))
    low, high = torque_interval(torque, rest, budget["swing"], reading.swing_dof)
    quantity = Quantity(torque, std, low, high, "N m", budget=budget)
    return quantity, welch_satterthwaite(parts, dofs)


def _zero(still: Sequence[Reading], scale: Scale) -> _Zero:
    signals = np.array([r.signal for r in still])
    sums = [r.total for r in still if r.total is not None]

    def std(values: Array, swings: Sequence[float]) -> float:
        read = math.sqrt(sum(swing**2 + scale.step_std**2 for swing in swings)) / len(still)
        return max(read, float(np.ptp(values)) / math.sqrt(12.0))

    return _Zero(
        signal=float(signals.mean()),
        std=std(signals, [r.swing_std for r in still]),
        total=float(np.mean(sums)) if sums else None,
        total_std=std(np.array(sums), [r.total_std or 0.0 for r in still]) if sums else 0.0,
        count=len(still),
        drift=float(np.ptp(signals)),
    )


def _exponent_words(points: Sequence[RigPoint]) -> list[str]:
    """Say where the plain logarithms of the points rise otherwise than a constant coefficient lets them."""
    pairs = [
        (math.log(p.rpm), math.log(p.torque.value)) for p in points if p.torque.value and p.torque.value > 0.0
    ]
    if len({x for x, _ in pairs}) < 3:
        return []
    x, y = np.array(pairs).T
    exponent = float(np.polyfit(x, y, 1)[0])
    if abs(exponent - 2.0) < _EXPONENT_TOLD:
        return []
    return [
        f"from point to point the torque rises with an exponent of {exponent:.2f} (all points alike), where "
        "a constant torque coefficient gives 2: look for torque that is taken up, thrust that leaks in, or "
        "a wrong zero"
    ]


def _zero_words(zero: _Zero, scale: Scale) -> list[str]:
    if zero.count == 1:
        return [
            "the rig has one zero reading: a drift of it would not be seen. Take one before and one after"
        ]
    if zero.drift > max(_DRIFT_TOLD[scale.unit], 4.0 * scale.step_std):
        what = "zero difference" if scale.unit == "kg" else "zero"
        return [f"the {what} drifted over {zero.drift:.1f} {scale.unit} between {zero.count} readings"]
    return []


def _leak_words(powered: Sequence[Reading], points: Sequence[RigPoint], total: float | None) -> list[str]:
    if total is None or total <= 0.0:
        return []
    told = [
        f"{change:+.1f} kg ({100.0 * change / total:+.1f} %) at {reading.rpm:.0f} rpm"
        for reading, point in zip(powered, points, strict=True)
        if (change := point.sum_change.value) is not None
        and (abs(change) > _LEAK_TOLD_KG or abs(change) > _LEAK_TOLD_SHARE * total)
        and abs(change) > 2.0 * (point.sum_change.std or 0.0)
    ]
    if not told:
        return []
    return [
        f"the sum of both scales changes with throttle: {', '.join(told)}. Thrust or legs load the rig, "
        "and may take up torque; the change is carried as an uncertainty of the difference"
    ]


def _sign_words(powered: Sequence[Reading], signed: Sequence[float]) -> list[str]:
    major = math.copysign(1.0, sum(signed))
    odd = [f"{r.rpm:.0f}" for r, net in zip(powered, signed, strict=True) if net * major < 0.0]
    if not odd:
        return []
    return [
        f"at {', '.join(odd)} rpm the difference has the opposite sign of the others: check left and right"
    ]


def _side_words(sense: int, reaction_sign: int) -> list[str]:
    if not sense or not reaction_sign or sense == reaction_sign:
        return []
    side, other = ("right", "left") if sense > 0 else ("left", "right")
    return [
        f"the {side} scale gains, but the propeller of the aircraft sheet loads the {other} one: left and "
        "right are swapped, or the sense of rotation is wrong. The torque's size does not depend on it"
    ]


def _swing_words(powered: Sequence[Reading]) -> list[str]:
    bare = [f"{r.rpm:.0f}" for r in powered if not r.noted]
    if not bare:
        return []
    return [f"no swing was noted at {', '.join(bare)} rpm: the uncertainty there leaves it out"]
