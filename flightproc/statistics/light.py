"""Least squares near a start, a monotone curve, fast lengths: a library that has them takes long to load."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["fast_length", "least_squares_near", "monotone_curve"]

Array = NDArray[np.float64]

_SMALL = 1e-11  # length of a step over that of the parameters, both scaled, at which the search ends
_NO_BETTER = 1e-7  # and at which it ends where rounding lets the sum of squares get no less
_MOST = 60


def least_squares_near(
    residuals: Callable[[Array], Array], jacobian: Callable[[Array], Array], start: Array
) -> Array | None:
    r"""Return the parameters of the least sum of squares, or None where they were not reached.

    Parameters
    ----------
    residuals : callable
        From parameters, shape (p,), to residuals, shape (n,).
    jacobian : callable
        From parameters to the residuals' derivatives, shape (n, p).
    start : ndarray, shape (p,)
        Where the search begins.

    Notes
    -----
    Levenberg-Marquardt [1]_: steps solve :math:`(J^T J + \lambda D^2)\, d = -J^T r`, with D the greatest
    length so far of each column of J. Meant for starts near the solution; scipy.optimize, which takes 0.15 s
    to load, is the one to ask where this returns None.

    References
    ----------
    .. [1] J. J. More, "The Levenberg-Marquardt algorithm: implementation and theory", Lecture Notes in
       Mathematics 630 (1978), 105-116.

    Examples
    --------
    >>> t = np.arange(4.0)
    >>> found = least_squares_near(
    ...     lambda p: p[0] * np.exp(-p[1] * t) - [2.0, 1.0, 0.5, 0.25],
    ...     lambda p: np.stack([np.exp(-p[1] * t), -p[0] * t * np.exp(-p[1] * t)], axis=1),
    ...     np.array([1.5, 0.5]),
    ... )
    >>> found.round(6).tolist()
    [2.0, 0.693147]
    """
    x: Array = np.array(start, dtype=float)
    rest = residuals(x)
    cost = float(rest @ rest)
    scale, damping = np.zeros(x.size), 1e-4
    for _ in range(_MOST):
        slope = jacobian(x)
        if not (np.isfinite(cost) and np.isfinite(slope).all()):
            return None
        scale = np.maximum(scale, np.sqrt(np.sum(slope**2, axis=0)))
        scale[scale == 0.0] = 1.0
        while True:
            system = np.vstack([slope, np.sqrt(damping) * np.diag(scale)])
            move = np.linalg.lstsq(system, np.append(-rest, np.zeros(x.size)), rcond=None)[0]
            size = float(np.linalg.norm(scale * move) / max(float(np.linalg.norm(scale * x)), 1e-300))
            trial_rest = residuals(x + move)
            trial_cost = float(trial_rest @ trial_rest)
            if trial_cost <= cost:
                break
            if size <= _NO_BETTER:
                return x
            damping *= 10.0
            if not damping < 1e12:
                return None
        x, rest, cost = x + move, trial_rest, trial_cost
        damping /= 10.0
        if size <= _SMALL:
            return x
    return None


def monotone_curve(x: Array, y: Array, at: Array) -> Array:
    r"""Return a smooth curve through points that rises and falls only where they do.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Points, ``x`` rising; at least 2.
    at : ndarray, shape (m,)
        Where the curve is wanted, within ``x``.

    Returns
    -------
    ndarray, shape (m,)

    Notes
    -----
    Cubic Hermite pieces. Inside, the slope is the harmonic mean of those of the two neighbours, weighted by
    :math:`2 h_k + h_{k-1}` and :math:`h_k + 2 h_{k-1}`, and 0 where they differ in sign [1]_; at the ends it
    is that of the parabola through three points, kept from turning [1]_.

    References
    ----------
    .. [1] F. N. Fritsch, J. Butland, "A method for constructing local monotone piecewise cubic interpolants",
       SIAM Journal on Scientific and Statistical Computing 5 (1984), 300-304.

    Examples
    --------
    >>> monotone_curve(np.array([0.0, 1.0, 2.0]), np.array([0.0, 1.0, 1.0]), np.array([0.5, 1.5])).tolist()
    [0.6875, 1.0]
    """
    h = np.diff(x)
    rise = np.diff(y) / h
    slope = np.empty_like(y)
    if x.size == 2:
        slope[:] = rise[0]
    else:
        before, after = rise[:-1], rise[1:]
        one, two = h[1:] + 2.0 * h[:-1], 2.0 * h[1:] + h[:-1]
        same = before * after > 0.0
        with np.errstate(divide="ignore", invalid="ignore"):
            slope[1:-1] = np.where(same, (one + two) / (two / before + one / after), 0.0)
        slope[0] = _end_slope(h[0], h[1], rise[0], rise[1])
        slope[-1] = _end_slope(h[-1], h[-2], rise[-1], rise[-2])
    k = np.clip(np.searchsorted(x, at, side="right") - 1, 0, h.size - 1)
    t = (at - x[k]) / h[k]
    curve = y[k] * (1.0 + 2.0 * t) * (1.0 - t) ** 2 + y[k + 1] * t**2 * (3.0 - 2.0 * t)
    return np.asarray(curve + h[k] * t * (1.0 - t) * (slope[k] * (1.0 - t) - slope[k + 1] * t), dtype=float)


def _end_slope(h: float, following: float, rise: float, then: float) -> float:
    slope = ((2.0 * h + following) * rise - h * then) / (h + following)
    if slope * rise <= 0.0:
        return 0.0
    if rise * then <= 0.0 and abs(slope) > 3.0 * abs(rise):
        return 3.0 * rise
    return float(slope)


def fast_length(least: int) -> int:
    """Return the smallest length from ``least`` on with no prime factor above 5: its spectrum is quickly had.

    Examples
    --------
    >>> fast_length(4097), fast_length(7)
    (4320, 8)
    """
    best = 1 << max(least - 1, 0).bit_length()
    five = 1
    while five < best:
        three = five
        while three < best:
            whole = -(-least // three)
            best = min(best, three << max(whole - 1, 0).bit_length())
            three *= 3
        five *= 5
    return best
