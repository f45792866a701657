"""A posterior of a few parameters that may have more than one peak."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Posterior", "explore_posterior"]

Array = NDArray[np.float64]

_TAIL = 5.0  # degrees of freedom of the Student proposals
_SAME_PEAK = 1.0  # distance in standard deviations below which two peaks are one
_ROUNDS = 100  # of the search for a peak, at most
_SMALL = 1e-6  # step over natural size at which it ends
_FORGOTTEN = 12.0  # excess of the cost over the best peak beyond which a peak does not count


@dataclass(frozen=True)
class Posterior:
    """What a search found.

    Attributes
    ----------
    peak : ndarray, shape (p,)
        Most probable parameters.
    covariance : ndarray, shape (p, p)
        Of the draws about their mean.
    draws : ndarray, shape (n, p)
        Equally weighted draws, with repeats.
    peaks : int
        Separate peaks that count.
    effective : float
        Independent draws that the weights are worth.
    """

    peak: Array
    covariance: Array
    draws: Array
    peaks: int
    effective: float


def explore_posterior(
    residuals: Callable[[Array], Array],
    starts: Sequence[Array],
    scale: Array,
    *,
    draws: int = 400,
    proposals: int = 800,
    seed: int = 1,
) -> Posterior:
    """Find the peaks of exp(-r.r / 2) and draw from it by importance sampling.

    Parameters
    ----------
    residuals : callable
        Maps parameters of shape (m, p) to whitened residuals of shape (m, k), priors among them.
    starts : sequence of ndarray, shape (p,)
        Where to begin the searches.
    scale : ndarray, shape (p,)
        Natural size of each parameter.
    draws, proposals : int
        Draws to return, and proposals they are chosen from.
    seed : int
        Of the generator.

    Returns
    -------
    Posterior

    Notes
    -----
    Proposals come from a mixture of Student distributions with 5 degrees of freedom, one at each peak,
    weighted by the height of the peak times the volume under it; draws are taken from them by systematic
    resampling with weights posterior / proposal [1]_.

    References
    ----------
    .. [1] C. P. Robert, G. Casella, Monte Carlo Statistical Methods, 2nd ed., 2004, ch. 3 and 14.

    Examples
    --------
    >>> found = explore_posterior(lambda x: x / 2.0, [np.array([1.0])], np.array([2.0]))
    >>> found.peaks, bool(abs(found.peak[0]) < 1e-6), bool(1.8 < found.draws.std() < 2.2)
    (1, True, True)
    """
    size = scale.size
    found = _descend(residuals, np.array(starts, dtype=float), scale)
    found.sort(key=lambda item: item[0])
    best = found[0][0]
    peaks: list[tuple[float, Array, Array]] = []
    for cost, x, covariance in found:
        apart = all((x - y) @ np.linalg.solve(other, x - y) > _SAME_PEAK**2 for _, y, other in peaks)
        if cost - best < _FORGOTTEN and apart:
            peaks.append((cost, x, covariance))

    random = np.random.default_rng(seed)
    share = np.array([math.exp(best - c) * math.sqrt(np.linalg.det(v)) for c, _, v in peaks])
    share /= share.sum()
    owner = random.choice(len(peaks), proposals, p=share)
    stretch = np.sqrt(_TAIL / random.chisquare(_TAIL, proposals))[:, None]
    normal = random.standard_normal((proposals, size)) * stretch
    roots = np.array([np.linalg.cholesky(v) for _, _, v in peaks])
    centres = np.array([x for _, x, _ in peaks])
    points = centres[owner] + np.einsum("nij,nj->ni", roots[owner], normal)

    density = np.zeros(proposals)
    for weight, centre, root in zip(share, centres, roots, strict=True):
        distance = np.sum(np.linalg.solve(root, (points - centre).T) ** 2, axis=0)
        volume = float(np.prod(np.diag(root)))
        density += weight / volume * (1.0 + distance / _TAIL) ** (-0.5 * (_TAIL + size))
    logarithm = -0.5 * np.sum(residuals(points) ** 2, axis=1) - np.log(density)
    weights = np.exp(logarithm - logarithm.max())
    weights /= weights.sum()
    ladder = (np.arange(draws) + random.uniform()) / draws
    chosen = points[np.minimum(np.searchsorted(np.cumsum(weights), ladder), proposals - 1)]
    chosen = chosen[random.permutation(draws)]
    mean = weights @ points
    spread = (points - mean).T @ ((points - mean) * weights[:, None])
    return Posterior(centres[0], spread, chosen, len(peaks), 1.0 / float(np.sum(weights**2)))


def _descend(
    residuals: Callable[[Array], Array], starts: Array, scale: Array
) -> list[tuple[float, Array, Array]]:
    """Find the least sum of squares from each start; return half of it, where, and the inverse of J'J there.

    Notes
    -----
    Levenberg and Marquardt's method, all starts in step so that the residuals are asked for once a round,
    with their central differences. A start is done after a step of less than 1e-6 of ``scale``.
    """
    size = scale.size
    shifts = 1e-3 * scale * np.vstack([np.zeros(size), np.eye(size), -np.eye(size)])

    def look(x: Array) -> tuple[Array, Array, Array]:
        """Return half the sum of squares, the residuals, and their derivative by parameters over scale."""
        all_rows = residuals((x[:, None, :] + shifts).reshape(-1, size)).reshape(len(x), 2 * size + 1, -1)
        rest = all_rows[:, 0]
        slope = (all_rows[:, 1 : size + 1] - all_rows[:, size + 1 :]) / 2e-3
        return 0.5 * np.sum(rest**2, axis=1), rest, np.swapaxes(slope, 1, 2)

    x = starts.copy()
    cost, rest, slope = look(x)
    damping = np.full(len(x), 1e-3)
    open_ = np.arange(len(x))
    for _ in range(_ROUNDS):
        normal = np.swapaxes(slope[open_], 1, 2) @ slope[open_]
        raised = normal + damping[open_, None, None] * (normal * np.eye(size) + 1e-12 * np.eye(size))
        downhill = -np.swapaxes(slope[open_], 1, 2) @ rest[open_][:, :, None]
        move = np.linalg.solve(raised, downhill)[:, :, 0]
        trial = x[open_] + move * scale
        better, new_rest, new_slope = look(trial)
        good = better <= cost[open_]
        won = open_[good]
        x[won], cost[won], rest[won], slope[won] = trial[good], better[good], new_rest[good], new_slope[good]
        damping[open_] *= np.where(good, 0.1, 10.0)
        open_ = open_[(np.abs(move).max(axis=1) > _SMALL) & (damping[open_] < 1e12)]
        if not open_.size:
            break
    spread = np.linalg.inv(np.swapaxes(slope, 1, 2) @ slope) * np.outer(scale, scale)
    return [(float(c), place, v) for c, place, v in zip(cost, x, spread, strict=True)]
