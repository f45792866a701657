"""Roots of one residual over many elements at once: within a bracket, and near a guess."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

__all__ = ["Residual", "bracketed_root", "nearby_root"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_SETTLED = 1e-12  # error of a root near a guess up to which it counts as found
_NEAR = 1e-4  # step from the last evaluated place beyond which that error is not believed
_FEW = 0.7  # share of elements still open below which the closed ones are no longer evaluated


class Residual(Protocol):
    """A function of one unknown per element, each element on its own."""

    def residual(self, unknown: Array) -> Array:
        """Return the residual of every element."""
        ...

    def taken(self, places: NDArray[np.intp]) -> Residual:
        """Return the function of chosen elements, as they lie in the flat array of all, in one row."""
        ...


def bracketed_root(
    function: Residual,
    start: Array,
    end: Array,
    at_start: Array,
    at_end: Array,
    *,
    tolerance: float = 5e-13,
    most: int = 80,
) -> tuple[Array, Flags]:
    """Find a root of each element by Chandrupatla's method, which keeps its bracket.

    Parameters
    ----------
    function : Residual
        Its elements are evaluated until their root is found.
    start, end, at_start, at_end : ndarray
        Bracket and the values there, of one shape.
    tolerance : float
        Of the root.
    most : int
        Most evaluations.

    Returns
    -------
    root : ndarray
        NaN where there was no bracket.
    found : ndarray of bool
        Whether the root was bracketed and located to the tolerance.

    References
    ----------
    T. R. Chandrupatla, A new hybrid quadratic/bisection algorithm for finding the zero of a nonlinear
    function without using derivatives, Advances in Engineering Software 28, 1997, 145-149.
    """
    a, b, fa, fb = end.copy(), start.copy(), at_end.copy(), at_start.copy()
    bracketed = (np.sign(fa) * np.sign(fb) <= 0.0) & np.isfinite(fa) & np.isfinite(fb)
    best = np.where(np.abs(fa) < np.abs(fb), a, b)
    done = ~bracketed | (fa == 0.0) | (fb == 0.0)
    root, settled = best.ravel().copy(), done.ravel().copy()
    open_ = np.arange(a.size)  # elements that a, b and the rest stand for
    t = np.full(a.shape, 0.5)
    for _ in range(most):
        remaining = np.count_nonzero(~done)
        if not remaining:
            break
        if remaining < _FEW * done.size:
            root[open_], settled[open_] = best.ravel(), done.ravel()
            keep = np.flatnonzero(~done)
            open_ = open_[keep]
            function = function.taken(keep)
            a, b, fa, fb, t, best = (v.ravel()[keep] for v in (a, b, fa, fb, t, best))
            done = np.zeros(a.shape, bool)
        x = a + t * (b - a)
        fx = function.residual(x)
        same = (fx > 0.0) == (fa > 0.0)
        c, fc = np.where(same, a, b), np.where(same, fa, fb)
        b, fb = np.where(same, b, a), np.where(same, fb, fa)
        a, fa = x, fx
        smaller = np.abs(fa) < np.abs(fb)
        best = np.where(done, best, np.where(smaller, a, b))
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            share = np.minimum(tolerance / np.abs(b - a), 0.5)
            done |= (share == 0.5) | (np.where(smaller, fa, fb) == 0.0)
            xi = (a - b) / (c - b)
            ratio = (fa - fb) / (fc - fb)
            inverse = (ratio**2 < xi) & ((1.0 - ratio) ** 2 < 1.0 - xi)
            step = fa / (fb - fa) * fc / (fb - fc) + (c - a) / (b - a) * fa / (fc - fa) * fb / (fc - fb)
        t = np.where(inverse & np.isfinite(step), np.clip(step, share, 1.0 - share), 0.5)
    root[open_], settled[open_] = best.ravel(), done.ravel()
    shape = bracketed.shape
    return np.where(bracketed, root.reshape(shape), np.nan), bracketed & settled.reshape(shape)


def nearby_root(
    function: Residual, guess: Array, slope: Array, *, low: float = -1.0, high: float = 1.0, most: int = 6
) -> tuple[Array, Flags]:
    """Find a root of each element near a guess by the secant method.

    Parameters
    ----------
    function : Residual
        Of all elements.
    guess, slope : ndarray
        Near the roots, and roughly the derivative of the residual there; NaN where nothing is known.
    low, high : float
        Bounds of the unknown.
    most : int
        Most steps.

    Returns
    -------
    root : ndarray
        Where it was found.
    found : ndarray of bool
        Whether the steps closed in on a root at which the residual rises. One that was not found this way
        wants a bracket.

    Notes
    -----
    The error after a step is ``C e_1 e_2``, e the errors of the two places before it and C half the ratio of
    second to first derivative. C is taken from the change of the secant's slope, so that the error of the
    last place, which is not evaluated, is known; it has to be below 1e-12.
    """
    root, found = np.full(guess.size, np.nan), np.zeros(guess.size, bool)
    open_ = np.arange(guess.size)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        first = np.clip(guess, low, high)
        at_first = function.residual(first)
        second = np.clip(first - at_first / slope, low, high)
        at_second = function.residual(second)
        rise = (at_second - at_first) / (second - first)
        for _ in range(most):
            third = np.clip(second - at_second / rise, low, high)
            at_third = function.residual(third)
            steeper = np.where(third == second, rise, (at_third - at_second) / (third - second))
            move = at_third / steeper
            bend = (steeper - rise) / ((third - first) * steeper)
            close = np.abs(bend * (third - second) * move) <= _SETTLED
            close &= (np.abs(move) <= _NEAR) & (steeper > 0.0)
            close |= at_third == 0.0
            here = np.where(at_third == 0.0, third, third - move)
            root[open_], found[open_] = here.ravel(), close.ravel()
            keep = np.flatnonzero(~close)
            if not keep.size:
                break
            first, second, at_second, rise = second, third, at_third, steeper
            if keep.size < _FEW * close.size:
                open_ = open_[keep]
                function = function.taken(keep)
                first, second, at_second, rise = (v.ravel()[keep] for v in (first, second, at_second, rise))
    found &= (root > low) & (root < high)
    return root.reshape(guess.shape), found.reshape(guess.shape)
