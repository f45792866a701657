"""How well the whole-sortie estimate describes what was measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..display import displayed
from ..statistics.coloured import ColouredFit, portmanteau
from .trace_record import TraceRecord

__all__ = ["FitQuality", "judge_fit"]

Array = NDArray[np.float64]

_LAGS = 25  # of the autocorrelation shown and tested
_POINTS = 900  # innovations kept
_WINDOW = 32.0  # Welch windows of the innovations' spectrum [s]
_EXAMPLE = 240.0  # length of the example [s]


@displayed
@dataclass(frozen=True)
class FitQuality:
    """What the innovations say: they are what each sample tells that its past and the inputs did not.

    Attributes
    ----------
    period : float
        Sampling period of the innovations [s].
    time, innovations : ndarray, shape (n,)
        When [s], and innovations over their standard deviation, thinned out.
    frequency, spectrum : ndarray, shape (m,)
        [Hz], and spectrum of the innovations over that of white noise; 1 throughout if the model is right.
    spectrum_band : tuple of float
        95 % of the spectrum lies within these when the innovations are white.
    autocorrelation : ndarray, shape (k,)
        At lags of 1, 2, ... k periods.
    autocorrelation_band : float
        95 % lie within plus and minus this when the innovations are white.
    p_value : float
        Ljung-Box: chance of autocorrelations as large as these in white noise.
    explained : float
        Share of the variance of hang roll that is predicted one step ahead.
    over_persistence : float
        Share of the mean squared step from sample to sample that is predicted; 0 or less is no better than to
        take the last value for the next.
    long_run : float
        Variance of the innovations' sums over whole stretches, over what independent ones would have.
    halves : float
        Torque ratio of the second half of the sortie less that of the first, over its standard uncertainty.
    example_time, example_seen, example_predicted, example_response : ndarray, shape (q,)
        An example: time [s], hang roll measured, predicted one step ahead, and as the answer to the inputs
        alone [rad]; NaN where samples were left out.
    words : tuple of str
        The verdict in words.
    """

    period: float
    time: Array
    innovations: Array
    frequency: Array
    spectrum: Array
    spectrum_band: tuple[float, float]
    autocorrelation: Array
    autocorrelation_band: float
    p_value: float
    explained: float
    over_persistence: float
    long_run: float
    halves: float
    example_time: Array
    example_seen: Array
    example_predicted: Array
    example_response: Array
    words: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Return the ``fit`` object of results.json."""
        return {
            "period_s": self.period,
            "p_value": self.p_value,
            "largest_autocorrelation": float(np.max(np.abs(self.autocorrelation))),
            "explained": self.explained,
            "over_persistence": self.over_persistence,
            "long_run_ratio": self.long_run,
            "halves_z": self.halves,
            "remarks": list(self.words),
        }


def judge_fit(
    record: TraceRecord,
    design: Array,
    fit: ColouredFit,
    stretches: list[tuple[int, int, int]],
    halves: float,
) -> FitQuality:
    """Return how well a fit describes a record.

    Parameters
    ----------
    record : TraceRecord
        The sortie.
    design : ndarray, shape (n, p)
        Inputs of the whole record.
    fit : ColouredFit
        Made on ``stretches``.
    stretches : list of (start, end, group)
        What was fitted.
    halves : float
        z-score between the halves of the sortie.
    """
    predicted = np.full(record.time.size, np.nan)
    moments, white, squares, steps, energy = [], [], 0.0, 0.0, 0.0
    for (start, end, group), e in zip(stretches, fit.innovations, strict=True):
        scale = fit.innovation_std[group]
        first = end - e.size
        seen = record.hang_roll[start:end]
        predicted[first:end] = record.hang_roll[first:end] - scale * e
        moments.append(record.time[first:end])
        white.append(e)
        squares += float(np.sum((scale * e) ** 2))
        steps += float(np.sum(np.diff(seen)[first - start - 1 :] ** 2)) if first > start else np.inf
        energy += float(np.sum((record.hang_roll[first:end] - _mean_used(record)) ** 2))
    time, values = np.concatenate(moments), np.concatenate(white)
    correlation, p_value = portmanteau(white, _LAGS)
    frequency, spectrum, count = _spectrum(white, record.period)
    keep = slice(None, None, max(1, -(-values.size // _POINTS)))
    explained = 1.0 - squares / energy if energy > 0 else 0.0
    skill = 1.0 - squares / steps if steps > 0 else 0.0
    response = design @ fit.coefficients
    part = _example(record)
    used = record.used[part]
    largest = int(np.argmax(np.abs(correlation)))
    words = (
        f"one step of {record.period:.1f} s ahead, {100 * explained:.0f} % of the variance of hang roll is "
        f"predicted; of the change from one sample to the next, {100 * skill:.0f} %",
        f"largest autocorrelation of the innovations {correlation[largest]:+.2f} at "
        f"{(largest + 1) * record.period:.1f} s; chance of the whole in white noise {p_value:.2g}",
        f"over whole stretches the innovations scatter {np.sqrt(fit.long_run):.2f} times what independent "
        "ones would"
        + (f"; all uncertainties were widened by {fit.widening:.2f}" if fit.widening > 1.0 else ""),
        f"the torque ratios of the two halves of the sortie differ by {abs(halves):.1f} standard "
        f"uncertainties",
    )
    return FitQuality(
        period=record.period,
        time=time[keep],
        innovations=values[keep],
        frequency=frequency,
        spectrum=spectrum,
        spectrum_band=_band(count),
        autocorrelation=correlation,
        autocorrelation_band=float(1.96 / np.sqrt(values.size)),
        p_value=p_value,
        explained=explained,
        over_persistence=skill,
        long_run=fit.long_run,
        halves=halves,
        example_time=record.time[part],
        example_seen=record.hang_roll[part],
        example_predicted=predicted[part],
        example_response=np.where(used, response[part], np.nan),
        words=words,
    )


def _mean_used(record: TraceRecord) -> float:
    return float(record.hang_roll[record.used].mean())


def _spectrum(white: list[Array], period: float) -> tuple[Array, Array, int]:
    """Return frequency [Hz], spectrum over that of white noise, and the number of windows averaged."""
    size = max(8, round(_WINDOW / period))
    taper = np.hanning(size)
    total, count = np.zeros(size // 2 + 1), 0
    for e in white:
        for start in range(0, e.size - size + 1, size // 2):
            total += np.abs(np.fft.rfft(taper * e[start : start + size])) ** 2
            count += 1
    power = float(np.sum(taper**2))
    frequency = np.asarray(np.fft.rfftfreq(size, period), dtype=float)
    if not count:
        return frequency[1:], np.full(size // 2, np.nan), 0
    return frequency[1:], (total / (count * power))[1:], count


def _band(count: int) -> tuple[float, float]:
    """Return the 95 % band of a Welch estimate of a flat spectrum at half overlap (Hann windows)."""
    if not count:
        return (0.0, float("inf"))
    from scipy.special import chdtri

    dof = 2.0 * count * 0.95  # half-overlapping Hann windows are all but independent
    return float(chdtri(dof, 0.975) / dof), float(chdtri(dof, 0.025) / dof)


def _example(record: TraceRecord) -> slice:
    """Return the window with the most used samples that holds both power and none."""
    size = min(round(_EXAMPLE / record.period), record.time.size)
    best, score = 0, -1.0
    for start in range(0, record.time.size - size + 1, max(1, size // 12)):
        part = slice(start, start + size)
        on = float(np.sum(record.used[part] & record.power[part]))
        off = float(np.sum(record.used[part] & ~record.power[part]))
        value = min(on, off) + 0.2 * (on + off)
        if value > score:
            best, score = start, value
    return slice(best, best + size)
