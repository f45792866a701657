"""Small tools for channels on a uniform grid: smoothing, gaps, runs of a mask, drift."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "block_means",
    "boxcar",
    "drift",
    "filled",
    "in_spans",
    "mask_edges",
    "runs",
    "variance_ratio",
]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


def filled(values: Array) -> Array:
    """Return a copy with NaN bridged by straight lines; zeros where nothing is known.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Any unit.

    Examples
    --------
    >>> filled(np.array([1.0, np.nan, 3.0]))
    array([1., 2., 3.])
    """
    good = np.isfinite(values)
    if good.all():
        return values.copy()
    if not good.any():
        return np.zeros_like(values)
    index = np.arange(len(values))
    return np.interp(index, index[good], values[good])


def boxcar(values: Array, width: int) -> Array:
    """Return the centred running mean, edges repeated.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Without NaN.
    width : int
        Samples averaged; at least one, at most n.

    Examples
    --------
    >>> boxcar(np.array([0.0, 3.0, 0.0, 0.0]), 3)
    array([1., 1., 1., 0.])
    """
    width = max(1, min(width, len(values)))
    padded = np.pad(values, (width // 2, width - 1 - width // 2), mode="edge")
    total = np.concatenate([[0.0], np.cumsum(padded)])
    out: Array = (total[width:] - total[:-width]) / width
    return out


def block_means(values: Array, width: int) -> Array:
    """Return means over blocks of ``width`` samples each; what is left over at the end is left out.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Without NaN.
    width : int
        Samples in a block.

    Examples
    --------
    >>> block_means(np.array([1.0, 3.0, 5.0, 5.0, 9.0]), 2)
    array([2., 5.])
    """
    n = len(values) // width
    out: Array = values[: n * width].reshape(n, width).mean(axis=1)
    return out


def drift(values: Array) -> float:
    """Return the change from the first to the last known value by the fitted straight line, NaN left out.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Any unit.

    Examples
    --------
    >>> round(drift(np.linspace(2.0, 5.0, 10)), 6)
    3.0
    """
    good = np.isfinite(values)
    if good.sum() < 3:
        return 0.0
    x = np.flatnonzero(good).astype(float)
    x = (x - x[0]) / (x[-1] - x[0])
    y = values[good]
    return float(np.sum((x - x.mean()) * (y - y.mean())) / np.sum((x - x.mean()) ** 2))


def variance_ratio(values: Array, rate: float) -> float:
    """Return the variance of the second half over that of the first, of second-to-second changes.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Without NaN.
    rate : float
        Sampling rate [Hz].
    """
    changes = np.diff(block_means(values, max(1, round(rate))))
    half = len(changes) // 2
    if half < 5:
        return 1.0
    first, second = float(np.var(changes[:half])), float(np.var(changes[-half:]))
    return second / first if first > 0.0 and second > 0.0 else 1.0


def in_spans(time: Array, spans: Sequence[tuple[float, float]]) -> Mask:
    """Return which times lie in any of the spans.

    Parameters
    ----------
    time : ndarray, shape (n,)
        [s].
    spans : sequence of (float, float)
        [s], bounds included.
    """
    out = np.zeros(len(time), dtype=bool)
    for start, end in spans:
        out |= (time >= start) & (time <= end)
    return out


def runs(mask: Mask) -> list[tuple[int, int]]:
    """Return first and one past the last index of each run of a mask.

    Parameters
    ----------
    mask : ndarray of bool, shape (n,)

    Examples
    --------
    >>> runs(np.array([True, True, False, True]))
    [(0, 2), (3, 4)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def mask_edges(mask: Mask) -> list[int]:
    """Return the indices at which a mask changes.

    Parameters
    ----------
    mask : ndarray of bool, shape (n,)

    Examples
    --------
    >>> mask_edges(np.array([True, True, False, True]))
    [2, 3]
    """
    return [int(i) + 1 for i in np.flatnonzero(np.diff(mask.astype(np.int8)))]
