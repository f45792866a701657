"""The JSON form of a comparison of gliders (``flightproc-gliders/1``)."""

from __future__ import annotations

import math
from typing import Any

from .. import __version__
from ..quantity import Quantity
from .glider_model import Glider, GliderComparison, Prediction

__all__ = ["SCHEMA", "glider_document"]

SCHEMA = "flightproc-gliders/1"
_DEG = 180.0 / math.pi


def _number(value: float | None) -> float | None:
    return float(value) if value is not None and math.isfinite(value) else None


def _turn(quantity: Quantity) -> dict[str, Any]:
    return quantity.scaled(_DEG, "deg/s").to_json()


def glider_document(comparison: GliderComparison) -> dict[str, Any]:
    """Return a comparison as plain objects, units in the names."""
    yard, trend = comparison.yardstick, comparison.trend
    names = [glider.name for glider in comparison.gliders]
    return {
        "schema": SCHEMA,
        "version": __version__,
        "answer": list(comparison.answer),
        "yardstick": {
            "moment_N_m": yard.moment,
            "matters_deg_s": math.degrees(yard.matters),
            "density_kg_m3": yard.density,
            "cruise_rpm": _number(yard.cruise_rpm),
            "full_rpm": _number(yard.full_rpm),
        },
        "pooled": comparison.pooled,
        "family_spread": comparison.family_spread.to_json(),
        "mass_exponent": comparison.mass_exponent.to_json(),
        "gliders": [_glider(glider) for glider in comparison.gliders],
        "pairs": [
            {
                "what": pair.what,
                "first": names[pair.first],
                "second": names[pair.second],
                "ratio": pair.value.to_json() if pair.what == "turn_per_moment" else None,
                "difference_deg_s": None if pair.what == "turn_per_moment" else _turn(pair.value),
                "probability": pair.probability,
                "significant": pair.significant,
            }
            for pair in comparison.pairs
        ],
        "trend": None
        if trend is None
        else {
            "exponent": trend.exponent.to_json(),
            "wing_loading_kg_m2": [float(x) for x in trend.wing_loading],
            "turn_per_moment_deg_s_N_m": [[float(x) * _DEG for x in row] for row in trend.band],
        },
        "sorties": [
            {
                "file": item.source,
                "title": item.title,
                "glider": item.glider,
                "aircraft": item.aircraft,
                "all_up_mass_kg": item.mass.to_json(),
                "wing_loading_kg_m2": item.wing_loading.to_json(),
                "trim_speed_m_s": item.trim_speed.to_json(),
                "density_kg_m3": item.density,
                "turn_coefficient": item.turn_coefficient.to_json(),
                "measured": item.measured,
                "reason": item.reason,
            }
            for item in comparison.sorties
        ],
        "remarks": list(comparison.words),
        "cautions": list(comparison.cautions),
    }


def _glider(glider: Glider) -> dict[str, Any]:
    return {
        "name": glider.name,
        "wing_class": glider.wing_class,
        "aircraft": list(glider.aircraft),
        "sorties": list(glider.sorties),
        "flat_area_m2": glider.area,
        "flat_span_m": glider.span,
        "aspect_ratio": glider.aspect_ratio,
        "all_up_mass_kg": glider.mass,
        "heaviest_mass_kg": glider.heaviest,
        "highest_mass_kg": glider.highest_mass,
        "overloaded": glider.overloaded,
        "wing_loading_kg_m2": glider.wing_loading,
        "trim_speed_m_s": glider.trim_speed.to_json(),
        "turn_per_moment_deg_s_N_m": _turn(glider.turn_per_moment),
        "turn_per_moment_alone_deg_s_N_m": _turn(glider.turn_alone),
        "turn_per_moment_expected_deg_s_N_m": _turn(glider.turn_expected),
        "own_share": _number(glider.own_share),
        "turn_coefficient": glider.turn_coefficient.to_json(),
        "turn_at_moment_deg_s": _turn(glider.turn_at_moment),
        "idle_turn_deg_s": _turn(glider.residual_turn["idle"]),
        "cruise_turn_deg_s": _turn(glider.residual_turn["cruise"]),
        "full_turn_deg_s": _turn(glider.residual_turn["full"]),
        "idle_holds": glider.residual_holds["idle"],
        "cruise_holds": glider.residual_holds["cruise"],
        "full_holds": glider.residual_holds["full"],
        "predictions": [_prediction(item) for item in glider.predictions],
        "remarks": list(glider.words),
    }


def _prediction(item: Prediction) -> dict[str, Any]:
    return {
        "all_up_mass_kg": item.mass,
        "density_kg_m3": item.density,
        "wing_loading_kg_m2": item.wing_loading,
        "trim_speed_m_s": item.trim_speed.to_json(),
        "turn_per_moment_deg_s_N_m": _turn(item.turn_per_moment),
        "turn_at_moment_deg_s": _turn(item.turn_at_moment),
        "overloaded": item.overloaded,
    }
