r"""Linear regression with coloured noise, over stretches with gaps between them.

.. math:: y_t = x_t^T \beta + u_t, \qquad u_t = \sum_{k=1}^{p} \phi_k u_{t-k} + e_t

in innovations form: the noise is whitened by its own autoregression, so the estimate is the maximum of the
Gaussian likelihood conditional on the first ``p`` samples of each stretch [1]_. Stretches may belong to
groups whose noise differs (a running engine shakes more than a still one), each with an autoregression and a
variance of its own. Coefficients may carry independent normal priors.

What the autoregression leaves at the lowest frequencies would make the standard uncertainties too small. The
whitened residuals of each stretch must add up to a variance in keeping with their number; where they add up
to more than chance allows, the covariance is widened by that ratio, and the fit says so.

References
----------
.. [1] D. Cochrane, G. H. Orcutt, "Application of least squares regression to relationships containing
   auto-correlated error terms", Journal of the American Statistical Association 44 (1949), 32-61.
.. [2] G. M. Ljung, G. E. P. Box, "On a measure of lack of fit in time series models", Biometrika 65 (1978),
   297-303.
.. [3] C. M. Hurvich, C.-L. Tsai, "Regression and time series model selection in small samples", Biometrika 76
   (1989), 297-307.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["ColouredFit", "fit_coloured", "portmanteau"]

Array = NDArray[np.float64]

_ORDERS = (1, 2, 3, 4, 6, 8, 10, 12, 16)
_ROUNDS = 4  # whitening and regression by turns
_CHANCE = 0.05  # probability below which the lowest frequencies count as not explained


@dataclass(frozen=True)
class ColouredFit:
    """A regression with coloured noise.

    Attributes
    ----------
    coefficients : ndarray, shape (p,)
        Estimates, priors included.
    covariance : ndarray, shape (p, p)
        Of the coefficients, widened where `long_run` asks for it.
    autoregression : tuple of ndarray
        phi of each group.
    innovation_std : tuple of float
        Standard deviation of e, by group.
    innovations : tuple of ndarray
        e over its standard deviation, one array a stretch, shorter by its group's order.
    residuals : tuple of ndarray
        u, one array a stretch.
    long_run : float
        Variance of the sums of innovations over stretches, over that of independent ones; 1 is honest.
    widening : float
        Factor applied to the standard uncertainties; 1 where `long_run` is in keeping with chance.
    """

    coefficients: Array
    covariance: Array
    autoregression: tuple[Array, ...]
    innovation_std: tuple[float, ...]
    innovations: tuple[Array, ...]
    residuals: tuple[Array, ...]
    long_run: float
    widening: float

    @property
    def std(self) -> Array:
        """Standard uncertainties of the coefficients, shape (p,)."""
        out: Array = np.sqrt(np.maximum(np.diag(self.covariance), 0.0))
        return out

    def spectrum(self, frequency: ArrayLike, period: float, group: int = 0) -> Array:
        """Return the one-sided spectral density of the noise of a group.

        Parameters
        ----------
        frequency : array_like, shape (n,)
            [Hz].
        period : float
            Sampling period [s].
        group : int
            Which group.

        Returns
        -------
        ndarray, shape (n,)
            [unit of y squared, per Hz].
        """
        phi = self.autoregression[group]
        angle = 2 * np.pi * period * np.asarray(frequency, dtype=float)
        gain = 1.0 - np.exp(-1j * np.outer(angle, np.arange(1, phi.size + 1))) @ phi
        out: Array = 2 * period * self.innovation_std[group] ** 2 / np.abs(gain) ** 2
        return out


def fit_coloured(
    records: Sequence[Array],
    designs: Sequence[Array],
    groups: Sequence[int] | None = None,
    *,
    prior_mean: ArrayLike | None = None,
    prior_std: ArrayLike | None = None,
    orders: Sequence[int] = _ORDERS,
) -> ColouredFit:
    """Fit one regression to all stretches.

    Parameters
    ----------
    records : sequence of ndarray, shape (n_i,)
        y of each stretch, evenly sampled without gaps.
    designs : sequence of ndarray, shape (n_i, p)
        x of each stretch.
    groups : sequence of int, optional
        Noise group of each stretch, counted from 0; all alike where not given.
    prior_mean, prior_std : array_like, shape (p,), optional
        Normal priors; an infinite standard deviation is none.
    orders : sequence of int
        Orders to choose from, rising; the corrected Akaike criterion chooses for each group.

    Returns
    -------
    ColouredFit

    Raises
    ------
    ValueError
        When there are too few samples for the coefficients.

    Examples
    --------
    >>> rng = np.random.default_rng(4)
    >>> x = np.arange(400.0)[:, None] / 100.0
    >>> noise = np.convolve(rng.standard_normal(430), 0.8 ** np.arange(31), "valid")
    >>> fit = fit_coloured([2.0 * x[:, 0] + noise], [x])
    >>> bool(abs(fit.coefficients[0] - 2.0) < 3 * fit.std[0])
    True
    """
    width = designs[0].shape[1]
    kinds = [0] * len(records) if groups is None else list(groups)
    mean = np.zeros(width) if prior_mean is None else np.asarray(prior_mean, dtype=float)
    spread = np.full(width, np.inf) if prior_std is None else np.asarray(prior_std, dtype=float)
    precision = 1.0 / spread**2
    top = max(orders)
    usable = [i for i, y in enumerate(records) if y.size > 2 * top]
    if sum(records[i].size - top for i in usable) < 4 * (width + top):
        raise ValueError("too few samples for a regression with coloured noise")
    data = [(np.asarray(records[i]), np.asarray(designs[i]), kinds[i]) for i in usable]
    size = max(kinds) + 1
    phi = [np.zeros(0) for _ in range(size)]
    variance = [1.0] * size
    coefficients = mean.copy()
    for turn in range(_ROUNDS + 1):
        information = np.diag(precision)
        pull = precision * mean
        for y, x, kind in data:
            wy, wx = _whiten(y, phi[kind]), _whiten(x, phi[kind])
            information = information + wx.T @ wx / variance[kind]
            pull = pull + wx.T @ wy / variance[kind]
        coefficients = np.asarray(np.linalg.solve(information, pull), dtype=np.float64)
        if turn == _ROUNDS:
            break
        for kind in range(size):
            noise = [y - x @ coefficients for y, x, k in data if k == kind]
            if noise:
                # the first round finds the order, later ones keep it
                choice = orders if turn == 0 else (phi[kind].size,)
                phi[kind], variance[kind] = _autoregression(noise, choice, width / size)
    residuals, white = [], []
    for y, x, kind in data:
        rest = y - x @ coefficients
        residuals.append(rest)
        white.append(_whiten(rest, phi[kind]) / np.sqrt(variance[kind]))
    covariance = np.linalg.inv(information)
    leverage = 0.0
    for (_, x, kind), e in zip(data, white, strict=True):
        row = _whiten(x, phi[kind]).sum(axis=0) / np.sqrt(e.size * variance[kind])
        leverage += float(row @ covariance @ row)
    long_run, widening = _long_run(white, leverage)
    covariance = covariance * widening**2
    return ColouredFit(
        coefficients=coefficients,
        covariance=(covariance + covariance.T) / 2,
        autoregression=tuple(phi),
        innovation_std=tuple(float(np.sqrt(v)) for v in variance),
        innovations=tuple(white),
        residuals=tuple(residuals),
        long_run=long_run,
        widening=widening,
    )


def _whiten(values: Array, phi: Array) -> Array:
    """Return what an autoregression leaves of a record, its first p samples dropped."""
    order = phi.size
    out = values[order:].copy()
    for k in range(1, order + 1):
        out -= phi[k - 1] * values[order - k : len(values) - k]
    return out


def _autoregression(rest: Sequence[Array], orders: Sequence[int], spent: float) -> tuple[Array, float]:
    """Return phi and the variance of the innovations, at the order of least AICc."""
    top = max(orders)
    target = np.concatenate([u[top:] for u in rest])
    lags = np.column_stack(
        [np.concatenate([u[top - k : u.size - k] for u in rest]) for k in range(1, top + 1)]
    )
    gram, cross, total = lags.T @ lags, lags.T @ target, float(target @ target)
    best: tuple[float, Array, float] | None = None
    for order in orders:
        phi = np.asarray(np.linalg.solve(gram[:order, :order], cross[:order]), dtype=np.float64)
        left = max(total - float(phi @ cross[:order]), 1e-300)
        room = target.size - order - 2
        score = target.size * np.log(left / target.size) + 2.0 * (order + 1) * target.size / max(room, 1)
        if best is None or score < best[0]:
            best = (score, phi, left / max(target.size - order - spent, 1.0))
    assert best is not None
    return best[1], best[2]


def _long_run(white: Sequence[Array], leverage: float) -> tuple[float, float]:
    """Return the ratio of the long-run variance of the innovations to their own, and the widening.

    ``leverage`` is what the fitted coefficients take of the sums' degrees of freedom.
    """
    from scipy.special import chdtrc

    sums = np.array([float(e.sum()) / np.sqrt(e.size) for e in white])
    total = float(sums @ sums)
    dof = max(len(sums) - leverage, 1.0)
    ratio = total / dof
    if ratio <= 1.0 or float(chdtrc(dof, total)) >= _CHANCE:
        return ratio, 1.0
    return ratio, float(np.sqrt(ratio))


def portmanteau(white: Sequence[Array], lags: int, spent: int = 0) -> tuple[Array, float]:
    """Return the autocorrelation of innovations at lags 1 to ``lags``, and the Ljung-Box p-value.

    Parameters
    ----------
    white : sequence of ndarray
        Innovations of each stretch.
    lags : int
        How many.
    spent : int
        Coefficients of the autoregression, taken off the degrees of freedom.
    """
    from scipy.special import chdtrc

    power = sum(float(e @ e) for e in white)
    count = sum(e.size for e in white)
    pairs = np.array([sum(max(e.size - k, 0) for e in white) for k in range(1, lags + 1)], dtype=float)
    products = [sum(float(e[k:] @ e[: e.size - k]) for e in white if e.size > k) for k in range(1, lags + 1)]
    r = np.array(products) / power * count / np.maximum(pairs, 1.0)
    statistic = float(np.sum(pairs * r**2))
    return r, float(chdtrc(max(lags - spent, 1), statistic))
