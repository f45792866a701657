"""Several rig days: do they differ, and what they say together."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..display import displayed
from ..errors import RigError
from ..quantity import Quantity
from .fits import choose_fit, evaluate_fit, fit_gradient, fit_torque
from .model import RigCurve, RigPoint

__all__ = [
    "DayLevel",
    "DayPair",
    "DaysComparison",
    "between_variance",
    "compare_days",
    "day_name",
    "day_set_up",
]

Array = NDArray[np.float64]

_STEPS = 5  # engine speeds at which the curves are averaged
_SAME = 0.005  # relative difference of diameter up to which it is the same propeller
_DIFFER = 0.05  # probability below which days are said to differ


@displayed
@dataclass(frozen=True)
class DayLevel:
    """The torque of one day against all days.

    Attributes
    ----------
    name : str
        Of the day.
    ratio : Quantity
        Mean torque over the shared range of engine speed, in the same air, over that of all days together.
    exponent : Quantity
        Of the day's curve between the ends of the shared range.

    Examples
    --------
    >>> from flightproc.rig import compare_days
    >>> import flightproc as fp
    >>> rig = fp.reduce_rig(fp.load_rig("sample_logs/school-wing-28/rig.toml"))
    >>> print(compare_days([rig, rig]).days[0].ratio)
    1.000 ± 0.017
    """

    name: str
    ratio: Quantity
    exponent: Quantity


@displayed
@dataclass(frozen=True)
class DayPair:
    """One day against another.

    Attributes
    ----------
    first, second : str
        Names of the days.
    ratio : Quantity
        Torque of the second over that of the first, without what rigs share.
    probability : float
        Chance of a ratio as far from 1, if the two were alike (two-sided).

    Examples
    --------
    >>> from flightproc.rig import compare_days
    >>> import flightproc as fp
    >>> rig = fp.reduce_rig(fp.load_rig("sample_logs/school-wing-28/rig.toml"))
    >>> print(compare_days([rig, rig]).pairs[0].ratio)
    1.000 ± 0.023
    """

    first: str
    second: str
    ratio: Quantity
    probability: float


@displayed
@dataclass(frozen=True)
class DaysComparison:
    """Several rig days, compared and combined.

    Attributes
    ----------
    days : tuple of DayLevel
        In the order given.
    pairs : tuple of DayPair
        Every two of them.
    rpm_low, rpm_high : float
        Range of engine speed that all share, at the gear ratio of the first [1/min].
    density : float
        Air density that all are carried to [kg/m^3].
    chi2, dof, probability : float, int, float
        Cochran's Q of the levels, its degrees of freedom, and the chance of a worse one.
    shape_chi2, shape_probability : float
        The same of the exponents.
    differ : bool
        Whether the levels differ by more than their uncertainties explain, at 5 %.
    between_std : float
        Standard deviation between days, relative, by Paule and Mandel.
    between_std_moments : float
        The same by DerSimonian and Laird.
    level : Quantity
        Torque of all days over that of the first, with the between-day variance.
    combined : RigCurve or None
        One curve through the points of all days, in the air of ``density``; None where the propellers differ.
    words : tuple of str
        The verdict in sentences.

    Examples
    --------
    >>> from flightproc.rig import compare_days
    >>> import flightproc as fp
    >>> rig = fp.reduce_rig(fp.load_rig("sample_logs/school-wing-28/rig.toml"))
    >>> round(compare_days([rig, rig]).probability, 2)
    1.0
    """

    days: tuple[DayLevel, ...]
    pairs: tuple[DayPair, ...]
    rpm_low: float
    rpm_high: float
    density: float
    chi2: float
    dof: int
    probability: float
    shape_chi2: float
    shape_probability: float
    differ: bool
    between_std: float
    between_std_moments: float
    level: Quantity
    combined: RigCurve | None
    words: tuple[str, ...]


def day_name(curve: RigCurve, number: int) -> str:
    """Return the name of a day, or its number where it has none.

    Examples
    --------
    >>> import flightproc as fp
    >>> rig = fp.reduce_rig(fp.load_rig("sample_logs/school-wing-28/rig.toml"))
    >>> day_name(rig, 1)
    'two-point rig, training frame A (2026-05-14)'
    """
    date = f" ({curve.date.isoformat()})" if curve.date else ""
    return f"{curve.name or f'day {number}'}{date}"


def day_set_up(curve: RigCurve) -> str:
    """Return kind of rig, gear ratio and diameter of a day, as far as they are known.

    Examples
    --------
    >>> import flightproc as fp
    >>> day_set_up(fp.reduce_rig(fp.load_rig("sample_logs/school-wing-28/rig.toml")))
    'two point, gear 2.8, diameter 1.28 m'
    """
    parts = [curve.kind.replace("_", " ")] if curve.kind else []
    if curve.gear_ratio is not None:
        parts.append(f"gear {curve.gear_ratio:g}")
    if curve.diameter is not None:
        parts.append(f"diameter {curve.diameter:g} m")
    return ", ".join(parts)


def between_variance(values: Array, covariance: Array) -> tuple[float, float, float, float]:
    """Return how much values differ beyond their uncertainties.

    Parameters
    ----------
    values : ndarray, shape (k,)
        One value a day.
    covariance : ndarray, shape (k, k)
        Of the values, without what differs between days.

    Returns
    -------
    chi2 : float
        Cochran's Q, generalised to correlated values: the weighted sum of squares about their mean.
    paule_mandel : float
        Variance that, added to every value, makes that sum k - 1 [1]_; 0 where it is less already.
    moments : float
        The estimate from moments [2]_, with the variances alone as weights.
    mean : float
        Weighted mean without a between-day variance.

    References
    ----------
    .. [1] R. C. Paule, J. Mandel, Consensus values and weighting factors, Journal of Research of the National
       Bureau of Standards 87, 1982, 377-385.
    .. [2] R. DerSimonian, N. Laird, Meta-analysis in clinical trials, Controlled Clinical Trials 7, 1986,
       177-188.

    Examples
    --------
    >>> chi2, paule_mandel, moments, mean = between_variance(np.array([0.0, 2.0]), 0.5 * np.eye(2))
    >>> round(chi2, 6), round(paule_mandel, 6), round(moments, 6), round(mean, 6)
    (4.0, 1.5, 1.5, 1.0)
    """
    k = values.size

    def spread(tau2: float) -> float:
        mean, _ = _weighted(values, covariance + tau2 * np.eye(k))
        rest = values - mean
        return float(rest @ np.linalg.solve(covariance + tau2 * np.eye(k), rest))

    chi2 = spread(0.0)
    paule_mandel = 0.0
    if chi2 > k - 1:
        from scipy.optimize import brentq

        high = float(np.var(values)) + float(np.trace(covariance)) / k
        while spread(high) > k - 1:
            high *= 2.0
        paule_mandel = float(brentq(lambda tau2: spread(tau2) - (k - 1), 0.0, high, xtol=1e-14 * high))
    weight = 1.0 / np.diag(covariance)
    plain = float(np.sum(weight * (values - np.sum(weight * values) / weight.sum()) ** 2))
    moments = max((plain - (k - 1)) / float(weight.sum() - np.sum(weight**2) / weight.sum()), 0.0)
    return chi2, paule_mandel, moments, _weighted(values, covariance)[0]


def _weighted(values: Array, covariance: Array) -> tuple[float, float]:
    """Return the weighted mean and its variance."""
    ones = np.ones(values.size)
    inverse = np.linalg.solve(covariance, ones)
    variance = 1.0 / float(ones @ inverse)
    return variance * float(inverse @ values), variance


def compare_days(curves: Sequence[RigCurve]) -> DaysComparison:
    """Compare rig days and combine them.

    Parameters
    ----------
    curves : sequence of RigCurve
        Two or more, as from `reduce_rig`. Days whose ``rig`` has one name share the error of its spacing or
        arm and its sensitivity; that error cancels between them, and does not average out.

    Returns
    -------
    DaysComparison

    Raises
    ------
    RigError
        With fewer than two days, or none of their engine speeds in common.

    Notes
    -----
    Each day's curve is carried to the mean density of all days, and to the gear ratio of the first, and
    averaged over five engine speeds of the shared range. Where the diameters differ, torque coefficients are
    compared in its place. The logarithms of these levels are tested by Cochran's Q with their covariance;
    what they differ by beyond it is the between-day variance (`between_variance`), which enters the weights
    of the mean and the combined curve. Where days differ, the interval of the mean uses Student's t with one
    degree of freedom less than there are days: two days say little of how days differ.

    Examples
    --------
    >>> import flightproc as fp
    >>> rig = fp.reduce_rig(fp.load_rig("sample_logs/school-wing-28/rig.toml"))
    >>> found = fp.compare_days([rig, rig])
    >>> found.differ
    False
    """
    if len(curves) < 2:
        raise RigError("one rig day cannot be compared", found=len(curves), allowed="two or more")
    names = [day_name(curve, i + 1) for i, curve in enumerate(curves)]
    if len(set(names)) < len(names):
        names = [f"{name}, sheet {i + 1}" for i, name in enumerate(names)]
    gear = [1.0 if c.gear_ratio is None else c.gear_ratio for c in curves]
    if len({c.gear_ratio is None for c in curves}) > 1:
        raise RigError(
            "one rig day states its gear ratio and another does not", hint="state it in both sheets"
        )
    factor = [gear[0] / g for g in gear]  # from a day's engine speed to that of the first
    low = max(f * min(p.rpm for p in c.points) for f, c in zip(factor, curves, strict=True))
    high = min(f * max(p.rpm for p in c.points) for f, c in zip(factor, curves, strict=True))
    if low > high * 1.001:
        raise RigError(
            "the rig days have no engine speed in common",
            found="; ".join(
                f"{n}: {c.points[0].rpm:.0f} to {c.points[-1].rpm:.0f}"
                for n, c in zip(names, curves, strict=True)
            ),
        )
    grid = np.linspace(low, max(high, low), _STEPS)
    density = float(np.mean([c.density for c in curves]))
    alike = _same_propeller(curves)
    size = [
        1.0 if alike or c.diameter is None else (c.diameter / (curves[0].diameter or 1.0)) ** 5
        for c in curves
    ]
    values, own, slopes, slopes_std = (np.empty(len(curves)) for _ in range(4))
    for i, curve in enumerate(curves):
        values[i], own[i], slopes[i], slopes_std[i] = _level(curve, grid / factor[i])
        values[i] += math.log(density / curve.density / size[i])
    shared = np.array([[_shared(a, b, a is b) for b in curves] for a in curves])
    covariance = np.diag(own) + shared
    # What all days share does not tell them apart, and would only make the matrix near singular.
    floor = float(shared.min())
    chi2, tau2, moments, _ = between_variance(values, covariance - floor)
    dof = len(curves) - 1
    probability = _chance(chi2, dof)
    differ = probability < _DIFFER
    mean, variance = _weighted(values, covariance - floor + tau2 * np.eye(len(curves)))
    variance += floor
    level = _ratio(mean - values[0], math.sqrt(variance), dof if differ else math.inf)
    days = tuple(
        DayLevel(name, _ratio(v - mean, math.sqrt(s)), Quantity.of(p, u))
        for name, v, s, p, u in zip(names, values, np.diag(covariance), slopes, slopes_std, strict=True)
    )
    pairs = []
    for i in range(len(curves)):
        for j in range(i + 1, len(curves)):
            std = math.sqrt(covariance[i, i] + covariance[j, j] - 2.0 * covariance[i, j])
            z = abs(values[j] - values[i]) / std
            pairs.append(
                DayPair(names[i], names[j], _ratio(values[j] - values[i], std), math.erfc(z / math.sqrt(2.0)))
            )
    shape = float("nan")
    if high > 1.05 * low:
        shape = between_variance(slopes, np.diag(slopes_std**2))[0]
    shape_chance = _chance(shape, dof) if math.isfinite(shape) else float("nan")
    combined = _combine(curves, names, factor, density, math.sqrt(tau2)) if alike else None
    found = DaysComparison(
        days=days,
        pairs=tuple(pairs),
        rpm_low=float(grid[0]),
        rpm_high=float(grid[-1]),
        density=density,
        chi2=chi2,
        dof=dof,
        probability=probability,
        shape_chi2=shape,
        shape_probability=shape_chance,
        differ=differ,
        between_std=math.sqrt(tau2),
        between_std_moments=math.sqrt(moments),
        level=level,
        combined=combined,
        words=(),
    )
    return replace(found, words=_words(found, alike))


def _same_propeller(curves: Sequence[RigCurve]) -> bool:
    sizes = [c.diameter for c in curves if c.diameter is not None]
    return not sizes or (max(sizes) - min(sizes)) <= _SAME * max(sizes)


def _level(curve: RigCurve, rpm: Array) -> tuple[float, float, float, float]:
    """Return log of the mean torque, its variance without shared factors, the exponent and its std."""
    fit = curve.chosen
    torque = evaluate_fit(fit.name, fit.coefficients, rpm)
    if np.any(torque <= 0.0):
        raise RigError(
            f"the torque curve of {curve.name or 'a rig day'} is not positive", found=torque.tolist()
        )
    gradient = fit_gradient(fit, rpm)
    slope = gradient.mean(axis=0) / torque.mean()
    scatter = float(slope @ fit.covariance @ slope) - curve.scale_std**2
    variance = max(scatter, 1e-12) + (curve.density_std / curve.density) ** 2
    ends = math.log(max(rpm[-1] / rpm[0], 1.0 + 1e-9))
    tilt = (gradient[-1] / torque[-1] - gradient[0] / torque[0]) / ends
    exponent = math.log(torque[-1] / torque[0]) / ends if rpm[-1] > rpm[0] else 2.0
    # A law with a fixed exponent knows nothing of its own exponent: the power law of the same points does.
    free = next((f for f in curve.fits if f.name == "power"), None)
    if fit.name == "square" and free is not None and free.dof > 0:
        return (
            math.log(float(torque.mean())),
            variance,
            float(free.coefficients[1]),
            math.sqrt(float(free.covariance[1, 1])),
        )
    std = math.sqrt(max(float(tilt @ fit.covariance @ tilt), 0.0))
    return math.log(float(torque.mean())), variance, exponent, max(std, 0.1 if fit.name == "square" else 1e-6)


def _shared(a: RigCurve, b: RigCurve, same: bool) -> float:
    """Return the covariance of the factors of two days."""
    one_rig = same or (bool(a.rig) and a.rig == b.rig and a.kind == b.kind)
    return a.scale_std * b.scale_std if one_rig else 0.0


def _chance(chi2: float, dof: int) -> float:
    from scipy.special import chdtrc

    return float(chdtrc(dof, chi2))


def _ratio(log: float, std: float, dof: float = math.inf) -> Quantity:
    """Return a ratio from its logarithm."""
    centre = Quantity.of(log, std, dof=dof)
    value = math.exp(log)
    low, high = centre.low95, centre.high95
    to: Callable[[float | None], float | None] = lambda x: None if x is None else math.exp(x)  # noqa: E731
    return Quantity(value, value * std, to(low), to(high))


def _combine(
    curves: Sequence[RigCurve], names: Sequence[str], factor: Sequence[float], density: float, between: float
) -> RigCurve | None:
    """Return one curve through the points of all days."""
    if any(curve.own_std.size != len(curve.points) for curve in curves):
        return None
    points: list[RigPoint] = []
    own: list[float] = []
    total = sum(len(curve.points) for curve in curves)
    rows: list[Array] = []
    one_rig = all(_shared(curves[0], c, c is curves[0]) > 0.0 for c in curves)
    start = 0
    for curve, f in zip(curves, factor, strict=True):
        ratio = density / curve.density
        count = len(curve.points)
        here = slice(start, start + count)
        start += count
        torque = np.array([p.torque.value or 0.0 for p in curve.points]) * ratio
        own += (curve.own_std * ratio).tolist()
        points += [
            replace(p, rpm=p.rpm * f, rpm_std=p.rpm_std * f, torque=p.torque.scaled(ratio, "N m"))
            for p in curve.points
        ]
        parts = [curve.density_std / curve.density * torque, between * torque]
        if not one_rig:
            parts.append(curve.scale_std * torque)
        for part in (*(ratio * curve.common), *parts):
            row = np.zeros(total)
            row[here] = part
            if np.any(row):
                rows.append(row)
    order = np.argsort([p.rpm for p in points], kind="stable")
    common = np.array(rows)[:, order] if rows else np.zeros((0, total))
    points = [points[i] for i in order]
    scale = curves[0].scale_std if one_rig else 0.0
    fits = fit_torque(
        [p.rpm for p in points],
        [p.torque.value or 0.0 for p in points],
        np.array(own)[order],
        rpm_std=[p.rpm_std for p in points],
        common=common,
        scale_std=scale,
    )
    chosen, words = choose_fit(fits)
    return RigCurve(
        points=tuple(points),
        fits=fits,
        chosen=chosen,
        density=density,
        density_std=0.0,  # that of each day is in its points
        warnings=words,
        gear_ratio=curves[0].gear_ratio,
        diameter=curves[0].diameter,
        name=" + ".join(names),
        own_std=np.array(own)[order],
        common=common,
        scale_std=scale,
    )


def _words(found: DaysComparison, alike: bool) -> tuple[str, ...]:
    words = []
    what = "torque" if alike else "torque coefficient (the propellers differ in diameter)"
    chance = f"chi^2 {found.chi2:.2f} for {found.dof}, p = {found.probability:.2g}"
    if len(found.pairs) == 1:
        pair = found.pairs[0]
        head = f"{what} of {pair.second} over that of {pair.first}: {pair.ratio.text(interval=True)}"
    else:
        head = f"{what} of {len(found.days)} days"
    if found.differ:
        words.append(
            f"{head}. The days differ by more than their uncertainties explain ({chance}); between "
            f"days lies a standard deviation of {100.0 * found.between_std:.1f} % (Paule-Mandel; "
            f"DerSimonian-Laird {100.0 * found.between_std_moments:.1f} %), which the combined curve carries"
        )
        if found.dof < 3:
            words.append(
                f"{found.dof + 1} days tell little of how days differ: measure on more of them before a "
                "difference from flight is read into the rig"
            )
    else:
        limits = [abs(x - 1.0) for p in found.pairs for x in (p.ratio.low95, p.ratio.high95) if x is not None]
        words.append(
            f"{head}. No difference between the days is shown ({chance}); one of "
            f"{100.0 * max(limits):.0f} % would still fit"
        )
    if math.isfinite(found.shape_probability) and found.shape_probability < _DIFFER:
        listed = ", ".join(f"{day.exponent.text()} ({day.name})" for day in found.days)
        words.append(
            f"the curves differ in shape: exponents {listed} (p = {found.shape_probability:.2g}); the "
            "ratio depends on engine speed"
        )
    return tuple(words)
