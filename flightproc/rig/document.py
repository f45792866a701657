"""Rig days as JSON: ``flightproc-rig/1``."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from .days import DaysComparison
from .fits import predict_band
from .model import RigCurve, RigPoint, TorqueFit

__all__ = ["RIG_SCHEMA", "rig_document"]

RIG_SCHEMA = "flightproc-rig/1"
_BAND_STEPS = 41


def rig_document(curves: Sequence[RigCurve], comparison: DaysComparison | None = None) -> dict[str, Any]:
    """Return rig days and their comparison as a document.

    Parameters
    ----------
    curves : sequence of RigCurve
        As from `reduce_rig`.
    comparison : DaysComparison, optional
        Of the same days.

    Returns
    -------
    dict
        Of plain values, fit for JSON: no NaN and no infinity, null where something is not known.

    Examples
    --------
    >>> import flightproc as fp
    >>> rig = fp.reduce_rig(fp.load_rig("sample_logs/school-wing-28/rig.toml"))
    >>> rig_document([rig])["schema"]
    'flightproc-rig/1'
    """
    return {
        "schema": RIG_SCHEMA,
        "days": [_day(curve) for curve in curves],
        "comparison": None if comparison is None else _comparison(comparison),
    }


def _number(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)


def _day(curve: RigCurve) -> dict[str, Any]:
    return {
        "name": curve.name,
        "date": curve.date.isoformat() if curve.date else None,
        "kind": curve.kind or None,
        "rig": curve.rig or None,
        "reaction_side": {1: "right", -1: "left"}.get(curve.sense),
        "gear_ratio": curve.gear_ratio,
        "diameter_m": curve.diameter,
        "density_kg_m3": curve.density,
        "density_std_kg_m3": curve.density_std,
        "points": [_point(point) for point in curve.points],
        "fits": [_fit(fit, fit.name == curve.chosen.name) for fit in curve.fits],
        "band": _band(curve),
        "warnings": list(curve.warnings),
    }


def _point(point: RigPoint) -> dict[str, Any]:
    torque = point.torque.to_json()
    torque["budget_N_m"] = {name: _number(part) for name, part in point.torque.budget.items()}
    torque["dof"] = _number(point.dof)
    return {
        "rpm": point.rpm,
        "rpm_std": point.rpm_std,
        "torque_N_m": torque,
        "power_W": point.power.to_json(),
        "thrust_N": point.thrust.to_json(),
        "figure_of_merit": point.figure_of_merit.to_json(),
        "thrust_ceiling_N": point.thrust_ceiling.to_json(),
        "torque_coefficient": point.torque_coefficient.to_json(),
        "power_coefficient": point.power_coefficient.to_json(),
        "thrust_coefficient": point.thrust_coefficient.to_json(),
        "tip_mach": point.tip_mach.to_json(),
        "reynolds_075": point.reynolds.to_json(),
        "sum_change_kg": point.sum_change.to_json(),
        "series": _series(point),
    }


def _series(point: RigPoint) -> dict[str, Any] | None:
    trace = point.trace
    if trace is None:
        return None
    return {
        "duration_s": trace.duration,
        "samples": trace.samples,
        "independent_samples": trace.effective,
        "scatter": trace.scatter,
        "swing_amplitude": trace.amplitude,
        "swing_period_s": _number(trace.period),
        "swing_period_std_s": _number(trace.period_std),
    }


def _fit(fit: TorqueFit, chosen: bool) -> dict[str, Any]:
    return {
        "name": fit.name,
        "coefficients": [_number(x) for x in fit.coefficients.tolist()],
        "covariance": [[_number(x) for x in row] for row in fit.covariance.tolist()],
        "chi2": _number(fit.chi2),
        "dof": fit.dof,
        "aicc": _number(fit.aicc),
        "chosen": chosen,
        "remarks": fit.words,
    }


def _band(curve: RigCurve) -> dict[str, Any]:
    """Return the chosen curve with its band over the measured range."""
    rpm = np.linspace(curve.points[0].rpm, curve.points[-1].rpm, _BAND_STEPS)
    band = predict_band(curve, rpm)

    def digits(values: Any) -> list[float | None]:
        return [_number(round(float(v), 4)) for v in values]

    return {
        "rpm": digits(rpm),
        "torque_N_m": digits(band.torque),
        "std_N_m": digits(band.std),
        "low95_N_m": digits(band.low95),
        "high95_N_m": digits(band.high95),
    }


def _comparison(found: DaysComparison) -> dict[str, Any]:
    combined = found.combined
    return {
        "rpm_low": found.rpm_low,
        "rpm_high": found.rpm_high,
        "density_kg_m3": found.density,
        "days": [
            {"name": day.name, "ratio": day.ratio.to_json(), "exponent": day.exponent.to_json()}
            for day in found.days
        ],
        "pairs": [
            {
                "first": pair.first,
                "second": pair.second,
                "ratio": pair.ratio.to_json(),
                "probability": pair.probability,
            }
            for pair in found.pairs
        ],
        "chi2": _number(found.chi2),
        "dof": found.dof,
        "probability": _number(found.probability),
        "shape_chi2": _number(found.shape_chi2),
        "shape_probability": _number(found.shape_probability),
        "differ": found.differ,
        "between_std": found.between_std,
        "between_std_moments": found.between_std_moments,
        "level": found.level.to_json(),
        "combined": None
        if combined is None
        else {
            "density_kg_m3": combined.density,
            "fits": [_fit(fit, fit.name == combined.chosen.name) for fit in combined.fits],
            "band": _band(combined),
            "warnings": list(combined.warnings),
        },
        "remarks": list(found.words),
    }
