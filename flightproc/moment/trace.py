r"""The whole-sortie estimate: torque in flight over torque on the rig, from all powered flight.

Holds use a fraction of a flight. Here every sample of hands-off flight counts, throttle steps included. Hang
roll
is described as the answer to inputs that are known or measured, with coloured noise (:mod:`.trace_record`
has the
physics):

.. math::
    \eta_t = \eta_0(t) + \tfrac{1}{K}[L_{known} + s\,(\kappa_0 + \kappa_1 (J - J_0))\,Q_{rig}(n, \rho)]
        + \epsilon\,\theta + \lambda_0 r + \lambda_1 \dot r + \mu_1 p + \mu_2 \dot p + u_t

The zero wanders slowly, the sensor's yaw ``epsilon`` shows pitch as roll, ``r`` and ``p`` are the measured
turn and
roll rates, and ``u`` is an autoregression, one for flight with power and one without, fitted by maximum
likelihood
in innovations form (:mod:`flightproc.statistics.coloured`). The known moment of the ballast gives 1 / K,
priors and inertia help (:mod:`.stiffness`). Intervals come from joint draws.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..holds.model import BallastWindow, Hold, HoldKind, PilotWindow
from ..quantity import Quantity
from ..sortie.model import Sortie
from ..statistics.coloured import ColouredFit, fit_coloured
from .calibrate import Frame, Priors
from .fit_quality import FitQuality, judge_fit
from .stiffness import combine_stiffness
from .swing_mode import RollMode, roll_mode, swing_limits
from .trace_model import GivenBack, SettingRatio, SortieTrace, no_trace
from .trace_record import RigTorque, TraceRecord, make_record, trace_stretches

__all__ = ["trace_sortie"]

Array = NDArray[np.float64]

_SLOPE_STD = 0.6  # prior of the relative change of torque per unit of J, and of the rig curve's shape [1]
_MOUNT_YAW_STD = np.radians(3.0)  # of a sensor strapped on by eye [rad]
_SWING_STD = np.radians(10.0)  # prior of the yaw at which pitch swings show as roll under power [rad]
_KNOT = 150.0  # spacing of the zero's random walk [s]
_WALKS = np.radians([0.01, 0.03, 0.06, 0.12, 0.25, 0.5])  # wander of the zero in 1000 s tried [rad]
_WALK_SCALE = np.radians(0.1)  # half-normal prior of it
_YAW_MOMENT = 0.006  # relative: what the yaw moment of the thrust does to hang roll beside the turn rate
_IDLE_STD = 0.5  # relative standard uncertainty of an idling propeller's torque
_LEAST_POWER, _LEAST_GLIDE = 120.0, 60.0  # least flight used [s]
_YAW_LIMIT = np.radians(5.0)  # standard uncertainty of the sensor's yaw beyond which the holds are left to it
_HALVES = 3.5  # standard uncertainties between the halves beyond which the estimate is not trusted
_LONG_RUN = 6.0  # likewise of the long-run variance of the innovations
_CORRELATION = 0.25  # likewise of the innovations' autocorrelation


def trace_sortie(
    sortie: Sortie,
    holds: Sequence[Hold],
    *,
    rig_torque: RigTorque | None,
    reaction_sign: int,
    gear_ratio: float,
    diameter: float,
    frame: Frame,
    priors: Priors,
    ballast: Sequence[BallastWindow] = (),
    pilot: Sequence[PilotWindow] = (),
    compensation: GivenBack | None = None,
    idle_rpm: float | None = None,
    idle_turns_propeller: bool = False,
    mount_yaw_std: float = float("nan"),
    density_relative_std: float = 0.01,
    seed: int = 1,
    draws: int = 4000,
) -> SortieTrace:
    """Estimate the torque ratio from the whole sortie.

    Parameters
    ----------
    sortie, holds
        The flight, and the holds found in it.
    rig_torque : callable or None
        From engine speed [1/min] and density [kg/m^3], shape (n,), to static torque [N m] and its relative
        standard uncertainty; without it there is no estimate.
    reaction_sign : int
        +1 where the reaction rolls right, else -1.
    gear_ratio, diameter : float
        Engine revolutions per propeller revolution; propeller diameter [m].
    frame, priors
        Geometry and what is known before the flight.
    ballast, pilot : sequences of windows
        Ballast legs; what the pilot noted.
    compensation : GivenBack, optional
        Given back to the measured moment.
    idle_rpm, idle_turns_propeller
        Engine speed below which no power is on [1/min], and whether an idling engine turns the propeller.
    mount_yaw_std : float
        Standard uncertainty of the sensor's yaw [rad]; NaN takes 3 deg.
    density_relative_std : float
        Relative standard uncertainty of density.
    seed, draws : int
        Of the joint draws.

    Returns
    -------
    SortieTrace
        With ``accepted`` False and the reason where the holds are the better source.
    """
    if rig_torque is None:
        return no_trace("no rig sheet was given")
    record = make_record(
        sortie,
        holds,
        rig_torque,
        reaction_sign=reaction_sign,
        gear_ratio=gear_ratio,
        diameter=diameter,
        priors=priors,
        ballast=ballast,
        pilot=pilot,
        idle_rpm=idle_rpm,
        idle_turns_propeller=idle_turns_propeller,
    )
    if isinstance(record, str):
        return no_trace(record)
    stretches = trace_stretches(record)
    mode = _mode(sortie, record, stretches, frame, priors)
    seconds = [
        sum(end - start for start, end, k in stretches if k == kind) * record.period for kind in (0, 1)
    ]
    if seconds[1] < _LEAST_POWER:
        return no_trace(
            f"only {seconds[1]:.0f} s of straight powered flight, {_LEAST_POWER:.0f} s are needed", mode
        )
    if seconds[0] < _LEAST_GLIDE:
        return no_trace(
            f"only {seconds[0]:.0f} s of straight flight without power, {_LEAST_GLIDE:.0f} s are needed", mode
        )
    yaw_std = mount_yaw_std if math.isfinite(mount_yaw_std) else float(_MOUNT_YAW_STD)
    system = _system(record, stretches, priors, yaw_std)
    fit, stretches = _fit(record, system, stretches)
    quality = judge_fit(record, system.design, fit, stretches, _halves(record, system, fit, stretches))
    reason = _refusal(quality)
    if yaw_std > _YAW_LIMIT:
        reason = (
            f"the yaw of the sensor is known only to {math.degrees(yaw_std):.0f} deg; state it in the sheet"
        )
    return _conclude(
        record,
        system,
        fit,
        quality,
        reason,
        mode,
        holds,
        frame=frame,
        priors=priors,
        ballast=ballast,
        compensation=compensation,
        reaction_sign=reaction_sign,
        density_relative_std=density_relative_std,
        seconds=(seconds[0], seconds[1]),
        seed=seed,
        draws=draws,
    )


@dataclass(frozen=True)
class _System:
    """Inputs of the regression with their priors; ``names`` says which column is which."""

    names: tuple[str, ...]
    design: Array
    prior_mean: Array
    prior_std: Array
    advance_ratio: float

    def index(self, name: str) -> int | None:
        """Return the column of an input, None where the sortie has none such."""
        return self.names.index(name) if name in self.names else None

    @property
    def walk(self) -> NDArray[np.intp]:
        """Columns of the zero's wander."""
        return np.array([i for i, n in enumerate(self.names) if n.startswith("walk")], dtype=np.intp)


def _mode(
    sortie: Sortie,
    record: TraceRecord,
    stretches: list[tuple[int, int, int]],
    frame: Frame,
    priors: Priors,
) -> RollMode:
    """Find the swing of the unit without power, or with it where there is too little without."""
    limits = swing_limits(frame, priors)
    half = record.period / 2
    spans = [(float(record.time[a]) - half, float(record.time[b - 1]) + half, k) for a, b, k in stretches]
    found = roll_mode(sortie, [(a, b) for a, b, k in spans if k == 0], limits=limits)
    if found.frequency.known:
        return found
    return roll_mode(sortie, [(a, b) for a, b, _ in spans], limits=limits)


def _system(
    record: TraceRecord, stretches: list[tuple[int, int, int]], priors: Priors, yaw_std: float
) -> _System:
    chosen = np.zeros(record.time.size, dtype=bool)
    for start, end, _ in stretches:
        chosen[start:end] = True
    on = chosen & record.power
    guess = priors.stiffness
    columns: list[tuple[str, Array, float, float]] = [("zero", np.ones(record.time.size), 0.0, np.inf)]
    first, last = float(record.time[chosen][0]), float(record.time[chosen][-1])
    knots = np.linspace(first, last, max(2, 1 + math.ceil((last - first) / _KNOT)))
    step = (knots[1] - knots[0]) / 1000.0
    for j in range(knots.size - 1):
        rise = np.clip((record.time - knots[j]) / (knots[j + 1] - knots[j]), 0.0, 1.0)
        columns.append((f"walk {j}", rise - float(rise[chosen].mean()), 0.0, math.sqrt(step)))
    if np.any(record.moment[chosen] != 0.0):
        columns.append(("known", record.moment, 0.0, np.inf))
    columns.append(("torque", record.torque, 0.0, np.inf))
    advance = math.nan
    if np.isfinite(record.advance_ratio[on]).all():
        advance = float(np.average(record.advance_ratio[on], weights=np.abs(record.torque[on])))
        slope = record.torque * np.nan_to_num(record.advance_ratio - advance)
        columns.append(("slope", slope, 0.0, _SLOPE_STD / guess))
    if np.any(record.idle[chosen] != 0.0):
        columns.append(("idle", record.idle, 1.0 / guess, _IDLE_STD / guess))
    level, swing = _pitch_parts(record, chosen)
    columns.append(("pitch", level + np.where(record.power, 0.0, swing), 0.0, yaw_std))
    columns.append(("pitch swing under power", np.where(record.power, swing, 0.0), 0.0, _SWING_STD))
    columns.append(("turn", record.turn_rate, 0.0, np.inf))
    columns.append(("turn rate of change", record.rate_of(record.turn_rate), 0.0, np.inf))
    columns.append(("roll", record.roll_rate, 0.0, np.inf))
    columns.append(("roll rate of change", record.rate_of(record.roll_rate), 0.0, np.inf))
    return _System(
        tuple(c[0] for c in columns),
        np.column_stack([c[1] for c in columns]),
        np.array([c[2] for c in columns]),
        np.array([c[3] for c in columns]),
        advance,
    )


def _pitch_parts(record: TraceRecord, chosen: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Return the part of the unit's pitch that follows the torque, and its swings about that.

    Under power the unit twists under its risers, so that the accelerations of a swing come from another side
    than the sensor's yaw alone would tell; only the level counts there.
    """
    design = np.column_stack(
        [np.ones(record.time.size), record.power, record.torque, record.torque * np.abs(record.torque)]
    )
    found = np.linalg.lstsq(design[chosen], record.pitch[chosen], rcond=None)[0]
    level: Array = design @ found
    return level, record.pitch - level


def _fit(
    record: TraceRecord, system: _System, stretches: list[tuple[int, int, int]]
) -> tuple[ColouredFit, list[tuple[int, int, int]]]:
    """Fit at the wander of the zero that the record bears out; return the fit and the stretches it used."""
    orders = (1, 2, 3, 4, 6, 8, 10, 12)
    stretches = [s for s in stretches if s[1] - s[0] > 2 * max(orders)]
    records = [record.hang_roll[a:b] for a, b, _ in stretches]
    designs = [system.design[a:b] for a, b, _ in stretches]
    kinds = [k for _, _, k in stretches]

    def run(walk: float) -> ColouredFit:
        return fit_coloured(
            records,
            designs,
            kinds,
            prior_mean=system.prior_mean,
            prior_std=_with_walk(system, walk),
            orders=orders,
        )

    first = run(float(_WALKS[3]))
    return run(_choose_walk(system, first, records, designs, kinds)), stretches


def _with_walk(system: _System, walk: float) -> Array:
    out = system.prior_std.copy()
    out[system.walk] *= walk
    return out


def _choose_walk(
    system: _System, fit: ColouredFit, records: list[Array], designs: list[Array], kinds: list[int]
) -> float:
    """Return the most probable wander of the zero in 1000 s [rad], by its marginal likelihood."""
    size = len(system.names)
    gram, cross = np.zeros((size, size)), np.zeros(size)
    for y, x, kind in zip(records, designs, kinds, strict=True):
        phi, std = fit.autoregression[kind], fit.innovation_std[kind]
        order = phi.size
        wy, wx = y[order:].copy(), x[order:].copy()
        for k in range(1, order + 1):
            wy -= phi[k - 1] * y[order - k : y.size - k]
            wx -= phi[k - 1] * x[order - k : y.size - k]
        gram += wx.T @ wx / std**2
        cross += wx.T @ wy / std**2
    best, top = float(_WALKS[0]), -math.inf
    for walk in _WALKS:
        precision = 1.0 / _with_walk(system, float(walk)) ** 2
        total = gram + np.diag(precision)
        pull = cross + precision * system.prior_mean
        log_det = np.linalg.slogdet(total)[1] - float(np.sum(np.log(precision[system.walk])))
        score = 0.5 * float(pull @ np.linalg.solve(total, pull)) - 0.5 * log_det
        score -= 0.5 * (walk / _WALK_SCALE) ** 2
        if score > top:
            best, top = float(walk), score
    return best


def _halves(
    record: TraceRecord, system: _System, fit: ColouredFit, stretches: list[tuple[int, int, int]]
) -> float:
    """Return the z-score between the torque ratios of the first and the second half of the powered flight."""
    powered = [s for s in stretches if s[2] == 1]
    if len(powered) < 2:
        return 0.0
    counts = np.cumsum([b - a for a, b, _ in powered])
    middle = powered[int(np.searchsorted(counts, counts[-1] / 2))][0]
    extra = np.where(np.arange(record.time.size) >= middle, 0.5, -0.5) * record.torque
    walk = _with_walk(system, float(_WALKS[3]))
    again = fit_coloured(
        [record.hang_roll[a:b] for a, b, _ in stretches],
        [np.column_stack([system.design[a:b], extra[a:b]]) for a, b, _ in stretches],
        [k for _, _, k in stretches],
        prior_mean=np.append(system.prior_mean, 0.0),
        prior_std=np.append(walk, np.inf),
        orders=(max(1, max(phi.size for phi in fit.autoregression)),),
    )
    spread = float(again.std[-1])
    # with one setting in one half, torque and zero cannot be told apart there: nothing to compare
    return float(again.coefficients[-1]) / spread if spread > 0.0 else 0.0


def _refusal(quality: FitQuality) -> str:
    """Return why an estimate is not to be used, empty where it is."""
    if quality.over_persistence <= 0.0:
        return "the model predicts hang roll no better than its last value does"
    if quality.long_run > _LONG_RUN:
        return (
            f"over whole stretches the innovations scatter {math.sqrt(quality.long_run):.1f} times as much "
            f"as "
            "the model says: something that it does not know moved the unit"
        )
    largest = float(np.max(np.abs(quality.autocorrelation)))
    if largest > _CORRELATION:
        return f"the innovations are coloured (autocorrelation up to {largest:.2f})"
    if abs(quality.halves) > _HALVES:
        return (
            f"the torque ratios of the first and the second half differ by {abs(quality.halves):.1f} "
            f"standard "
            "uncertainties"
        )
    return ""


def _conclude(
    record: TraceRecord,
    system: _System,
    fit: ColouredFit,
    quality: FitQuality,
    reason: str,
    mode: RollMode,
    holds: Sequence[Hold],
    *,
    frame: Frame,
    priors: Priors,
    ballast: Sequence[BallastWindow],
    compensation: GivenBack | None,
    reaction_sign: int,
    density_relative_std: float,
    seconds: tuple[float, float],
    seed: int,
    draws: int,
) -> SortieTrace:
    """Turn coefficients into ratios with their joint draws."""
    rng = np.random.default_rng((seed, 3))  # a stream of its own
    torque, known, slope = system.index("torque"), system.index("known"), system.index("slope")
    pitch = system.index("pitch")
    assert torque is not None and pitch is not None
    c, covariance = fit.coefficients, fit.covariance
    loaded = [w for w in ballast if w.moment != 0.0]
    ballast_std = max((w.moment_std / abs(w.moment) for w in loaded), default=0.0)
    response = float(c[known]) if known is not None else math.nan
    response_std = math.sqrt(covariance[known, known]) if known is not None else math.nan
    stiff = combine_stiffness(
        response,
        response_std,
        ballast_std=max(ballast_std, 1e-4),
        frame=frame,
        priors=priors,
        mode=mode,
        draws=draws,
        rng=rng,
    )
    columns = [torque] if slope is None else [torque, slope]
    drawn = _given(c, covariance, columns, known, stiff.response, rng)
    common = 1.0 + (
        record.rig_std * rng.standard_normal(draws)
        + density_relative_std * rng.standard_normal(draws)
        + _YAW_MOMENT * rng.standard_normal(draws)
    )
    ratios = drawn[:, 0] * stiff.draws
    slopes = drawn[:, 1] * stiff.draws if slope is not None else np.zeros(draws)
    back, back_std = _given_back(record, compensation)
    error = back_std * rng.standard_normal(draws)
    ratios = ratios + back + error
    # the error of a compensation's size is the same on the rig, where it was given back too
    on_rig = 0.0 if compensation is None else compensation.on_rig
    common = common + on_rig * error
    ratios, slopes = ratios / common, slopes / common
    centre = float(np.median(ratios))
    ratio = Quantity.from_samples(ratios, "", value=centre)
    parts = _budget(system, fit, stiff.ballast_weight, centre) | {
        name: abs(centre - back) * part for name, part in stiff.shares.items()
    }
    parts |= {
        "rig": centre * record.rig_std,
        "density": centre * density_relative_std,
        "yaw moment of the thrust": centre * _YAW_MOMENT,
        "compensation": abs(1.0 - centre * on_rig) * back_std,
    }
    ratio = Quantity.from_samples(ratios, "", value=centre, budget=_scaled(parts, ratio.std or 0.0))
    slope_quantity = (
        Quantity.from_samples(slopes, "", value=float(np.median(slopes)))
        if slope is not None
        else Quantity.unknown("", "no airspeed")
    )
    trace = SortieTrace(
        ratio=ratio,
        advance_ratio=system.advance_ratio,
        ratio_slope=slope_quantity,
        settings=(),
        draws=np.column_stack([ratios, slopes]),
        stiffness=Quantity.from_samples(stiff.draws, "N m/rad", value=float(np.median(stiff.draws))),
        mode=mode,
        sensor_yaw=Quantity.of(float(c[pitch]), math.sqrt(covariance[pitch, pitch]), "rad"),
        seconds_used=sum(seconds),
        seconds_power=seconds[1],
        share_used=sum(seconds) / max(float(np.sum(record.airborne)) * record.period, 1.0),
        fit=quality,
        accepted=not reason,
        reason=reason,
        words=_words(record, seconds, known is not None, stiff.ballast_weight),
    )
    settings = tuple(
        SettingRatio(rpm, advance, trace.ratio_at(advance) if math.isfinite(advance) else ratio)
        for rpm, advance in _held(record, holds)
    )
    return SortieTrace(**{**vars(trace), "settings": settings})


def _given(
    c: Array,
    covariance: Array,
    columns: list[int],
    known: int | None,
    response: Array,
    rng: np.random.Generator,
) -> Array:
    """Draw coefficients, given draws of the response to the known moment, shape (draws, len(columns))."""
    mean = np.broadcast_to(c[columns], (response.size, len(columns)))
    left = covariance[np.ix_(columns, columns)]
    if known is not None:
        gain = covariance[columns, known] / covariance[known, known]
        mean = mean + (response - c[known])[:, None] * gain[None, :]
        left = left - np.outer(gain, covariance[columns, known])
    values, vectors = np.linalg.eigh((left + left.T) / 2)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    out: Array = mean + rng.standard_normal((response.size, len(columns))) @ root.T
    return out


def _given_back(record: TraceRecord, compensation: GivenBack | None) -> tuple[float, float]:
    """Return what a compensation adds to the ratio, and its standard uncertainty."""
    if compensation is None:
        return 0.0, 0.0
    on = record.used & record.power
    rig = np.abs(record.torque[on])
    share = float(np.sum((record.rpm[on] / compensation.rpm) ** 2 * rig) / np.sum(rig**2))
    return compensation.moment * share, compensation.moment_std * share


def _budget(system: _System, fit: ColouredFit, ballast_weight: float, centre: float) -> dict[str, float]:
    """Split the noise of the ratio by what would have to be known to take it away (exact in variance)."""
    torque, known, pitch = system.index("torque"), system.index("known"), system.index("pitch")
    assert torque is not None and pitch is not None
    gain = np.zeros(len(system.names))
    gain[torque] = 1.0 / fit.coefficients[torque]
    if known is not None:
        gain[known] = -ballast_weight / fit.coefficients[known]
    left = fit.covariance.copy()
    out: dict[str, float] = {}
    groups: list[tuple[str, list[int]]] = [
        ("yaw of the sensor", [pitch]),
    ]
    idle = system.index("idle")
    if idle is not None:
        groups.append(("idle torque", [idle]))
    groups += [("drift of the zeros", system.walk.tolist()), ("noise of the glides", [0])]
    if known is not None:
        groups.append(("noise of the ballast legs", [known]))
    total = float(gain @ left @ gain)
    for name, columns in groups:
        block = left[np.ix_(columns, columns)]
        cross = left[:, columns]
        left = left - cross @ np.linalg.pinv(block) @ cross.T
        rest = max(float(gain @ left @ gain), 0.0)
        out[name] = abs(centre) * math.sqrt(max(total - rest, 0.0))
        total = rest
    out["noise of the power holds"] = abs(centre) * math.sqrt(total)
    return out


def _scaled(parts: dict[str, float], std: float) -> dict[str, float]:
    """Return the parts without zeros, brought to add up (in squares) to the whole."""
    total = math.sqrt(sum(part**2 for part in parts.values()))
    factor = std / total if total > 0.0 else 0.0
    return {name: factor * part for name, part in parts.items() if part > 1e-6 * total}


def _held(record: TraceRecord, holds: Sequence[Hold]) -> list[tuple[float, float]]:
    """Return engine speed and advance ratio of each setting held, rising."""
    found: list[tuple[float, float]] = []
    for hold in holds:
        if hold.kind is HoldKind.POWER:
            inside = (record.time >= hold.start) & (record.time <= hold.end)
            if inside.any():
                found.append((hold.rpm, float(np.mean(record.advance_ratio[inside]))))
    found.sort()
    groups: list[list[tuple[float, float]]] = []
    for item in found:
        if groups and item[0] - groups[-1][0][0] <= 0.025 * item[0]:
            groups[-1].append(item)
        else:
            groups.append([item])
    return [
        (float(np.mean([rpm for rpm, _ in group])), float(np.mean([advance for _, advance in group])))
        for group in groups
    ]


def _words(
    record: TraceRecord, seconds: tuple[float, float], known: bool, ballast_weight: float
) -> tuple[str, ...]:
    out = [f"{seconds[1]:.0f} s under power and {seconds[0]:.0f} s without were used"]
    if record.left_out:
        out.append(
            "left out: " + ", ".join(f"{name} {size:.0f} s" for name, size in sorted(record.left_out.items()))
        )
    if not known:
        out.append("no ballast was carried: the hang stiffness comes from what is known before the flight")
    elif ballast_weight < 0.5:
        out.append("the ballast legs tell less of the hang stiffness than what was known before the flight")
    return tuple(out)
