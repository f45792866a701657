"""From torque ratios in flight to the inflow at the disc and the angle of attack."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..display import displayed
from ..errors import FlightprocError
from ..quantity import Quantity
from .calibrate import CalibratedBlade, draw_scalars
from .flight import alpha_at, at_radius, ratio_model_std, rest_and_flight

__all__ = ["FlightPoint", "InflowEstimate", "InflowPoint", "infer_inflow"]

Array = NDArray[np.float64]

WAKE_BOUNDS = (0.0, 0.3)
_TOLD = 0.8  # posterior over prior spread of the wake fraction above which the data do not decide it
_COMMON_SHARE, _ADVANCE_SCALE = (
    0.85,
    0.05,
)  # of the variance of the ratio's model error; over which J it changes
_DISAGREE = 0.01  # chance of a worse misfit below which flight and blade are said to disagree


@dataclass(frozen=True)
class FlightPoint:
    """One engine setting of the flight.

    Attributes
    ----------
    rpm : float
        Engine speed [1/min], carried along as the point's name.
    rpm_propeller : float
        [1/min].
    airspeed, airspeed_std : float
        True airspeed and the part of its standard uncertainty that is this point's own [m/s].
    density : float
        [kg/m^3].

    Examples
    --------
    >>> FlightPoint(rpm=6000.0, rpm_propeller=2143.0, airspeed=10.2, airspeed_std=0.1, density=1.17)
    FlightPoint(rpm=6000.0, rpm_propeller=2143.0, airspeed=10.2, airspeed_std=0.1, density=1.17)
    """

    rpm: float
    rpm_propeller: float
    airspeed: float
    airspeed_std: float
    density: float


@displayed
@dataclass(frozen=True)
class InflowPoint:
    """What was found at one engine setting. Bounds are those of 95 % intervals.

    Attributes
    ----------
    rpm, airspeed, advance_ratio : float
        [1/min], [m/s], [1].
    measured_ratio, predicted_ratio : Quantity
        Torque in flight over torque at rest, as flown, and as the blade has it before the flight is used [1].
    inflow_prior, inflow : Quantity
        (1 - w) V, axial speed far ahead of the disc as it feels it, before and after [m/s].
    alpha_075_prior, alpha_075 : Quantity
        Angle of attack at 0.75 R in flight, before and after [rad].
    alpha_075_change : Quantity
        Flight less rest, after [rad].
    induced_075 : Quantity
        Axial induced velocity at 0.75 R, after [m/s].
    radius_ratio : ndarray, shape (n_r,)
        r / R.
    alpha_static, alpha, induced : ndarray, shape (3, n_r)
        Mean, lower and upper bound along the blade, after: angle of attack at rest and in flight [rad],
        axial induced velocity in flight [m/s].

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> print(results.inflow.points[0].alpha_075.degrees())
    3.93 ± 0.46 deg
    """

    rpm: float
    airspeed: float
    advance_ratio: float
    measured_ratio: Quantity
    predicted_ratio: Quantity
    inflow_prior: Quantity
    inflow: Quantity
    alpha_075_prior: Quantity
    alpha_075: Quantity
    alpha_075_change: Quantity
    induced_075: Quantity
    radius_ratio: Array
    alpha_static: Array
    alpha: Array
    induced: Array

    def to_json(self) -> dict[str, Any]:
        """Return the entry of ``inflow.points`` in results.json."""
        return {
            "rpm": self.rpm,
            "airspeed_m_s": self.airspeed,
            "advance_ratio": self.advance_ratio,
            "measured_ratio": self.measured_ratio.to_json(),
            "predicted_ratio": self.predicted_ratio.to_json(),
            "inflow_prior_m_s": self.inflow_prior.to_json(),
            "inflow_m_s": self.inflow.to_json(),
            "alpha_075_prior_deg": self.alpha_075_prior.degrees().to_json(),
            "alpha_075_deg": self.alpha_075.degrees().to_json(),
            "alpha_075_change_deg": self.alpha_075_change.degrees().to_json(),
            "induced_075_m_s": self.induced_075.to_json(),
            "radius_ratio": _rounded(self.radius_ratio, 4),
            "alpha_static_deg": [_rounded(np.degrees(row), 3) for row in self.alpha_static],
            "alpha_flight_deg": [_rounded(np.degrees(row), 3) for row in self.alpha],
            "induced_m_s": [_rounded(row, 3) for row in self.induced],
        }


@displayed
@dataclass(frozen=True)
class InflowEstimate:
    """Inflow at the disc and angle of attack from all settings of a flight together.

    Attributes
    ----------
    points : tuple of InflowPoint
        One per setting.
    wake_prior, wake : Quantity
        Wake fraction w before and after the flight's ratios [1].
    wake_grid : ndarray, shape (n_w,)
        Values of w.
    wake_prior_density, wake_density : ndarray, shape (n_w,)
        Their probability density before and after.
    decides : bool
        Whether the ratios narrow the wake fraction to less than 0.8 of its prior spread.
    misfit : float
        chi^2 of the ratios about the mean prediction, all uncertainties included.
    effective : float
        Independent draws that the weights are worth.
    words : tuple of str
        What was found and what was not, most important first.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> print(results.inflow.wake)
    0.187 ± 0.079
    """

    points: tuple[InflowPoint, ...]
    wake_prior: Quantity
    wake: Quantity
    wake_grid: Array
    wake_prior_density: Array
    wake_density: Array
    decides: bool
    misfit: float
    effective: float
    words: tuple[str, ...] = field(default=())

    def to_json(self) -> dict[str, Any]:
        """Return the ``inflow`` object of results.json."""
        return {
            "wake_fraction_prior": self.wake_prior.to_json(),
            "wake_fraction": self.wake.to_json(),
            "wake_grid": _rounded(self.wake_grid, 4),
            "wake_prior_density": _rounded(self.wake_prior_density, 4),
            "wake_density": _rounded(self.wake_density, 4),
            "decides": self.decides,
            "chi2": self.misfit,
            "points": [point.to_json() for point in self.points],
            "remarks": list(self.words),
        }


def infer_inflow(
    calibrated: CalibratedBlade,
    points: Sequence[FlightPoint],
    ratio: ArrayLike,
    covariance: ArrayLike,
    *,
    airspeed_common_std: float = 0.0,
    density_relative_std: float = 0.01,
    wake_bounds: tuple[float, float] = WAKE_BOUNDS,
    draws: int = 1200,
    seed: int = 1,
) -> InflowEstimate:
    """Infer the inflow and the angle of attack from torque ratios measured in flight.

    Parameters
    ----------
    calibrated : CalibratedBlade
        Blade fitted to the rig; its posterior is the prior here.
    points : sequence of FlightPoint
        Engine settings flown.
    ratio : array_like, shape (n,)
        Torque in flight over torque at rest, kappa [1].
    covariance : array_like, shape (n, n)
        Of the ratios; what they share (hang stiffness, rig spacing) belongs in it.
    airspeed_common_std : float
        Standard uncertainty that all airspeeds share [m/s].
    density_relative_std : float
        Relative standard uncertainty of density, shared.
    wake_bounds : tuple of float
        Bounds of the wake fraction, uniform between them before the flight.
    draws : int
        Monte Carlo draws.
    seed : int
        Of the generator.

    Returns
    -------
    InflowEstimate

    Raises
    ------
    FlightprocError
        Without a point, or with ratios that are not finite.

    Notes
    -----
    Every draw has its own blade scalars, airspeeds, density and wake fraction w, one w for all settings. Its
    predicted ratios Q((1 - w) V) / Q(0) are set against the measured ones with the covariance of the
    measurement plus that of the blade model, and the draw is weighted by that likelihood (importance sampling
    from the prior). The model's standard uncertainty is 5 % (10 % for an assumed helix) from J = 0.1 up; 85 %
    of its variance is common to all settings, the rest alike over 0.05 in J, as wind-tunnel propellers show.
    Angles of attack of the weighted draws are the answer: where the ratio hardly depends on the inflow the
    weights stay nearly equal and the answer is the prior, which is then said.

    The blade was fitted to the rig whose curve stands in the ratio's denominator. An error of that curve is
    in both; the predicted ratio hardly depends on it, and the correlation is left out.

    Examples
    --------
    >>> import flightproc as fp
    >>> from flightproc.propeller import FlightPoint, infer_inflow
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> prepared = fp.prepare_sortie(sheets, fp.read_recordings(sheets))
    >>> blade = fp.calibrated_blade(prepared)
    >>> point = FlightPoint(rpm=6000.0, rpm_propeller=2143.0, airspeed=10.2, airspeed_std=0.1, density=1.17)
    >>> infer_inflow(blade, [point], [1.05], [[0.04**2]], draws=60).decides
    False
    """
    count = len(points)
    kappa = np.atleast_1d(np.asarray(ratio, dtype=float))
    spread = np.atleast_2d(np.asarray(covariance, dtype=float))
    if not count or kappa.shape != (count,) or spread.shape != (count, count):
        raise FlightprocError(
            "inflow needs one ratio for each setting and their covariance",
            where="inflow",
            found=(count, kappa.shape, spread.shape),
        )
    if not (np.all(np.isfinite(kappa)) and np.all(np.isfinite(spread))):
        raise FlightprocError("a torque ratio is not finite", where="inflow", found=kappa.tolist())
    low, high = wake_bounds
    if not 0.0 <= low <= high < 1.0:
        raise FlightprocError(
            "bounds of the wake fraction out of order", where="inflow", found=wake_bounds, allowed="0 to 1"
        )
    random = np.random.default_rng((seed, 6))
    scalars = draw_scalars(calibrated, draws, random)
    wake = low + (high - low) * (random.permutation(draws) + random.uniform(size=draws)) / draws
    common = airspeed_common_std * random.standard_normal(draws)
    density_factor = np.maximum(1.0 + density_relative_std * random.standard_normal(draws), 0.1)
    diameter = calibrated.blade.diameter

    inflow, density = np.empty((draws, count)), np.empty((draws, count))
    for k, point in enumerate(points):
        speed = np.maximum(point.airspeed + common + point.airspeed_std * random.standard_normal(draws), 0.0)
        inflow[:, k] = (1.0 - wake) * speed
        density[:, k] = point.density * density_factor
    still, moving = rest_and_flight(
        calibrated,
        np.repeat([p.rpm_propeller for p in points], draws),
        inflow.T.ravel(),
        density.T.ravel(),
        np.tile(scalars, (count, 1)),
    )
    rows = [slice(k * draws, (k + 1) * draws) for k in range(count)]
    rest, air = [still.points(r) for r in rows], [moving.points(r) for r in rows]
    predicted = np.column_stack([a.torque / r.torque for a, r in zip(air, rest, strict=True)])
    predicted = np.where(np.isfinite(predicted), predicted, 1.0)
    advance = np.array([p.airspeed / (p.rpm_propeller / 60.0 * diameter) for p in points])
    model = ratio_model_std(calibrated.blade, advance)
    apart = np.abs(advance[:, None] - advance[None, :])
    alike = _COMMON_SHARE + (1.0 - _COMMON_SHARE) * np.exp(-apart / _ADVANCE_SCALE)
    whole = spread + np.outer(model, model) * alike + 1e-8 * np.eye(count)
    away = kappa - predicted
    chi2 = np.einsum("ni,ij,nj->n", away, np.linalg.inv(whole), away)
    weight = np.exp(-0.5 * (chi2 - chi2.min()))
    weight /= weight.sum()
    effective = 1.0 / float(np.sum(weight**2))
    even = np.full(draws, 1.0 / draws)

    noise = random.standard_normal(draws)
    found = []
    for k, point in enumerate(points):
        at_rest, in_air = alpha_at(rest[k]), alpha_at(air[k])
        induced = at_radius(calibrated.blade, air[k].induced_axial)
        found.append(
            InflowPoint(
                rpm=point.rpm,
                airspeed=point.airspeed,
                advance_ratio=float(advance[k]),
                measured_ratio=Quantity.of(float(kappa[k]), math.sqrt(float(spread[k, k])), ""),
                predicted_ratio=_quantity(predicted[:, k] * (1.0 + model[k] * noise), even, ""),
                inflow_prior=_quantity(inflow[:, k], even, "m/s"),
                inflow=_quantity(inflow[:, k], weight, "m/s"),
                alpha_075_prior=_quantity(in_air, even, "rad"),
                alpha_075=_quantity(in_air, weight, "rad"),
                alpha_075_change=_quantity(in_air - at_rest, weight, "rad"),
                induced_075=_quantity(induced, weight, "m/s"),
                radius_ratio=calibrated.blade.radius / calibrated.blade.tip_radius,
                alpha_static=_band(rest[k].alpha, weight),
                alpha=_band(air[k].alpha, weight),
                induced=_band(air[k].induced_axial, weight),
            )
        )
    before, after = _quantity(wake, even, ""), _quantity(wake, weight, "")
    edges = np.linspace(low, high, 16) if high > low else np.array([low, low + 1e-6])
    density_after, _ = np.histogram(wake, edges, weights=weight)
    width = np.diff(edges)
    decides = bool(before.std and (after.std or 0.0) < _TOLD * before.std)
    mean = predicted.mean(axis=0)
    whole_prior = whole + np.cov(predicted.T).reshape(count, count)
    misfit = float((kappa - mean) @ np.linalg.solve(whole_prior, kappa - mean))
    return InflowEstimate(
        points=tuple(found),
        wake_prior=before,
        wake=after,
        wake_grid=0.5 * (edges[1:] + edges[:-1]),
        wake_prior_density=np.full(width.size, 1.0 / float(width.sum())),
        wake_density=density_after / width,
        decides=decides,
        misfit=misfit,
        effective=effective,
        words=_words(found, before, after, decides, misfit, effective, wake, predicted, whole),
    )


def _quantity(samples: Array, weight: Array, unit: str) -> Quantity:
    """Return mean, standard deviation and 95 % interval of weighted draws."""
    mean = float(weight @ samples)
    std = math.sqrt(max(float(weight @ (samples - mean) ** 2), 0.0))
    low, high = _quantiles(samples[:, None], weight)[:, 0]
    return Quantity(mean, std, float(low), float(high), unit)


def _quantiles(samples: Array, weight: Array) -> Array:
    """Return the 2.5 % and 97.5 % quantiles of weighted draws, shape (2, n)."""
    order = np.argsort(samples, axis=0)
    ranked = np.take_along_axis(samples, order, axis=0)
    reached = np.cumsum(weight[order], axis=0) - 0.5 * weight[order]
    return np.array(
        [[np.interp(p, reached[:, j], ranked[:, j]) for j in range(ranked.shape[1])] for p in (0.025, 0.975)]
    )


def _band(samples: Array, weight: Array) -> Array:
    """Return mean, lower and upper 95 % bound along the blade, shape (3, n_r)."""
    return np.vstack([weight @ samples, _quantiles(samples, weight)])


def _words(
    points: Sequence[InflowPoint],
    before: Quantity,
    after: Quantity,
    decides: bool,
    misfit: float,
    effective: float,
    wake: Array,
    predicted: Array,
    whole: Array,
) -> tuple[str, ...]:
    from scipy.special import gammaincc

    words = []
    span = float(np.ptp(wake))
    centred = wake - wake.mean()
    slope = (
        (centred @ (predicted - predicted.mean(axis=0))) / (centred @ centred)
        if span
        else np.zeros(len(points))
    )
    best = int(np.argmax(np.abs(slope) / np.sqrt(np.diag(whole))))
    effect = 100.0 * abs(slope[best]) * span
    blur = 100.0 * math.sqrt(float(whole[best, best]))
    if decides:
        words.append(
            f"The flight narrows the wake fraction from {before.text(interval=True)} to "
            f"{after.text(interval=True)}"
        )
    else:
        words.append(
            "The flight does not decide the inflow: over the whole range of the wake fraction the torque "
            f"ratio would change by {effect:.1f} %, and it is known to {blur:.1f} % (standard uncertainty, "
            "blade model included); inflow and angle in flight rest mostly on the prior, w from "
            f"{before.low95 or 0.0:.2f} to {before.high95 or 0.0:.2f}, and on the airspeed"
        )
    still = [p for p in points if (p.measured_ratio.low95 or 0.0) <= 1.0 <= (p.measured_ratio.high95 or 0.0)]
    if still:
        words.append(
            f"at {len(still)} of {len(points)} settings the interval of the measured ratio includes 'no "
            "change' of torque; the angle of attack falls all the same, since airspeed turns the inflow"
        )
    chance = float(gammaincc(0.5 * len(points), 0.5 * misfit))
    if chance < _DISAGREE:
        words.append(
            f"flight and blade disagree (chi2 {misfit:.1f} for {len(points)} ratios, chance {chance:.1g}): "
            "trust neither the inflow nor the angle before the cause is found (hang stiffness, gear ratio, "
            "rig, another propeller)"
        )
    if effective < 100.0:
        words.append(
            f"the draws that fit the flight are worth only {effective:.0f} independent ones: intervals are "
            "rough"
        )
    return tuple(words)


def _rounded(values: Array, places: int) -> list[float | None]:
    return [round(float(v), places) if math.isfinite(v) else None for v in values]
