"""Engine speed on the sortie's grid."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["engine_speed"]

Array = NDArray[np.float64]


def engine_speed(
    rpm: Array | None, propeller_rpm: Array | None, gear_ratio: float
) -> tuple[Array | None, str]:
    """Return the engine speed from what was logged.

    Parameters
    ----------
    rpm, propeller_rpm : ndarray, shape (n,), or None
        Engine and propeller speed [1/min]; NaN in gaps.
    gear_ratio : float
        Engine revolutions per propeller revolution.

    Returns
    -------
    rpm : ndarray, shape (n,), or None
        Engine speed [1/min]; None where neither was logged.
    words : str
        How it was had; empty where it was logged as such.

    Examples
    --------
    >>> engine_speed(None, np.array([2500.0]), 2.8)[0].tolist()
    [7000.0]
    """
    if rpm is not None and np.isfinite(rpm).any():
        if propeller_rpm is not None:
            both = np.isfinite(rpm) & np.isfinite(propeller_rpm) & (propeller_rpm > 500.0)
            if both.sum() > 20:
                seen = float(np.median(rpm[both] / propeller_rpm[both]))
                if abs(seen / gear_ratio - 1.0) > 0.05:
                    return rpm, (
                        f"engine over propeller speed is {seen:.2f} in the log, but the sheet's gear ratio "
                        f"is {gear_ratio:.2f}"
                    )
        return rpm, ""
    if propeller_rpm is not None and np.isfinite(propeller_rpm).any():
        return propeller_rpm * gear_ratio, f"propeller speed times the gear ratio {gear_ratio:g}"
    return None, ""
