"""Fit a few blade scalars to the rig, and carry the blade into flight with its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..display import Card, displayed
from ..errors import FlightprocError
from ..quantity import Quantity
from ..rig.model import RigCurve
from .blade import Blade
from .elements import ElementSolution, solve_elements
from .polar import AnalyticPolar, Polar
from .posterior import explore_posterior

__all__ = ["CalibratedBlade", "calibrate_blade", "draw_scalars", "fit_blade", "prior_blade"]

Array = NDArray[np.float64]

_PLAIN = ("pitch offset", "section drag", "maximum lift", "chord")
_NAMES = ("pitch_offset", "log_drag", "log_max_lift", "log_chord")
_MODEL_STD = 0.05  # of static torque and of static thrust, common to all points of a kind
_DECIDED, _PARTLY = 0.5, 0.85  # posterior over prior spread up to which a scalar counts as (partly) decided
_MERIT_MOST = 0.9  # figure of merit above which a rig thrust is not believed
_COMMON_SOURCES = ("spacing", "zero", "leak")


@displayed
@dataclass(frozen=True)
class CalibratedBlade:
    """A blade whose scalars were fitted to static measurements.

    Attributes
    ----------
    blade : Blade
        Geometry before calibration.
    polar : Polar
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

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> prepared = fp.prepare_sortie(sheets, fp.read_recordings(sheets))
    >>> blade = fp.calibrated_blade(prepared)
    >>> blade
    CalibratedBlade: calibrated on 10 measurements
      diameter  1.28 m, 2 blades
      chi2      7.8
      says      chord and twist from 9 stations of the aircraft sheet
      says      pitch offset +0.7 ± 0.5 deg, fitted to 5 torques and 5 thrusts
      scalar              value            std before
      pitch offset        0.72 ± 0.55 deg  2 deg
      factor on drag      1.32 ± 0.43      0.4
      factor on max lift  1.00 ± 0.14      0.15
      factor on chord     1.002 ± 0.020    0.02
    >>> blade.solve(6000.0 / 2.8, 10.0, 1.2).torque.round()
    array([22.])
    """

    blade: Blade
    polar: Polar
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

    def _card(self) -> Card:
        std = np.sqrt(np.diag(self.covariance))
        facts = [
            ("diameter", f"{self.blade.diameter:g} m, {self.blade.blades} blades"),
            ("chi2", f"{self.chi2:.1f}"),
        ]
        facts += [("says", words) for words in self.words[:2]]
        rows = []
        for i, name in enumerate(self.names):
            if name == "pitch_offset":
                turn = Quantity.of(float(self.values[i]), float(std[i]), "rad").degrees()
                rows.append(
                    ("pitch offset", turn.text(), f"{math.degrees(float(self.prior_std[i])):.2g} deg")
                )
            else:
                factor = math.exp(float(self.values[i]))
                value = Quantity.of(factor, factor * float(std[i]))
                rows.append(
                    (
                        f"factor on {name.removeprefix('log_').replace('_', ' ')}",
                        value.text(),
                        f"{float(self.prior_std[i]):.2g}",
                    )
                )
        title = f"calibrated on {self.measurements} measurements" if self.measurements else "not calibrated"
        return Card(title, tuple(facts), ("scalar", "value", "std before"), tuple(rows))

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
    polar = case.polar.scaled(np.exp(scalars[:, 1:2]), np.exp(scalars[:, 2:3]))
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


def prior_blade(
    blade: Blade,
    *,
    polar: Polar | None = None,
    tip_loss: bool = True,
    speed_of_sound: float | None = 340.3,
) -> CalibratedBlade:
    """Return a blade that no rig has seen: scalars at their priors, with their whole spread.

    Parameters
    ----------
    blade : Blade
        Geometry.
    polar : Polar, optional
        The default analytic one where it is not given.
    tip_loss, speed_of_sound
        As in `solve_elements`.

    Examples
    --------
    >>> from flightproc.propeller import Blade, prior_blade
    >>> blade = prior_blade(Blade.helical(diameter=1.25, pitch=0.60, blades=2))
    >>> blade.measurements, blade.values.tolist()
    (0, [0.0, 0.0, 0.0, 0.0])
    """
    prior = np.array([blade.pitch_std, 0.40, 0.15, max(blade.chord_std, 1e-3)])
    return CalibratedBlade(
        blade=blade,
        polar=AnalyticPolar() if polar is None else polar,
        names=_NAMES,
        values=np.zeros(4),
        covariance=np.diag(prior**2),
        prior_std=prior,
        chi2=0.0,
        measurements=0,
        tip_loss=tip_loss,
        speed_of_sound=speed_of_sound,
        words=(*([blade.words] if blade.words else []), "no rig: the blade's scalars are at their priors"),
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
    polar: Polar | None = None,
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
    polar : Polar, optional
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

    Examples
    --------
    >>> from flightproc.propeller import Blade
    >>> blade = Blade.helical(diameter=1.28, pitch=0.70, blades=2)
    >>> fitted = fit_blade(blade, [1857.0, 2429.0], [17.4, 29.9], [0.6, 0.8], density=1.19)
    >>> fitted.measurements
    2
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

    case = prior_blade(blade, polar=polar, tip_loss=tip_loss, speed_of_sound=speed_of_sound)
    prior = case.prior_std

    def modelled(rows: Array) -> Array:
        """Return the logarithms of the modelled loads for scalars of shape (m, 4), shape (m, count)."""
        run = _solve(case, np.repeat(rows, rpm.size, axis=0), np.tile(rpm, len(rows)), 0.0, density)
        loads = [run.torque.reshape(len(rows), -1)[:, use_q], run.thrust.reshape(len(rows), -1)[:, use_t]]
        return np.log(np.maximum(np.hstack(loads), 1e-9))

    starts = [np.zeros(4), prior * np.array([1.5, -0.5, 0.0, 0.0]), prior * np.array([-1.5, 1.0, 0.0, 0.0])]
    spare = max(count - (2 if np.any(use_t) else 1), 1)
    widen = 1.0
    for attempt in range(2):
        factor = np.linalg.cholesky(shared + np.diag((widen * independent) ** 2))
        inverse = np.asarray(np.linalg.inv(factor), dtype=np.float64)

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
    words += _identified(values, covariance, prior)
    return replace(
        case,
        values=values,
        covariance=covariance,
        chi2=chi2,
        measurements=count,
        draws=found.draws,
        words=tuple(words),
    )


def _identified(values: Array, covariance: Array, prior: Array) -> list[str]:
    """Say in words which scalars the rig decides, which rest on the prior, and which stand in for another."""
    std = np.sqrt(np.diag(covariance))
    share = std / prior
    groups = (
        ("the rig decides", share <= _DECIDED),
        ("it narrows", (share > _DECIDED) & (share <= _PARTLY)),
        ("it does not decide, so that the prior stands for", share > _PARTLY),
    )
    parts = []
    for head, mine in groups:
        names = [f"{_PLAIN[k]} ({_scalar_text(k, values[k], std[k])})" for k in range(len(_NAMES)) if mine[k]]
        if names:
            parts.append(f"{head} {' and '.join([', '.join(names[:-1])] * bool(names[1:]) + names[-1:])}")
    words = ["; ".join(parts)]
    correlation = covariance / np.outer(std, std)
    pairs = [(abs(correlation[i, j]), i, j) for i in range(len(_NAMES)) for j in range(i)]
    size, i, j = max(pairs)
    if size > 0.7:
        sense = "the one for the other" if correlation[i, j] < 0.0 else "both together"
        words.append(
            f"{_PLAIN[j]} and {_PLAIN[i]} are tied (correlation {correlation[i, j]:+.2f}): the rig "
            f"can be had with more or less of {sense}"
        )
    return words


def _scalar_text(k: int, value: float, std: float) -> str:
    if k == 0:
        return f"{math.degrees(value):+.1f} ± {math.degrees(std):.1f} deg"
    return f"×{math.exp(value):.2f} ± {100.0 * std:.0f} %"


def calibrate_blade(
    blade: Blade, curve: RigCurve, *, gear_ratio: float, polar: Polar | None = None
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
    polar : Polar, optional
        Starting polar.

    Returns
    -------
    CalibratedBlade
        With a word where the rig's propeller was of another diameter.

    Raises
    ------
    FlightprocError
        Without a usable point.

    Examples
    --------
    >>> import flightproc as fp
    >>> rig = fp.reduce_rig(fp.load_rig("sample_logs/school-wing-28/rig.toml"))
    >>> aircraft = fp.load_aircraft("sample_logs/school-wing-28/aircraft.toml")
    >>> blade = fp.calibrate_blade(fp.blade_from_sheet(aircraft), rig, gear_ratio=aircraft.engine.gear_ratio)
    >>> print(blade.pitch_offset.degrees())
    0.72 ± 0.55 deg
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


def draw_scalars(calibrated: CalibratedBlade, draws: int, random: np.random.Generator) -> Array:
    """Return draws of the blade's scalars from its posterior, shape (draws, 4)."""
    if calibrated.draws is None:
        return random.multivariate_normal(
            calibrated.values, calibrated.covariance, size=draws, method="cholesky"
        )
    return calibrated.draws[np.arange(draws) % len(calibrated.draws)]
