r"""The unit's roll under its hang points: natural frequency and damping from hands-off flight.

Gusts and throttle set the hung unit swinging. Its roll rate, a filtered and noisy record of that swing, is
described by an autoregression over all stretches. Its coefficients come from instrumental variables, older
lags standing in for the newest, so that noise of the readings and the colour of gusts within a sample or
two do not bend them (modified Yule-Walker equations). The least damped of its poles ``z`` in the band
gives, by ``s = log(z) / T``, the undamped natural frequency ``|s|`` and the damping ratio ``-Re(s) / |s|``.
The frequency gives ``K = I omega^2`` with I the roll inertia about the line through the hang points.

The wing is some twenty times as heavy to roll. It swings against the unit by some percent of its angle, which
raises the frequency, and brings the apparent gravity along with it, which lowers it; the two nearly cancel:
over simulated wings the modulus of the swing's eigenvalue is 0.999 of sqrt(K / I), with a spread of 0.002.

References
----------
.. [1] S. M. Pandit, S.-M. Wu, "Time Series and System Analysis with Applications", Wiley 1983, chapter 7
   (poles of an autoregression as modes of a vibrating system).
.. [2] B. Friedlander, B. Porat, "The modified Yule-Walker method of ARMA spectral estimation", IEEE
   Transactions on Aerospace and Electronic Systems 20 (1984), 158-173.
.. [3] B. Efron, "The Jackknife, the Bootstrap and Other Resampling Plans", SIAM 1982, chapter 3.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..display import displayed
from ..quantity import Quantity
from ..sortie.model import Sortie
from .calibrate import Frame, Priors

__all__ = ["RollMode", "roll_mode", "swing_limits"]

Array = NDArray[np.float64]

_RATE = 5.0  # sampling of the roll rate [Hz]
_ORDER = 4  # of the autoregression: one pair of poles for the swing, the other for what gusts bring
_SKIP = 2  # newest lags that the instruments leave out
_TOOLS = 8  # instruments
_RANGE = (2.0, 9.5)  # natural frequencies looked for [rad/s]
_GYRATION = (0.2, 0.4)  # radius of gyration in roll of a hung mass about its own CG [m]
_DAMPING = (0.01, 0.7)
_LEAST = 12.0  # shortest stretch used [s]
_ENOUGH = 120.0  # least total [s]
_PARTS = 12  # of the jackknife
_HIGH = 1.02  # of the frequency found over the eigenvalue's, mean over simulated units in gusts
_MODEL = 0.025  # its spread over them: order of the model, colour of the gusts, motion of the wing


@displayed
@dataclass(frozen=True)
class RollMode:
    """Roll of the hung unit as a pendulum.

    Attributes
    ----------
    frequency : Quantity
        Undamped natural frequency [rad/s].
    damping : Quantity
        Damping ratio [1].
    words : str
        How it was found, or why not.
    """

    frequency: Quantity
    damping: Quantity
    words: str


def swing_limits(frame: Frame, priors: Priors) -> tuple[float, float]:
    """Return the natural frequencies that stiffness and inertia allow [rad/s].

    Parameters
    ----------
    frame : Frame
        Its inertia where a pendulum test gave one, else what hung masses have.
    priors : Priors
        What is known of the stiffness before the flight.
    """
    low, high = priors.riser
    if priors.riser_stated:
        low, high = low * math.exp(-2.5 * high), low * math.exp(2.5 * high)
    soft = max(priors.weight - 2.5 * priors.weight_std, 0.3 * priors.weight) + low
    hard = priors.weight + 2.5 * priors.weight_std + high
    if frame.inertia is not None:
        error = 2.5 * (frame.inertia_std or 0.0)
        light, heavy = max(frame.inertia - error, 0.5 * frame.inertia), frame.inertia + error
    else:
        light, heavy = (frame.mass * (frame.hang_arm**2 + own**2) for own in _GYRATION)
    return 0.95 * math.sqrt(soft / heavy), 1.05 * math.sqrt(hard / light)


def roll_mode(
    sortie: Sortie, stretches: Sequence[tuple[float, float]], *, limits: tuple[float, float] = _RANGE
) -> RollMode:
    """Find natural frequency and damping of the unit's roll.

    Parameters
    ----------
    sortie : Sortie
        Needs ``roll_rate``.
    stretches : sequence of (float, float)
        Hands-off flight [s]; best without power, as a running engine's vibration blurs the swing.
    limits : tuple of float
        Natural frequencies to look in [rad/s].

    Returns
    -------
    RollMode
        Unknown, with the reason, where the record is short or shows no such swing.
    """
    column = sortie.column("roll_rate")
    if column is None:
        return _unknown("the sortie has no roll rate")
    size = max(1, round(sortie.rate / _RATE))
    period = size / sortie.rate
    if 1.0 / period < 3.0:
        return _unknown(f"the grid of {sortie.rate:.1f} Hz is too slow to see the unit swing")
    time = sortie.time
    records = []
    for start, end in stretches:
        part = column[(time >= start) & (time <= end)]
        count = part.size // size
        if count * period >= _LEAST and np.isfinite(part).all():
            folded = part[: count * size].reshape(count, size).mean(axis=1)
            records.append(folded - folded.mean())
    total = sum(record.size for record in records) * period
    if total < _ENOUGH:
        return _unknown(f"only {total:.0f} s of hands-off flight, {_ENOUGH:.0f} s are needed")
    first = _SKIP + _TOOLS
    targets = np.concatenate([record[first:] for record in records])

    def lagged(low: int, high: int) -> Array:
        rows = [
            np.concatenate([record[first - k : record.size - k] for record in records])
            for k in range(low, high)
        ]
        return np.column_stack(rows)

    lags, tools = lagged(1, _ORDER + 1), lagged(1 + _SKIP, 1 + _SKIP + _TOOLS)
    if not float(targets @ targets) > 0.0:
        return _unknown("the roll rate does not change")
    block = np.arange(targets.size) * _PARTS // targets.size
    found = _swing(lags, tools, targets, period, limits)
    without = np.array(
        [
            _swing(lags[block != k], tools[block != k], targets[block != k], period, limits)
            for k in range(_PARTS)
        ]
    )
    if not (np.isfinite(found).all() and np.isfinite(without).all()):
        return _unknown("the swing of the unit does not stand out of its roll rate")
    spread = np.sqrt((_PARTS - 1) / _PARTS * np.sum((without - without.mean(axis=0)) ** 2, axis=0))
    omega, zeta = float(found[0]) / _HIGH, float(found[1])
    if spread[0] > 0.15 * omega:
        return _unknown("the swing of the unit does not stand out of its roll rate")
    frequency = Quantity.of(
        omega,
        math.hypot(float(spread[0]), _MODEL * omega),
        "rad/s",
        budget={"noise of the roll rate": float(spread[0]), "order of the model": _MODEL * omega},
    )
    damping = Quantity.of(zeta, float(spread[1]), "")
    words = (
        f"natural frequency {frequency.text()} (period {2 * math.pi / omega:.2f} s), damping ratio "
        f"{damping.text()}, from {total:.0f} s of hands-off flight"
    )
    return RollMode(frequency, damping, words)


def _unknown(reason: str) -> RollMode:
    return RollMode(Quantity.unknown("rad/s", reason), Quantity.unknown("", reason), reason)


def _swing(lags: Array, tools: Array, targets: Array, period: float, limits: tuple[float, float]) -> Array:
    """Return natural frequency and damping of the least damped swing, NaN where there is none."""
    stood_in = tools @ np.linalg.lstsq(tools, lags, rcond=None)[0]
    phi = np.linalg.lstsq(stood_in, targets, rcond=None)[0]
    z = np.roots(np.concatenate([[1.0], -phi])).astype(complex)
    with np.errstate(divide="ignore"):
        s = np.log(z) / period
    omega = np.abs(s)
    zeta = -s.real / np.maximum(omega, 1e-12)
    swing = (s.imag > 0.5) & (omega > limits[0]) & (omega < limits[1])
    swing &= (zeta > _DAMPING[0]) & (zeta < _DAMPING[1])
    if not swing.any():
        return np.full(2, np.nan)
    k = int(np.argmin(np.where(swing, zeta, np.inf)))
    return np.array([omega[k], zeta[k]])
