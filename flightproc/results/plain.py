"""Numbers and small records as the plain objects of JSON."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any

from ..rig.model import RigCurve
from ..sortie.model import ClockOffset

__all__ = ["clock_json", "finite", "iso", "rig_json", "rounded"]


def finite(value: float) -> float | None:
    """Return a number as JSON can carry it: ``None`` for NaN and infinities."""
    return float(value) if math.isfinite(value) else None


def rounded(values: Iterable[float], places: int) -> list[float | None]:
    """Return numbers rounded to ``places``, ``None`` where not finite."""
    return [finite(round(float(v), places)) for v in values]


def iso(posix: float) -> str:
    """Return POSIX seconds as ISO 8601 in UTC, to the millisecond."""
    return datetime.fromtimestamp(posix, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def clock_json(item: ClockOffset) -> dict[str, Any]:
    """Return the entry of ``clock_offsets_s``."""
    out = item.offset.to_json()
    out.update(method=item.method, correlation=item.correlation, remarks=item.words)
    return out


def rig_json(rig: RigCurve) -> dict[str, Any]:
    """Return the ``rig`` object."""
    return {
        "points": [
            {
                "rpm": point.rpm,
                "torque_N_m": point.torque.to_json(),
                "power_W": point.power.to_json(),
                "thrust_N": point.thrust.to_json(),
                "figure_of_merit": point.figure_of_merit.to_json(),
                "thrust_ceiling_N": point.thrust_ceiling.to_json(),
                "torque_coefficient": point.torque_coefficient.to_json(),
                "sum_change_kg": point.sum_change.to_json(),
            }
            for point in rig.points
        ],
        "fits": [
            {
                "name": fit.name,
                "coefficients": fit.coefficients.tolist(),
                "covariance": [[finite(x) for x in row] for row in fit.covariance.tolist()],
                "chi2": finite(fit.chi2),
                "dof": fit.dof,
                "aicc": None if fit.aicc is None else finite(fit.aicc),
                "chosen": fit.name == rig.chosen.name,
                "remarks": fit.words,
            }
            for fit in rig.fits
        ],
        "density_kg_m3": rig.density,
        "density_std_kg_m3": rig.density_std,
        "warnings": list(rig.warnings),
    }
