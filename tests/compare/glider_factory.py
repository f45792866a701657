"""Results documents made from a stated truth, so that a comparison of gliders can be tried without flying."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

PRIOR = (4.0, 3.0)  # median and standard deviation of c_L before the flight


def quantity(value: float | None, std: float = 0.0, **more: Any) -> dict[str, Any]:
    if value is None:
        return {"value": None, "std": None, "low95": None, "high95": None, "reason": "unknown", **more}
    return {
        "value": value,
        "std": std,
        "low95": value - 1.959964 * std,
        "high95": value + 1.959964 * std,
        **more,
    }


def document(
    rng: np.random.Generator,
    *,
    glider: str = "school wing 28",
    aircraft: str = "frame A",
    mass: float = 106.5,
    area: float = 28.0,
    span: float = 12.0,
    coefficient: float = 2.9,
    density: float = 1.15,
    spread: float = 0.12,
    ballast_error: float = 0.0,
    ballast_std: float = 0.02,
    ballast_holds: int = 4,
    torque: float = 0.42,
    bias: float = 0.0,
    turn_std: float = 0.002,
    wing_class: str | None = None,
    highest: float | None = None,
    exact: bool = False,
) -> dict[str, Any]:
    """Return results.json of one sortie whose glider has the coefficient given.

    The measurement of c_L has its own noise, `spread` of 2.9, and the relative error of the ballast.
    """
    speed = math.sqrt(2.0 * mass * 9.81 / (density * area * 0.62))
    std = 2.9 * spread
    noise = 0.0 if exact else std * rng.standard_normal()
    measured = quantity(coefficient * (1.0 + ballast_error) + noise, std)
    if not ballast_holds:
        measured = quantity(None, reason="no ballast glide was flown")
    response = 4.0 * coefficient / (density * speed * area * span**2)

    def hold(kind: str, rpm: float, moment: float) -> dict[str, Any]:
        turn = bias + response * moment + (0.0 if exact else turn_std * rng.standard_normal())
        return {
            "kind": kind,
            "straight": True,
            "hands_off": True,
            "rpm": quantity(rpm, 10.0),
            "airspeed_m_s": quantity(speed, 0.12),
            "density_kg_m3": quantity(density, 0.006),
            "turn_rate_deg_s": quantity(math.degrees(turn), math.degrees(turn_std)),
            "roll_moment_N_m": quantity(moment, 0.06 * moment) if kind == "power" else quantity(None),
            "ballast_moment_N_m": quantity(moment, ballast_std * abs(moment))
            if kind == "ballast"
            else quantity(None),
        }

    holds = [hold("glide", 2100.0, 0.0) for _ in range(3)]
    holds += [hold("ballast", 2100.0, 14.7 * (-1) ** i) for i in range(ballast_holds)]
    holds += [hold("power", rpm, torque * (rpm / 1000.0) ** 2) for rpm in (4500, 5500, 6500, 7600)]
    return {
        "schema": "flightproc-results/1",
        "title": f"{glider} at {mass:.0f} kg",
        "aircraft": aircraft,
        "glider": glider,
        "reaction_sign": 1,
        "loading": {
            "all_up_mass_kg": quantity(mass, 1.0),
            "flat_area_m2": area,
            "flat_span_m": span,
            "sheet_trim_speed_m_s": round(speed, 1),
            "wing_class": wing_class,
            "lowest_mass_kg": None,
            "highest_mass_kg": highest,
        },
        "airspeed_common_std_m_s": 0.1,
        "holds": holds,
        "calibration": {
            "method": "ballast" if ballast_holds else "prior",
            "turn_coefficient": quantity(*PRIOR),
            "turn_coefficient_measured": measured,
        },
        "provenance": {
            "inputs": [{"role": "unit", "sha256": f"{rng.integers(1 << 62):x}"}],
        },
    }


def response(coefficient: float, mass: float, area: float, span: float, density: float) -> float:
    """Return the true turn per roll moment [rad/s/(N m)]."""
    speed = math.sqrt(2.0 * mass * 9.81 / (density * area * 0.62))
    return 4.0 * coefficient / (density * speed * area * span**2)
