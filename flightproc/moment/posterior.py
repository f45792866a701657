r"""Fit what all holds share, and draw from what is known afterwards.

The size of the zeros' wander is not known before the flight. It is taken from a grid, each point weighed by
its marginal likelihood, with half-normal priors. At each point the equations are solved by nonlinear least
squares; draws come from the normal law about the solution and are weighed by the true posterior over that
law (importance sampling), so that what is not linear (a riser stiffness between bounds, ballast and stiffness
that multiply) is kept as JCGM 101 asks.

References
----------
.. [1] JCGM 101:2008, Propagation of distributions using a Monte Carlo method.
.. [2] L. Tierney, J. B. Kadane, "Accurate approximations for posterior moments and marginal densities",
   Journal of the American Statistical Association 81 (1986), 82-86 (the marginal likelihood used).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .problem import Problem

__all__ = ["Posterior", "fit_problem", "jacobian_of", "power_projection", "split_factor"]

Array = NDArray[np.float64]

_HANG_WALKS = np.radians([0.0, 0.05, 0.1, 0.2, 0.4, 0.8])  # wander of the hang zero in 1000 s [rad]
_TURN_WALKS = np.radians([0.0, 0.1, 0.3, 1.0])  # wander of the turn zero in 1000 s [rad/s]
_HANG_SCALE, _TURN_SCALE = np.radians(0.1), np.radians(0.2)  # half-normal priors of both
_LEAST_WEIGHT = 2e-3  # grid points of less posterior weight are left out
_SPREAD = 1.15  # the law that is drawn from is this much wider than the normal approximation
_LEAST_SHARE = 0.01  # effective share of the draws below which the weights are not used
_STANDS_APART = 3.5  # standard uncertainties: one honest sortie in seventy loses a turn
_WIDEN_P = 0.01  # glides that fit worse than this chance widen everything


@dataclass(frozen=True)
class Posterior:
    """What is known after the flight.

    Attributes
    ----------
    best : ndarray, shape (size,)
        Most probable parameters at the most probable wander.
    covariance : ndarray, shape (size, size)
        Of the normal approximation there.
    draws : ndarray, shape (n, size)
        Equally weighted draws of the parameters.
    noise_draws : ndarray, shape (n, 2 * number of power holds)
        Draws of the errors of the power holds' observations that go with them: noise, and wander of the zeros
        as the holds around them let it be.
    noise : ndarray, shape (2 k, 2 k)
        Covariance of the observations without wander, widening included.
    walk : ndarray, shape (2 k, 2 k)
        Covariance by wander of the zeros, at the most probable size.
    hang_walk, turn_walk : float
        Mean wander of the zeros in 1000 s [rad], [rad/s].
    chi2, dof : float, int
        Of the holds without power against the model, before any widening.
    widening : float
        Factor by which the observations' uncertainties were widened because the fit is poor; 1 if not.
    effective : float
        Effective number of draws.
    left_out : tuple of int
        Observations that stood apart from all others and were left out.
    """

    best: Array
    covariance: Array
    draws: Array
    noise_draws: Array
    noise: Array
    walk: Array
    hang_walk: float
    turn_walk: float
    chi2: float
    dof: int
    widening: float
    effective: float
    left_out: tuple[int, ...] = ()


@dataclass(frozen=True)
class _Point:
    """The solution at one size of wander."""

    x: Array
    covariance: Array
    root: Array  # Cholesky factor of the observations' covariance
    walk: Array
    log_weight: float
    chi2: float


def fit_problem(problem: Problem, *, draws: int, seed: int) -> Posterior:
    """Solve the equations and draw from the posterior.

    Parameters
    ----------
    problem : Problem
        The equations.
    draws, seed : int
        Number of draws and seed of their stream.
    """
    problem, points, sizes = _scan_robustly(problem)
    weights = np.array([p.log_weight for p in points])
    top = points[int(np.argmax(weights))]
    chi2, dof = top.chi2, _degrees(problem)
    widening = _widening(chi2, dof)
    if widening > 1.0:
        problem = replace(problem, noise=problem.noise * widening**2)
        points, sizes = _scan(problem)
        weights = np.array([p.log_weight for p in points])
        top = points[int(np.argmax(weights))]
    share = np.exp(weights - weights.max())
    share /= share.sum()
    kept = share >= _LEAST_WEIGHT * share.max()
    share = np.where(kept, share, 0.0) / share[kept].sum()
    rng = np.random.default_rng((seed, 1))  # a stream of its own
    x, errors, effective = _draw(problem, points, share, draws, rng)
    return Posterior(
        best=top.x,
        covariance=top.covariance,
        draws=x,
        noise_draws=errors,
        noise=problem.noise,
        walk=top.walk,
        hang_walk=float(share @ sizes[:, 0]),
        turn_walk=float(share @ sizes[:, 1]),
        chi2=chi2,
        dof=dof,
        widening=widening,
        effective=effective,
        left_out=problem.left_out,
    )


def _half_normal_masses(values: Array, scale: float) -> Array:
    """Return the prior mass around each value of a rising grid that starts at 0."""
    from scipy.special import erf

    edges = np.concatenate([[0.0], values[1:2] / 2, np.sqrt(values[1:-1] * values[2:]), [np.inf]])
    cumulative = erf(edges / (scale * math.sqrt(2.0)))
    out: Array = np.maximum(np.diff(cumulative), 1e-12)
    return out


def _scan(problem: Problem) -> tuple[list[_Point], Array]:
    """Solve at every size of wander; return the solutions and the sizes, shape (points, 2)."""
    rows = problem.rows
    known = bool((rows % 2 == 0).any()), bool((rows % 2 == 1).any())
    hang = _HANG_WALKS if known[0] else _HANG_WALKS[:1]
    turn = _TURN_WALKS if known[1] else _TURN_WALKS[:1]
    prior_hang = _half_normal_masses(hang, _HANG_SCALE) if known[0] else np.ones(1)
    prior_turn = _half_normal_masses(turn, _TURN_SCALE) if known[1] else np.ones(1)
    start = _start(problem, hang[len(hang) // 2], turn[len(turn) // 2])
    sizes = np.array([(a, b) for a in hang for b in turn])
    log_prior = np.log(np.outer(prior_hang, prior_turn)).ravel()
    return _solve(problem, sizes, start, log_prior), sizes


def _scan_robustly(problem: Problem) -> tuple[Problem, list[_Point], Array]:
    """Scan, and leave out one by one the turns that no other hold bears out.

    A brake held through a hold turns the wing by more than gusts do. The test is each observation against
    what all the others and the priors predict of it.
    """
    points, sizes = _scan(problem)
    most = problem.rows.size // 8
    while len(problem.left_out) < most:
        top = max(points, key=lambda point: point.log_weight)
        apart = np.abs(_deleted_residuals(problem, top))
        apart[problem.rows % 2 == 0] = 0.0
        worst = int(np.argmax(apart))
        if apart[worst] < _STANDS_APART:
            break
        problem = replace(problem, left_out=(*problem.left_out, int(problem.rows[worst])))
        points, sizes = _scan(problem)
    return problem, points, sizes


def _deleted_residuals(problem: Problem, point: _Point) -> Array:
    """Return each fitted observation less what the others predict, over its standard uncertainty."""
    rows = problem.rows
    if not rows.size:
        return np.zeros(0)
    step = 1e-5
    shifts = step * np.eye(problem.size)
    up, down = problem.predict(point.x + shifts)[:, rows], problem.predict(point.x - shifts)[:, rows]
    slope = ((up - down) / (2 * step)).T
    total = point.root @ point.root.T + (slope * problem.prior_std**2) @ slope.T
    gap = problem.observations[rows] - problem.predict(point.x)[rows]
    gap = gap + slope @ (point.x - problem.prior_mean)
    inverse = np.linalg.inv(total)
    out: Array = (inverse @ gap) / np.sqrt(np.diag(inverse))
    return out


def _cholesky(covariance: Array) -> Array:
    """Return the lower factor of (..., n, n); the jitter keeps each channel's own scale."""
    jittered = covariance * (1.0 + 1e-10 * np.eye(covariance.shape[-1]))
    return np.asarray(np.linalg.cholesky(jittered), dtype=np.float64)


def _residuals(problem: Problem, root: Array, x: Array) -> Array:
    """Return the whitened residuals, shape (..., rows + priors)."""
    from scipy.linalg import solve_triangular

    rows = problem.rows
    if not rows.size:
        return problem.beside(x)
    gap = problem.observations[rows] - problem.predict(x)[..., rows]
    flat = gap.reshape(-1, rows.size)
    white = solve_triangular(root, flat.T, lower=True).T.reshape(gap.shape)
    return np.concatenate([white, problem.beside(x)], axis=-1)


def split_factor(problem: Problem, posterior: Posterior) -> Array:
    """Return the Cholesky factor of the covariance of the observations that exist, wander included."""
    rows = problem.rows
    return _cholesky((posterior.noise + posterior.walk)[np.ix_(rows, rows)])


def jacobian_of(problem: Problem, root: Array, x: Array) -> Array:
    """Return the derivative of the whitened residuals, shape (residuals, size), by central differences."""
    step = 1e-5
    shifts = step * np.eye(problem.size)
    up, down = _residuals(problem, root, x + shifts), _residuals(problem, root, x - shifts)
    out: Array = ((up - down) / (2 * step)).T
    return out


def _start(problem: Problem, hang: float, turn: float) -> Array:
    """Return the solution at one size of wander, from a cold start."""
    from scipy.optimize import least_squares

    rows = problem.rows
    walk = hang**2 * problem.hang_walk + turn**2 * problem.turn_walk
    root = _cholesky((problem.noise + walk)[np.ix_(rows, rows)])

    def residuals(x: Array) -> Array:
        return _residuals(problem, root, x)

    def jacobian(x: Array) -> Array:
        return jacobian_of(problem, root, x)

    found = least_squares(
        residuals,
        problem.prior_mean,
        jac=jacobian,
        method="trf",
        xtol=1e-10,
        ftol=1e-12,
        gtol=1e-10,
        max_nfev=200,
    )
    return np.asarray(found.x, dtype=float)


def _solve(problem: Problem, sizes: Array, start: Array, log_prior: Array) -> list[_Point]:
    """Improve a solution at each size of wander, shape (points, 2), by damped Gauss-Newton steps."""
    rows, size = problem.rows, problem.size
    squares = sizes[:, :, None, None] ** 2
    walks = squares[:, 0] * problem.hang_walk + squares[:, 1] * problem.turn_walk
    roots = _cholesky((problem.noise + walks)[:, rows[:, None], rows])
    inverse = np.linalg.inv(roots)
    step = 1e-5
    shifts = step * np.eye(size)

    def whitened(which: NDArray[np.intp], x: Array) -> Array:
        """Return the residuals of some of the points, shape (points, ..., residuals)."""
        gap = problem.observations[rows] - problem.predict(x)[..., rows]
        flat = gap.reshape(len(x), math.prod(x.shape[1:-1]), rows.size) @ np.swapaxes(inverse[which], 1, 2)
        return np.concatenate([flat.reshape(gap.shape), problem.beside(x)], axis=-1)

    def jacobian(which: NDArray[np.intp], x: Array) -> Array:
        centre = x[:, None, :]
        both = whitened(which, np.concatenate([centre + shifts, centre - shifts], axis=1))
        return np.swapaxes((both[:, :size] - both[:, size:]) / (2 * step), 1, 2)

    every = np.arange(len(sizes))
    x = np.tile(start, (len(sizes), 1))
    rest = whitened(every, x)
    cost = np.sum(rest**2, axis=1)
    open_ = every
    for _ in range(12):
        move = _least_squares(jacobian(open_, x[open_]), -rest[open_])
        share = np.ones(len(open_))
        trial = x[open_] + move
        trial_rest = whitened(open_, trial)
        trial_cost = np.sum(trial_rest**2, axis=1)
        while (worse := np.flatnonzero((trial_cost > cost[open_]) & (share > 1e-3))).size:
            share[worse] /= 2
            trial[worse] = x[open_[worse]] + share[worse, None] * move[worse]
            trial_rest[worse] = whitened(open_[worse], trial[worse])
            trial_cost[worse] = np.sum(trial_rest[worse] ** 2, axis=1)
        better = trial_cost <= cost[open_]
        won = open_[better]
        gained = cost[won] - trial_cost[better]
        x[won], rest[won], cost[won] = trial[better], trial_rest[better], trial_cost[better]
        open_ = won[gained >= 1e-6]
        if not open_.size:
            break
    slope = jacobian(every, x)
    information = np.swapaxes(slope, 1, 2) @ slope
    covariance = np.linalg.inv(information)
    covariance = (covariance + np.swapaxes(covariance, 1, 2)) / 2
    _, log_information = np.linalg.slogdet(information)
    log_root = np.sum(np.log(np.diagonal(roots, axis1=1, axis2=2)), axis=1)
    log_weight = -0.5 * cost - log_root - 0.5 * log_information + log_prior
    return [
        _Point(x[i], covariance[i], roots[i], walks[i], float(log_weight[i]), float(cost[i])) for i in every
    ]


def _least_squares(design: Array, values: Array) -> Array:
    """Return the least squares solutions of a stack, shapes (n, rows, size) and (n, rows) to (n, size)."""
    scale = np.linalg.norm(design, axis=1, keepdims=True)
    scale = np.where(scale > 0.0, scale, 1.0)
    q, r = np.linalg.qr(design / scale)
    out: Array = np.linalg.solve(r, np.swapaxes(q, 1, 2) @ values[:, :, None])[:, :, 0] / scale[:, 0]
    return out


def _degrees(problem: Problem) -> int:
    """Return the degrees of freedom of the fit: priors stand for all parameters but the zeros."""
    zeros = 0
    for session in range(problem.sessions):
        mine = problem.rows[problem.session[problem.rows // 2] == session]
        zeros += int(np.any(mine % 2 == 0)) + int(np.any(mine % 2 == 1))
    return int(problem.rows.size) - zeros + (problem.inertia is not None)


def _widening(chi2: float, dof: int) -> float:
    """Return the Birge ratio where the fit is too poor for chance, else 1."""
    from scipy.special import chdtrc

    if dof < 1 or float(chdtrc(dof, chi2)) >= _WIDEN_P:
        return 1.0
    return math.sqrt(chi2 / dof)


def _draw(
    problem: Problem, points: list[_Point], share: Array, draws: int, rng: np.random.Generator
) -> tuple[Array, Array, float]:
    """Draw from the mixture over the points, each draw weighed by the posterior over what it came from."""
    counts = np.floor(share * draws).astype(int)
    counts[int(np.argmax(share))] += draws - int(counts.sum())
    parts, errors, effective = [], [], 0.0
    for point, count in zip(points, counts, strict=True):
        if count == 0:
            continue
        scale = np.sqrt(np.diag(point.covariance))
        correlation = point.covariance / np.outer(scale, scale)
        root = np.linalg.cholesky(correlation + 1e-10 * np.eye(problem.size)) * scale[:, None]
        kicks = _SPREAD * rng.standard_normal((count, problem.size))
        x = point.x + kicks @ root.T
        rest = _residuals(problem, point.root, x)
        log_ratio = 0.5 * (np.sum((kicks / _SPREAD) ** 2, axis=1) - np.sum(rest**2, axis=1))
        weight = np.exp(log_ratio - log_ratio.max())
        weight /= weight.sum()
        own = float(1.0 / np.sum(weight**2))
        if own > _LEAST_SHARE * count:
            effective += own
            # systematic resampling: a draw comes as often as its weight asks
            places = (np.arange(count) + rng.random()) / count
            x = x[np.minimum(np.searchsorted(np.cumsum(weight), places), count - 1)]
        parts.append(x)
        errors.append(_power_errors(problem, point, x, rng))
    order = rng.permutation(draws)
    return np.concatenate(parts)[order], np.concatenate(errors)[order], effective


def power_projection(problem: Problem, total: Array) -> Array:
    """Return what the errors of fitted rows tell of those of the power holds, shape (2 p, rows)."""
    rows, power = problem.rows, problem.power_rows
    if not rows.size:
        return np.zeros((power.size, 0))
    inner = total[np.ix_(rows, rows)]
    inner = inner + 1e-10 * np.diag(np.diag(inner))
    return np.asarray(np.linalg.solve(inner, total[np.ix_(rows, power)]).T, dtype=np.float64)


def _power_errors(problem: Problem, point: _Point, x: Array, rng: np.random.Generator) -> Array:
    """Draw the errors of the power holds' observations, given those of the fitted holds."""
    total = problem.noise + point.walk
    rows, power = problem.rows, problem.power_rows
    projection = power_projection(problem, total)
    left = total[np.ix_(power, power)] - projection @ total[np.ix_(rows, power)]
    left = (left + left.T) / 2
    values, vectors = np.linalg.eigh(left)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    gap = problem.observations[rows] - problem.predict(x)[:, rows]
    out: Array = gap @ projection.T + rng.standard_normal((len(x), power.size)) @ root.T
    return out
