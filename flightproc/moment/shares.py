"""How much of a result's variance comes from which source: noise of the holds, wander, and each prior."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from .posterior import Posterior, jacobian_of, power_projection, split_factor
from .problem import Problem

__all__ = ["Shares"]

Array = NDArray[np.float64]

_LEAST = 1e-3  # shares of the variance below this are left out of a budget


@dataclass(frozen=True)
class Shares:
    """The linearised solution, as far as a split of variance needs it.

    The estimate answers an error ``n`` of the observations with ``G n``, and a unit error of prior ``j`` with
    column ``j`` of ``P``; both follow from the normal equations at the solution (JCGM 100:2008, 5.1.2, for
    estimates that are implicit).

    Attributes
    ----------
    problem, posterior
        Whose solution.
    gain : ndarray, shape (size, rows)
        G.
    priors : ndarray, shape (size, number of priors)
        P.
    """

    problem: Problem
    posterior: Posterior
    gain: Array
    priors: Array

    @classmethod
    def make(cls, problem: Problem, posterior: Posterior) -> Shares:
        """Linearise at the most probable parameters."""
        from scipy.linalg import solve_triangular

        root = split_factor(problem, posterior)
        jacobian = jacobian_of(problem, root, posterior.best)
        count = problem.rows.size
        answer = -posterior.covariance @ jacobian.T
        gain = solve_triangular(root, answer[:, :count].T, lower=True, trans="T").T
        return cls(problem, posterior, np.asarray(gain), answer[:, count:])

    def moment(self, place: int, std: float) -> dict[str, float]:
        """Return the budget of the roll moment of the power hold at ``place``; its parts sum to ``std``."""
        weights = np.zeros(len(self.problem.power))
        weights[place] = 1.0
        return _scaled(self.combined(weights), std)

    def combined(self, weights: Array) -> dict[str, float]:
        """Return the variance of a weighted sum of the power holds' roll moments, by source.

        Parameters
        ----------
        weights : ndarray, shape (number of power holds,)
            Of each hold; of either sign.

        Returns
        -------
        dict of str to float
            [(N m)^2 for weights without unit]; they sum to the variance of the linearised estimate.
        """
        used = np.flatnonzero(weights)  # what is not asked for may be unknown
        gradient, own, told = (part[:, used] @ weights[used] for part in self._power)
        return self._variances(gradient, own, told)

    @cached_property
    def _power(self) -> tuple[Array, Array, Array]:
        """Return what the power holds' moments answer to parameters, own errors and those of fitted holds.

        One column a power hold.
        """
        problem, best = self.problem, self.posterior.best
        projection = power_projection(problem, self.posterior.noise + self.posterior.walk)
        nothing = np.zeros(len(problem.power))

        def estimate(x: Array, errors: Array) -> Array:
            gap = (problem.observations - problem.predict(x))[..., problem.rows]
            moment, _ = problem.solve_power(x, gap @ projection.T + errors, nothing)
            return moment

        quiet = np.zeros(2 * len(problem.power))
        step = 1e-5
        shifts = step * np.eye(problem.size)
        gradient = (estimate(best + shifts, quiet) - estimate(best - shifts, quiet)) / (2 * step)
        small = 1e-6 * np.eye(quiet.size)
        # an error of the observation itself acts with the opposite sign of the same error taken off
        own = -(estimate(best, small) - estimate(best, -small)) / 2e-6
        return gradient, own, projection.T @ own

    def residual(
        self, hold: int, values: Array, std: float, relative: Mapping[str, float]
    ) -> dict[str, float]:
        """Return the budget of the residual turning moment of a hold.

        Parameters
        ----------
        hold : int
            Index in the problem.
        values : ndarray
            Draws of the residual [N m].
        std : float
            What the parts are to sum to [N m].
        relative : mapping of str to float
            Relative standard uncertainties that act on the whole of it.
        """
        problem = self.problem
        turns, slope = self._turn
        turn = float(turns[hold])
        size = float(np.median(values))
        gradient = -size * slope[:, hold] / turn
        parts = self._variances(gradient)
        row = 2 * hold + 1
        own = float(np.sqrt(self.posterior.noise[row, row])) / (turn * float(problem.gain[hold]))
        source = self._noise_source(hold)
        parts[source] = parts.get(source, 0.0) + own**2
        for name, part in relative.items():
            parts[name] = parts.get(name, 0.0) + (part * size) ** 2
        return _scaled(parts, std)

    @cached_property
    def _turn(self) -> tuple[Array, Array]:
        """Return c_L of each hold, and its derivative by the parameters, shape (size, k)."""
        problem, best = self.problem, self.posterior.best
        step = 1e-5
        shifts = step * np.eye(problem.size)
        up, down = problem.turn_in_hold(best + shifts), problem.turn_in_hold(best - shifts)
        return problem.turn_in_hold(best), (up - down) / (2 * step)

    def _noise_source(self, hold: int) -> str:
        if hold in self.problem.power:
            return "noise of the power holds"
        return "noise of the ballast legs" if self.problem.known[hold] != 0.0 else "noise of the glides"

    def _variances(
        self, gradient: Array, own: Array | None = None, told: Array | None = None
    ) -> dict[str, float]:
        """Return the variance of ``gradient @ x`` plus that of the power holds' own errors, by source.

        ``own`` is the answer to errors of the power holds' observations, ``told`` what the fitted holds'
        errors
        take off it.
        """
        problem, rows = self.problem, self.problem.rows
        answer = gradient @ self.gain
        if own is not None and told is not None:
            seen = np.isfinite(problem.observations[problem.power_rows])
            rows = np.concatenate([rows, problem.power_rows[seen]])
            answer = np.concatenate([answer - told, own[seen]])
        noise = self.posterior.noise[np.ix_(rows, rows)]
        walk = self.posterior.walk[np.ix_(rows, rows)]
        each = answer * (noise @ answer)
        out: dict[str, float] = {}
        for row, part in zip(rows, each, strict=True):
            source = self._noise_source(int(row) // 2)
            out[source] = out.get(source, 0.0) + float(part)
        beside = (gradient @ self.priors) ** 2
        for label, part in zip(problem.beside_labels(), beside, strict=True):
            out[label] = out.get(label, 0.0) + float(part)
        wander = float(answer @ walk @ answer)
        out["drift of the zeros"] = out.get("drift of the zeros", 0.0) + wander
        return out


def _scaled(variances: Mapping[str, float], std: float) -> dict[str, float]:
    """Return standard deviations whose squares sum to that of ``std``, small shares left out."""
    total = sum(max(v, 0.0) for v in variances.values())
    if not total > 0.0 or not np.isfinite(std):
        return {}
    kept = {name: v for name, v in variances.items() if v > _LEAST * total}
    factor = std**2 / sum(kept.values())
    ranked = sorted(kept.items(), key=lambda item: -item[1])
    return {name: float(np.sqrt(v * factor)) for name, v in ranked}
