"""A plan as plain objects (plan.json), and the sortie sheet to fill in after the flight."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..sheets.fields import PLACEHOLDER
from ..sheets.template import toml_value
from .plan import Candidate, Plan, needed_fuel
from .plan_legs import Leg
from .plan_words import limits

if TYPE_CHECKING:
    from .plan_forecast import Forecast

__all__ = ["SCHEMA", "heading_degrees", "plan_document", "plan_json", "sortie_sheet"]

SCHEMA = "flightproc-plan/1"
"""Of plan.json."""


def plan_json(plan: Plan) -> str:
    """Return plan.json."""
    return json.dumps(plan_document(plan), indent=1) + "\n"


def plan_document(plan: Plan) -> dict[str, Any]:
    """Return a plan as plain objects; percent are of the torque at cruise."""
    goal, flight = plan.sheets.sheet.goal, plan.chosen.flight
    return {
        "schema": SCHEMA,
        "title": plan.sheets.sheet.title,
        "goal": {
            "difference_percent": goal.difference_percent,
            "significance_percent": goal.significance_percent,
            "power_percent": goal.power_percent,
            "against": goal.against,
            "std_needed_percent": _percent(plan.wanted),
        },
        "met": plan.met,
        "answer": list(plan.words),
        "sortie": _candidate(plan, plan.chosen)
        | {
            "fuel_burned_l": round(flight.fuel, 2),
            "fuel_to_take_l": round(needed_fuel(flight, plan.law, plan.sheets.sheet.flight.reserve_min), 1),
            "lowest_m": round(flight.lowest),
            "highest_m": round(flight.highest),
            "upwind_m": round(flight.upwind),
            "downwind_m": round(flight.downwind),
            "legs": [_leg(plan, leg) for leg in flight.legs],
        },
        "budget_percent": _budget(plan.chosen.forecast),
        "limits": [
            {
                "source": item.source,
                "part_percent": _percent(item.part),
                "resolvable_without_it_percent": _percent(item.resolvable),
                "instead": item.action,
            }
            for item in limits(plan)
        ],
        "against_another_sortie": {
            "std_percent": _percent(plan.by_sortie.std),
            "resolvable_percent": _percent(plan.resolvable(plan.by_sortie.std)),
            "budget_percent": _budget(plan.by_sortie),
        },
        "by_minutes": [_candidate(plan, item) for item in plan.ladder],
        "designs_tried": plan.tried,
        "remarks": list(plan.remarks),
        "stop_conditions": list(plan.stops),
        "cautions": list(plan.cautions),
    }


def _percent(value: float) -> float:
    return round(100.0 * value, 3)


def _budget(found: Forecast) -> dict[str, float]:
    return {name: _percent(part) for name, part in found.budget.items()}


def _candidate(plan: Plan, item: Candidate) -> dict[str, Any]:
    design = item.design
    return {
        "flight_minutes": round(item.flight.minutes, 1),
        "std_percent": _percent(item.forecast.std),
        "resolvable_percent": _percent(plan.resolvable(item.forecast.std)),
        "hold_s": design.seconds,
        "glides": design.glides,
        "ballast_legs": design.ballast_legs,
        "ballast_kg": design.ballast_mass,
        "cruise_holds": design.cruise_holds,
        "other_rpm": list(design.other_rpm),
    }


def heading_degrees(plan: Plan, leg: Leg) -> float | None:
    """Return a leg's heading, clockwise from north [deg]; None where it or the wind is not stated."""
    wind = plan.sheets.sheet.air.wind_from_deg
    if wind is None or not leg.heading:
        return None
    return wind % 360.0 if leg.heading == "into wind" else (wind + 180.0) % 360.0


def _leg(plan: Plan, leg: Leg) -> dict[str, Any]:
    return {
        "kind": leg.kind,
        "rpm": leg.rpm,
        "seconds": round(leg.seconds),
        "settle_s": round(leg.before),
        "start_s": round(leg.start),
        "heading": leg.heading,
        "heading_deg": heading_degrees(plan, leg),
        "ballast_side": leg.side or None,
        "height_m": round(leg.height),
        "height_end_m": round(leg.height_end),
    }


def sortie_sheet(plan: Plan, folder: Path) -> str:
    """Return the sortie sheet for afterwards: log files and times of the ballast legs are left to fill in.

    Parameters
    ----------
    plan : Plan
        The sortie flown.
    folder : Path
        Where the sheet will lie; the other sheets are named as seen from there.
    """
    files = {
        name: os.path.relpath(path.absolute(), folder.absolute()).replace(os.sep, "/")
        for name, path in plan.sheets.sheet_files.items()
    }
    lines = [
        "# Sortie sheet, filled in as far as the plan knows. Name the log files, write down the times of",
        "# the ballast legs, and strike legs that were not flown. Then: flightproc report sortie.toml",
        f"title = {toml_value(plan.sheets.sheet.title)}",
        f"aircraft = {toml_value(files['aircraft'])}",
        f"glider = {toml_value(files['glider'])}",
        *([f"rig = {toml_value(files['rig'])}"] if "rig" in files else []),
        "",
        "# The inertial sensor on the hung unit; it is the time base.",
        "[[logs]]",
        'name = "unit"',
        f'file = "{PLACEHOLDER}"',
        'role = "unit"',
        "",
        "# Further loggers: take the # away.",
        *(f"#{line}" for line in ("[[logs]]", 'name = "gps"', f'file = "{PLACEHOLDER}"', 'role = "gps"')),
        *(
            f"#{line}"
            for line in ("[[logs]]", 'name = "engine"', f'file = "{PLACEHOLDER}"', 'role = "engine"')
        ),
        "",
    ]
    ballast = plan.sheets.sheet.ballast
    legs = [(i, leg) for i, leg in enumerate(plan.chosen.flight.holds, 1) if leg.kind == "ballast"]
    if ballast is not None and legs:
        lines += [
            "# Ballast legs in the order of the card. Times are seconds of the unit's log, first sample 0;",
            "# or use start_utc and end_utc, such as 2026-05-01T17:03:20Z.",
        ]
        for number, leg in legs:
            about = f"{leg.hold_start:.0f} to {leg.end:.0f} s after the loggers stood still"
            lines += [
                f"# Hold {number} of the card, planned at {about}",
                "[[ballast]]",
                f'side = "{leg.side}"',
                f"mass_kg = {plan.chosen.design.ballast_mass!r}",
                f"mass_std_kg = {ballast.mass_std_kg!r}",
                f"arm_m = {ballast.arm_m!r}",
                f"arm_std_m = {ballast.arm_std_m!r}",
                f'start_s = "{PLACEHOLDER}"',
                f'end_s = "{PLACEHOLDER}"',
                "",
            ]
    return "\n".join(lines) + "\n"
