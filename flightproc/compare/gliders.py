r"""Gliders and loadings against each other: what one newton metre turns, and what is left to hold against.

The turn per roll moment at trim is

.. math::
    g = \dot\psi / L = 4 c_L / (\rho V S b^2)

and is what ballast glides measure; airspeed and density of the same flight fall out of it, since ``c_L`` was
made with them. Another loading ``m`` or density of the same glider flies at ``V ~ (m / rho)^(1/2)``, so with
an unchanged ``c_L`` ``g ~ (m rho)^(-1/2)``; a soft wing need not keep ``c_L``, so both exponents carry an
uncertainty, which sorties of one glider at several loadings narrow.

Sorties of one glider are combined, all gliders are solved together, and what sorties share stays shared: one
ballast set (its mass and arm), the exponents, the scaling. From four measured gliders on they are taken for
members of one family of ``ln c_L`` (:mod:`~flightproc.statistics.hierarchy`); below that they stand alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..cautions import CAUTIONS
from ..errors import EstimateError
from ..quantity import Quantity
from ..statistics.hierarchy import Groups, PairDifference, pair_differences, pool_groups, separate_groups
from .glider_facts import SortieFacts, TurnPoint
from .glider_model import SETTINGS, Glider, GliderComparison, GliderPair, Prediction, Trend, Yardstick
from .glider_words import answer_in_words, remarks_in_words

__all__ = ["compare_gliders"]

Array = NDArray[np.float64]

_FAMILY = 4  # measured gliders from which they are pooled
_TREND = 6  # measured gliders from which a regression over them is tried
_TREND_SPREAD = 0.05  # spread of ln wing loading it needs
_SPREAD_SCALE = 0.5  # half-normal prior of the spread of ln c_L between gliders
_EXPONENTS = (0.2, 0.1)  # standard uncertainty of the exponents of mass and density
_UNDER_POWER = 0.2  # relative standard uncertainty of c_L under power, found in glides
_SAME_RPM = 0.04  # relative distance of engine speeds of one setting
_TOLD = 2.0  # c_L over its standard uncertainty from which a glider stands alone
_DRAWS = 20_000


@dataclass(frozen=True)
class _Solution:
    """Joint draws of ln(turn per moment) of the measured gliders at their reference, and of the exponents."""

    measured: list[int]  # indices of gliders
    resolved: Array  # whether each is told from nothing by its own sorties
    alone: Groups
    joint: Groups
    draws: Array  # (m, len(measured)), ln g
    exponents: Array  # (m, 2): mass, density
    own_share: Array
    widening: float


def compare_gliders(
    sorties: Sequence[SortieFacts],
    *,
    masses: Sequence[float] = (),
    densities: Sequence[float] = (),
    moment: float | None = None,
    matters: float = math.radians(1.0),
    cruise_rpm: float | None = None,
    full_rpm: float | None = None,
    remarks: Sequence[str] = (),
    draws: int = _DRAWS,
    seed: int = 1,
) -> GliderComparison:
    """Compare gliders and loadings.

    Parameters
    ----------
    sorties : sequence of SortieFacts
        At least one.
    masses : sequence of float
        All-up masses to predict each glider at [kg]; a fifth less and more than flown where none is given.
    densities : sequence of float
        Air densities to predict at [kg/m^3]; that of the comparison where none is given.
    moment : float, optional
        Roll moment of the predicted turn [N m]; the median of what was measured at cruise otherwise.
    matters : float
        Turn rate from which a residual turn matters [rad/s].
    cruise_rpm, full_rpm : float, optional
        Engine speeds of the settings [1/min]; found from what was flown otherwise.
    remarks : sequence of str
        What the reader of the files had to say.
    draws, seed : int
        Joint draws.

    Raises
    ------
    EstimateError
        Without a sortie.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> from flightproc.report import results_json
    >>> import tempfile
    >>> from pathlib import Path
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "results.json")
    ...     _ = path.write_text(results_json(results))
    ...     facts, _ = fp.read_facts([path])
    >>> fp.compare_gliders(facts, masses=[130.0], draws=2000).gliders[0].predictions[0].mass
    130.0
    """
    if not sorties:
        raise EstimateError("no sortie to compare", hint="name results files or folders with reports")
    sorties = tuple(sorties)
    names = list(dict.fromkeys(item.glider for item in sorties))
    members = {name: [i for i, item in enumerate(sorties) if item.glider == name] for name in names}
    loading = {n: float(np.mean([sorties[i].wing_loading.value or 0.0 for i in members[n]])) for n in names}
    names.sort(key=lambda name: (loading[name], name))
    rpm_cruise, rpm_full = _settings(sorties, cruise_rpm, full_rpm)
    yardstick = Yardstick(
        moment=_moment(sorties, rpm_cruise) if moment is None else moment,
        matters=matters,
        density=float(np.mean([item.density for item in sorties])),
        cruise_rpm=rpm_cruise,
        full_rpm=rpm_full,
    )
    mass = np.array([float(np.mean([sorties[i].mass.value or 0.0 for i in members[name]])) for name in names])
    speed = [
        _trim_speed([sorties[i] for i in members[n]], m, yardstick) for n, m in zip(names, mass, strict=True)
    ]
    solution = _solve(sorties, names, mass, speed, yardstick, seed, draws)
    rng = np.random.default_rng((seed, 13))
    under_power = 1.0 + _UNDER_POWER * rng.standard_normal(draws)
    gliders = tuple(
        _glider(
            place,
            name,
            [sorties[i] for i in members[name]],
            tuple(members[name]),
            float(mass[place]),
            speed[place],
            solution,
            yardstick,
            under_power,
            masses,
            densities,
        )
        for place, name in enumerate(names)
    )
    trend = None if solution is None else _trend(gliders, solution, seed, draws)
    pairs = _pairs(gliders, solution, seed, draws)
    pooled = solution is not None and solution.joint.pooled
    spread = (
        Quantity.from_samples(solution.joint.spread_draws)
        if solution is not None and pooled
        else Quantity.unknown("", f"fewer than {_FAMILY} gliders with a measured turn per moment")
    )
    exponent = (
        Quantity.of(-0.5, _EXPONENTS[0])
        if solution is None
        else Quantity.from_samples(-0.5 - solution.exponents[:, 0])
    )
    widening = 1.0 if solution is None else solution.widening
    draft = GliderComparison(
        sorties, gliders, pairs, yardstick, pooled, spread, exponent, trend, (), (), CAUTIONS
    )
    return GliderComparison(
        sorties=sorties,
        gliders=gliders,
        pairs=pairs,
        yardstick=yardstick,
        pooled=pooled,
        family_spread=spread,
        mass_exponent=exponent,
        trend=trend,
        answer=answer_in_words(draft),
        words=(*remarks, *remarks_in_words(draft, widening)),
        cautions=CAUTIONS,
    )


# --------------------------------------------------------------------------------------------- yardstick


def _settings(
    sorties: Sequence[SortieFacts], cruise: float | None, full: float | None
) -> tuple[float, float]:
    """Return the engine speeds of cruise and full throttle: those that most gliders were flown at."""
    flown = sorted((point.rpm, item.glider) for item in sorties for point in item.points if point.power)
    groups: list[list[tuple[float, str]]] = []
    for rpm, name in flown:
        if groups and rpm - groups[-1][0][0] <= _SAME_RPM * rpm:
            groups[-1].append((rpm, name))
        else:
            groups.append([(rpm, name)])
    centres = [
        (float(np.mean([rpm for rpm, _ in group])), len({name for _, name in group})) for group in groups
    ]
    if full is None:
        full = centres[-1][0] if centres else math.nan
    if cruise is None:
        below = [item for item in centres if item[0] < (1.0 - _SAME_RPM) * full]
        best = min(below, key=lambda item: (-item[1], abs(item[0] / full - 0.8)), default=(math.nan, 0))
        cruise = best[0]
    return cruise, full


def _at(point: TurnPoint, rpm: float) -> bool:
    return point.power and abs(point.rpm - rpm) <= _SAME_RPM * rpm


def _moment(sorties: Sequence[SortieFacts], rpm: float) -> float:
    found = [
        abs(point.roll_moment.value)
        for item in sorties
        for point in item.points
        if _at(point, rpm) and point.roll_moment.value is not None
    ]
    return max(1.0, float(np.round(np.median(found)))) if found else 10.0


def _trim_speed(own: Sequence[SortieFacts], mass: float, yardstick: Yardstick) -> Quantity:
    """Return trim speed at the reference mass and density, sorties combined by their uncertainty."""
    values, weights = [], []
    for item in own:
        assert item.trim_speed.value is not None and item.mass.value is not None
        factor = math.sqrt(mass / item.mass.value * item.density / yardstick.density)
        values.append(item.trim_speed.value * factor)
        weights.append(1.0 / max((item.trim_speed.std or 0.1) * factor, 0.02) ** 2)
    mean = float(np.average(values, weights=weights))
    std = float(np.sum(weights) ** -0.5)
    if len(values) > 1:
        chi2 = float(np.sum(weights * (np.array(values) - mean) ** 2)) / (len(values) - 1)
        std *= max(1.0, math.sqrt(chi2))
    return Quantity.of(mean, std, "m/s", reason=own[0].trim_speed.reason)


# ------------------------------------------------------------------------------------------------- solve


def _solve(
    sorties: Sequence[SortieFacts],
    names: Sequence[str],
    mass: Array,
    speed: Sequence[Quantity],
    yardstick: Yardstick,
    seed: int,
    draws: int,
) -> _Solution | None:
    """Solve all measured sorties together."""
    rows = [item for item in sorties if item.measured]
    single = _resolved(rows, names, mass, speed, yardstick)
    pooled = single is not None and len(single) >= _FAMILY
    if single is None:
        return None
    if not pooled:
        rows = [item for item in rows if single[names.index(item.glider)][1]]
        if not rows:
            return None
    measured = sorted({names.index(item.glider) for item in rows})
    group = [measured.index(names.index(item.glider)) for item in rows]
    of = np.array([measured[j] for j in group])
    law = _law(rows, of, mass, yardstick)
    shift = np.array([_to_coefficient(item, speed[j], yardstick) for item, j in zip(rows, of, strict=True)])
    factor = np.exp(0.5 * law.sum(axis=1) + shift)
    # c_L at the glider's reference as each sortie measured it
    value = np.array([item.turn for item in rows]) * factor
    std = np.array([item.turn_std for item in rows]) * factor
    exponents = np.diag(np.square(_EXPONENTS))

    def linear(centre: Array, widening: float) -> tuple[Array, Array, Array]:
        """Return ln c_L by sortie about a centre, the noise, and the covariance with the exponents."""
        at = np.exp(centre[group])
        noise = np.diag((std / at) ** 2)
        for i, one in enumerate(rows):
            for j, other in enumerate(rows):
                if i == j or one.ballast == other.ballast:
                    noise[i, j] += one.ballast_std * other.ballast_std
        noise = noise * widening**2
        return centre[group] + value / at - 1.0, noise, noise + law @ exponents @ law.T

    overall = float(np.average(value, weights=std**-2))
    resolved = np.array([single[j][1] for j in measured])
    start = np.log([single[j][0] if single[j][1] else max(overall, 1e-3) for j in measured])
    y, noise, covariance = linear(start, 1.0)
    alone = separate_groups(y, covariance, group, draws=draws, seed=seed)
    widening = _widening(y - alone.mean[group], covariance, len(rows) - len(measured))
    if widening > 1.0:
        y, noise, covariance = linear(start, widening)
        alone = separate_groups(y, covariance, group, draws=draws, seed=seed)
    joint = alone
    if pooled:
        centre = np.full(len(measured), math.log(max(overall, 1e-3)))
        for last in (False, False, False, True):
            # a measurement is normal in c_L, not in its logarithm: take its spread where the family puts it
            y, noise, covariance = linear(centre, widening)
            joint = pool_groups(
                y,
                covariance,
                group,
                spread_scale=_SPREAD_SCALE,
                draws=draws if last else 2,
                seed=seed,
                nodes=240 if last else 48,
            )
            centre = joint.mean
    # the exponents given each draw of the gliders
    rng = np.random.default_rng((seed, 14))
    weight = np.linalg.solve(noise, law)
    posterior = np.linalg.inv(np.linalg.inv(exponents) + law.T @ weight)
    # y has the law's half taken out with a minus sign: y = theta - law @ d + e
    centre = -(y - joint.draws[:, group]) @ weight @ posterior
    given = centre + rng.standard_normal((draws, 2)) @ np.linalg.cholesky(posterior).T
    first = {int(j): float(shift[k]) for k, j in reversed(list(enumerate(of)))}
    back = np.array([first[j] for j in measured])
    own_share = np.full(len(measured), np.nan)
    if joint.pooled:
        own = np.array([np.sum(1.0 / np.diag(noise)[np.array(group) == k]) for k in range(len(measured))])
        own_share = joint.spread**2 / (joint.spread**2 + 1.0 / own)
    return _Solution(measured, resolved, alone, joint, joint.draws - back, given, own_share, widening)


def _law(rows: Sequence[SortieFacts], of: NDArray[np.int64], mass: Array, yardstick: Yardstick) -> Array:
    """Return ln(mass) and ln(density) of each sortie over its glider's reference, shape (n, 2)."""
    by_mass = np.log([item.mass.value or 1.0 for item in rows]) - np.log(mass[of])
    by_density = np.log([item.density / yardstick.density for item in rows])
    return np.column_stack([by_mass, by_density])


def _resolved(
    rows: Sequence[SortieFacts],
    names: Sequence[str],
    mass: Array,
    speed: Sequence[Quantity],
    yardstick: Yardstick,
) -> dict[int, tuple[float, bool]] | None:
    """Return c_L of each measured glider by its own sorties, and whether that is told from nothing."""
    out: dict[int, tuple[float, bool]] = {}
    for place, name in enumerate(names):
        own = [item for item in rows if item.glider == name]
        if not own:
            continue
        law = _law(own, np.full(len(own), place), mass, yardstick)
        shift = np.array([_to_coefficient(item, speed[place], yardstick) for item in own])
        factor = np.exp(0.5 * law.sum(axis=1) + shift)
        weight = (np.array([item.turn_std for item in own]) * factor) ** -2
        value = float(np.average(np.array([item.turn for item in own]) * factor, weights=weight))
        shared = max(item.ballast_std for item in own) * abs(value)
        std = math.hypot(float(np.sum(weight) ** -0.5), shared)
        out[place] = (value, value > _TOLD * std)
    return out or None


def _widening(gap: Array, covariance: Array, dof: int) -> float:
    """Return the Birge ratio where sorties of one glider scatter beyond chance, else 1."""
    if dof < 1:
        return 1.0
    from scipy.special import chdtrc

    chi2 = float(gap @ np.linalg.solve(covariance, gap))
    return math.sqrt(chi2 / dof) if float(chdtrc(dof, chi2)) < 0.05 else 1.0


def _to_coefficient(item: SortieFacts, speed: Quantity, yardstick: Yardstick) -> float:
    """Return ln(c_L / g) of a glider at its reference."""
    assert speed.value is not None
    return math.log(yardstick.density * speed.value * item.area * item.span**2 / 4.0)


def _lognormal(draws: Array, unit: str, reason: str = "") -> Quantity:
    """Return the quantity whose logarithm was drawn, its median as the value."""
    sample = np.exp(draws)
    return Quantity.from_samples(sample, unit, value=float(np.median(sample)), reason=reason)


_TURN_UNIT = "rad/s/(N m)"


def _glider(
    place: int,
    name: str,
    own: Sequence[SortieFacts],
    indices: tuple[int, ...],
    mass: float,
    speed: Quantity,
    solution: _Solution | None,
    yardstick: Yardstick,
    under_power: Array,
    masses: Sequence[float],
    densities: Sequence[float],
) -> Glider:
    first = own[0]
    words = list(dict.fromkeys(word for item in own for word in item.words))
    if len({(item.area, item.span) for item in own}) > 1:
        words.append("its sheets differ in area or span: those of the first sortie are printed")
    known = solution is not None and place in solution.measured
    reasons = dict.fromkeys(item.reason for item in own if item.reason)
    if not known and any(item.measured for item in own):
        reasons = {_drowned(own): None}
    why = "; ".join(reasons) or "not measured"
    alone = turn = Quantity.unknown(_TURN_UNIT, why)
    expected = Quantity.unknown(_TURN_UNIT, "it was measured")
    at_moment = Quantity.unknown("rad/s", why)
    coefficient = Quantity.unknown("", why)
    share = math.nan
    draws: Array | None = None
    if known:
        assert solution is not None and speed.value is not None
        k = solution.measured.index(place)
        draws = solution.draws[:, k]
        to_turn = float(np.mean(solution.joint.draws[:, k] - draws))
        if solution.resolved[k]:
            alone = _lognormal(solution.alone.draws[:, k] - to_turn, _TURN_UNIT)
        else:
            alone = Quantity.unknown(_TURN_UNIT, _drowned(own))
            words.append(f"{_drowned(own)}, so the family says most of its turn per N m")
        turn = _lognormal(draws, _TURN_UNIT)
        speed_noise = np.random.default_rng((place, 15)).standard_normal(len(draws))
        relative = (speed.std or 0.0) / speed.value
        coefficient = _lognormal(solution.joint.draws[:, k] + relative * speed_noise, "")
        at_moment = Quantity.from_samples(np.exp(draws) * under_power * yardstick.moment, "rad/s")
        share = float(solution.own_share[k])
    elif solution is not None and solution.joint.pooled:
        family = solution.joint.coefficient_draws[:, 0]
        member = np.random.default_rng((place, 17)).standard_normal(len(family))
        shift = _to_coefficient(first, speed, yardstick)
        expected = _lognormal(family + solution.joint.spread_draws * member - shift, _TURN_UNIT)
    else:
        expected = Quantity.unknown(_TURN_UNIT, "too few measured gliders to expect it from")
    residual, count = {}, {}
    for setting in SETTINGS:
        residual[setting], count[setting] = _residual(own, setting, yardstick)
    highest = next((item.highest_mass for item in own if item.highest_mass is not None), None)
    predictions = tuple(
        _predict(m, d, first.area, mass, speed, draws, solution, yardstick, under_power, highest, why)
        for m in (masses or (0.8 * mass, 1.2 * mass))
        for d in (densities or (yardstick.density,))
    )
    return Glider(
        name=name,
        wing_class=next((item.wing_class for item in own if item.wing_class), None),
        aircraft=tuple(dict.fromkeys(item.aircraft for item in own)),
        sorties=indices,
        area=first.area,
        span=first.span,
        aspect_ratio=first.aspect_ratio,
        mass=mass,
        wing_loading=mass / first.area,
        lowest_mass=next((item.lowest_mass for item in own if item.lowest_mass is not None), None),
        highest_mass=highest,
        heaviest=max(item.mass.value or 0.0 for item in own),
        trim_speed=speed,
        turn_alone=alone,
        turn_per_moment=turn,
        turn_coefficient=coefficient,
        turn_expected=expected,
        turn_at_moment=at_moment,
        residual_turn=residual,
        residual_holds=count,
        predictions=predictions,
        own_share=share,
        words=tuple(words),
    )


def _drowned(own: Sequence[SortieFacts]) -> str:
    """Return in words that gusts turned the wing as much as the ballast did."""
    told = [
        f"{math.degrees(10 * item.turn):.2f} ± {math.degrees(10 * item.turn_std):.2f} deg/s"
        for item in own
        if item.measured
    ]
    return f"its ballast glides do not tell its turn from nothing ({', '.join(told)} for 10 N m)"


def _predict(
    mass: float,
    density: float,
    area: float,
    reference: float,
    speed: Quantity,
    draws: Array | None,
    solution: _Solution | None,
    yardstick: Yardstick,
    under_power: Array,
    highest: float | None,
    why: str,
) -> Prediction:
    heavier, denser = math.log(mass / reference), math.log(density / yardstick.density)
    turn, at_moment = Quantity.unknown(_TURN_UNIT, why), Quantity.unknown("rad/s", why)
    if draws is not None and solution is not None:
        moved = draws - 0.5 * (heavier + denser) - solution.exponents @ np.array([heavier, denser])
        turn = _lognormal(moved, _TURN_UNIT)
        at_moment = Quantity.from_samples(np.exp(moved) * under_power * yardstick.moment, "rad/s")
    return Prediction(
        mass=mass,
        density=density,
        wing_loading=mass / area,
        trim_speed=speed.scaled(math.exp(0.5 * (heavier - denser)), "m/s"),
        turn_per_moment=turn,
        turn_at_moment=at_moment,
        overloaded=None if highest is None else mass > highest,
    )


def _residual(own: Sequence[SortieFacts], setting: str, yardstick: Yardstick) -> tuple[Quantity, int]:
    """Return the measured turn at one setting over all holds, widened where they disagree."""
    rpm = {"cruise": yardstick.cruise_rpm, "full": yardstick.full_rpm}.get(setting, math.nan)
    points = [
        point
        for item in own
        for point in item.points
        if (not point.power if setting == "idle" else math.isfinite(rpm) and _at(point, rpm))
    ]
    if not points:
        where = "straight glide" if setting == "idle" else f"straight power hold near {rpm:.0f} 1/min"
        return Quantity.unknown("rad/s", f"no {where} of this glider"), 0
    value = np.array([point.turn_rate for point in points])
    weight = np.array([point.std**-2 for point in points])
    mean, std = float(weight @ value / weight.sum()), float(weight.sum() ** -0.5)
    dof = len(points) - 1
    if dof:
        std *= max(1.0, math.sqrt(float(weight @ (value - mean) ** 2) / dof))
    return Quantity.of(mean, std, "rad/s"), len(points)


# ------------------------------------------------------------------------------------------- differences


def _pairs(
    gliders: Sequence[Glider], solution: _Solution | None, seed: int, count: int
) -> tuple[GliderPair, ...]:
    out: list[GliderPair] = []
    if solution is not None:
        for pair in pair_differences(_thinned(solution.draws)):
            ratio = Quantity(
                math.exp(pair.difference),
                math.exp(pair.difference) * pair.std,
                math.exp(pair.low95),
                math.exp(pair.high95),
            )
            out.append(_pair("turn_per_moment", pair, solution.measured, ratio))
    rng = np.random.default_rng((seed, 16))
    for setting in SETTINGS:
        known = [i for i, item in enumerate(gliders) if item.residual_turn[setting].std is not None]
        if len(known) < 2:
            continue
        found = [gliders[i].residual_turn[setting] for i in known]
        draws = np.array([q.value or 0.0 for q in found]) + np.array(
            [q.std or 0.0 for q in found]
        ) * rng.standard_normal((count, len(known)))
        for pair in pair_differences(_thinned(draws)):
            gap = Quantity(pair.difference, pair.std, pair.low95, pair.high95, "rad/s")
            out.append(_pair(setting, pair, known, gap))
    return tuple(out)


def _thinned(draws: Array) -> Array:
    """Keep so many draws that the table of all pairs stays small."""
    pairs = draws.shape[1] * (draws.shape[1] - 1) // 2
    return draws[: max(2000, 4_000_000 // max(pairs, 1))]


def _pair(what: str, pair: PairDifference, index: Sequence[int], value: Quantity) -> GliderPair:
    return GliderPair(what, index[pair.first], index[pair.second], value, pair.probability, pair.significant)


def _trend(gliders: Sequence[Glider], solution: _Solution, seed: int, draws: int) -> Trend | None:
    """Regress ln(turn per moment) on ln(wing loading), where the gliders support it."""
    x = np.log([gliders[i].wing_loading for i in solution.measured])
    if len(x) < _TREND or float(np.std(x)) < _TREND_SPREAD:
        return None
    middle = float(np.mean(x))
    design = np.column_stack([np.ones(len(x)), x - middle])
    shift = np.mean(solution.joint.draws - solution.draws, axis=0)
    found = pool_groups(
        solution.alone.mean - shift,
        solution.alone.covariance,
        range(len(x)),
        spread_scale=_SPREAD_SCALE,
        design=design,
        draws=draws,
        seed=seed,
    )
    grid = np.linspace(float(x.min()), float(x.max()), 41)
    lines = found.coefficient_draws[:, :1] + found.coefficient_draws[:, 1:] * (grid - middle)
    band = np.exp(np.quantile(lines, [0.5, 0.025, 0.975], axis=0))
    return Trend(Quantity.from_samples(found.coefficient_draws[:, 1]), np.exp(grid), band)
