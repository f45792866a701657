"""Carry uncertainty through a function: by first order, or by drawing."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["draw_normal", "jacobian", "propagate"]


def draw_normal(
    mean: ArrayLike, covariance: ArrayLike, draws: int, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Draw from a multivariate normal distribution.

    Parameters
    ----------
    mean : array_like, shape (p,)
        Estimates.
    covariance : array_like, shape (p, p)
        Their covariance; may be singular, must not have a negative eigenvalue beyond rounding.
    draws : int
        Number of draws.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    ndarray, shape (draws, p)

    Raises
    ------
    ValueError
        If the covariance is not symmetric and positive semidefinite.

    References
    ----------
    .. [1] JCGM 101:2008, Propagation of distributions using a Monte Carlo method, 6.4.8.
    """
    centre = np.atleast_1d(np.asarray(mean, dtype=float))
    matrix = np.atleast_2d(np.asarray(covariance, dtype=float))
    if matrix.shape != (centre.size, centre.size):
        raise ValueError(f"a mean of {centre.size} needs a square covariance, found shape {matrix.shape}")
    std = np.sqrt(np.clip(np.diag(matrix), 0.0, None))
    size = np.where(std > 0, std, 1.0)
    scaled = matrix / np.outer(size, size)
    if not np.allclose(scaled, scaled.T, atol=1e-8):
        raise ValueError("the covariance is not symmetric")
    values, vectors = np.linalg.eigh(0.5 * (scaled + scaled.T))
    if values.size and values[0] < -1e-8 * max(1.0, values[-1]):
        raise ValueError("the covariance has a negative eigenvalue")
    root = vectors * np.sqrt(np.clip(values, 0.0, None))
    normal = rng.standard_normal((draws, centre.size))
    return np.asarray(centre + (normal @ root.T) * size, dtype=float)


def jacobian(
    function: Callable[[NDArray[np.float64]], ArrayLike], mean: ArrayLike, std: ArrayLike
) -> NDArray[np.float64]:
    """Return the derivatives of a function by central differences over a fraction of the uncertainties.

    Parameters
    ----------
    function : callable
        Takes an array of shape (p,), returns a scalar or an array of shape (m,).
    mean : array_like, shape (p,)
        Where to differentiate.
    std : array_like, shape (p,)
        Standard uncertainties; each step is a hundredth of them (a millionth of the value where it is 0).

    Returns
    -------
    ndarray, shape (m, p)
    """
    centre = np.atleast_1d(np.asarray(mean, dtype=float))
    sigma = np.broadcast_to(np.asarray(std, dtype=float), centre.shape)
    steps = np.where(sigma > 0, 0.01 * sigma, 1e-6 * np.maximum(np.abs(centre), 1.0))
    columns = []
    for i, step in enumerate(steps):
        shift = np.zeros_like(centre)
        shift[i] = step
        high = np.atleast_1d(np.asarray(function(centre + shift), dtype=float))
        low = np.atleast_1d(np.asarray(function(centre - shift), dtype=float))
        columns.append((high - low) / (2.0 * step))
    return np.column_stack(columns)


def propagate(
    function: Callable[[NDArray[np.float64]], ArrayLike], mean: ArrayLike, covariance: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    r"""Carry a covariance through a function to first order, :math:`J\,\Sigma\,J^T`.

    Parameters
    ----------
    function : callable
        Takes an array of shape (p,), returns a scalar or an array of shape (m,).
    mean : array_like, shape (p,)
        Estimates.
    covariance : array_like, shape (p, p)
        Their covariance.

    Returns
    -------
    value : ndarray, shape (m,)
        The function at the estimates.
    covariance : ndarray, shape (m, m)
        Of the result.

    References
    ----------
    .. [1] JCGM 100:2008, 5.2.2; JCGM 102:2011, 6.2.

    Examples
    --------
    >>> value, covariance = propagate(lambda x: x[0] * x[1], [2.0, 3.0], [[0.01, 0.0], [0.0, 0.04]])
    >>> float(value[0]), round(float(covariance[0, 0]), 6)
    (6.0, 0.25)
    """
    matrix = np.atleast_2d(np.asarray(covariance, dtype=float))
    value = np.atleast_1d(np.asarray(function(np.atleast_1d(np.asarray(mean, dtype=float))), dtype=float))
    slope = jacobian(function, mean, np.sqrt(np.diag(matrix)))
    return value, slope @ matrix @ slope.T
