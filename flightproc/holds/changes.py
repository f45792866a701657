"""Change points of a piecewise constant signal, by binary segmentation on cumulative sums.

References
----------
L. Y. Vostrikova, "Detecting disorder in multidimensional random processes", Soviet Mathematics Doklady 24
(1981), 55-59 (binary segmentation).
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

__all__ = ["merge_levels", "segment_levels"]

Array = NDArray[np.float64]


def segment_levels(values: Array, *, penalty: float, min_size: int) -> list[int]:
    """Return where the mean of a series changes.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Evenly sampled series without NaN.
    penalty : float
        Fall of the sum of squares that a change must bring, in squared units of ``values``.
    min_size : int
        Shortest piece [samples].

    Returns
    -------
    list of int
        Bounds of the pieces, from 0 to n, rising.

    Notes
    -----
    Splitting a piece of ``a + b`` samples into means that differ by ``d`` lowers its sum of squares by
    ``d^2 a b / (a + b)``; the piece with the largest fall is split first, until none exceeds the penalty.

    Examples
    --------
    >>> import numpy as np
    >>> segment_levels(np.repeat([0.0, 5.0, 1.0], 20), penalty=10.0, min_size=5)
    [0, 20, 40, 60]
    """
    n = len(values)
    total = np.concatenate([[0.0], np.cumsum(values - np.mean(values))]) if n else np.zeros(1)
    bounds = [0, n]
    todo = [(0, n)]
    while todo:
        start, end = todo.pop()
        if end - start < 2 * min_size:
            continue
        cut = np.arange(start + min_size, end - min_size + 1)
        left, right = cut - start, end - cut
        difference = (total[cut] - total[start]) / left - (total[end] - total[cut]) / right
        fall = difference**2 * left * right / (left + right)
        best = int(np.argmax(fall))
        if fall[best] <= penalty:
            continue
        where = int(cut[best])
        bounds.append(where)
        todo += [(start, where), (where, end)]
    return sorted(bounds)


def merge_levels(values: Array, bounds: list[int], tolerance: float) -> list[int]:
    """Drop bounds between neighbours whose medians differ by no more than ``tolerance``.

    Parameters
    ----------
    values : ndarray, shape (n,)
        The series that was segmented.
    bounds : list of int
        As :func:`segment_levels` returns them.
    tolerance : float
        Largest difference of medians that is no change, in units of ``values``.
    """
    kept = list(bounds)
    medians = [float(np.median(values[a:b])) for a, b in itertools.pairwise(kept)]
    while len(kept) > 2:
        steps = np.abs(np.diff(medians))
        smallest = int(np.argmin(steps))
        if steps[smallest] > tolerance:
            break
        del kept[smallest + 1]
        medians[smallest : smallest + 2] = [float(np.median(values[kept[smallest] : kept[smallest + 1]]))]
    return kept
