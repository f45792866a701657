"""Size a compensation: what the frame does now, what each change would do, and which is best."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from ..cautions import CAUTIONS
from ..channels import GRAVITY
from ..quantity import Quantity
from ..rig.power import ideal_power
from ..sheets.balance import (
    BalanceSheet,
    HangOffsetEntry,
    Phase,
    SurfaceEntry,
    ThrustOffsetEntry,
    ThrustTiltEntry,
)
from ..sheets.load import BalanceSheets
from .balance_model import Balance, Curve, Option, PhaseResult, Sensitivity
from .cases import (
    Case,
    Change,
    Draws,
    Response,
    make_cases,
    make_draws,
    present_offset,
    respond,
    thrust_loss,
)
from .flown import Flown
from .optimise import MEANS, Goal, best_change, make_goal

__all__ = [
    "SCHEMA",
    "Balance",
    "Curve",
    "Option",
    "PhaseResult",
    "Sensitivity",
    "balance_frame",
    "default_phases",
    "default_sheet",
    "flips",
    "range_of",
]

Array = NDArray[np.float64]

SCHEMA = "flightproc-balance/1"
"""Name and version of the JSON form."""

_RPM_STEPS = 36
_WORTH = 0.05  # of the goal: what one more change must gain to be worth its trouble
_LEAST_SHARE = 0.35  # of the highest engine speed, where curves begin on a frame that states no idle
_NAMES = {
    "hang_offset": "hang points moved",
    "thrust_tilt": "thrust line tilted",
    "thrust_offset": "thrust line moved",
    "surface": "surfaces in the slipstream",
}
_ORDER = ("hang_offset", "thrust_offset", "thrust_tilt", "surface_area", "surface_angle")


def default_sheet() -> BalanceSheet:
    """Return the sheet that stands in where none is given: every change, usual limits and dimensions."""
    return BalanceSheet(
        hang_offset=HangOffsetEntry(),
        thrust_tilt=ThrustTiltEntry(),
        thrust_offset=ThrustOffsetEntry(),
        surface=SurfaceEntry(),
    )


def balance_frame(
    flown: Flown,
    sheets: BalanceSheets | None = None,
    *,
    progress: Callable[[str, float], None] | None = None,
) -> Balance:
    """Size compensations for a frame that was flown.

    Parameters
    ----------
    flown : Flown
        From results.json.
    sheets : BalanceSheets, optional
        What may be changed and for what; every change with usual limits where not given.
    progress : callable, optional
        Called with what is being done and the share done, 0 to 1.

    Returns
    -------
    Balance

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> balance = fp.balance_frame(fp.flown_from_results(results.to_json()))
    >>> balance.best, [option.key for option in balance.options]
    ('hang_offset', ['now', 'hang_offset', 'thrust_tilt', 'thrust_offset', 'surface', 'mix'])
    """
    from .words import answer, describe, remarks

    tell = progress or (lambda words, share: None)
    tell("drawing what is uncertain", 0.0)
    assumed = sheets is None
    sheets = BalanceSheets(default_sheet(), ()) if sheets is None else sheets
    sheet = sheets.sheet
    cases = make_cases(flown, sheets)
    phases = sheet.phases or default_phases(flown)
    draws = make_draws(flown, sheet, cases)
    rpm = range_of(flown, phases)
    tell("working out moment and turn", 0.2)
    at_phases = [
        [respond(flown, sheet, draws, cases, g, phase.rpm) for phase in phases] for g in range(len(cases))
    ]
    over_range = [[respond(flown, sheet, draws, cases, g, float(n)) for n in rpm] for g in range(len(cases))]
    goal = make_goal(sheet, cases, [phase.weight for phase in phases], at_phases)
    offset = present_offset(flown)
    allowed = [name for name in MEANS if getattr(sheet, name) is not None]
    tell("looking for the best change", 0.4)
    changes: dict[str, Change] = {"now": Change()}
    if offset != 0.0:
        changes["bare"] = Change(hang_offset=-offset)
    for name in allowed:
        changes[name] = best_change(goal, sheet, [name], offset)
    if len(allowed) > 1:
        changes["mix"] = _mix(goal, sheet, allowed, offset)
    options = []
    for i, (key, change) in enumerate(changes.items()):
        tell("judging what was found", 0.6 + 0.4 * i / len(changes))
        options.append(
            _option(
                key,
                change,
                flown,
                sheet,
                draws,
                cases,
                phases,
                rpm,
                at_phases,
                over_range,
                goal(change),
                math.sqrt(max(goal.mean_square(change.actions), 0.0)),
                describe(key, change, flown, offset),
            )
        )
    single = min((o for o in options if o.key in allowed), key=lambda option: option.goal)
    mixed = [o for o in options if o.key == "mix" and o.goal < single.goal - _WORTH]
    simplest = mixed[0] if mixed else single
    statics, thrust = _statics(flown, draws, phases), _thrusts(at_phases[0])
    found = Balance(
        flown=flown,
        sheet=sheet,
        assumed=assumed,
        cases=cases,
        phases=tuple(phases),
        options=tuple(options),
        best=simplest.key,
        rpm=rpm,
        statics=statics,
        thrust=thrust,
        thrust_source=draws.thrust_law.source,
        draws=draws,
        words=(),
        remarks=(),
        cautions=_cautions(),
    )
    tell("done", 1.0)
    from dataclasses import replace

    return replace(found, words=answer(found), remarks=remarks(found))


def _mix(goal: Goal, sheet: BalanceSheet, allowed: Sequence[str], offset: float) -> Change:
    """Return the best pair of changes, or more of them where each is worth its trouble."""
    best, size = None, 0
    for count in range(2, len(allowed) + 1):
        found = [best_change(goal, sheet, means, offset) for means in itertools.combinations(allowed, count)]
        leader = min(found, key=goal)
        if best is None or goal(leader) < goal(best) - _WORTH * (count - size):
            best, size = leader, count
    assert best is not None
    return best


def _cautions() -> tuple[str, ...]:
    """Return the cautions of building first, then all others of flying."""
    first = [text for text in CAUTIONS if "move hang" in text or "thrust line off centre" in text]
    own = (
        "What is worked out here is a start for a test, not a design: have each change looked over by the "
        "frame's maker or someone he trusts, hang it up on the ground, then fly it in small steps of power "
        "and measure again.",
        "A surface in the slipstream is a load on the frame and, where it breaks, in the propeller: build it "
        "so that nothing of it can reach the disc.",
    )
    return (*own, *first, *(text for text in CAUTIONS if text not in first and "ground rig" not in text))


def default_phases(flown: Flown) -> tuple[Phase, ...]:
    """Return idle, the middle and the highest engine speed flown."""
    idle = flown.idle_rpm if flown.idle_turns else None
    top = float(flown.rpm[-1])
    if flown.rpm.size == 1:
        return (Phase(name="idle", rpm=idle, weight=0.3), Phase(name="power", rpm=top, weight=0.7))
    middle = float(flown.rpm[(flown.rpm.size - 1) // 2])
    return (
        Phase(name="idle", rpm=idle, weight=0.2),
        Phase(name="cruise", rpm=middle, weight=0.6),
        Phase(name="climb", rpm=top, weight=0.2),
    )


def range_of(flown: Flown, phases: Sequence[Phase]) -> Array:
    """Return the engine speeds of the curves, from idle to the highest [1/min]."""
    stated = [phase.rpm for phase in phases if phase.rpm is not None]
    top = max([float(flown.rpm[-1]), *stated])
    least = flown.idle_rpm if flown.idle_rpm is not None else _LEAST_SHARE * top
    return np.linspace(min([least, 0.9 * top, *stated]), top, _RPM_STEPS)


def _statics(flown: Flown, draws: Draws, phases: Sequence[Phase]) -> tuple[Quantity, ...]:
    out = []
    for phase in phases:
        if phase.rpm is None:
            out.append(Quantity.unknown("m", "no power in this phase"))
            continue
        moment = draws.law.at(phase.rpm, draws.moment)
        best = float(draws.law.at(phase.rpm))
        weight = flown.hung_mass * GRAVITY
        out.append(Quantity.from_samples(moment / weight, "m", value=best / weight))
    return tuple(out)


def _thrusts(answers: Sequence[Response]) -> tuple[Quantity, ...]:
    return tuple(
        Quantity.from_samples(answer.thrust, "N")
        if np.any(answer.thrust > 0.0)
        else Quantity.of(0.0, 0.0, "N")
        for answer in answers
    )


def _built(sheet: BalanceSheet, change: Change) -> dict[str, float]:
    """Return the standard uncertainty of each dimension of a change that is built, in its own unit."""
    out: dict[str, float] = {}
    if change.hang_offset and sheet.hang_offset is not None:
        out["hang_offset"] = sheet.hang_offset.tolerance_m
    if change.thrust_offset and sheet.thrust_offset is not None:
        out["thrust_offset"] = sheet.thrust_offset.tolerance_m
    if change.thrust_tilt and sheet.thrust_tilt is not None:
        out["thrust_tilt"] = math.radians(sheet.thrust_tilt.tolerance_deg)
    if change.surface_area and sheet.surface is not None:
        out["surface_area"] = sheet.surface.area_tolerance * change.surface_area
        out["surface_angle"] = math.radians(sheet.surface.angle_tolerance_deg)
    return out


def _actions(change: Change, built: Mapping[str, float], draws: Draws) -> Array:
    """Return the actions of what is really built, one column a draw, shape (4, n)."""
    values = {
        name: getattr(change, name) + built.get(name, 0.0) * draws.built[:, k]
        for k, name in enumerate(_ORDER)
    }
    return np.vstack(
        [
            values["hang_offset"],
            values["thrust_offset"],
            np.sin(values["thrust_tilt"]),
            np.maximum(values["surface_area"], 0.0) * values["surface_angle"],
        ]
    )


def _after(answer: Response, actions: Array) -> tuple[Array, Array]:
    """Return turn rate and roll moment after a change, for each draw."""
    turn = answer.turn + np.sum(answer.turn_per * actions, axis=0)
    moment = answer.moment + np.sum(answer.moment_per * actions, axis=0)
    return turn, moment


def _option(
    key: str,
    change: Change,
    flown: Flown,
    sheet: BalanceSheet,
    draws: Draws,
    cases: Sequence[Case],
    phases: Sequence[Phase],
    rpm: Array,
    at_phases: Sequence[Sequence[Response]],
    over_range: Sequence[Sequence[Response]],
    goal: float,
    root_mean_square: float,
    title: str,
) -> Option:
    from .slipstream import swirl_angle

    built = {} if key in ("now", "bare") else _built(sheet, change)
    actions = _actions(change, built, draws)
    limit = math.radians(sheet.turn_limit_deg_s)
    results, chances, chances_range, curves = [], [], [], []
    for answers, along in zip(at_phases, over_range, strict=True):
        row, within = [], np.ones(draws.size, bool)
        for answer in answers:
            turn, moment = _after(answer, actions)
            inside = np.abs(turn) <= limit
            within &= inside
            row.append(
                PhaseResult(
                    Quantity.from_samples(turn, "rad/s", value=float(np.median(turn))),
                    Quantity.from_samples(moment, "N m", value=float(np.median(moment))),
                    float(np.mean(inside)),
                    Quantity.from_samples(thrust_loss(sheet, change, answer), "N"),
                    Quantity.from_samples(np.sum(answer.twist_per * actions, axis=0), "rad"),
                )
            )
        results.append(tuple(row))
        chances.append(float(np.mean(within)))
        curve, kept = _curve(along, actions, rpm, limit)
        curves.append(curve)
        chances_range.append(float(np.mean(within & kept)))
    heaviest = _heaviest(phases)
    swirl, power = math.nan, 0.0
    if heaviest is not None:
        answer, speed = at_phases[0][heaviest], cases[0].airspeed
        thrust = float(np.median(answer.thrust))
        if change.surface_area and sheet.surface is not None:
            swirl = float(
                swirl_angle(
                    float(draws.law.at(phases[heaviest].rpm or 0.0)),
                    thrust,
                    diameter=flown.diameter,
                    density=draws.density,
                    airspeed=speed,
                    distance=sheet.surface.behind_propeller_m,
                    radius=sheet.surface.arm_m,
                )
            )
        if thrust > 0.0:
            lost = float(np.median(thrust_loss(sheet, change, answer)))
            air = {"diameter": flown.diameter, "density": draws.density, "airspeed": speed}
            power = float(ideal_power(thrust + lost, **air) / ideal_power(thrust, **air)) - 1.0
    return Option(
        key=key,
        title=title,
        change=change,
        goal=goal,
        root_mean_square=root_mean_square,
        phases=tuple(results),
        chances=tuple(chances),
        chances_range=tuple(chances_range),
        curves=tuple(curves),
        sensitivity=_sensitivity(change, built, draws, at_phases),
        surface_swirl=swirl,
        power_loss=power,
    )


def _heaviest(phases: Sequence[Phase]) -> int | None:
    """Return the phase with power that weighs most."""
    powered = [i for i, phase in enumerate(phases) if phase.rpm is not None]
    return max(powered, key=lambda i: phases[i].weight) if powered else None


def _curve(
    along: Sequence[Response], actions: Array, rpm: Array, limit: float
) -> tuple[Curve, NDArray[np.bool_]]:
    """Return the curve of one case, and in which draws the turn keeps within the limit all along."""
    inside = np.ones(actions.shape[1], bool)
    turns, moments = np.empty((3, rpm.size)), np.empty((3, rpm.size))
    for k, answer in enumerate(along):
        turn, moment = _after(answer, actions)
        inside &= np.abs(turn) <= limit
        turns[:, k] = np.quantile(turn, [0.5, 0.025, 0.975])
        moments[:, k] = np.quantile(moment, [0.5, 0.025, 0.975])
    return Curve(turns, moments, flips(rpm, turns[0]), flips(rpm, moments[0])), inside


def flips(rpm: Array, values: Array) -> tuple[float, ...]:
    """Return where a curve crosses zero, by linear interpolation."""
    places = np.flatnonzero(np.sign(values[:-1]) * np.sign(values[1:]) < 0.0)
    return tuple(
        float(rpm[k] + (rpm[k + 1] - rpm[k]) * values[k] / (values[k] - values[k + 1])) for k in places
    )


def _sensitivity(
    change: Change, built: Mapping[str, float], draws: Draws, at_phases: Sequence[Sequence[Response]]
) -> tuple[Sensitivity, ...]:
    shown = {
        "hang_offset": ("place of the hang points", 1e3, "mm"),
        "thrust_offset": ("place of the thrust line", 1e3, "mm"),
        "thrust_tilt": ("tilt of the thrust line", 180.0 / math.pi, "deg"),
        "surface_area": ("area of the surfaces", 100.0 / max(change.surface_area, 1e-12), "%"),
        "surface_angle": ("angle of the surfaces", 180.0 / math.pi, "deg"),
    }
    plain = _actions(change, {}, draws)
    out = []
    for name, std in built.items():
        moved = _actions(change, {name: std}, draws) - plain
        turns = []
        for p in range(len(at_phases[0])):
            spreads = [float(np.std(np.sum(row[p].turn_per * moved, axis=0))) for row in at_phases]
            turns.append(max(spreads))
        what, factor, unit = shown[name]
        out.append(Sensitivity(what, std * factor, unit, tuple(turns)))
    return tuple(out)
