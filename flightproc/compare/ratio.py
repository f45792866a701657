"""Set the moments of flight against the rig's curve and the blade, by groups of engine speed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..display import Card, displayed
from ..holds.model import Hold, HoldKind
from ..moment.observe import Observations
from ..moment.solve import MomentSolution
from ..propeller import (
    CalibratedBlade,
    FlightPoint,
    InflowEstimate,
    RatioCurve,
    compare_blade,
    infer_inflow,
    ratio_curve,
)
from ..quantity import Quantity
from ..results import BladeAngles, ComparisonRow
from ..rig.model import RigCurve

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["FROM_DIFFERENCES", "Comparison", "Compensation", "Propulsion", "compare_with_rig"]

Array = NDArray[np.float64]

_GROUP = 0.025  # relative spread of rpm within one group
_OWN = "noise of the power holds"  # averages out over a group, where other sources do not
_NO_RIG = "no rig sheet was given"
_APART = 0.05  # static torques closer than this to their mean, relative, give no slope
_MUCH_BETTER = 0.7  # of the standard uncertainty from all moments, for differences to be taken instead

FROM_DIFFERENCES = "from the differences between settings, which need no zero"
"""Why an overall ratio is not that of the moments themselves."""


@dataclass(frozen=True)
class Propulsion:
    """Engine and propeller, as far as the comparison needs them.

    Attributes
    ----------
    gear_ratio : float
        Engine revolutions per propeller revolution.
    diameter : float
        Of the propeller [m].
    reaction_sign : int
        +1 where the reaction rolls right (propeller turning left seen from behind), else -1.

    Examples
    --------
    >>> Propulsion(gear_ratio=2.8, diameter=1.28, reaction_sign=1)
    Propulsion(gear_ratio=2.8, diameter=1.28, reaction_sign=1)
    """

    gear_ratio: float
    diameter: float
    reaction_sign: int


@dataclass(frozen=True)
class Compensation:
    """What the frame takes off the reaction under power, growing with rpm squared.

    Attributes
    ----------
    moment, moment_std : float
        At ``rpm``, positive against the reaction [N m].
    rpm : float
        Engine speed at which it holds [1/min].
    on_rig : float
        What it took off on the rig over what it takes off in flight, and 0 where it was not fitted there.
        The rig's curve has it given back already; the error of its size is the same in both.

    Examples
    --------
    >>> Compensation(moment=8.0, moment_std=1.0, rpm=6000.0)
    Compensation(moment=8.0, moment_std=1.0, rpm=6000.0, on_rig=0.0)
    """

    moment: float
    moment_std: float
    rpm: float
    on_rig: float = 0.0


@displayed
@dataclass(frozen=True)
class Comparison:
    """Flight against rig.

    Attributes
    ----------
    rows : tuple of ComparisonRow
        By rpm group, rising.
    blade : tuple of BladeAngles
        Along the blade, one per group; empty without a blade.
    overall : Quantity
        Torque ratio over all groups [1]; its reason is :data:`FROM_DIFFERENCES` where only differences
        between groups tell it.
    words : tuple of str
        Remarks of the blade model.
    inflow : InflowEstimate or None
        Inflow at the disc and angle of attack from all ratios together; None without rig or blade.
    curve : RatioCurve or None
        Ratios the blade expects, against advance ratio; None without a blade.
    moment_draws : ndarray, shape (draws, n)
        Joint draws of the roll moments of the rows [N m].
    ratio_draws : ndarray, shape (draws, n)
        Joint draws of the torque ratios of the rows [1]; without columns where no rig was given.
    overall_draws : ndarray, shape (draws,)
        Draws of ``overall`` that go with them; empty without a rig.

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> prepared = fp.prepare_sortie(sheets, fp.read_recordings(sheets))
    >>> solution = fp.solve_sortie(prepared)
    >>> comparison = fp.compare_sortie(prepared, solution, fp.calibrated_blade(prepared))
    >>> print(comparison.overall.text(interval=True))
    1.038 (95 %: 0.962 to 1.120)
    """

    rows: tuple[ComparisonRow, ...]
    blade: tuple[BladeAngles, ...]
    overall: Quantity
    words: tuple[str, ...]
    inflow: InflowEstimate | None = None
    curve: RatioCurve | None = None
    moment_draws: Array = field(default_factory=lambda: np.zeros((0, 0)))
    ratio_draws: Array = field(default_factory=lambda: np.zeros((0, 0)))
    overall_draws: Array = field(default_factory=lambda: np.zeros(0))

    def frame(self) -> pd.DataFrame:
        """Return the rows as a table: of each quantity the value, ``_std``, ``_low95`` and ``_high95``."""
        from ..frames import frame_of

        return frame_of(self.rows, index="setting")

    def _card(self) -> Card:
        rows = tuple(
            (
                f"{row.rpm.value or 0.0:.0f}",
                row.roll_moment.text(),
                row.static_torque.text() if row.static_torque.known else "",
                row.torque_ratio.text(interval=True) if row.torque_ratio.known else "",
            )
            for row in self.rows
        )
        heads = ("rpm", "roll moment", "rig torque", "ratio")
        facts = (("all settings", self.overall.text(interval=True)),)
        return Card(f"{len(self.rows)} throttle settings against the rig", facts, heads, rows)


def group_by_rpm(rpm: Array, indices: Sequence[int]) -> list[list[int]]:
    """Return indices of holds grouped by engine speed, rising.

    Examples
    --------
    >>> import numpy as np
    >>> group_by_rpm(np.array([5210.0, 6000.0, 0.0, 5190.0]), [0, 1, 3])
    [[3, 0], [1]]
    """
    groups: list[list[int]] = []
    for index in sorted(indices, key=lambda i: rpm[i]):
        if groups and rpm[index] - rpm[groups[-1][0]] <= _GROUP * rpm[index]:
            groups[-1].append(index)
        else:
            groups.append([index])
    return groups


def compare_with_rig(
    holds: Sequence[Hold],
    observed: Observations,
    solution: MomentSolution,
    propulsion: Propulsion,
    rig: RigCurve | None,
    blade: CalibratedBlade | None,
    *,
    compensation: Compensation | None = None,
    airspeed_common_std: float = 0.0,
    density_relative_std: float = 0.01,
    seed: int = 1,
    density_stream: int | None = None,
) -> Comparison:
    """Compare each rpm group's moment with the static torque at the same rpm and density.

    Parameters
    ----------
    holds, observed, solution
        As solved; only straight power holds are compared.
    propulsion : Propulsion
        Engine and propeller.
    rig : RigCurve or None
        Static curve; without it the ratios are unknown, with the reason.
    blade : CalibratedBlade or None
        Calibrated blade; without it the angles are unknown.
    compensation : Compensation, optional
        Given back to the measured moment, so that torque is set against torque.
    airspeed_common_std, density_relative_std : float
        What all holds share: standard uncertainty of airspeed [m/s], relative one of density.
    seed : int
        Seed of the draws. Sorties that are compared with one seed and as many draws share the draws of the
        errors of rig and compensation.
    density_stream : int, optional
        Number of the sortie among several, so that the error of density stays its own.

    Notes
    -----
    With ``s`` the sign of the reaction, the ratio is ``(s L + M_comp (n / n_c)^2) / Q_rig(n, rho)``. What the
    groups share (K, zeros, density, the rig's common errors) stays shared in the draws of ``L``.

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> prepared = fp.prepare_sortie(sheets, fp.read_recordings(sheets))
    >>> solution = fp.solve_sortie(prepared)
    >>> from flightproc.compare import Propulsion
    >>> comparison = fp.compare_with_rig(
    ...     prepared.search.holds, prepared.observed, solution, Propulsion(2.8, 1.28, 1), prepared.rig, None
    ... )
    >>> [row.holds for row in comparison.rows]
    [(9, 15), (1, 14), (4, 10), (2, 7)]
    """
    rng = np.random.default_rng((seed, 2))  # a stream of its own
    power = [i for i, h in enumerate(holds) if h.kind is HoldKind.POWER and h.straight]
    draws = solution.roll_draws
    density_factor = 1.0 + density_relative_std * rng.standard_normal(len(draws))
    if density_stream is not None:
        apart = np.random.default_rng((seed, 2, density_stream))
        density_factor = 1.0 + density_relative_std * apart.standard_normal(len(draws))
    rig_common = rng.standard_normal(len(draws))
    give_back = rng.standard_normal(len(draws))
    rows: list[ComparisonRow] = []
    angles: list[BladeAngles] = []
    words: dict[str, None] = {}
    points: list[FlightPoint] = []
    kappa: list[tuple[float, Array]] = []
    moments: list[Array] = []
    torques: list[Array] = []
    statics: list[Array] = []
    for group in group_by_rpm(observed.rpm, power):
        weight = np.array([1.0 / max(_scatter(solution.roll_moment[i]), 1e-3) ** 2 for i in group])
        weight /= weight.sum()
        rpm = float(weight @ observed.rpm[group])
        speed = float(weight @ solution.airspeed[group])
        own = np.sqrt(np.maximum(solution.airspeed_std[group] ** 2 - airspeed_common_std**2, 0.0))
        speed_std = math.hypot(airspeed_common_std, float(np.sqrt(np.sum((weight * own) ** 2))))
        density = float(weight @ np.where(np.isfinite(observed.density[group]), observed.density[group], 1.2))
        moment = draws[:, group] @ weight
        moments.append(moment)
        airspeed = Quantity.of(speed, speed_std, "m/s")
        per_rev = propulsion.diameter * rpm / propulsion.gear_ratio / 60.0
        static = Quantity.unknown("N m", _NO_RIG)
        ratio = Quantity.unknown("", _NO_RIG)
        if rig is not None:
            mean, std = rig.torque(np.array([rpm]), density)
            static = Quantity.of(float(mean[0]), float(std[0]), "N m")
            reference = float(mean[0]) * density_factor + float(std[0]) * rig_common
            torque = propulsion.reaction_sign * moment
            if compensation is not None:
                error = compensation.moment_std * give_back * (rpm / compensation.rpm) ** 2
                torque = torque + compensation.moment * (rpm / compensation.rpm) ** 2 + error
                reference = reference + compensation.on_rig * error
            torques.append(torque)
            statics.append(reference)
            best = float(np.sum(weight * np.array([solution.roll_moment[i].value or 0.0 for i in group])))
            given = 0.0 if compensation is None else compensation.moment * (rpm / compensation.rpm) ** 2
            centre = (propulsion.reaction_sign * best + given) / float(mean[0])
            parts = {name: part / float(mean[0]) for name, part in _budget(solution, group, weight).items()}
            parts["rig"] = abs(centre) * float(std[0] / mean[0])
            parts["density"] = math.hypot(parts.get("density", 0.0), abs(centre) * density_relative_std)
            if compensation is not None:
                left = abs(1.0 - centre * compensation.on_rig)
                parts["compensation"] = (
                    left * compensation.moment_std * (rpm / compensation.rpm) ** 2 / float(mean[0])
                )
            ratio = Quantity.from_samples(torque / reference, "", value=centre, budget=parts)
            own_std = math.sqrt(max(speed_std**2 - airspeed_common_std**2, 0.0))
            points.append(FlightPoint(rpm, rpm / propulsion.gear_ratio, speed, own_std, density))
            kappa.append((centre, torque / reference))
        row_angles, blade_angles = _angles(
            blade, rpm, propulsion, airspeed, density, density_relative_std, seed, words
        )
        if blade_angles is not None:
            angles.append(blade_angles)
        best_moment = float(np.sum(weight * np.array([solution.roll_moment[i].value or 0.0 for i in group])))
        rows.append(
            ComparisonRow(
                rpm=Quantity.of(
                    rpm, float(np.sqrt(np.sum((weight * observed.rpm_std[group]) ** 2))), "1/min"
                ),
                airspeed=airspeed,
                advance_ratio=Quantity.of(speed / per_rev, speed_std / per_rev, ""),
                roll_moment=Quantity.from_samples(
                    moment, "N m", value=best_moment, budget=_budget(solution, group, weight)
                ),
                static_torque=static,
                torque_ratio=ratio,
                alpha_075_static=row_angles[0],
                alpha_075_flight=row_angles[1],
                alpha_075_naive=row_angles[2],
                holds=tuple(sorted(group)),
            )
        )
    overall, overall_draws = Quantity.unknown("", _NO_RIG), np.zeros(0)
    if rig is not None and rows:
        overall, overall_draws = _overall(np.array(torques), np.array(statics))
    inflow, curve = None, None
    if blade is not None and rows:
        if points:
            inflow = _inflow(blade, points, kappa, airspeed_common_std, density_relative_std, seed)
        curve = _curve(blade, rows, propulsion, seed)
    joint = np.column_stack(moments) if moments else np.zeros((len(draws), 0))
    ratio_draws = np.column_stack([k for _, k in kappa]) if kappa else np.zeros((len(draws), 0))
    return Comparison(
        tuple(rows), tuple(angles), overall, tuple(words), inflow, curve, joint, ratio_draws, overall_draws
    )


def _overall(torque: Array, static: Array) -> tuple[Quantity, Array]:
    """Return the torque ratio over all groups and its draws, from draws of shape (groups, draws).

    Where the zeros are as good as unknown, the moments of all groups err together and their sum tells
    nothing. Their differences do: with ``w_i`` the static torque less its mean, ``sum(w_i L_i) / sum(w_i
    Q_i)`` needs no zero, as long as the ratio is the same at all settings.
    """
    samples = torque.sum(axis=0) / static.sum(axis=0)
    total = Quantity.from_samples(samples)
    weight = static.mean(axis=1) - static.mean()
    if len(torque) < 2 or np.max(np.abs(weight)) < _APART * static.mean():
        return total, samples
    slopes = (weight @ torque) / (weight @ static)
    slope = Quantity.from_samples(slopes, reason=FROM_DIFFERENCES)
    if total.std is None or slope.std is None or slope.std > _MUCH_BETTER * total.std:
        return total, samples
    return slope, slopes


def _inflow(
    blade: CalibratedBlade,
    points: Sequence[FlightPoint],
    kappa: Sequence[tuple[float, Array]],
    airspeed_common_std: float,
    density_relative_std: float,
    seed: int,
) -> InflowEstimate | None:
    """Infer the inflow from all groups whose ratio is known."""
    known = [i for i, (value, _) in enumerate(kappa) if math.isfinite(value)]
    samples = np.array([kappa[i][1] for i in known])
    sound = np.all(np.isfinite(samples), axis=0) if known else np.zeros(0, bool)
    if sound.sum() < 10:
        return None
    return infer_inflow(
        blade,
        [points[i] for i in known],
        np.array([kappa[i][0] for i in known]),
        np.cov(samples[:, sound]).reshape(len(known), len(known)),
        airspeed_common_std=airspeed_common_std,
        density_relative_std=density_relative_std,
        seed=seed,
    )


def _curve(
    blade: CalibratedBlade, rows: Sequence[ComparisonRow], propulsion: Propulsion, seed: int
) -> RatioCurve | None:
    """Return the blade's ratios from rest to beyond the highest advance ratio flown."""
    flown = [row.advance_ratio.value for row in rows if row.advance_ratio.value is not None]
    if not flown:
        return None
    middle = rows[len(rows) // 2].rpm.value or 0.0
    return ratio_curve(
        blade,
        rpm_propeller=middle / propulsion.gear_ratio,
        advance=np.linspace(0.0, 1.2 * max(flown), 21),
        seed=seed,
    )


def _budget(solution: MomentSolution, group: Sequence[int], weight: Array) -> dict[str, float]:
    """Return the group's budget: what scatters from hold to hold averages out, what is shared does not."""
    out: dict[str, float] = {}
    for source in solution.roll_moment[group[0]].budget:
        parts = weight * np.array([solution.roll_moment[i].budget.get(source, 0.0) for i in group])
        out[source] = float(np.sqrt(np.sum(parts**2)) if source == _OWN else np.sum(parts))
    return out


def _scatter(moment: Quantity) -> float:
    own = moment.budget.get(_OWN)
    return own if own is not None else (moment.std or 1.0)


def _angles(
    blade: CalibratedBlade | None,
    rpm: float,
    propulsion: Propulsion,
    airspeed: Quantity,
    density: float,
    density_relative_std: float,
    seed: int,
    words: dict[str, None],
) -> tuple[tuple[Quantity, Quantity, Quantity], BladeAngles | None]:
    """Return angle of attack at 0.75 R (static, flight, naive), and along the blade."""
    if blade is None:
        nothing = Quantity.unknown("rad", "no blade was described or calibrated")
        return (nothing, nothing, nothing), None
    found = compare_blade(
        blade,
        rpm_propeller=rpm / propulsion.gear_ratio,
        airspeed=airspeed,
        density=density,
        density_std=density * density_relative_std,
        seed=seed,
    )
    words.update(dict.fromkeys(found.words))
    along = BladeAngles(
        rpm=rpm,
        airspeed=airspeed.value or math.nan,
        radius_ratio=found.radius_ratio,
        static=found.alpha_static,
        flight=found.alpha_flight,
        naive=found.alpha_naive,
        static_std=found.alpha_static_std,
        flight_std=found.alpha_flight_std,
        predicted_torque_ratio=found.torque_ratio,
    )
    return (found.alpha_075_static, found.alpha_075_flight, found.alpha_075_naive), along
