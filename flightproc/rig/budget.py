"""Effective degrees of freedom and the interval of a torque with a budget."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

__all__ = ["torque_interval", "welch_satterthwaite"]


def welch_satterthwaite(stds: Sequence[float], dofs: Sequence[float]) -> float:
    """Return the effective degrees of freedom of a combined standard uncertainty.

    Parameters
    ----------
    stds : sequence of float
        Standard uncertainties of the parts, in one unit.
    dofs : sequence of float
        Their degrees of freedom; infinite where they were judged.

    Returns
    -------
    float
        u_c^4 / sum(u_i^4 / nu_i), not rounded; infinite where no part has finite degrees of freedom.

    References
    ----------
    .. [1] JCGM 100:2008, G.4.1, equation G.2b.

    Examples
    --------
    >>> int(welch_satterthwaite([25.0, 9.7, 2.9, 16.6], [18.0, 25.6, 50.0, 2.0]))
    16
    """
    total = sum(u * u for u in stds)
    below = sum(u**4 / nu for u, nu in zip(stds, dofs, strict=True) if math.isfinite(nu))
    return total * total / below if below > 0.0 else math.inf


def torque_interval(
    value: float, normal_std: float, scatter_std: float, scatter_dof: float
) -> tuple[float, float]:
    """Return the 95 % interval of a sum of normal parts and a mean of a series.

    Parameters
    ----------
    value : float
        Estimate.
    normal_std : float
        Standard uncertainty of all parts that are normal or many.
    scatter_std, scatter_dof : float
        Of the mean of a series: a scaled t distribution with this many degrees of freedom.

    Returns
    -------
    low, high : float
        By Monte Carlo [1]_ where the degrees of freedom are finite; else value ± 1.96 u.

    References
    ----------
    .. [1] JCGM 101:2008, 6.4.9.

    Examples
    --------
    >>> low, high = torque_interval(0.0, 0.0, 1.0, 4.0)
    >>> abs(high - 2.776) < 0.05
    True
    """
    std = math.hypot(normal_std, scatter_std)
    if not math.isfinite(scatter_dof):
        return value - 1.959963984540054 * std, value + 1.959963984540054 * std
    random = np.random.default_rng(1)
    draws = normal_std * random.standard_normal(40_000)
    draws += scatter_std * random.standard_t(max(scatter_dof, 1.0), 40_000)
    half = float(np.quantile(np.abs(draws), 0.95))  # both parts are symmetric
    return value - half, value + half
