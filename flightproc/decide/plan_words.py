"""What a plan says in words: the outcome, what limits it, what it rests on, and when to stop."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..moment.budget import remedy_for
from .plan_forecast import NOISE
from .plan_legs import Schedule

if TYPE_CHECKING:
    from .plan import Plan

__all__ = ["Limit", "answer", "basis", "limits", "short_cautions", "stop_conditions"]

_WORTH = 0.08  # share of the variance from which on a source is named
_INSTEAD = {
    "ballast mass and arm": "weigh the ballast to 10 g, measure its arm to 2 mm, and hang it further out",
    "yaw of the sensor": "align the sensor with the shaft, or rock the unit fore and aft on the ground with "
    "the log running, and state how well",
    "change of K under power": "compare two sorties instead of flight with rig: what both share falls out",
    "rig": "take more rig readings near cruise, and have the scales and their spacing checked",
    "riser stiffness": "carry ballast: four ballast legs, two on each side",
    "weight and hang arm": "do the tilt test on the ground, or carry ballast",
    "density": "log static pressure and air temperature",
}


def _percent(value: float) -> str:
    return f"{100.0 * value:.1f} %"


def answer(plan: Plan) -> tuple[str, ...]:
    """Return the outcome in sentences."""
    goal, chosen = plan.sheets.sheet.goal, plan.chosen
    what = "between flight and rig" if goal.against == "rig" else "between two sorties flown alike"
    wanted = f"{goal.difference_percent:g} % of the torque at cruise {what}"
    level = f"(significance {goal.significance_percent:g} %, power {goal.power_percent:g} %)"
    design = chosen.design
    holds = (
        f"{design.cruise_holds} {'hold' if design.cruise_holds == 1 else 'holds'} at cruise"
        + (f", {len(design.other_rpm)} at other settings" if design.other_rpm else "")
        + f", {design.glides} glides"
        + (
            f" and {design.ballast_legs} ballast legs of {design.ballast_mass:g} kg "
            f"({9.80665 * design.ballast_mass * plan.world.ballast_arm:.1f} N m)"
            if design.ballast_legs
            else " and no ballast legs"
        )
        + f", {design.seconds:.0f} s each"
    )
    reach = _percent(plan.resolvable(chosen.forecast.std))
    if plan.met:
        first = (
            f"A flight of {chosen.flight.minutes:.0f} min resolves {wanted} {level}: {holds}. It reaches "
            f"a standard uncertainty of {_percent(chosen.forecast.std)}; {_percent(plan.wanted)} is needed."
        )
        return (first, *_shorter(plan))
    floor = plan.resolvable(chosen.forecast.floor)
    out = [
        f"No sortie within the limits of the sheet resolves {wanted} {level}: the standard uncertainty "
        f"needed is {_percent(plan.wanted)}. The card is the shortest that does nearly all that can be done, "
        f"{chosen.flight.minutes:.0f} min with {holds}; it resolves {reach}."
    ]
    if chosen.forecast.floor > plan.wanted:
        out.append(
            f"More or longer holds do not help: endless ones would leave {_percent(floor)}. What stands "
            "in the way is " + _list([item.label for item in limits(plan)]) + "."
        )
        out.append("Instead: " + "; ".join(item.action for item in limits(plan) if item.action) + ".")
    else:
        out.append(
            f"Endless holds would resolve {_percent(floor)}: calmer air, a longer flight (most_minutes), "
            "more legs on a card (most_legs) or a second sortie of the same kind bring it nearer."
        )
    if goal.against == "rig":
        out.append(
            "A change between two sorties flown alike, before and after a change of the frame or propeller, "
            f"is resolved from {_percent(plan.resolvable(plan.by_sortie.std))} on; from "
            f"{_percent(plan.resolvable(_without(plan.by_sortie.budget, 'yaw of the sensor')))} on where the "
            "sensor stays fastened in between."
        )
    return tuple(out)


@dataclass(frozen=True)
class Limit:
    """A source that more or longer holds do not make smaller.

    Attributes
    ----------
    source, label, action : str
        As budgets name it; in words; what to do instead, empty where nothing is known.
    part : float
        Its part of the standard uncertainty, relative to the torque.
    resolvable : float
        Difference that could be told if this source were gone, relative.
    """

    source: str
    label: str
    action: str
    part: float
    resolvable: float


def limits(plan: Plan) -> list[Limit]:
    """Return the sources that limit a plan however long the sortie, largest first."""
    budget = plan.chosen.forecast.budget
    total = plan.chosen.forecast.std**2
    named = [name for name, part in budget.items() if name not in NOISE and part**2 >= _WORTH * total]
    return [
        Limit(
            source=name,
            label=remedy_for(name).label,
            action=_INSTEAD.get(name, remedy_for(name).action),
            part=budget[name],
            resolvable=plan.resolvable(_without(budget, name)),
        )
        for name in named
    ]


def _without(budget: Mapping[str, float], source: str) -> float:
    return math.sqrt(sum(part**2 for name, part in budget.items() if name != source))


def _shorter(plan: Plan) -> tuple[str, ...]:
    shorter = [c for c in plan.ladder if c.flight.flight_seconds < 0.9 * plan.chosen.flight.flight_seconds]
    if not shorter:
        return ()
    best = shorter[-1]
    return (
        f"A shorter flight of {best.flight.minutes:.0f} min would resolve "
        f"{_percent(plan.resolvable(best.forecast.std))}.",
    )


def _list(items: list[str]) -> str:
    return items[0] if len(items) < 2 else ", ".join(items[:-1]) + " and " + items[-1]


def basis(plan: Plan) -> tuple[str, ...]:
    """Return what the forecast rests on."""
    world, law = plan.world, plan.law
    noise = world.noise
    rough = (
        "without ballast legs the stiffness of the risers is a guess between wide bounds: a rough forecast",
    )
    guessed = not plan.chosen.design.ballast_legs and not world.priors.riser_stated
    return (
        f"noise of a 60 s hold: {math.degrees(noise.hang):.3f} deg in hang roll, "
        f"{math.degrees(noise.turn):.2f} deg/s in turn rate, {noise.words}",
        f"hang stiffness expected {world.stiffness:.0f} N m/rad, torque at cruise "
        f"{plan.chosen.forecast.torque:.1f} N m, sensor yaw known to "
        f"{math.degrees(world.sensor_yaw_std):.1f} deg",
        f"heights by a sink of {law.sink:g} m/s, level flight at {law.level_rpm:.0f} rpm and thrust with rpm "
        "squared: a guide for the order of the legs, the pilot's eyes and altimeter decide",
        "the forecast is of the holds; the whole-sortie estimate of the report may do better: not counted on",
        *(rough if guessed else ()),
    )


def stop_conditions(plan: Plan) -> tuple[str, ...]:
    """Return when to break off, for the card."""
    low = plan.sheets.sheet.flight.low_m
    return (
        f"below {low:.0f} m above ground, or no landing place in glide",
        "a turn that takes effort to hold, or that grows: throttle closed",
        "the unit twists under the wing, or ballast or a logger moves",
        "bumps that move the wing, traffic, doubt, or fuel at reserve",
    )


def short_cautions(plan: Plan) -> tuple[str, ...]:
    """Return the cautions that stand on the card itself."""
    flight: Schedule = plan.chosen.flight
    out = [
        "Makers' limits, local rules and your instructor come first. Reserve parachute on.",
        "Calm air, open ground below. Look out first: the card waits.",
        "Power in small steps; never an unknown frame to full power.",
    ]
    if plan.chosen.design.ballast_legs:
        out.append("Ballast lashed, away from propeller and lines, within certified masses.")
    out.append(
        f"Leads up to {flight.upwind / 1000.0:.1f} km upwind, {flight.downwind / 1000.0:.1f} km downwind."
    )
    return tuple(out)
