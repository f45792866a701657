"""balance.json."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..quantity import Quantity

if TYPE_CHECKING:
    from .balance import Balance, Curve, Option
    from .cases import Change

__all__ = ["balance_document"]


def balance_document(balance: Balance) -> dict[str, Any]:
    """Return a balance as plain objects (see docs/balance.md)."""
    from .balance import SCHEMA

    flown = balance.flown
    return {
        "schema": SCHEMA,
        "title": flown.title,
        "aircraft": flown.aircraft,
        "glider": flown.glider,
        "reaction_sign": flown.sign,
        "answer": list(balance.words),
        "best": balance.best,
        "aim": balance.sheet.aim,
        "over": balance.sheet.over,
        "turn_limit_deg_s": balance.sheet.turn_limit_deg_s,
        "sheet_assumed": balance.assumed,
        "cases": [
            {
                "name": case.name,
                "flown": case.flown,
                "weight": case.weight,
                "hung_mass_kg": case.hung_mass,
                "all_up_mass_kg": case.all_up_mass,
                "flat_area_m2": case.area,
                "flat_span_m": case.span,
                "airspeed_m_s": case.airspeed,
            }
            for case in balance.cases
        ],
        "phases": [
            {
                "name": phase.name,
                "rpm": phase.rpm,
                "weight": phase.weight,
                "hang_offset_by_statics_m": offset.to_json(),
                "thrust_N": thrust.to_json(),
            }
            for phase, offset, thrust in zip(balance.phases, balance.statics, balance.thrust, strict=True)
        ],
        "rpm": _list(balance.rpm, 1),
        "options": [_option(option) for option in balance.options],
        "thrust_source": balance.thrust_source,
        "yaw_moment_N_m": Quantity.from_samples(balance.draws.yaw, "N m").to_json(),
        "yaw_moment_at_rpm": balance.draws.law.reference,
        "remarks": list(balance.remarks),
        "cautions": list(balance.cautions),
    }


def _option(option: Option) -> dict[str, Any]:
    return {
        "key": option.key,
        "title": option.title,
        "change": _change(option.change),
        "goal": option.goal,
        "root_mean_square": option.root_mean_square,
        "cases": [
            {
                "phases": [
                    {
                        "turn_deg_s": result.turn.degrees("deg/s").to_json(),
                        "moment_N_m": result.moment.to_json(),
                        "chance": result.chance,
                        "thrust_loss_N": result.thrust_loss.to_json(),
                        "twist_deg": result.twist.degrees().to_json(),
                    }
                    for result in row
                ],
                "chance": chance,
                "chance_range": along,
                "curve": _curve(curve),
            }
            for row, chance, along, curve in zip(
                option.phases, option.chances, option.chances_range, option.curves, strict=True
            )
        ],
        "sensitivity": [
            {
                "what": item.what,
                "tolerance": item.tolerance,
                "unit": item.unit,
                "turn_std_deg_s": [math.degrees(value) for value in item.turn],
            }
            for item in option.sensitivity
        ],
        "surface_swirl_deg": None
        if math.isnan(option.surface_swirl)
        else round(math.degrees(option.surface_swirl), 3),
        "power_loss": option.power_loss,
    }


def _change(change: Change) -> dict[str, Any]:
    return {
        "hang_offset_m": change.hang_offset,
        "thrust_offset_m": change.thrust_offset,
        "thrust_tilt_deg": math.degrees(change.thrust_tilt),
        "surface_area_m2": change.surface_area,
        "surface_angle_deg": math.degrees(change.surface_angle),
    }


def _curve(curve: Curve) -> dict[str, Any]:
    return {
        "turn_deg_s": [_list(np.degrees(row), 4) for row in curve.turn],
        "moment_N_m": [_list(row, 4) for row in curve.moment],
        "turn_flips_rpm": [round(x, 1) for x in curve.turn_flips],
        "moment_flips_rpm": [round(x, 1) for x in curve.moment_flips],
    }


def _list(values: NDArray[np.float64], places: int) -> list[float]:
    return [round(float(value), places) for value in values]
