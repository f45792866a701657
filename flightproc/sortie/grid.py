"""Bring a series to the sortie's even time base."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Placement", "running_mean", "to_grid", "windowed"]

Array = NDArray[np.float64]


def to_grid(time: Array, values: Array, grid: Array, *, angle: bool = False) -> tuple[Array, str]:
    """Bring a series to an even grid.

    Parameters
    ----------
    time : ndarray, shape (m,)
        Sample times on the sortie's time base [s], increasing.
    values : ndarray, shape (m,)
        Samples; NaN counts as missing.
    grid : ndarray, shape (n,)
        Even times [s], at least two.
    angle : bool
        Whether the values wrap at a full turn [rad].

    Returns
    -------
    values : ndarray, shape (n,)
        On the grid; NaN outside the series and in gaps longer than 2 s and than three sampling periods.
    how : str
        ``averaged`` or ``interpolated``, with the rate.

    Notes
    -----
    A series sampled at 1.5 times the grid's rate or faster is averaged over the grid cell that is centred on
    each grid time, so that vibration does not fold down; a slower one is interpolated linearly.
    """
    good = np.isfinite(values) & np.isfinite(time)
    if np.count_nonzero(good) < 2:
        return np.full(grid.size, np.nan), "too few samples"
    return Placement(time[good], grid).bring(values[good], angle=angle)


class Placement:
    """How samples lie on an even grid; see :func:`to_grid`.

    Parameters
    ----------
    time : ndarray, shape (m,)
        Sample times [s], finite and increasing, at least two.
    grid : ndarray, shape (n,)
        Even times [s], at least two.
    """

    def __init__(self, time: Array, grid: Array) -> None:
        self.time: Array = time
        self.grid: Array = grid
        period = float(np.median(np.diff(time)))
        step = float(grid[1] - grid[0])
        self.how: str = f"interpolated from {1.0 / period:.3g} Hz"
        self.bounds: NDArray[np.int64] | None = None
        if period * 1.5 <= step:
            edges = np.concatenate([grid - 0.5 * step, [grid[-1] + 0.5 * step]])
            self.bounds = np.searchsorted(time, edges)
            self.how = f"averaged from {1.0 / period:.3g} Hz"
        right = np.clip(np.searchsorted(time, grid), 1, time.size - 1)
        after, before = time[right], time[right - 1]
        exact = (np.abs(grid - after) < 0.5 * period) | (np.abs(grid - before) < 0.5 * period)
        self.missing: NDArray[np.bool_] = (after - before > max(2.0, 3.0 * period)) & ~exact
        reach = max(step, 0.5 * period)
        self.missing |= (grid < time[0] - reach) | (grid > time[-1] + reach)

    def bring(self, values: Array, *, angle: bool = False) -> tuple[Array, str]:
        """Bring a series of these times, shape (m,), to the grid; see :func:`to_grid`."""
        if angle:
            values = np.unwrap(values)
        if self.bounds is None:
            out = np.interp(self.grid, self.time, values)
        else:
            middle = values.mean()
            sums = np.concatenate([[0.0], np.cumsum(values - middle)])[self.bounds]
            count = np.diff(self.bounds)
            out = np.diff(sums) / np.maximum(count, 1) + middle
            empty = count == 0
            out[empty] = np.interp(self.grid[empty], self.time, values)
        out[self.missing] = np.nan
        if angle:
            out = np.angle(np.exp(1j * out))
        return np.asarray(out, dtype=float), self.how


def running_mean(x: Array, size: int) -> Array:
    """Return the centred running mean over an odd number of samples; NaN samples stay out of it.

    Examples
    --------
    >>> running_mean(np.array([0.0, 3.0, 6.0, np.nan]), 3).tolist()
    [1.5, 3.0, 4.5, 6.0]
    """
    half = max(size, 1) // 2
    if half == 0:
        return x
    good = np.isfinite(x)
    sums = windowed(np.where(good, x, 0.0), half)
    number = windowed(good, half)
    return np.where(number > 0, sums / np.maximum(number, 1), np.nan)


def windowed(x: NDArray[Any], half: int) -> NDArray[Any]:
    """Return the sum over each sample and up to ``half`` samples to either side.

    Examples
    --------
    >>> windowed(np.array([1, 2, 3, 4]), 1).tolist()
    [3, 6, 9, 7]
    """
    if not x.size:
        return x
    half = min(half, x.size - 1)
    sums = np.cumsum(x)
    out = np.empty_like(sums)
    out[: x.size - half] = sums[half:]
    out[x.size - half :] = sums[-1]
    out[half + 1 :] -= sums[: x.size - half - 1]
    return out
