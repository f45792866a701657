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
_PULSE_LIMIT = 6.0  # standard uncertainties; gusts have long tails: one honest hold in 400 passes
_STEP_LIMIT = 6.0  # the same for a change within a hold
_LEVEL_LIMIT = 4.2  # the same for a level, whose noise averages; honest holds reached 4.0
_SUSPECT = 2.5  # the same for a hold that is left out of the noise model before it is judged
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
    level, apart = _stand_apart(part, fit)
    surest = [max(abs(s.significance) for s in _shifts(record, fit)) for record in records]
    suspect = [k for k in range(len(part)) if surest[k] > _SUSPECT or abs(apart[k]) > _SUSPECT]
    suspect = sorted(suspect, key=lambda k: -max(surest[k], abs(float(apart[k]))))[: len(part) // 2]
    calm = [record for k, record in enumerate(records) if k not in suspect]
    if suspect and len(calm) >= _FEWEST:  # brakes in them would pass for slow gusts
        fit = fit_levels(calm, period, replicates=_REPLICATES)
    out: dict[int, PilotInput] = {}
    for k in suspect:
        hold = part[k]
        if hold.origin != "found" or hold.hands_off is True:
            continue
        begun = hold.start + fit.order * period
        found = _judge_hold(hold, _shifts(records[k], fit), level[k], apart[k], begun, period)
        if found is not None:
            out[chosen[k]] = found
    return out


@dataclass(frozen=True)
class _Shift:
    """Window whose mean stands out most: significance, turn [rad/s], first and one past the last."""

    significance: float
    turn: float
    first: int
    last: int


def _shifts(record: Array, fit: LevelFit) -> tuple[_Shift, _Shift]:
    """Return the surest pulse and the surest change to the end."""
    scores, size = _whitened(record, fit)
    n, edge = len(scores), round(_STEP_EDGE / fit.period)
    lengths = range(round(_PULSE[0] / fit.period), round(_PULSE[1] / fit.period) + 1)
    pulses = [(a, a + length) for length in lengths for a in range(1, n - length)]
    return _surest(scores, size, pulses), _surest(scores, size, [(a, n) for a in range(edge, n - edge)])


def _judge_hold(
    hold: Hold, shifts: tuple[_Shift, _Shift], level: float, apart: float, begun: float, period: float
) -> PilotInput | None:
    """Return level, pulse or change, whichever passes first, or None."""
    if abs(apart) > _LEVEL_LIMIT and abs(level) > _LEAST:
        words = (
            f"turns by {np.degrees(level):+.1f} deg/s beyond what the other holds predict, with power, "
            f"ballast and drift allowed for ({abs(apart):.1f} standard uncertainties of the gusts): a brake "
            "held, or weight shifted"
        )
        return PilotInput("level", level, abs(apart), hold.start, hold.end, words)
    pulse, change = shifts
    if abs(pulse.significance) > _PULSE_LIMIT and abs(pulse.turn) > _LEAST:
        start, end = begun + pulse.first * period, begun + pulse.last * period
        words = (
            f"a pulse of {np.degrees(pulse.turn):+.1f} deg/s from {start:.0f} to {end:.0f} s "
            f"({abs(pulse.significance):.1f} standard uncertainties of the gusts): a brake pulled and let go"
        )
        return PilotInput("pulse", pulse.turn, abs(pulse.significance), start, end, words)
    if abs(change.significance) > _STEP_LIMIT and abs(change.turn) > _LEAST:
        when = begun + change.first * period
        words = (
            f"the turn changes by {np.degrees(change.turn):+.1f} deg/s at {when:.0f} s "
            f"({abs(change.significance):.1f} standard uncertainties of the gusts): a brake pulled or let go"
        )
        return PilotInput("change", change.turn, abs(change.significance), when, hold.end, words)
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


def _surest(scores: Array, size: float, windows: Sequence[tuple[int, int]]) -> _Shift:
    """Return the window whose mean stands out most from the rest."""
    n = len(scores)
    if not windows:
        return _Shift(0.0, 0.0, 0, n)
    total = np.concatenate([[0.0], np.cumsum(scores - scores.mean())])
    at = np.array(windows)
    length = at[:, 1] - at[:, 0]
    free = length * (1.0 - length / n)
    rise = total[at[:, 1]] - total[at[:, 0]]
    # scatter about both means, so that a shift does not hide itself
    rest = (float(np.sum((scores - scores.mean()) ** 2)) - rise**2 / free) / (n - 2)
    z = rise / np.sqrt(np.maximum(rest, 1.0) * free)
    best = int(np.argmax(np.abs(z)))
    return _Shift(float(z[best]), float(rise[best] / free[best] / size), *windows[best])


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
    if len(kept) >= terms + 2 and len(kept) < count:
        # generalised least squares prediction, with what a hold shares with the others
        others = np.array(kept)
        inverse = np.linalg.inv(covariance[np.ix_(others, others)])
        if np.linalg.matrix_rank(design[others]) == terms:
            spread = np.linalg.inv(design[others].T @ inverse @ design[others])
            best = spread @ design[others].T @ inverse @ turn[others]
            out = np.setdiff1d(np.arange(count), others)
            share = covariance[np.ix_(out, others)] @ inverse
            gap[out] = turn[out] - design[out] @ best - share @ (turn[others] - design[others] @ best)
            lever = design[out] - share @ design[others]
            variance = np.diag(covariance)[out] - np.sum(share * covariance[np.ix_(out, others)], axis=1)
            variance += np.einsum("ij,jk,ik->i", lever, spread, lever)
            apart[out] = gap[out] / np.sqrt(np.maximum(variance, 1e-18))
    if len(kept) >= terms + 3:
        own, far = _each_from_the_rest(turn[kept], design[kept], covariance[np.ix_(kept, kept)])
        gap[kept], apart[kept] = own, far
    return gap, apart


def _each_from_the_rest(turn: Array, design: Array, covariance: Array) -> tuple[Array, Array]:
    """Return each level less the prediction of the rest, plain and in standard uncertainties.

    With P the precision that the law leaves, ``W - W X (X' W X)^-1 X' W``, these are ``(P y)_i / P_ii`` and
    ``(P y)_i / sqrt(P_ii)``; zero where the rest do not determine the law.
    """
    count, terms = design.shape
    if np.linalg.matrix_rank(design) < terms:
        return np.zeros(count), np.zeros(count)
    inverse = np.linalg.inv(covariance)
    weighted = inverse @ design
    precision = inverse - weighted @ np.linalg.solve(design.T @ weighted, weighted.T)
    own, rest = np.diag(precision), precision @ turn
    told = own > 1e-10 * np.diag(inverse)
    safe = np.where(told, own, 1.0)
    return np.where(told, rest / safe, 0.0), np.where(told, rest / np.sqrt(safe), 0.0)
