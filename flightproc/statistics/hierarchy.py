r"""Groups that resemble each other: partial pooling with a normal model, and differences between all pairs.

Measurements ``y`` of ``J`` groups, several of one group where there are, with covariance ``C``:

.. math::
    y = A\theta + e, \quad e \sim N(0, C), \qquad \theta_j \sim N(x_j^T \beta, \tau^2), \qquad
    \tau \sim \text{half-normal}(s)

with ``beta`` flat. ``C`` may have any off-diagonal part, so that what several measurements share stays
shared. Given ``tau`` all is normal and closed [1]_; the posterior of ``tau`` is integrated by quadrature, so
that nothing hangs on a chain that must converge, and the same input gives the same figures.

References
----------
.. [1] A. Gelman, J. B. Carlin, H. S. Stern, D. B. Dunson, A. Vehtari, D. B. Rubin, "Bayesian Data Analysis",
   3rd ed., CRC Press 2013, section 5.4 (normal model), section 5.7 (weak priors of tau).
.. [2] T. Hothorn, F. Bretz, P. Westfall, "Simultaneous inference in general parametric models", Biometrical
   Journal 50 (2008) 346-363 (single-step correction by the largest of the correlated test figures).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Groups", "PairDifference", "pair_differences", "pool_groups", "separate_groups"]

Array = NDArray[np.float64]

_NODES = 240  # of the quadrature over the spread


@dataclass(frozen=True)
class Groups:
    """What is known of every group.

    Attributes
    ----------
    mean : ndarray, shape (J,)
        Posterior mean of each group.
    covariance : ndarray, shape (J, J)
        Their covariance.
    draws : ndarray, shape (m, J)
        Joint draws.
    pooled : bool
        Whether groups were taken for members of one family.
    coefficients : ndarray, shape (p,)
        Mean of beta; empty where the groups stand alone.
    coefficient_draws : ndarray, shape (m, p)
        Its draws.
    spread : float
        Posterior mean of tau; NaN where the groups stand alone.
    spread_draws : ndarray, shape (m,)
        Its draws.
    """

    mean: Array
    covariance: Array
    draws: Array
    pooled: bool
    coefficients: Array
    coefficient_draws: Array
    spread: float
    spread_draws: Array

    @property
    def std(self) -> Array:
        """Standard deviation of each group."""
        return np.sqrt(np.diag(self.covariance))


@dataclass(frozen=True)
class PairDifference:
    """One group less another.

    Attributes
    ----------
    first, second : int
        Indices of the groups.
    difference, std : float
        First less second.
    low95, high95 : float
        Bounds that hold for all pairs together with 95 %.
    probability : float
        Chance of a difference as clear as this among all pairs, were there none (adjusted p).
    significant : bool
        Whether that is below 5 %.
    """

    first: int
    second: int
    difference: float
    std: float
    low95: float
    high95: float
    probability: float
    significant: bool


def _checked(values: ArrayLike, covariance: ArrayLike, group: Sequence[int]) -> tuple[Array, Array, Array]:
    y = np.asarray(values, dtype=float)
    spread = np.asarray(covariance, dtype=float)
    if spread.ndim == 1:
        spread = np.diag(spread)
    index = np.asarray(group, dtype=int)
    if y.ndim != 1 or spread.shape != (y.size, y.size) or index.shape != y.shape:
        raise ValueError("values, covariance and group do not fit each other")
    count = int(index.max()) + 1
    member = np.zeros((y.size, count))
    member[np.arange(y.size), index] = 1.0
    if not member.any(axis=0).all():
        raise ValueError("a group has no measurement")
    return y, spread, member


def separate_groups(
    values: ArrayLike, covariance: ArrayLike, group: Sequence[int], *, draws: int = 20_000, seed: int = 1
) -> Groups:
    """Combine the measurements of each group by least squares; no group leans on another.

    Parameters
    ----------
    values : array_like, shape (n,)
        Measurements.
    covariance : array_like, shape (n, n) or (n,)
        Their covariance, or their variances.
    group : sequence of int, length n
        Group of each, counted from 0 without a gap.
    draws, seed : int
        Joint draws.

    Examples
    --------
    >>> found = separate_groups([1.0, 3.0, 7.0], [1.0, 1.0, 4.0], [0, 0, 1])
    >>> found.mean.tolist(), found.covariance.diagonal().tolist()
    ([2.0, 7.0], [0.5, 4.0])
    """
    y, spread, member = _checked(values, covariance, group)
    weight = np.linalg.solve(spread, member)
    posterior = np.linalg.inv(member.T @ weight)
    mean = posterior @ (weight.T @ y)
    posterior = (posterior + posterior.T) / 2.0
    rng = np.random.default_rng((seed, 11))
    sample = mean + rng.standard_normal((draws, mean.size)) @ _root(posterior).T
    empty = np.zeros((draws, 0))
    return Groups(mean, posterior, sample, False, np.zeros(0), empty, math.nan, np.full(draws, np.nan))


def pool_groups(
    values: ArrayLike,
    covariance: ArrayLike,
    group: Sequence[int],
    *,
    spread_scale: float = math.inf,
    design: ArrayLike | None = None,
    draws: int = 20_000,
    seed: int = 1,
    nodes: int = _NODES,
) -> Groups:
    """Let groups of one family lean on each other, as far as the measurements say that they resemble.

    Parameters
    ----------
    values, covariance, group, draws, seed
        As for :func:`separate_groups`.
    spread_scale : float
        Scale s of the half-normal prior of tau; infinite for a flat one.
    design : array_like, shape (J, p), optional
        What the family's mean depends on; a column of ones where not given.
    nodes : int
        Of the quadrature over the spread.

    Raises
    ------
    ValueError
        When there are too few groups for the family's mean and a spread: p + 2 are needed.

    Examples
    --------
    >>> one = pool_groups([28, 8, -3, 7, -1, 1, 18, 12], np.array([15, 10, 16, 11, 9, 11, 10, 18.0]) ** 2,
    ...     range(8))
    >>> [round(float(x), 1) for x in one.mean]
    [11.4, 7.9, 6.1, 7.6, 5.1, 6.1, 10.7, 8.5]
    """
    y, noise, member = _checked(values, covariance, group)
    count = member.shape[1]
    x = np.ones((count, 1)) if design is None else np.asarray(design, dtype=float)
    if count < x.shape[1] + 2:
        raise ValueError(f"{count} groups are too few, {x.shape[1] + 2} are needed")
    alone = np.linalg.inv(member.T @ np.linalg.solve(noise, member))
    scale = math.sqrt(float(np.median(np.diag(alone))))
    node, weight = np.polynomial.legendre.leggauss(nodes)
    share = (node + 1.0) / 2.0
    tau = scale * share / (1.0 - share)
    log_weight = np.log(weight) - 2.0 * np.log1p(-share)
    if math.isfinite(spread_scale):
        log_weight -= 0.5 * (tau / spread_scale) ** 2
    means = np.zeros((nodes, count))
    covariances = np.zeros((nodes, count, count))
    betas = np.zeros((nodes, x.shape[1]))
    beta_roots, inner_roots, gains = [], [], []
    design_rows = member @ x
    for k, width in enumerate(tau):
        total = noise + width**2 * (member @ member.T)
        root = np.linalg.cholesky(total)
        white_design = np.linalg.solve(root, design_rows)
        white_y = np.linalg.solve(root, y)
        white_member = np.linalg.solve(root, member)
        precision = white_design.T @ white_design
        beta_covariance = np.linalg.inv(precision)
        beta = beta_covariance @ (white_design.T @ white_y)
        gap = white_y - white_design @ beta
        log_weight[k] += -0.5 * float(gap @ gap) - float(np.sum(np.log(np.diag(root))))
        log_weight[k] -= 0.5 * float(np.linalg.slogdet(precision)[1])
        gain = width**2 * white_member.T  # theta = x beta + gain (y - A x beta), whitened
        inner: Array = width**2 * np.eye(count) - width**4 * (white_member.T @ white_member)
        slope = x - gain @ white_design
        means[k] = x @ beta + gain @ gap
        covariances[k] = inner + slope @ beta_covariance @ slope.T
        betas[k] = beta
        beta_roots.append(_root(np.asarray(beta_covariance, dtype=float)))
        inner_roots.append(_root(np.asarray(inner, dtype=float)))
        gains.append(slope)
    probability = np.exp(log_weight - log_weight.max())
    probability /= probability.sum()
    mean = probability @ means
    off = means - mean
    posterior = np.einsum("k,kij->ij", probability, covariances) + np.einsum(
        "k,ki,kj->ij", probability, off, off
    )
    rng = np.random.default_rng((seed, 12))
    # as many draws of each node as it is probable, the same each time
    place = np.searchsorted(np.cumsum(probability), (np.arange(draws) + 0.5) / draws)
    place = rng.permutation(np.minimum(place, nodes - 1))
    sample = np.empty((draws, count))
    beta_sample = np.empty((draws, x.shape[1]))
    for k in np.unique(place):
        here = np.flatnonzero(place == k)
        step = rng.standard_normal((here.size, x.shape[1])) @ beta_roots[k].T
        beta_sample[here] = betas[k] + step
        own = rng.standard_normal((here.size, count)) @ inner_roots[k].T
        sample[here] = means[k] + step @ gains[k].T + own
    return Groups(
        mean=mean,
        covariance=(posterior + posterior.T) / 2.0,
        draws=sample,
        pooled=True,
        coefficients=probability @ betas,
        coefficient_draws=beta_sample,
        spread=float(probability @ tau),
        spread_draws=tau[place],
    )


def pair_differences(draws: ArrayLike) -> tuple[PairDifference, ...]:
    """Compare every pair of groups, with a correction for how many pairs there are.

    Parameters
    ----------
    draws : array_like, shape (m, J)
        Joint draws, so that what groups share falls out of their difference.

    Notes
    -----
    The largest of all pairs' standardised deviations over the draws gives one factor for all intervals and
    the adjusted probabilities (single-step, [2]_ of the module). With two groups this is the plain test.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> near, far = rng.standard_normal(9000), 8.0 + rng.standard_normal(9000)
    >>> [pair.significant for pair in pair_differences(np.column_stack([near, near[::-1], far]))]
    [False, True, True]
    """
    sample = np.asarray(draws, dtype=float)
    pairs = list(combinations(range(sample.shape[1]), 2))
    if not pairs:
        return ()
    gaps = np.column_stack([sample[:, i] - sample[:, j] for i, j in pairs])
    mean, std = gaps.mean(axis=0), gaps.std(axis=0, ddof=1)
    std = np.maximum(std, 1e-300)
    largest = np.sort(np.max(np.abs(gaps - mean) / std, axis=1))
    factor = float(np.quantile(largest, 0.95))
    clear = np.abs(mean) / std
    probability = 1.0 - np.searchsorted(largest, clear) / largest.size
    return tuple(
        PairDifference(
            first=i,
            second=j,
            difference=float(mean[k]),
            std=float(std[k]),
            low95=float(mean[k] - factor * std[k]),
            high95=float(mean[k] + factor * std[k]),
            probability=float(probability[k]),
            significant=bool(clear[k] > factor),
        )
        for k, (i, j) in enumerate(pairs)
    )


def _root(matrix: Array) -> Array:
    """Return a square root of a matrix that may be singular."""
    value, vector = np.linalg.eigh((matrix + matrix.T) / 2.0)
    out: Array = vector * np.sqrt(np.maximum(value, 0.0))
    return out
