r"""Torque ratios of several sorties put together, what they share counted once.

Sorties solved together share draws of what they have in common (hang stiffness, rig, compensation), so a
weighted mean of their draws keeps it whole, however many sorties there are. With ``c`` the covariance of the
draws over their values, the weights are

.. math::
    w = \arg\min w^T c\, w, \qquad \sum w_s = 1, \quad w_s \ge 0

Relative deviations are used because the stiffness multiplies every ratio: in absolute terms the smaller ratio
would be taken for the surer one, and the mean would be drawn below all of them [1]_. Whether the sorties
agree is told by their contrasts, in which the shared part drops out.

References
----------
.. [1] G. D'Agostini, "On the use of the covariance matrix to fit correlated data", Nuclear Instruments and
   Methods in Physics Research A 346 (1994), 306-311.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..display import displayed
from ..moment.trace_model import SettingRatio, SortieTrace
from ..quantity import Quantity

__all__ = [
    "SHARED",
    "Agreement",
    "Contribution",
    "PooledRatio",
    "best_weights",
    "judge_agreement",
    "pool_ratios",
    "rebase_trace",
]

Array = NDArray[np.float64]

SHARED = frozenset(
    {
        "noise of the ballast legs",
        "ballast mass and arm",
        "riser stiffness",
        "weight and hang arm",
        "tilt test",
        "inertia",
        "change of K under power",
        "turn by yaw",
        "idle torque",
        "turn coefficient",
        "yaw moment of the thrust",
        "rig",
        "compensation",
    }
)
"""Sources of uncertainty that sorties solved together have in common."""

_STIFFNESS = frozenset(
    {
        "noise of the ballast legs",
        "ballast mass and arm",
        "riser stiffness",
        "weight and hang arm",
        "tilt test",
        "inertia",
    }
)
_APART_P = 0.01  # agreement less likely than this widens what is put together


@dataclass(frozen=True)
class Agreement:
    """Whether sorties agree with each other.

    Attributes
    ----------
    chi2, dof : float, int
        Of the sorties about their common value, shared errors left out.
    probability : float
        Chance of so large a chi2, or a larger one, where they do agree.
    widening : float
        Factor by which the interval was widened because they do not; 1 where they do.
    words : str
        The same as a sentence.
    """

    chi2: float
    dof: int
    probability: float
    widening: float
    words: str


@displayed
@dataclass(frozen=True)
class Contribution:
    """What one sortie adds.

    Attributes
    ----------
    sortie : int
        Index of the sortie.
    ratio : Quantity
        Its torque ratio, solved together with the others [1].
    alone : Quantity
        Its torque ratio by itself [1].
    advance_ratio : Quantity
        J at which it holds [1].
    weight : float
        In the common value, 0 to 1.
    """

    sortie: int
    ratio: Quantity
    alone: Quantity
    advance_ratio: Quantity
    weight: float


@displayed
@dataclass(frozen=True)
class PooledRatio:
    """A torque ratio over several sorties.

    Attributes
    ----------
    rpm : float or None
        Engine speed of the setting [1/min]; None over all settings.
    ratio : Quantity
        Torque in flight over torque on the rig [1].
    advance_ratio : Quantity
        Weighted mean of J [1].
    parts : tuple of Contribution
        Sortie by sortie.
    shared : float
        Standard uncertainty that all have in common, which more power holds do not take away [1].
    agreement : Agreement or None
        None for one sortie alone.
    """

    rpm: float | None
    ratio: Quantity
    advance_ratio: Quantity
    parts: tuple[Contribution, ...]
    shared: float
    agreement: Agreement | None


def best_weights(covariance: Array) -> Array:
    """Return the weights, none below 0 and 1 in all, that make the variance of a mean least.

    Parameters
    ----------
    covariance : ndarray, shape (n, n)
        Of what is averaged.

    Examples
    --------
    >>> best_weights(np.diag([1.0, 4.0])).round(2).tolist()
    [0.8, 0.2]

    A shared part leaves the weights as they are:

    >>> best_weights(np.diag([1.0, 4.0]) + 9.0).round(2).tolist()
    [0.8, 0.2]
    """
    count = len(covariance)
    kept = np.ones(count, dtype=bool)
    out = np.zeros(count)
    while True:
        index = np.flatnonzero(kept)
        part = covariance[np.ix_(index, index)]
        part = part + 1e-9 * np.diag(np.diag(part))
        weights = np.linalg.solve(part, np.ones(index.size))
        weights /= weights.sum()
        if index.size == 1 or weights.min() >= 0.0:
            out[index] = weights
            return out
        kept[index[int(np.argmin(weights))]] = False


def judge_agreement(values: Array, covariance: Array, what: str = "the sorties") -> Agreement | None:
    """Test whether values agree, given the covariance of their errors.

    Parameters
    ----------
    values : ndarray, shape (n,)
        One a sortie.
    covariance : ndarray, shape (n, n)
        Of their errors, what they share included; it drops out.
    what : str
        Subject of the sentence.

    Returns
    -------
    Agreement or None
        None where there is nothing to compare.

    Examples
    --------
    >>> found = judge_agreement(np.array([1.0, 1.1]), np.diag([0.005, 0.005]))
    >>> round(found.chi2, 6), found.dof, round(found.probability, 3), found.widening
    (1.0, 1, 0.317, 1.0)
    """
    from scipy.special import chdtrc

    count = len(values)
    if count < 2:
        return None
    inverse = np.linalg.inv(covariance + 1e-9 * np.diag(np.diag(covariance)))
    sums = inverse.sum(axis=1)
    centre = float(sums @ values / sums.sum())
    gap = values - centre
    chi2, dof = float(gap @ inverse @ gap), count - 1
    chance = float(chdtrc(dof, chi2))
    widening = math.sqrt(chi2 / dof) if chance < _APART_P else 1.0
    degrees = f"{dof} degree{'s' if dof > 1 else ''} of freedom"
    figures = f"chi2 {chi2:.1f} at {degrees}, probability {chance:.2g}"
    if widening > 1.0:
        words = (
            f"{what} do not agree within their uncertainties ({figures}): what is put together was widened "
            f"by {widening:.1f}; look for what differed between them"
        )
    else:
        words = f"{what} agree within their uncertainties ({figures})"
    return Agreement(chi2, dof, chance, widening, words)


def pool_ratios(
    values: Sequence[float],
    draws: Array,
    budgets: Sequence[Mapping[str, float]],
    *,
    what: str = "the sorties",
) -> tuple[Quantity, Array, float, Agreement | None]:
    """Put ratios together.

    Parameters
    ----------
    values : sequence of float, length n
        Best estimates [1].
    draws : ndarray, shape (draws, n)
        Joint draws [1].
    budgets : sequence of mapping, length n
        Contributions of each source [1].
    what : str
        Subject of the sentence on agreement.

    Returns
    -------
    ratio : Quantity
        The weighted mean, with its budget.
    weights : ndarray, shape (n,)
    shared : float
        What of its standard uncertainty all have in common [1].
    agreement : Agreement or None
    """
    best = np.asarray(values, dtype=float)
    sound = np.isfinite(draws).all(axis=1)
    samples = draws[sound]
    scale = np.abs(best) if (best > 0.0).all() else np.ones_like(best)
    relative = np.cov(samples / scale, rowvar=False).reshape(best.size, best.size)
    weights = best_weights(relative)
    centre = float(weights @ best)
    size = abs(centre) if (best > 0.0).all() else 1.0
    agreement = judge_agreement(best, relative * size**2, what)
    mean = centre + (samples - best) @ weights
    if agreement is not None and agreement.widening > 1.0:
        mean = centre + agreement.widening * (mean - centre)
    plain = Quantity.from_samples(mean, "", value=centre)
    parts: dict[str, float] = {}
    for source in {name for budget in budgets for name in budget}:
        each = weights * np.array([budget.get(source, 0.0) for budget in budgets])
        parts[source] = float(each.sum() if source in SHARED else np.sqrt(np.sum(each**2)))
    total = math.sqrt(sum(part**2 for part in parts.values()))
    factor = (plain.std or 0.0) / total if total > 0.0 else 0.0
    ranked = sorted(parts.items(), key=lambda item: -item[1])
    budget = {name: factor * part for name, part in ranked if part > 1e-6 * total}
    shared = math.sqrt(sum(part**2 for name, part in budget.items() if name in SHARED))
    return Quantity.from_samples(mean, "", value=centre, budget=budget), weights, shared, agreement


def rebase_trace(
    trace: SortieTrace,
    stiffness: Quantity,
    stiffness_draws: Array,
    *,
    sources: Mapping[str, float] | None = None,
    given_back: float = 0.0,
    seed: int = 1,
    number: int = 0,
) -> tuple[SortieTrace, Array]:
    """Give a whole-sortie estimate the hang stiffness that all sorties together tell.

    Parameters
    ----------
    trace : SortieTrace
        By the sortie alone, with a ratio.
    stiffness : Quantity
        K of the joint solution, for this sortie [N m/rad].
    stiffness_draws : ndarray, shape (draws,)
        Its draws, which go with those of the other sorties [N m/rad].
    sources : mapping of str to float, optional
        Budget of a moment of the joint solution; its parts that come from K split K's share.
    given_back : float
        What a compensation adds to the ratio, which does not grow with the stiffness [1].
    seed, number : int
        Seed of the draws, shared by all sorties, and number of this one.

    Returns
    -------
    trace : SortieTrace
        The same with ratio, settings and stiffness as of all sorties.
    draws : ndarray, shape (draws,)
        Of its ratio; those of other sorties with the same seed share the errors of stiffness, rig and
        compensation.

    Notes
    -----
    The ratio is the moment that the flight shows for each radian, times K. Its budget tells how uncertain the
    former is; the ballast and what was known before the flight come in with the joint K, and only there.
    Where the sortie by itself tells K better than the joint solution, which goes by the holds, its own K
    stays, and its error still counts as one with that of the others.
    """
    ratio, before = trace.ratio, trace.stiffness.value
    assert ratio.value is not None and before and stiffness.value
    count = len(stiffness_draws)
    common = np.random.default_rng((seed, 4))  # the same for all sorties
    own = np.random.default_rng((seed, 5, number + 1))
    deviation = stiffness_draws / stiffness.value - 1.0
    told = (trace.stiffness.std or 0.0) / before
    spread = float(np.std(deviation))
    if 0.0 < told <= spread:
        stiffness, deviation = trace.stiffness, deviation * told / spread
    factor = (stiffness.value or before) / before
    centre = given_back + (ratio.value - given_back) * factor
    parts: dict[str, float] = {}
    error = np.zeros(count)
    for source in ("rig", "compensation", "yaw moment of the thrust", "idle torque", "turn by yaw"):
        drawn = common.standard_normal(count)
        part = ratio.budget.get(source, 0.0) * factor
        if part:
            error += part * drawn
            parts[source] = part
    for source, size in ratio.budget.items():
        if source in parts or source in _STIFFNESS:
            continue
        parts[source] = size * factor
        error += parts[source] * own.standard_normal(count)
    moved = (centre - given_back) * deviation
    draws = centre + moved + error
    split = {name: part for name, part in (sources or ratio.budget).items() if name in _STIFFNESS and part}
    whole = math.sqrt(sum(part**2 for part in split.values()))
    for name, part in split.items():
        parts[name] = float(np.std(moved)) * part / whole
    found = Quantity.from_samples(draws, "", value=centre, budget=parts)
    said = "the hang stiffness is that of all sorties solved together"
    if factor == 1.0:
        said = "the sortie by itself tells the hang stiffness better than the holds of all: its own was kept"
    kept = len(trace.draws)
    chosen = draws[np.arange(kept) % count]
    joint = SortieTrace(
        **{
            **vars(trace),
            "ratio": found,
            "stiffness": stiffness,
            "draws": np.column_stack([chosen, factor * trace.draws[:, 1]]),
            "settings": (),
            "ratio_slope": trace.ratio_slope.scaled(factor, ""),
            "words": (*trace.words, said),
        }
    )
    settings = tuple(
        SettingRatio(
            item.rpm,
            item.advance_ratio,
            joint.ratio_at(item.advance_ratio) if math.isfinite(item.advance_ratio) else found,
        )
        for item in trace.settings
    )
    return SortieTrace(**{**vars(joint), "settings": settings}), draws
