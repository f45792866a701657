"""The Allan deviation: how much a sensor's averages over a time differ from one to the next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..display import displayed

__all__ = ["AllanCurve", "allan_slope", "flicker_floor", "overlapping_allan", "white_noise_density"]

Array = NDArray[np.float64]

FLICKER = 0.6642824703  # sqrt(2 ln 2 / pi): Allan deviation of flicker noise over its coefficient
_PER_DECADE = 8
_KNOWN = 0.2  # relative standard uncertainty up to which a deviation counts


@displayed
@dataclass(frozen=True)
class AllanCurve:
    """Allan deviation over averaging time.

    Attributes
    ----------
    tau : ndarray, shape (k,)
        Averaging times [s], increasing.
    deviation : ndarray, shape (k,)
        Overlapping Allan deviation, in the unit of the samples.
    std : ndarray, shape (k,)
        Its standard uncertainty, for white noise.
    samples : int
        Number of samples behind it.
    """

    tau: Array
    deviation: Array
    std: Array
    samples: int

    def at(self, tau: float) -> float:
        """Return the deviation at an averaging time [s], interpolated in logarithms; NaN outside."""
        if not self.tau.size or not self.tau[0] * 0.999 <= tau <= self.tau[-1] * 1.001:
            return float("nan")
        tiny = np.finfo(float).tiny
        logs = np.interp(np.log(tau), np.log(self.tau), np.log(np.maximum(self.deviation, tiny)))
        return float(np.exp(logs))


def overlapping_allan(values: ArrayLike, rate: float, factors: Sequence[int] | None = None) -> AllanCurve:
    r"""Return the overlapping Allan deviation of evenly spaced samples.

    Parameters
    ----------
    values : array_like, shape (n,)
        Samples (an angular rate, a specific force, a frequency), none missing.
    rate : float
        Sampling rate [Hz].
    factors : sequence of int, optional
        Samples in an average, each between 1 and n / 2; eight a decade up to a third of the samples where
        not given.

    Returns
    -------
    AllanCurve

    Raises
    ------
    ValueError
        With fewer than three samples, missing ones, or factors out of range.

    Notes
    -----
    With :math:`x_k` the running sum of the samples times :math:`\tau_0`, N + 1 of them, and
    :math:`\tau = m\tau_0`,

    .. math:: \sigma^2(\tau) = \frac{1}{2\tau^2 (N + 1 - 2m)} \sum_k (x_{k+2m} - 2x_{k+m} + x_k)^2

    (equation 11 of [1]_). Its relative standard uncertainty is taken as :math:`1/\sqrt{2\nu}` with the
    equivalent degrees of freedom of white noise ([1]_, section 5.4.1, table 5).

    References
    ----------
    .. [1] W. J. Riley, Handbook of Frequency Stability Analysis, NIST Special Publication 1065, 2008.

    Examples
    --------
    >>> curve = overlapping_allan([892, 809, 823, 798, 671, 644, 883, 903, 677], 1.0, [1, 2])
    >>> curve.deviation.round(5).tolist()
    [91.22945, 85.95287]
    """
    y = np.asarray(values, dtype=float)
    if y.ndim != 1 or y.size < 3:
        raise ValueError(f"at least three samples are needed, found {y.size}")
    if not np.all(np.isfinite(y)):
        raise ValueError("samples are missing: fill or cut them first")
    if factors is None:
        top = max(y.size // 3, 1)
        count = int(_PER_DECADE * np.log10(top)) + 1
        m = np.unique(np.round(np.geomspace(1, top, max(count, 1))).astype(np.int64))
    else:
        m = np.unique(np.asarray(factors, dtype=np.int64))
    if not m.size or m[0] < 1 or m[-1] > y.size // 2:
        raise ValueError(f"factors from 1 to {y.size // 2} are allowed")
    # a constant has no Allan deviation: taken off, so that the running sum keeps its digits
    x = np.concatenate([[0.0], np.cumsum(y - y.mean())])
    deviation = np.empty(m.size)
    for i, step in enumerate(m.tolist()):
        second = x[2 * step :] - 2.0 * x[step:-step] + x[: -2 * step]
        deviation[i] = np.sqrt(second @ second / second.size / 2.0) / step
    n = float(x.size)
    freedom = (3.0 * (n - 1.0) / (2.0 * m) - 2.0 * (n - 2.0) / n) * 4.0 * m**2 / (4.0 * m**2 + 5.0)
    std = deviation / np.sqrt(2.0 * np.maximum(freedom, 1.0))
    return AllanCurve(m / rate, deviation, std, y.size)


def allan_slope(curve: AllanCurve, low: float, high: float) -> float:
    r"""Return the slope of log deviation over log time between two averaging times [s].

    Notes
    -----
    -1 for quantisation, -1/2 for white noise (angle or velocity random walk), 0 for bias instability, +1/2
    for a random walk of the rate, +1 for a steady drift [1]_.

    References
    ----------
    .. [1] IEEE Std 952-1997, Annex C.

    Examples
    --------
    >>> round(allan_slope(overlapping_allan(np.arange(1000.0), 10.0), 0.1, 30.0), 6)
    1.0
    """
    use = (curve.tau >= low * 0.999) & (curve.tau <= high * 1.001) & (curve.deviation > 0.0)
    if use.sum() < 2:
        raise ValueError("fewer than two averaging times between the limits")
    x, y = np.log(curve.tau[use]), np.log(curve.deviation[use])
    x = x - x.mean()
    return float(x @ y / (x @ x))


def white_noise_density(curve: AllanCurve) -> float:
    r"""Return the coefficient of the white noise, :math:`N = \sigma(\tau)\sqrt\tau`.

    Returns
    -------
    float
        Unit of the samples times s^(1/2), or per Hz^(1/2): the least of :math:`\sigma\sqrt\tau` on the
        curve up to 10 s, which other noise only raises.
    """
    use = curve.tau <= max(10.0, float(curve.tau[0]))
    return float(np.min(curve.deviation[use] * np.sqrt(curve.tau[use])))


def flicker_floor(curve: AllanCurve) -> float:
    r"""Return the bias instability, the least deviation over :math:`\sqrt{2 \ln 2 / \pi}`.

    Asked are averaging times at which the deviation is known to a fifth. An upper bound where the curve still
    falls at their end.
    """
    known = curve.std <= _KNOWN * curve.deviation
    known[0] = True
    return float(np.min(curve.deviation[known])) / FLICKER
