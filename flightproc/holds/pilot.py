r"""Brakes pulled in what looks like a hold: pulses, changes, and a level that no other hold bears out.

One vector autoregression of hang roll and turn rate describes the gusts of all holds. Its innovations e_t are
white, so that a brake shows as a shift of their mean, to be found by a matched filter over windows a to b:

.. math::

    z = \sum_{t=a}^{b} (s_t - \bar s) / (\sigma_s \sqrt{l (1 - l / n)}), \quad s_t = g^T L^{-1} e_t / |g|

.. math:: g = L^{-1} (I - \sum_k A_k) (0, 1)^T, \quad L L^T = \mathrm{cov}(e)

with l = b - a of n innovations. sigma_s is the scatter of the hold itself, but at least 1, since gusts come
in patches. The level of a whole hold is set against what all others predict of it.

References
----------
A. S. Willsky, H. L. Jones, "A generalized likelihood ratio approach to the detection and estimation of jumps
in linear systems", IEEE Transactions on Automatic Control 21 (1976), 108-112 (shifts in innovations).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..sortie.model import Sortie
from ..statistics.autoregression import LevelFit, fit_levels
from .model import Hold, HoldKind
from .propose import turn_channel
from .signals import block_means, filled

__all__ = ["PilotInput", "find_pilot_inputs"]

Array = NDArray[np.float64]

_PERIOD = 0.5  # averaging period of the records [s]
_REPLICATES = 50  # simulated records for the covariance of the levels
_FEWEST = 5  # holds below which the gusts of the sortie are not known well enough
_SHORTEST = 20.0  # shortest hold looked at [s]
_PULSE = (3.0, 10.0)  # shortest and longest pulse looked for [s]
_STEP_EDGE = 6.0  # least length on both sides of a change within a hold [s]
_PULSE_LIMIT = 4.4  # standard uncertainties; honest holds of a trial family reached 4.3, one in 650
_STEP_LIMIT = 3.8  # the same for a change within a hold; honest holds reached 3.5
_LEVEL_LIMIT = 3.8  # the same for a level; honest holds reached 2.8
_JOINT_STEP, _JOINT_LEVEL = 3.0, 2.5  # a change within a hold that its level bears out
_LEAST = np.radians(0.5)  # smallest shift of turn rate that is taken for a brake [rad/s]
_WANDER = np.radians(0.15)  # of the wing's own turn from hold to hold [rad/s]
_LAW = 0.2  # relative misfit of the law by which the turn grows with the square of engine speed
_SAME_RPM = 0.025  # relative difference of engine speed within one setting
_MOST = 6  # one in so many holds may stand apart; with more, the law is wrong and not the holds


@dataclass(frozen=True)
class PilotInput:
    """What speaks for a brake in a hold.

    Attributes
    ----------
    form : str
        ``pulse``, ``change`` or ``level``.
    turn : float
        Turn rate that it adds when held [rad/s], positive right.
    significance : float
        The same in standard uncertainties, without sign.
    start, end : float
        When [s].
    words : str
        For the table of stretches turned down.
    """

    form: str
    turn: float
    significance: float
    start: float
    end: float
    words: str


def find_pilot_inputs(sortie: Sortie, holds: Sequence[Hold]) -> dict[int, PilotInput]:
    """Return which holds show a pilot input, by their index.

    Parameters
    ----------
    sortie : Sortie
        Its turn rate and, where there is one, hang roll.
    holds : sequence of Hold
        All of the sortie. Those which a person set, or which the notes call hands off, are trusted.

    Notes
    -----
    What turns the wing by less than the gusts do is not seen: docs/method.md has the sizes. A power setting
    flown once only is compared by the law alone, and that loosely; a sortie whose holds differ too much for
    the law is not judged by levels.
    """
    turn = turn_channel(sortie)
    chosen = [i for i, hold in enumerate(holds) if hold.duration >= _SHORTEST]
    if turn is None or len(chosen) < _FEWEST:
        return {}
    channels = [turn]
    roll = sortie.column("hang_roll")
    if roll is not None and np.isfinite(roll).any():
        channels.insert(0, roll)
    bridged = [filled(channel) for channel in channels]
    block = max(1, round(_PERIOD * sortie.rate))
    records = []
    for i in chosen:
        inside = (sortie.time >= holds[i].start) & (sortie.time <= holds[i].end)
        records.append(np.column_stack([block_means(channel[inside], block) for channel in bridged]))
    period = block / sortie.rate
    fit = fit_levels(records, period, replicates=_REPLICATES)
    if not np.all(np.isfinite(fit.levels)):
        return {}
    part = [holds[i] for i in chosen]
    level, significance = _stand_apart(part, fit)
    out: dict[int, PilotInput] = {}
    for k, i in enumerate(chosen):
        hold = holds[i]
        if hold.origin != "found" or hold.hands_off is True:
            continue
        begun = hold.start + fit.order * period
        scores, size = _whitened(records[k], fit)
        found = _judge_hold(hold, scores, size, level[k], significance[k], begun, period)
        if found is not None:
            out[i] = found
    return out


def _judge_hold(
    hold: Hold, scores: Array, size: float, level: float, apart: float, begun: float, period: float
) -> PilotInput | None:
    """Return the surest of pulse, change and level, or None."""
    n = len(scores)
    if abs(apart) > _LEVEL_LIMIT and abs(level) > _LEAST:
        words = (
            f"turns by {np.degrees(level):+.1f} deg/s beyond what the other holds predict, with power, "
            f"ballast and drift allowed for ({abs(apart):.1f} standard uncertainties of the gusts): a brake "
            "held, or weight shifted"
        )
        return PilotInput("level", level, abs(apart), hold.start, hold.end, words)
    lengths = range(round(_PULSE[0] / period), round(_PULSE[1] / period) + 1)
    pulses = [(a, a + length) for length in lengths for a in range(1, n - length)]
    z, turn, (first, last) = _shift(scores, size, pulses)
    if abs(z) > _PULSE_LIMIT and abs(turn) > _LEAST:
        start, end = begun + first * period, begun + last * period
        words = (
            f"a pulse of {np.degrees(turn):+.1f} deg/s from {start:.0f} to {end:.0f} s "
            f"({abs(z):.1f} standard uncertainties of the gusts): a brake pulled and let go"
        )
        return PilotInput("pulse", turn, abs(z), start, end, words)
    edge = round(_STEP_EDGE / period)
    z, turn, (first, _) = _shift(scores, size, [(a, n) for a in range(edge, n - edge)])
    joint = abs(z) > _JOINT_STEP and abs(apart) > _JOINT_LEVEL
    if (abs(z) > _STEP_LIMIT or joint) and abs(turn) > _LEAST:
        when = begun + first * period
        words = (
            f"the turn changes by {np.degrees(turn):+.1f} deg/s at {when:.0f} s "
            f"({abs(z):.1f} standard uncertainties of the gusts): a brake pulled or let go"
        )
        return PilotInput("change", turn, abs(z), when, hold.end, words)
    return None


def _whitened(record: Array, fit: LevelFit) -> tuple[Array, float]:
    """Return innovations along the direction of a turn, and what one rad/s of turn shifts them by."""
    order, n, m = fit.order, len(record), record.shape[1]
    lagged = np.hstack([record[order - k : n - k] for k in range(1, order + 1)])
    rest = record[order:] - lagged @ np.vstack([a.T for a in fit.coefficients])
    root = np.linalg.cholesky(fit.innovation + 1e-14 * np.trace(fit.innovation) * np.eye(m))
    gain = np.linalg.solve(root, (np.eye(m) - fit.coefficients.sum(axis=0))[:, -1])
    size = float(np.linalg.norm(gain))
    scores: Array = np.linalg.solve(root, rest.T).T @ gain / size
    return scores, size


def _shift(
    scores: Array, size: float, windows: Sequence[tuple[int, int]]
) -> tuple[float, float, tuple[int, int]]:
    """Return significance and turn of the window whose mean stands out most, and the window."""
    n = len(scores)
    if not windows:
        return 0.0, 0.0, (0, n)
    scatter = max(1.0, float(np.std(scores)))
    total = np.concatenate([[0.0], np.cumsum(scores - scores.mean())])
    at = np.array(windows)
    length = at[:, 1] - at[:, 0]
    free = length * (1.0 - length / n)
    rise = total[at[:, 1]] - total[at[:, 0]]
    z = rise / (scatter * np.sqrt(free))
    best = int(np.argmax(np.abs(z)))
    return float(z[best]), float(rise[best] / free[best] / size), windows[best]


def _stand_apart(holds: Sequence[Hold], fit: LevelFit) -> tuple[Array, Array]:
    """Return how far each hold's turn lies from what the others predict [rad/s], and over its uncertainty.

    The law: a constant, a drift in time, a turn that grows with the square of engine speed under power, and
    one that goes with ballast. Zeros where the others tell nothing.
    """
    count = len(holds)
    m = fit.levels.shape[1]
    turn = fit.levels[:, -1]
    covariance = fit.covariance[m - 1 :: m, m - 1 :: m] + _WANDER**2 * np.eye(count)
    power = np.array([hold.rpm if hold.kind is HoldKind.POWER else 0.0 for hold in holds])
    ballast = np.array([hold.ballast_moment for hold in holds])
    middle = np.array([(hold.start + hold.end) / 2 for hold in holds])
    terms = [np.ones(count)]
    for term in ((middle - middle.mean()), power**2, ballast):
        if np.ptp(term) > 0.0:
            terms.append(term / np.abs(term).max())
    design = np.column_stack(terms)
    kept = list(range(count))
    with_law = covariance
    for _ in range(count):
        with_law = covariance + _law_misfit(turn, design, covariance, power, kept)
        gap, apart = _deleted(turn, design, with_law, kept)
        worst = max(kept, key=lambda i: abs(apart[i]))
        if abs(apart[worst]) <= _LEVEL_LIMIT:
            return gap, apart
        if count - len(kept) >= max(1, count // _MOST):
            break
        kept.remove(worst)
    return np.zeros(count), np.zeros(count)


def _law_misfit(turn: Array, design: Array, covariance: Array, power: Array, kept: Sequence[int]) -> Array:
    """Return the covariance of what a setting's own turn may differ from the law by."""
    if not power.any():
        return np.zeros_like(covariance)
    part = np.ix_(kept, kept)
    weighted = np.linalg.solve(covariance[part], design[kept])
    coefficients = np.linalg.lstsq(design[kept].T @ weighted, weighted.T @ turn[kept], rcond=None)[0]
    by_power = int(np.argmax([abs(np.corrcoef(c, power**2)[0, 1]) if np.ptp(c) else 0.0 for c in design.T]))
    own = coefficients[by_power] * design[:, by_power]
    high = np.maximum(power[:, None], power[None, :])
    same = (np.abs(power[:, None] - power[None, :]) <= _SAME_RPM * high) & (high > 0.0)
    out: Array = _LAW**2 * np.outer(own, own) * same
    return out


def _deleted(turn: Array, design: Array, covariance: Array, kept: Sequence[int]) -> tuple[Array, Array]:
    """Return each level less the prediction of the other kept ones, plain and in standard uncertainties."""
    count, terms = design.shape
    gap, apart = np.zeros(count), np.zeros(count)
    for i in range(count):
        others = [j for j in kept if j != i]
        if len(others) < terms + 2 or np.linalg.matrix_rank(design[others]) < terms:
            continue
        inverse = np.linalg.inv(covariance[np.ix_(others, others)])
        spread = np.linalg.inv(design[others].T @ inverse @ design[others])
        best = spread @ design[others].T @ inverse @ turn[others]
        cross = covariance[i, others]
        # generalised least squares prediction, with what the hold shares with the others
        predicted = design[i] @ best + cross @ inverse @ (turn[others] - design[others] @ best)
        lever = design[i] - design[others].T @ inverse @ cross
        variance = covariance[i, i] - cross @ inverse @ cross + lever @ spread @ lever
        gap[i] = turn[i] - predicted
        apart[i] = gap[i] / np.sqrt(max(variance, 1e-18))
    return gap, apart
