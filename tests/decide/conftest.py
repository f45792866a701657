"""Results documents with a known truth."""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from flightproc.decide import Flown, flown_from_results
from flightproc.decide.balance import default_sheet
from flightproc.sheets.balance import BalanceSheet
from flightproc.sheets.load import BalanceSheets

RPM = (5200.0, 6000.0, 6800.0, 7600.0)
AREA, SPAN, SPEED, DENSITY = 28.0, 12.0, 10.3, 1.16


def quantity(value: float | None, std: float = 0.0) -> dict[str, Any]:
    if value is None:
        return {"value": None, "std": None, "low95": None, "high95": None, "reason": "left out"}
    return {"value": value, "std": std, "low95": value - 1.96 * std, "high95": value + 1.96 * std}


def gain(coefficient: float) -> float:
    """Turn rate for each N m of roll moment [rad/s]."""
    return 4.0 * coefficient / (DENSITY * SPEED * AREA * SPAN**2)


def document(
    *,
    sign: int = 1,
    moment_6000: float = 24.0,
    coefficient: float = 3.0,
    spread: float = 0.05,
    zero_deg_s: float = 0.0,
    yaw_turn_deg_s: float = 0.0,
    noise_deg_s: float = 0.02,
    noise: float = 0.3,
    hung: float = 100.0,
    thrust: bool = True,
    seed: int | None = None,
) -> dict[str, Any]:
    """A results document: moments by the square law, turns that follow from them and a yaw turn at 6000."""
    rng = np.random.default_rng(seed)
    jitter = (lambda std: float(std * rng.standard_normal())) if seed is not None else (lambda std: 0.0)
    u = np.array(RPM) / 6000.0
    true = sign * moment_6000 * u**2
    shared = jitter(noise)
    moments = [float(m + shared * v**2 + jitter(noise)) for m, v in zip(true, u, strict=True)]
    covariance = noise**2 * (np.eye(4) + np.outer(u**2, u**2))
    estimate = coefficient * math.exp(jitter(spread))
    turns = [
        sign * zero_deg_s
        + math.degrees(gain(coefficient) * m)
        + sign * yaw_turn_deg_s * v**2
        + jitter(noise_deg_s)
        for m, v in zip(true, u, strict=True)
    ]
    scale = SPAN / (2.0 * SPEED)
    return {
        "schema": "flightproc-results/1",
        "title": "made by hand",
        "aircraft": "trial frame",
        "glider": "school wing 28",
        "reaction_sign": sign,
        "holds": [{"turn_rate_deg_s": quantity(t, noise_deg_s)} for t in turns],
        "comparison": [{"holds": [i]} for i in range(4)],
        "calibration": {
            "turn_coefficient": {
                "value": estimate,
                "std": estimate * spread,
                "low95": estimate * math.exp(-1.96 * spread),
                "high95": estimate * math.exp(1.96 * spread),
            },
            "turn_zero": quantity(
                math.radians(sign * zero_deg_s + jitter(noise_deg_s)) * scale,
                math.radians(noise_deg_s) * scale,
            ),
        },
        "loading": {
            "hung_mass_kg": quantity(hung, 1.0),
            "all_up_mass_kg": quantity(hung + 6.5, 1.0),
            "flat_area_m2": AREA,
            "flat_span_m": SPAN,
        },
        "ratio_curve": {"advance_ratio": [0.0, 0.1, 0.2, 0.3], "thrust_ratio": [[1.0, 0.91, 0.81, 0.68]] * 3},
        "moment_curve": {
            "rpm": list(RPM),
            "roll_moment_N_m": moments,
            "covariance_N2_m2": covariance.tolist(),
            "airspeed_m_s": [SPEED] * 4,
            "density_kg_m3": [DENSITY] * 4,
            "thrust_N": [quantity(270.0 * v**2 if thrust else None, 10.0) for v in u],
            "thrust_source": "made by hand" if thrust else "",
            "gear_ratio": 2.8,
            "diameter_m": 1.28,
            "idle_rpm": 2200.0,
            "idle_turns_propeller": False,
            "compensation": "none",
            "hang_offset_m": None,
            "compensation_moment_N_m": None,
            "compensation_moment_std_N_m": None,
            "compensation_rpm": None,
        },
        "cautions": [],
    }


@pytest.fixture
def make_document() -> Callable[..., dict[str, Any]]:
    """Return what makes a results document."""
    return lambda **changes: copy.deepcopy(document(**changes))


@pytest.fixture
def make_flown() -> Callable[..., Flown]:
    """Return what makes a frame as flown."""
    return lambda **changes: flown_from_results(document(**changes))


@pytest.fixture
def make_sheets() -> Callable[..., BalanceSheets]:
    """Return what makes a balance sheet with every change allowed, but for what is given."""

    def make(**changes: Any) -> BalanceSheets:
        values = {**dict(default_sheet()), "draws": 1000, **changes}
        return BalanceSheets(BalanceSheet(**values), tuple(None for _ in values["gliders"]))

    return make
