"""Least squares with their covariance."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["CurveFit", "LinearFit", "fit_curve", "fit_line", "huber", "weighted_least_squares"]

_NORMAL_MAD = 1.4826022185056018  # median absolute deviation of a normal distribution, inverted


_EXACT = float(np.finfo(float).eps)
_STEP = _EXACT ** (1.0 / 3.0)  # relative step of a central difference
_NOISE = _EXACT ** (2.0 / 3.0)  # relative error of what it gives


@dataclass(frozen=True)
class LinearFit:
    """A linear least-squares fit.

    Attributes
    ----------
    coefficients : ndarray, shape (p,)
        Estimates.
    covariance : ndarray, shape (p, p)
        Of the coefficients.
    residuals : ndarray, shape (n,)
        Observed less fitted, unweighted.
    weights : ndarray, shape (n,)
        Robust weights between 0 and 1; all 1 where the fit is not robust.
    scale : float
        Standard deviation of the residuals (of the residuals over their stated standard deviations,
        where those were given).
    dof : int
        Samples less coefficients.
    """

    coefficients: NDArray[np.float64]
    covariance: NDArray[np.float64]
    residuals: NDArray[np.float64]
    weights: NDArray[np.float64]
    scale: float
    dof: int

    @property
    def std(self) -> NDArray[np.float64]:
        """Standard uncertainties of the coefficients, shape (p,)."""
        return np.sqrt(np.diag(self.covariance))

    def correlation(self, i: int, j: int) -> float:
        """Return the correlation coefficient of two coefficients."""
        return float(self.covariance[i, j] / np.sqrt(self.covariance[i, i] * self.covariance[j, j]))

    def predict(self, row: ArrayLike) -> tuple[float, float]:
        """Return the fitted value for a design row of shape (p,), and its standard uncertainty."""
        x = np.asarray(row, dtype=float)
        return float(x @ self.coefficients), float(np.sqrt(x @ self.covariance @ x))


def weighted_least_squares(design: ArrayLike, y: ArrayLike, std: ArrayLike | None = None) -> LinearFit:
    r"""Fit ``y = design @ b`` by least squares.

    Parameters
    ----------
    design : array_like, shape (n, p)
        Design matrix of full column rank.
    y : array_like, shape (n,)
        Observations.
    std : array_like, shape (n,), optional
        Standard uncertainties of the observations. Given: the covariance is
        :math:`(X^T W X)^{-1}` with nothing estimated from the residuals. Not given: all alike, their common
        variance estimated from the residuals with ``n - p`` degrees of freedom.

    Returns
    -------
    LinearFit

    Raises
    ------
    ValueError
        If there are fewer observations than coefficients (as many, where ``std`` is not given), or the
        design matrix does not determine all coefficients.

    Examples
    --------
    >>> fit = weighted_least_squares([[1, 0], [1, 1], [1, 2]], [1.0, 3.0, 5.0])
    >>> fit.coefficients.round(6).tolist()
    [1.0, 2.0]
    """
    x = np.asarray(design, dtype=float)
    values = np.asarray(y, dtype=float)
    n, p = x.shape
    needed = p + 1 if std is None else p
    if n < needed:
        raise ValueError(f"{p} coefficients need at least {needed} observations, found {n}")
    sigma = np.ones(n) if std is None else np.broadcast_to(np.asarray(std, dtype=float), (n,))
    coefficients, inverse = _solve(x / sigma[:, None], values / sigma)
    residuals = values - x @ coefficients
    dof = n - p
    scale = float(np.sqrt(np.sum((residuals / sigma) ** 2) / dof)) if dof > 0 else float("nan")
    covariance = inverse * scale**2 if std is None else inverse
    return LinearFit(coefficients, covariance, residuals, np.ones(n), scale, dof)


def _solve(
    x: NDArray[np.float64], y: NDArray[np.float64], tolerance: float = _EXACT
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the least-squares solution and the inverse of the normal matrix."""
    size = np.sqrt(np.sum(x * x, axis=0))
    size[size == 0] = 1.0
    u, s, vt = np.linalg.svd(x / size, full_matrices=False)
    if s.size and s[-1] <= s[0] * tolerance * max(x.shape):
        raise ValueError("the design matrix does not determine all coefficients")
    coefficients = (vt.T @ ((u.T @ y) / s)) / size
    inverse = (vt.T / s**2) @ vt / np.outer(size, size)
    return coefficients, inverse


def fit_line(x: ArrayLike, y: ArrayLike, *, origin: float = 0.0) -> LinearFit:
    """Fit ``y = a + b (x - origin)`` with equal weights.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        At least three points.
    origin : float
        Where the intercept is taken, in the unit of ``x``.

    Returns
    -------
    LinearFit
        Coefficients ``(a, b)``.

    References
    ----------
    .. [1] JCGM 100:2008, Guide to the expression of uncertainty in measurement, H.3.
    """
    abscissa = np.asarray(x, dtype=float) - origin
    return weighted_least_squares(np.column_stack([np.ones_like(abscissa), abscissa]), y)


@dataclass(frozen=True)
class CurveFit:
    """A nonlinear least-squares fit.

    Attributes
    ----------
    parameters : ndarray, shape (p,)
        Estimates.
    covariance : ndarray, shape (p, p)
        Of the parameters, from the derivatives at the estimates.
    residuals : ndarray, shape (n,)
        Observed less fitted, unweighted.
    chi2 : float
        Sum of the squared residuals, each over its stated standard deviation where those were given.
    scale : float
        ``sqrt(chi2 / dof)``; NaN without degrees of freedom.
    dof : int
        Observations less parameters.
    """

    parameters: NDArray[np.float64]
    covariance: NDArray[np.float64]
    residuals: NDArray[np.float64]
    chi2: float
    scale: float
    dof: int

    @property
    def std(self) -> NDArray[np.float64]:
        """Standard uncertainties of the parameters, shape (p,)."""
        return np.sqrt(np.diag(self.covariance))


def fit_curve(
    function: Callable[[NDArray[np.float64], NDArray[np.float64]], ArrayLike],
    x: ArrayLike,
    y: ArrayLike,
    start: ArrayLike,
    *,
    std: ArrayLike | None = None,
    derivatives: Callable[[NDArray[np.float64], NDArray[np.float64]], ArrayLike] | None = None,
    bounds: tuple[ArrayLike, ArrayLike] | None = None,
) -> CurveFit:
    r"""Fit ``y = function(x, parameters)`` by least squares.

    Parameters
    ----------
    function : callable
        Takes ``x`` as given and parameters of shape (p,); returns shape (n,).
    x : array_like
        Whatever the function needs; of any shape.
    y : array_like, shape (n,)
        Observations.
    start : array_like, shape (p,)
        Where the search begins. Of several minima the nearest is found.
    std : array_like, shape (n,), optional
        Standard uncertainties of the observations; as in :func:`weighted_least_squares` they are taken as
        they are, and without them their common value comes from the residuals.
    derivatives : callable, optional
        As ``function``, returns the derivatives by the parameters, shape (n, p); central differences where
        it is not given.
    bounds : tuple of array_like, optional
        Least and greatest value of each parameter. A parameter that ends at its bound is held there by it,
        and its uncertainty is then too small.

    Returns
    -------
    CurveFit

    Raises
    ------
    ValueError
        If there are too few observations, the search does not converge, or the observations do not
        determine all parameters.

    Notes
    -----
    Levenberg-Marquardt [1]_, a trust region where there are bounds. With ``J`` the derivatives over ``std``,
    the covariance is :math:`(J^T J)^{-1}`, times ``chi2 / dof`` where ``std`` is not given.

    References
    ----------
    .. [1] J. J. More, "The Levenberg-Marquardt algorithm: implementation and theory", Lecture Notes in
       Mathematics 630 (1978), 105-116.

    Examples
    --------
    >>> x = np.array([0.0, 1.0, 2.0, 3.0])
    >>> fit = fit_curve(lambda x, p: p[0] * np.exp(-x / p[1]), x, [2.0, 1.0, 0.5, 0.25], [1.0, 1.0])
    >>> fit.parameters.round(6).tolist(), fit.dof
    ([2.0, 1.442695], 2)
    """
    from scipy.optimize import least_squares

    given = np.asarray(x, dtype=float)
    values = np.asarray(y, dtype=float)
    first = np.atleast_1d(np.asarray(start, dtype=float))
    n, p = values.size, first.size
    needed = p + 1 if std is None else p
    if n < needed:
        raise ValueError(f"{p} parameters need at least {needed} observations, found {n}")
    sigma = np.ones(n) if std is None else np.broadcast_to(np.asarray(std, dtype=float), (n,))

    def misfit(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray((np.asarray(function(given, parameters), dtype=float) - values) / sigma)

    def slope(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
        if derivatives is not None:
            return np.asarray(np.asarray(derivatives(given, parameters), dtype=float) / sigma[:, None])
        columns = []
        for i in range(p):
            step = np.zeros(p)
            step[i] = _STEP * (max(abs(parameters[i]), abs(first[i])) or 1.0)
            columns.append((misfit(parameters + step) - misfit(parameters - step)) / (2.0 * step[i]))
        return np.column_stack(columns)

    free = bounds is None
    limits: tuple[NDArray[np.float64], NDArray[np.float64]] = (np.full(p, -np.inf), np.full(p, np.inf))
    if bounds is not None:
        low, high = (np.broadcast_to(np.asarray(bound, dtype=float), (p,)) for bound in bounds)
        limits = (low, high)
    found = least_squares(
        misfit,
        first,
        jac=slope,
        bounds=limits,
        method="lm" if free else "trf",
        x_scale="jac",
        xtol=1e-14 if free else 1e-12,
        ftol=1e-14 if free else 1e-12,
        gtol=1e-14 if free else 1e-8,
    )
    if not found.success:
        raise ValueError(f"the fit did not converge: {found.message}")
    best = np.asarray(found.x, dtype=float)
    _, inverse = _solve(slope(best), np.zeros(n), _NOISE if derivatives is None else _EXACT)
    weighted = misfit(best)
    chi2, dof = float(weighted @ weighted), n - p
    scale = float(np.sqrt(chi2 / dof)) if dof > 0 else float("nan")
    covariance = inverse * scale**2 if std is None else inverse
    return CurveFit(best, covariance, -weighted * sigma, chi2, scale, dof)


def huber(
    design: ArrayLike,
    y: ArrayLike,
    *,
    threshold: float = 1.345,
    rounds: int = 50,
) -> LinearFit:
    r"""Fit ``y = design @ b`` robustly, by iteratively reweighted least squares.

    Parameters
    ----------
    design : array_like, shape (n, p)
        Design matrix.
    y : array_like, shape (n,)
        Observations, all of one variance but for outliers.
    threshold : float
        Where the loss turns from square to linear, in robust standard deviations; 1.345 is 95 %
        efficient for normal residuals.
    rounds : int
        Largest number of iterations.

    Returns
    -------
    LinearFit
        The covariance is Huber's, for independent residuals; a caller with correlated residuals must
        widen it.

    Notes
    -----
    The scale is 1.4826 times the median absolute residual. Covariance:
    :math:`\frac{\sum \psi^2/(n-p)}{(\sum\psi'/n)^2}(X^TX)^{-1}`.

    References
    ----------
    .. [1] P. J. Huber, Robust Statistics, 1981, sections 7.6 and 7.8.
    """
    x = np.asarray(design, dtype=float)
    values = np.asarray(y, dtype=float)
    n, p = x.shape
    if n <= p:
        raise ValueError(f"{p} coefficients need at least {p + 1} observations, found {n}")
    weights = np.ones(n)
    coefficients, inverse = _solve(x, values)
    scale = 0.0
    for _ in range(rounds):
        residuals = values - x @ coefficients
        scale = _NORMAL_MAD * float(np.median(np.abs(residuals)))
        if scale <= 0.0:
            break
        size = np.abs(residuals) / scale
        weights = np.where(size <= threshold, 1.0, threshold / np.maximum(size, threshold))
        root = np.sqrt(weights)
        updated, _ = _solve(x * root[:, None], values * root)
        step = np.max(np.abs(updated - coefficients) * np.sqrt(np.sum(x * x, axis=0) / n))
        coefficients = updated
        if step <= 1e-10 * scale:
            break
    residuals = values - x @ coefficients
    if scale > 0.0:
        bounded = np.clip(residuals / scale, -threshold, threshold)
        inside = float(np.mean(np.abs(residuals) <= threshold * scale))
        covariance = inverse * scale**2 * (float(np.sum(bounded**2)) / (n - p)) / max(inside, 0.1) ** 2
    else:
        covariance = inverse * 0.0
    return LinearFit(coefficients, covariance, residuals, weights, scale, n - p)
