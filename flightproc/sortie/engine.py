"""Engine speed on the sortie's grid, and its plateaus."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["engine_speed", "power_groups"]

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


def power_groups(rpm: Array | None, rate: float, n: int) -> NDArray[np.int64]:
    """Sort samples into groups of like engine speed.

    Parameters
    ----------
    rpm : ndarray, shape (n,), or None
        Engine speed [1/min]; NaN where unknown.
    rate : float
        Sampling rate [Hz].
    n : int
        Number of samples.

    Returns
    -------
    ndarray of int, shape (n,)
        Group numbers from 0; -1 within 5 s after a change of group and where no group of at least 20 s
        exists. All 0 without rpm.
    """
    if rpm is None or not np.isfinite(rpm).any():
        return np.zeros(n, dtype=np.int64)
    width = max(1, round(2.0 * rate))
    known = np.where(np.isfinite(rpm), rpm, -1e4)
    smooth = np.convolve(np.pad(known, width, mode="edge"), np.ones(width) / width, mode="same")[width:-width]
    edges = np.arange(-200.0, float(np.max(smooth)) + 400.0, 100.0)
    count, _ = np.histogram(smooth, edges)
    levels: list[float] = []
    remaining = count.astype(float)
    while True:  # the fullest 500 rpm band first, then the fullest of what is left
        window = np.convolve(remaining, np.ones(5), mode="same")
        best = int(np.argmax(window))
        if window[best] < 20.0 * rate:
            break
        low, high = max(0, best - 2), min(remaining.size, best + 3)
        centres = 0.5 * (edges[low:high] + edges[low + 1 : high + 1])
        levels.append(float(np.average(centres, weights=remaining[low:high])))
        remaining[low:high] = 0.0
    if not levels:
        return np.zeros(n, dtype=np.int64)
    ordered = np.sort(np.array(levels))
    nearest = np.argmin(np.abs(smooth[:, None] - ordered[None, :]), axis=1)
    group = np.where(np.abs(smooth - ordered[nearest]) <= 350.0, nearest, -1)
    change = np.flatnonzero(np.diff(nearest) != 0) + 1
    settle = round(5.0 * rate)
    for start in change:
        group[max(0, start - width) : start + settle] = -1
    return group.astype(np.int64)
