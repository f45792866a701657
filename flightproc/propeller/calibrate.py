"""Fit a few blade scalars to the rig, and carry the blade into flight with its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import FlightprocError
from ..quantity import Quantity
from ..rig.model import RigCurve
from .blade import Blade
from .elements import ElementSolution, solve_elements
from .polar import AnalyticPolar
from .posterior import explore_posterior

__all__ = [
    "BladeComparison",
    "CalibratedBlade",
    "alpha_at",
    "calibrate_blade",
    "compare_blade",
    "fit_blade",
    "geometric_alpha",
]

Array = NDArray[np.float64]

_NAMES = ("pitch_offset", "log_drag", "log_max_lift", "log_chord")
_MODEL_STD = 0.05  # of static torque and of static thrust, common to all points of a kind
_RATIO_STD = 0.05  # of Q(V) / Q(0) from J = 0.1 up: what measured wind-tunnel propellers show
_RATIO_STD_ASSUMED = 0.10  # the same for an assumed helix
_MERIT_MOST = 0.9  # figure of merit above which a rig thrust is not believed
_COMMON_SOURCES = ("spacing", "zero", "leak")


@dataclass(frozen=True)
class CalibratedBlade:
    """A blade whose scalars were fitted to static measurements.

    Attributes
    ----------
    blade : Blade
        Geometry before calibration.
    polar : AnalyticPolar
        Polar before calibration.
    names : tuple of str
        ``pitch_offset`` [rad] and the logarithms of the factors on section drag, maximum lift and chord.
    values : ndarray, shape (4,)
        Most probable values; all zero for an uncalibrated blade.
    covariance : ndarray, shape (4, 4)
        Of the values, priors included.
    prior_std : ndarray, shape (4,)
        Standard deviations of the priors, all centred on zero.
    chi2 : float
        Of the measurements, model and common rig errors included.
    measurements : int
        Torques and thrusts used.
    tip_loss : bool
        As solved.
    speed_of_sound : float or None
        As solved [m/s].
    draws : ndarray, shape (n, 4), optional
        Equally weighted draws of the values; a normal distribution stands in where there are none.
    words : tuple of str
        What the calibration rests on, and what it does not fit.
    """

    blade: Blade
    polar: AnalyticPolar
    names: tuple[str, ...]
    values: Array
    covariance: Array
    prior_std: Array
    chi2: float
    measurements: int
    tip_loss: bool = True
    speed_of_sound: float | None = 340.3
    draws: Array | None = None
    words: tuple[str, ...] = ()

    @property
    def pitch_offset(self) -> Quantity:
        """Fitted pitch offset [rad]."""
        if self.draws is not None:
            return Quantity.from_samples(self.draws[:, 0], "rad", value=float(self.values[0]))
        return Quantity.of(float(self.values[0]), math.sqrt(float(self.covariance[0, 0])), "rad")

    def solve(
        self,
        rpm_propeller: ArrayLike,
        airspeed: ArrayLike,
        density: ArrayLike,
        *,
        values: Array | None = None,
    ) -> ElementSolution:
        """Solve the blade elements with the fitted scalars.

        Parameters
        ----------
        rpm_propeller, airspeed, density : array_like, shape (n_op,)
            As in `solve_elements`.
        values : ndarray, shape (n_op, 4) or (4,), optional
            Scalars in place of the fitted ones.

        Returns
        -------
        ElementSolution
        """
        scalars = np.atleast_2d(self.values if values is None else values)
        return _solve(self, scalars, rpm_propeller, airspeed, density)


def _solve(
    case: CalibratedBlade, scalars: Array, rpm_propeller: ArrayLike, airspeed: ArrayLike, density: ArrayLike
) -> ElementSolution:
    polar = replace(
        case.polar,
        drag_factor=case.polar.drag_factor * np.exp(scalars[:, 1:2]),
        max_lift=case.polar.max_lift * np.exp(scalars[:, 2:3]),
    )
    return solve_elements(
        case.blade,
        polar,
        rpm_propeller,
        airspeed,
        density,
        tip_loss=case.tip_loss,
        pitch_offset=scalars[:, 0],
        chord_factor=np.exp(scalars[:, 3]),
        speed_of_sound=case.speed_of_sound,
    )


def fit_blade(
    blade: Blade,
    rpm_propeller: ArrayLike,
    torque: ArrayLike,
    torque_std: ArrayLike,
    *,
    density: float,
    thrust: ArrayLike | None = None,
    thrust_std: ArrayLike | None = None,
    common_std: ArrayLike | None = None,
    polar: AnalyticPolar | None = None,
    model_std: float = _MODEL_STD,
    tip_loss: bool = True,
    speed_of_sound: float | None = 340.3,
    notes: tuple[str, ...] = (),
) -> CalibratedBlade:
    """Fit pitch offset, section drag, maximum lift and chord to static measurements, with priors.

    Parameters
    ----------
    blade : Blade
        Geometry.
    rpm_propeller : array_like, shape (n,)
        Propeller speed [1/min].
    torque, torque_std : array_like, shape (n,)
        Static torque and the part of its standard uncertainty that is independent between points [N m].
    density : float
        [kg/m^3].
    thrust, thrust_std : array_like, shape (n,), optional
        Static thrust [N]; NaN where it was not measured.
    common_std : array_like, shape (m, n), optional
        Parts of the torque uncertainty common to all points, one row a source [N m].
    polar : AnalyticPolar, optional
        Starting polar; the default one where it is not given.
    model_std : float
        Relative standard uncertainty of the blade model in static torque and in static thrust.

    Returns
    -------
    CalibratedBlade

    Raises
    ------
    FlightprocError
        Without a usable point.

    Notes
    -----
    Bayesian fit on logarithms; the posterior is drawn from as `explore_posterior` does, since pitch and drag
    can stand in for each other and leave more than one peak. Priors (standard deviation about zero): pitch
    offset 2 deg for a table and 3 deg for an assumed helix, section drag 40 %, maximum lift 15 %, chord as
    the blade says. A blade has nearly constant C_Q at rest, so all torque points together fix little more
    than one number; what they cannot decide stays at the priors, and the covariance says so. Where the points
    scatter about the blade's curve more than their uncertainties, these are widened by the root of chi^2 per
    degree of freedom.
    """
    rpm = np.atleast_1d(np.asarray(rpm_propeller, dtype=float))
    q = np.atleast_1d(np.asarray(torque, dtype=float))
    uq = np.broadcast_to(np.asarray(torque_std, dtype=float), q.shape)
    t = np.full(q.shape, np.nan) if thrust is None else np.asarray(thrust, dtype=float)
    ut = 0.02 * t if thrust_std is None else np.broadcast_to(np.asarray(thrust_std, dtype=float), q.shape)
    common = (
        np.zeros((0, q.size)) if common_std is None else np.atleast_2d(np.asarray(common_std, dtype=float))
    )
    use_q = np.isfinite(q) & (q > 0.0) & (rpm > 0.0)
    use_t = np.isfinite(t) & (t > 0.0) & (rpm > 0.0)
    if not np.any(use_q):
        raise FlightprocError(
            "no rig point has a positive torque to fit the blade to",
            where="blade calibration",
            found=q.tolist(),
        )
    measured = np.log(np.concatenate([q[use_q], t[use_t]]))
    independent = np.concatenate([uq[use_q] / q[use_q], ut[use_t] / t[use_t]])
    independent = np.hypot(np.where(np.isfinite(independent), independent, 0.1), 1e-3)
    count_q, count = int(use_q.sum()), measured.size
    torque_part = np.arange(count) < count_q
    rows = [model_std * torque_part, model_std * ~torque_part]
    rows += [np.where(torque_part, np.resize(row[use_q] / q[use_q], count), 0.0) for row in common]
    shared = sum((np.outer(row, row) for row in rows), np.zeros((count, count)))

    polar = AnalyticPolar() if polar is None else polar
    pitch_prior = math.radians(3.0 if blade.twist_assumed else 2.0)
    prior = np.array([pitch_prior, 0.40, 0.15, max(blade.chord_std, 1e-3)])
    case = CalibratedBlade(
        blade, polar, _NAMES, np.zeros(4), np.diag(prior**2), prior, 0.0, count, tip_loss, speed_of_sound
    )

    def modelled(rows: Array) -> Array:
        """Return the logarithms of the modelled loads for scalars of shape (m, 4), shape (m, count)."""
        run = _solve(case, np.repeat(rows, rpm.size, axis=0), np.tile(rpm, len(rows)), 0.0, density)
        loads = [run.torque.reshape(len(rows), -1)[:, use_q], run.thrust.reshape(len(rows), -1)[:, use_t]]
        return np.log(np.maximum(np.hstack(loads), 1e-9))

    starts = [np.zeros(4), prior * np.array([1.5, -0.5, 0.0, 0.0]), prior * np.array([-1.5, 1.0, 0.0, 0.0])]
    spare = max(count - (2 if np.any(use_t) else 1), 1)
    widen = 1.0
    for attempt in range(2):
        inverse = np.linalg.inv(np.linalg.cholesky(shared + np.diag((widen * independent) ** 2)))

        def residuals(rows: Array, inverse: Array = inverse) -> Array:
            return np.hstack([(measured - modelled(rows)) @ inverse.T, rows / prior])

        found = explore_posterior(residuals, starts, prior)
        chi2 = float(np.sum(residuals(found.peak[None, :])[0, :count] ** 2))
        if attempt or chi2 <= spare:
            break
        widen = math.sqrt(chi2 / spare)
    values, covariance = found.peak, found.covariance

    words = [*notes, blade.words] if blade.words else list(notes)
    words.append(
        f"pitch offset {math.degrees(values[0]):+.1f} ± {math.degrees(math.sqrt(covariance[0, 0])):.1f} deg, "
        f"fitted to {count_q} torques and {count - count_q} thrusts"
    )
    if count == count_q:
        words.append("no thrust was measured: section drag and maximum lift rest mostly on their priors")
    if widen > 1.0:
        words.append(
            "the rig points do not follow the blade, whose coefficients are nearly constant at rest; "
            f"their uncertainties were widened {widen:.1f} times for the calibration"
        )
    if np.any(np.abs(values) > 2.0 * prior):
        far = [name for name, x, s in zip(_NAMES, values, prior, strict=True) if abs(x) > 2.0 * s]
        words.append(f"{', '.join(far)} lies more than two prior standard deviations off: check the geometry")
    if found.peaks > 1:
        words.append(
            f"{found.peaks} separate blades explain the rig about equally (more pitch with less drag, or the "
            "reverse); the intervals hold them all"
        )
    return replace(
        case, values=values, covariance=covariance, chi2=chi2, draws=found.draws, words=tuple(words)
    )


def calibrate_blade(
    blade: Blade, curve: RigCurve, *, gear_ratio: float, polar: AnalyticPolar | None = None
) -> CalibratedBlade:
    """Fit the blade to a rig day; see `fit_blade`.

    Parameters
    ----------
    blade : Blade
        Geometry.
    curve : RigCurve
        Static torque and, where measured, thrust.
    gear_ratio : float
        Engine revolutions per propeller revolution, where the curve does not bring that of the rig.
    polar : AnalyticPolar, optional
        Starting polar.

    Returns
    -------
    CalibratedBlade
        With a word where the rig's propeller was of another diameter.

    Raises
    ------
    FlightprocError
        Without a usable point.
    """
    points = [p for p in curve.points if p.torque.known and p.rpm > 0.0]
    gear = gear_ratio if curve.gear_ratio is None else curve.gear_ratio
    rpm = np.array([p.rpm for p in points]) / gear
    torque = np.array([p.torque.value or 0.0 for p in points])
    whole = np.array([p.torque.std if p.torque.std is not None else math.nan for p in points])
    common = np.array([[p.torque.budget.get(name, 0.0) for p in points] for name in _COMMON_SOURCES])
    # An error of rpm acts as one of torque through the slope of a square law.
    by_rpm = np.array([2.0 * (p.torque.value or 0.0) * p.rpm_std / p.rpm for p in points])
    own = np.sqrt(np.maximum(whole**2 - np.sum(common**2, axis=0), 0.0) + by_rpm**2)
    possible = [p.figure_of_merit.value is not None and p.figure_of_merit.value < _MERIT_MOST for p in points]
    thrust = np.array(
        [p.thrust.value if ok else math.nan for p, ok in zip(points, possible, strict=True)], float
    )
    dropped = sum(p.thrust.known for p in points) - sum(possible)
    notes = [f"{dropped} thrusts that the torque cannot pay for were left out"] if dropped else []
    if curve.diameter is not None and abs(curve.diameter / blade.diameter - 1.0) > 0.005:
        notes.append(
            f"the rig's propeller has a diameter of {curve.diameter:.3g} m, not {blade.diameter:.3g} m: "
            "the calibration mixes two propellers"
        )
    thrust_std = np.array(
        [0.05 * v if p.thrust.std is None else p.thrust.std for p, v in zip(points, thrust, strict=True)]
    )
    density_row = (torque * curve.density_std / curve.density)[None, :]
    return fit_blade(
        blade,
        rpm,
        torque,
        own,
        density=curve.density,
        thrust=thrust,
        thrust_std=thrust_std,
        common_std=np.vstack([common, density_row]),
        polar=polar,
        notes=tuple(notes),
    )


def alpha_at(solution: ElementSolution, radius_ratio: float = 0.75) -> Array:
    """Return the angle of attack at one radius.

    Parameters
    ----------
    solution : ElementSolution
        n_op operating points.
    radius_ratio : float
        Radius over tip radius.

    Returns
    -------
    ndarray, shape (n_op,)
        [rad], by linear interpolation between elements.
    """
    radius = solution.blade.radius
    place = radius_ratio * solution.blade.tip_radius
    if radius.size == 1:
        return solution.alpha[:, 0].copy()
    right = int(np.clip(np.searchsorted(radius, place), 1, radius.size - 1))
    share = float(np.clip((place - radius[right - 1]) / (radius[right] - radius[right - 1]), 0.0, 1.0))
    mixed: Array = (1.0 - share) * solution.alpha[:, right - 1] + share * solution.alpha[:, right]
    return mixed


def geometric_alpha(
    blade: Blade, rpm_propeller: ArrayLike, airspeed: ArrayLike, *, pitch_offset: float = 0.0
) -> Array:
    """Return the angle of attack that leaves all induced flow out.

    Parameters
    ----------
    blade : Blade
        n_r elements.
    rpm_propeller, airspeed : array_like, shape (n_op,)
        [1/min], [m/s].
    pitch_offset : float
        Added to the twist [rad].

    Returns
    -------
    ndarray, shape (n_op, n_r)
        beta - atan(V / (Omega r)) [rad]: too large, and it falls too fast with airspeed, since at rest the
        induced flow is large.
    """
    rpm, speed = np.broadcast_arrays(
        np.atleast_1d(np.asarray(rpm_propeller, dtype=float)),
        np.atleast_1d(np.asarray(airspeed, dtype=float)),
    )
    rotation = (rpm * (2.0 * math.pi / 60.0))[:, None] * blade.radius[None, :]
    alpha: Array = blade.twist[None, :] + pitch_offset - np.arctan2(speed[:, None], rotation)
    return alpha


@dataclass(frozen=True)
class BladeComparison:
    """A calibrated blade at rest and in flight at one propeller speed.

    Attributes
    ----------
    rpm_propeller : float
        [1/min].
    airspeed, advance_ratio : Quantity
        True airspeed [m/s] and J = V / (n D), with the undisturbed airspeed.
    alpha_075_static, alpha_075_flight, alpha_075_naive : Quantity
        Angle of attack at 0.75 R [rad]; ``naive`` leaves the induced flow out.
    alpha_075_change : Quantity
        Flight less static [rad]; better known than either since they share the blade's errors.
    torque_ratio, thrust_ratio : Quantity
        Predicted Q(V) / Q(0) and T(V) / T(0) at the same rpm and density.
    radius_ratio : ndarray, shape (n_r,)
        Radius over tip radius.
    alpha_static, alpha_flight, alpha_naive : ndarray, shape (n_r,)
        Angle of attack along the blade [rad], means over the draws.
    alpha_static_std, alpha_flight_std : ndarray, shape (n_r,)
        Their standard uncertainties [rad].
    words : tuple of str
        Assumptions and limits.
    """

    rpm_propeller: float
    airspeed: Quantity
    advance_ratio: Quantity
    alpha_075_static: Quantity
    alpha_075_flight: Quantity
    alpha_075_naive: Quantity
    alpha_075_change: Quantity
    torque_ratio: Quantity
    thrust_ratio: Quantity
    radius_ratio: Array
    alpha_static: Array
    alpha_flight: Array
    alpha_naive: Array
    alpha_static_std: Array
    alpha_flight_std: Array
    words: tuple[str, ...] = ()


def compare_blade(
    calibrated: CalibratedBlade,
    *,
    rpm_propeller: float,
    airspeed: Quantity | float,
    airspeed_std: float = 0.0,
    density: float = 1.225,
    density_std: float = 0.0,
    wake_fraction: tuple[float, float] = (0.0, 0.3),
    draws: int = 400,
    seed: int = 1,
) -> BladeComparison:
    """Carry a calibrated blade into flight by Monte Carlo.

    Parameters
    ----------
    calibrated : CalibratedBlade
        Its posterior is drawn from.
    rpm_propeller : float
        [1/min], the same at rest and in flight.
    airspeed : Quantity or float
        True airspeed [m/s]; a Quantity brings its own standard uncertainty.
    airspeed_std : float
        Standard uncertainty where ``airspeed`` is a number [m/s].
    density, density_std : float
        Air density in flight [kg/m^3].
    wake_fraction : tuple of float
        Bounds of w, uniform between them: the disc behind a pilot sees (1 - w) V.
    draws : int
        Monte Carlo draws.
    seed : int
        Of the generator.

    Returns
    -------
    BladeComparison

    Raises
    ------
    FlightprocError
        Where airspeed is unknown or the bounds of the wake fraction are not within 0 to 1.

    Notes
    -----
    The draws share the blade's scalars at rest and in flight. The predicted ratios also carry a model
    uncertainty of 5 % from J = 0.1 up (10 % for an assumed helix), falling to none at J = 0, where they are 1
    by definition.
    """
    if isinstance(airspeed, Quantity):
        if airspeed.value is None:
            raise FlightprocError("the airspeed is unknown", where="blade comparison", found=airspeed.reason)
        speed, speed_std = airspeed.value, airspeed.std or 0.0
    else:
        speed, speed_std = float(airspeed), float(airspeed_std)
    low, high = wake_fraction
    if not 0.0 <= low <= high < 1.0:
        raise FlightprocError(
            "bounds of the wake fraction out of order",
            where="blade comparison",
            found=wake_fraction,
            allowed="0 to 1",
        )
    random = np.random.default_rng(seed)
    if calibrated.draws is None:
        scalars = random.multivariate_normal(
            calibrated.values, calibrated.covariance, size=draws, method="cholesky"
        )
    else:
        scalars = calibrated.draws[np.arange(draws) % len(calibrated.draws)]
    speeds = np.maximum(random.normal(speed, speed_std, draws), 0.0)
    densities = np.maximum(random.normal(density, density_std, draws), 0.1 * density)
    wakes = random.uniform(low, high, draws)
    rest = calibrated.solve(rpm_propeller, np.zeros(draws), densities, values=scalars)
    air = calibrated.solve(rpm_propeller, (1.0 - wakes) * speeds, densities, values=scalars)
    blade = calibrated.blade
    revolutions = rpm_propeller / 60.0
    advance = speeds / (revolutions * blade.diameter)
    ratio_std = _RATIO_STD_ASSUMED if blade.twist_assumed else _RATIO_STD
    model = 1.0 + ratio_std * np.minimum(advance / 0.1, 1.0) * random.standard_normal((2, draws))
    naive = geometric_alpha(blade, rpm_propeller, speeds) + scalars[:, :1]
    groups: Mapping[str, Array] = {
        "blade": scalars,
        "airspeed": speeds[:, None],
        "wake": wakes[:, None],
        "density": densities[:, None],
    }

    def quantity(samples: Array, unit: str = "", model_error: Array | None = None) -> Quantity:
        whole = groups if model_error is None else {**groups, "model": model_error[:, None]}
        return Quantity.from_samples(samples, unit, budget=_budget(samples, whole))

    at_rest, in_air = alpha_at(rest), alpha_at(air)
    naive_075 = alpha_at(replace(air, alpha=naive))
    return BladeComparison(
        rpm_propeller=float(rpm_propeller),
        airspeed=airspeed if isinstance(airspeed, Quantity) else Quantity.of(speed, speed_std, "m/s"),
        advance_ratio=Quantity.of(
            speed / (revolutions * blade.diameter), speed_std / (revolutions * blade.diameter), ""
        ),
        alpha_075_static=quantity(at_rest, "rad"),
        alpha_075_flight=quantity(in_air, "rad"),
        alpha_075_naive=quantity(naive_075, "rad"),
        alpha_075_change=quantity(in_air - at_rest, "rad"),
        torque_ratio=quantity(air.torque / rest.torque * model[0], "", model[0]),
        thrust_ratio=quantity(air.thrust / rest.thrust * model[1], "", model[1]),
        radius_ratio=blade.radius / blade.tip_radius,
        alpha_static=np.mean(rest.alpha, axis=0),
        alpha_flight=np.mean(air.alpha, axis=0),
        alpha_naive=np.mean(naive, axis=0),
        alpha_static_std=np.std(rest.alpha, axis=0, ddof=1),
        alpha_flight_std=np.std(air.alpha, axis=0, ddof=1),
        words=(
            *calibrated.words,
            f"inflow behind the pilot taken as {1 - high:.2g} to {1 - low:.2g} of the airspeed",
            *_unsolved_words(rest, air),
        ),
    )


def _unsolved_words(*runs: ElementSolution) -> tuple[str, ...]:
    lost = np.any([~run.converged.all(axis=0) for run in runs], axis=0)
    if not lost.any():
        return ()
    places = (runs[0].blade.radius / runs[0].blade.tip_radius)[lost]
    return (
        f"no inflow angle was found for elements from {places.min():.2f} to {places.max():.2f} R; "
        "they carry no load",
    )


def _budget(samples: Array, groups: Mapping[str, Array]) -> dict[str, float]:
    """Split the spread of draws by source, from a linear regression on the inputs."""
    columns, owners = [], []
    for name, block in groups.items():
        centred = block - block.mean(axis=0)
        spread = centred.std(axis=0)
        keep = spread > 1e-12 * np.maximum(np.abs(block).max(axis=0), 1e-300)
        columns.append(centred[:, keep] / spread[keep])
        owners += [name] * int(keep.sum())
    if not owners:
        return {}
    design = np.hstack(columns)
    slope, *_ = np.linalg.lstsq(design, samples - samples.mean(), rcond=None)
    parts: dict[str, float] = {}
    for name in groups:
        mine = np.array([owner == name for owner in owners])
        if mine.any():
            parts[name] = float(np.std(design[:, mine] @ slope[mine]))
    return parts
