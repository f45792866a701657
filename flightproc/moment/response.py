r"""The turn per roll moment as the ballast glides alone measure it, with nothing assumed beforehand.

The joint solution gives c_L together with what was assumed of it, which suits one sortie. To set sorties
against each other the assumption must not count once for each, so the holds without power are also solved for

.. math::
    \hat r_i = c_0 + c_L L_i / (q_i S b) + w_i + e_i

by generalised least squares, ``w`` a wander of the zero and its drift, ``e`` the error of each level. The
error of the ballast's mass and arm is left to the caller, for sorties share it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..channels import GRAVITY
from ..holds.model import Hold, HoldKind
from ..quantity import Quantity
from .calibrate import Wing
from .observe import Observations

__all__ = ["measure_turn_coefficient"]

Array = NDArray[np.float64]

_APART = 4.0  # standardised distance from all others at which a hold is left out


def measure_turn_coefficient(
    observed: Observations,
    holds: Sequence[Hold],
    wing: Wing,
    airspeed: Array,
    *,
    walk: float,
    drift: float,
    widening: float = 1.0,
) -> Quantity:
    """Return c_L from glides and ballast glides alone.

    Parameters
    ----------
    observed : Observations
        Levels of the k holds.
    holds : sequence of Hold, length k
        In the same order.
    wing : Wing
        Area and span.
    airspeed : ndarray, shape (k,)
        True airspeed of each hold [m/s].
    walk : float
        How far the turn zero wanders in 1000 s [rad/s].
    drift : float
        Standard deviation of its steady drift [rad/s^2].
    widening : float
        Factor on the uncertainty of the levels, from the joint solution.

    Returns
    -------
    Quantity
        [1]; may be negative where gusts drown the ballast. Unknown, with the reason, without ballast glides.
    """
    use = np.array(
        [h.kind is not HoldKind.POWER and np.isfinite(observed.turn_rate[i]) for i, h in enumerate(holds)]
    )
    index = np.flatnonzero(use)
    moment = np.array([h.ballast_moment for h in holds])
    if not np.any(moment[index]):
        return Quantity.unknown("", "no ballast glide was flown: the turn per N m is assumed, not measured")
    load = np.where(np.isfinite(observed.load), observed.load, GRAVITY)
    density = np.where(np.isfinite(observed.density), observed.density, 1.2)
    to_hat = wing.span / (2.0 * airspeed)
    lever = moment * load / GRAVITY / (0.5 * density * airspeed**2 * wing.area * wing.span)
    time = observed.middle - float(np.mean(observed.middle[index]))
    turn = observed.covariance[1::2, 1::2] * widening**2 + drift**2 * np.outer(time, time)
    since = observed.middle - float(np.min(observed.middle[index]))
    turn = turn + walk**2 / 1000.0 * np.minimum.outer(since, since)
    covariance = turn * np.outer(to_hat, to_hat)
    target = observed.turn_rate * to_hat
    while True:
        design = np.column_stack([np.ones(index.size), lever[index]])
        if index.size < 3 or np.linalg.matrix_rank(design) < 2:
            return Quantity.unknown(
                "", "too few glides beside the ballast glides to measure the turn per N m"
            )
        weight = np.linalg.inv(covariance[np.ix_(index, index)])
        posterior = np.linalg.inv(design.T @ weight @ design)
        best = posterior @ design.T @ weight @ target[index]
        # each hold against all others: (W r)_i / sqrt(P_ii), P the weight less what the fit took
        left = weight - weight @ design @ posterior @ design.T @ weight
        apart = np.abs(left @ target[index]) / np.sqrt(np.maximum(np.diag(left), 1e-300))
        worst = int(np.argmax(apart))
        if apart[worst] < _APART or index.size <= 5:
            break
        index = np.delete(index, worst)
    return Quantity.of(float(best[1]), float(np.sqrt(posterior[1, 1])))
