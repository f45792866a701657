"""The mean of a reading over time on a rig that swings, found by fitting the swing."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..display import displayed
from ..errors import RigError
from ..statistics.autoregression import fit_levels

__all__ = ["SwingMean", "mean_through_swing"]

Array = NDArray[np.float64]

_LONGEST = 600  # samples kept; more are averaged in blocks, which leaves the mean as it is
_LEAST = 12  # samples
_PER_PERIOD = 8  # least samples a period
_PERIOD_STD = 0.05  # relative, of a period stated without its uncertainty
_EVEN = 0.25  # spread of the steps, relative, up to which a series counts as evenly sampled
_WORTH = 10.0  # fall of the Bayesian criterion that shows a coherent swing
_FEW = 6.0  # independent samples to spare, below which the stretch is called short
_SLOW_CYCLES = 8.0  # below which the fit of a swing also takes noise as slow as what the mean suffers from
_ALL = 0.05  # share of the variance left, below which a swing is plain without a test against noise
_FADING_CYCLES = 3.0  # from which on a decay of the swing is fitted
_LAGS = (1, 2, 4)  # orders of the autoregression against which a swing has to hold its own


@displayed
@dataclass(frozen=True)
class SwingMean:
    """The mean of one series.

    Attributes
    ----------
    mean, std : float
        In the unit of the series.
    dof : float
        Degrees of freedom of ``std``: independent samples the stretch is worth, less the coefficients.
    samples : int
        Samples read.
    effective : float
        Independent samples that the mean is worth.
    duration : float
        [s].
    amplitude : float
        Of the swing at the start of the stretch; 0 where no swing was shown.
    period, period_std : float or None
        Of the swing [s]; None where there is none.
    scatter : float
        Standard deviation of what the swing leaves.
    time, values, fitted : ndarray, shape (m,)
        The series as it was fitted (averaged in blocks where it was long), and the mean with its swing.
    words : tuple of str
        What was noticed.

    Examples
    --------
    >>> import numpy as np
    >>> from flightproc.rig import mean_through_swing
    >>> time = np.arange(0.0, 20.0, 0.1)
    >>> found = mean_through_swing(time, 40.0 + 3.0 * np.sin(4.0 * time))
    >>> round(found.mean, 1), round(found.period, 2)
    (40.0, 1.57)
    """

    mean: float
    std: float
    dof: float
    samples: int
    effective: float
    duration: float
    amplitude: float
    period: float | None
    period_std: float | None
    scatter: float
    time: Array
    values: Array
    fitted: Array
    words: tuple[str, ...] = ()


def mean_through_swing(
    time: ArrayLike,
    values: ArrayLike,
    *,
    period: float | None = None,
    period_std: float | None = None,
) -> SwingMean:
    r"""Return the mean that a reading swings about.

    Parameters
    ----------
    time, values : array_like, shape (n,)
        Seconds and readings; pairs that are not finite are left out.
    period : float, optional
        Period of the swing, where it is known [s]; looked for where it is not given.
    period_std : float, optional
        Its standard uncertainty [s]; 5 % where it is not given.

    Returns
    -------
    SwingMean

    Raises
    ------
    RigError
        With fewer than 12 samples, or time that does not advance.

    Notes
    -----
    The model is :math:`m + A e^{-\delta t} \cos(\omega t + \varphi)` plus autoregressive noise. Without a
    stated period the frequency is that of the largest peak of a least-squares periodogram with a free mean
    [1]_ between one cycle a stretch and the sampling limit. A swing counts as shown where it lowers the
    Bayesian criterion of autoregressions of order 1, 2 and 4 each by more than 10 beyond the price of its
    coefficients and of the frequencies looked at: a slow wander of the noise does not pass for a swing, and
    noise that a lightly damped rig filters is left to the autoregression. The coefficients come from least
    squares with the frequency free (with the stated period as an observation), and once more after whitening
    by the autoregression of what they leave [2]_, whose order AICc chooses and whose bias is corrected. A
    stretch that does not hold whole cycles is thus no trouble, other than for a plain average. The
    uncertainty of the mean includes those of frequency and decay (which is fitted from three cycles on). It
    is widened by sqrt(n / (n - p)), n being the independent samples that the noise of the stretch is worth
    and p the coefficients fitted (counted twice for a swing of fewer than eight cycles, whose fit takes slow
    noise along), and has n - p degrees of freedom.

    References
    ----------
    .. [1] M. Zechmeister, M. Kuerster, The generalised Lomb-Scargle periodogram, Astronomy and Astrophysics
       496, 2009, 577-584.
    .. [2] A. C. Aitken, On least squares and linear combination of observations, Proceedings of the Royal
       Society of Edinburgh 55, 1936, 42-48; JCGM 100:2008, 4.2.7 on correlated observations.

    Examples
    --------
    >>> t = np.arange(0.0, 7.0, 0.05)
    >>> y = 3.0 + 0.8 * np.cos(2 * np.pi * t / 1.9) + 0.02 * np.random.default_rng(1).standard_normal(t.size)
    >>> found = mean_through_swing(t, y)
    >>> round(found.mean, 2), round(found.period, 2), round(found.amplitude, 1)
    (3.0, 1.9, 0.8)
    """
    t, y, words = _prepare(time, values)
    step = float(t[1] - t[0])
    span = float(t[-1] - t[0]) + step
    samples = int(np.isfinite(np.asarray(values, dtype=float)).sum())
    if float(np.ptp(y)) <= 1e-12 * max(1.0, abs(float(y[0]))):
        words.append("every sample is the same: only the resolution tells of their uncertainty")
        return SwingMean(
            float(y[0]), 0.0, math.inf, samples, 1.0, span, 0.0, None, None, 0.0, t, y, y, tuple(words)
        )
    centre = t - t.mean()
    omega = None if period is None else 2.0 * math.pi / period
    known = omega is not None
    if omega is not None and period is not None:
        if period < 2.5 * step:
            raise RigError(
                "the series is sampled too seldom for a swing of this period",
                found=f"{period:g} s, sampled every {step:.3g} s",
                allowed=f"{2.5 * step:.3g} s or more",
            )
        if span < period:
            words.append(f"the stretch of {span:.1f} s is shorter than one swing of {period:g} s")
    else:
        omega = _find_frequency(centre, y, span, step)
    stated = (
        (omega, omega * (period_std / period if period_std else _PERIOD_STD))
        if known and omega and period
        else None
    )
    design = _design(centre, None)
    coefficients = np.array([y.mean()])
    shape: tuple[float, float] | None = None
    if omega is not None:
        fades = span * omega / (2.0 * math.pi) >= _FADING_CYCLES
        coefficients, shape = _fit_wave(centre, y, omega, stated, fades)
        design = _jacobian(centre, coefficients, shape)[:, : 5 if fades else 4]
    fitted = _wave(centre, coefficients, shape)
    left = y - fitted
    noise = fit_levels([left[:, None]], step, max_order=6, replicates=200)
    lags = noise.coefficients[:, 0, 0]
    correction, covariance = _whitened(design, left, lags, stated, shape)
    mean = float(coefficients[0] + correction)
    scatter = float(np.std(left))
    lone = math.sqrt(float(noise.covariance[0, 0]))
    worth = min(float(y.size), (scatter / lone) ** 2) if lone > 0.0 else float(y.size)
    slow = shape is not None and span * shape[0] / (2.0 * math.pi) < _SLOW_CYCLES
    taken = design.shape[1] * (2 if slow else 1)
    spare = max(worth - taken, 1.0)
    widen = math.sqrt(max(worth / spare, 1.0))
    std = widen * max(math.sqrt(float(covariance[0, 0])), lone)
    effective = min(float(y.size), (scatter / std) ** 2) if std > 0.0 else float(y.size)
    if spare < _FEW:
        words.append(
            f"the stretch of {span:.0f} s is worth only {worth:.0f} independent samples for "
            f"{design.shape[1]} coefficients: its uncertainty is itself uncertain; record for longer"
        )
    found_period = period_error = None
    amplitude = 0.0
    if shape is not None:
        found_period = 2.0 * math.pi / shape[0]
        period_error = found_period * math.sqrt(float(covariance[3, 3])) / shape[0]
        amplitude = float(np.hypot(*coefficients[1:3]) * math.exp(-shape[1] * float(centre[0])))
    return SwingMean(
        mean=mean,
        std=std,
        dof=spare,
        samples=samples,
        effective=effective,
        duration=span,
        amplitude=amplitude,
        period=found_period,
        period_std=period_error,
        scatter=scatter,
        time=t,
        values=y,
        fitted=fitted + correction,
        words=tuple(words),
    )


def _prepare(time: ArrayLike, values: ArrayLike) -> tuple[Array, Array, list[str]]:
    """Return an even series of moderate length."""
    t, y = np.asarray(time, dtype=float), np.asarray(values, dtype=float)
    good = np.isfinite(t) & np.isfinite(y)
    t, y = t[good], y[good]
    words: list[str] = []
    if t.size < _LEAST:
        raise RigError(
            "the stretch has too few samples",
            found=int(t.size),
            allowed=f"{_LEAST} or more",
            hint="a longer stretch, or the mean, low and high read by eye as a [[readings]] entry",
        )
    steps = np.diff(t)
    if np.any(steps <= 0.0):
        raise RigError("the time of a series does not advance", found=int(np.sum(steps <= 0.0)))
    step = float(np.median(steps))
    if float(np.max(steps)) > 1.5 * step or float(np.std(steps)) > _EVEN * step:
        holes = float(np.sum(steps[steps > 3.0 * step]))
        if holes > 0.0:
            words.append(f"gaps of {holes:.1f} s in the series were bridged by straight lines")
        even = np.arange(t[0], t[-1] + 0.5 * step, step)
        y, t = np.interp(even, t, y), even
    block = math.ceil(t.size / _LONGEST)
    if block > 1:
        whole = t.size // block * block
        t, y = (x[:whole].reshape(-1, block).mean(axis=1) for x in (t, y))
    return t, y, words


def _design(t: Array, omega: float | None) -> Array:
    one = np.ones_like(t)
    if omega is None:
        return one[:, None]
    return np.column_stack([one, np.cos(omega * t), np.sin(omega * t)])


def _find_frequency(t: Array, y: Array, span: float, step: float) -> float | None:
    """Return the angular frequency of a coherent swing, or None where none is shown."""
    low, high = 2.0 * math.pi / span, 2.0 * math.pi / (max(_PER_PERIOD, 4) * step)
    if high <= low:
        return None
    count = int(8 * (high - low) * span / (2.0 * math.pi)) + 2
    grid = np.linspace(low, high, min(count, 4000))
    rest = float(np.sum((y - y.mean()) ** 2))
    left = [
        float(np.linalg.lstsq(_design(t, omega), y, rcond=None)[1].sum()) if rest > 0.0 else 0.0
        for omega in grid
    ]
    best = float(grid[int(np.argmin(left))])
    if min(left) < _ALL * rest and best * span >= 4.0 * math.pi:
        return best
    price = 3.0 * math.log(y.size) + 2.0 * math.log(max((high - low) * span / (2.0 * math.pi), 1.0))
    for order in _LAGS:
        if y.size < 4 * order + 8:
            continue
        past = np.column_stack([y[order - k : y.size - k] for k in range(1, order + 1)])
        target, base = y[order:], _design(t[order:], None)
        plain = _residual(np.column_stack([past, base]), target)
        swung = _residual(np.column_stack([past, _design(t[order:], best)]), target)
        if target.size * math.log(max(plain, 1e-300) / max(swung, 1e-300)) - price < _WORTH:
            return None
    return best


def _residual(design: Array, target: Array) -> float:
    solution = np.linalg.lstsq(design, target, rcond=None)[0]
    return float(np.sum((target - design @ solution) ** 2))


def _wave(t: Array, coefficients: Array, shape: tuple[float, float] | None) -> Array:
    if shape is None:
        return np.full(t.shape, coefficients[0])
    omega, decay = shape
    m, a, b = coefficients
    out: Array = m + np.exp(-decay * t) * (a * np.cos(omega * t) + b * np.sin(omega * t))
    return out


def _jacobian(t: Array, coefficients: Array, shape: tuple[float, float]) -> Array:
    """Return the derivatives by mean, cosine, sine, frequency and decay."""
    omega, decay = shape
    _, a, b = coefficients
    fade = np.exp(-decay * t)
    cos, sin = fade * np.cos(omega * t), fade * np.sin(omega * t)
    return np.column_stack([np.ones_like(t), cos, sin, t * (b * cos - a * sin), -t * (a * cos + b * sin)])


def _fit_wave(
    t: Array, y: Array, omega: float, stated: tuple[float, float] | None, fades: bool
) -> tuple[Array, tuple[float, float]]:
    """Return the coefficients by least squares with the frequency, and the decay if wanted, free."""
    from scipy.optimize import least_squares

    start = np.linalg.lstsq(_design(t, omega), y, rcond=None)[0]
    span = float(np.ptp(t))
    free = 5 if fades else 4
    room = 0.3 * omega if stated is not None else 2.0 * math.pi / span
    low = [-np.inf, -np.inf, -np.inf, max(omega - room, 1e-6), -4.0 / span]
    high = [np.inf, np.inf, np.inf, omega + room, 4.0 / span]
    x = np.array([*start, omega, 0.0])[:free]

    def parts(x: Array) -> tuple[Array, tuple[float, float]]:
        return x[:3], (float(x[3]), float(x[4]) if fades else 0.0)

    for _ in range(
        2
    ):  # once more with the noise that the first fit left, against which a stated period counts
        noise = max(float(np.std(y - _wave(t, *parts(x)))), 1e-9 * float(np.ptp(y)))

        def misfit(x: Array, noise: float = noise) -> Array:
            out = (_wave(t, *parts(x)) - y) / noise
            return out if stated is None else np.append(out, (x[3] - stated[0]) / stated[1])

        def slope(x: Array, noise: float = noise) -> Array:
            rows = _jacobian(t, *parts(x))[:, :free] / noise
            return rows if stated is None else np.vstack([rows, [0.0, 0.0, 0.0, 1.0 / stated[1], 0.0][:free]])

        x = least_squares(
            misfit, x, jac=slope, bounds=(low[:free], high[:free]), x_scale="jac", xtol=1e-12, ftol=1e-12
        ).x
    return parts(x)


def _whitened(
    design: Array,
    left: Array,
    lags: Array,
    stated: tuple[float, float] | None,
    shape: tuple[float, float] | None,
) -> tuple[float, Array]:
    """Return the change of the mean after whitening, and the covariance of all coefficients."""
    p = lags.size

    def white(x: Array) -> Array:
        out = np.array(x[p:], dtype=float)
        for k, a in enumerate(lags, 1):
            out = out - a * x[p - k : x.shape[0] - k]
        return out

    x, r = white(design), white(left)
    spare = max(r.size - design.shape[1] - p, 1)
    scale = math.sqrt(float(r @ r) / spare)
    scale = max(scale, 1e-15)
    x, r = x / scale, r / scale
    if shape is not None and stated is not None:
        x = np.vstack([x, [0.0, 0.0, 0.0, 1.0 / stated[1], 0.0][: x.shape[1]]])
        r = np.append(r, -(shape[0] - stated[0]) / stated[1])
    size = np.linalg.norm(x, axis=0)
    size[size == 0.0] = 1.0
    inverse = np.linalg.pinv(x / size)
    step = inverse @ r / size
    covariance = inverse @ inverse.T / np.outer(size, size)
    return float(step[0]), covariance
