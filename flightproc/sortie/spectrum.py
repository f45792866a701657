"""Short-time spectra of sound and vibration, whitened, as evidence for spectral lines."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..readers.recording import Series, Waveform

__all__ = ["Spectra", "even_samples", "line_evidence", "window_length", "without_skirts"]

Array = NDArray[np.float64]

_PAD = 4  # zero padding: bins per bin of the window
_CHUNK = 256  # frames at a time
_PROBES = 400  # frames from which the shape of the noise is taken
_LOBE = 8.0  # [bins of the window] of the running median along frequency
_BLOCK = 40.0  # [bins of the window] whose median is the noise level of a frame
_MEDIAN = float(np.log(2.0))  # of an exponential distribution with mean 1
_COVER = 0.7  # least share of a window that must hold samples
_UNEVEN = 0.25  # largest scatter of stamps from one to the next, in sampling periods
_ABOVE_SKIRT = 1.2  # by how much a line must stand out of the skirt of another
_SPARSE = 20  # largest number of places a sample in a series that is mostly gaps


def window_length(rate: float) -> float:
    """Return the length of the analysis window [s]: long where a low rate leaves few bins.

    Examples
    --------
    >>> window_length(2000.0), window_length(100.0), window_length(50.0)
    (0.5, 2.0, 2.0)
    """
    return float(np.clip(200.0 / rate, 0.5, 2.0))


def even_samples(series: Series) -> Waveform | None:
    """Return a series as evenly spaced samples, or None where its stamps tell no even clock.

    Parameters
    ----------
    series : Series
        Stamps [s] and values.

    Returns
    -------
    Waveform or None
        At the mean rate of its own stamps; NaN where samples are missing.

    Notes
    -----
    A sensor samples evenly and the logger's stamps scatter. So samples are counted, and stamps only tell
    which are missing. Values are not interpolated: that would move what lies above half the rate.
    """
    time = series.time
    if time.size < 200:
        return None
    steps = np.diff(time)
    period = float(np.median(steps))
    for _ in range(3):
        number = np.maximum(1.0, np.rint(steps / period))
        near = number <= 3.0
        period = float(steps[near].sum() / number[near].sum())
    number = np.maximum(1.0, np.rint(steps / period))
    if float(np.median(np.abs(steps - number * period))) > _UNEVEN * period:
        return None
    place = np.concatenate([[0], np.cumsum(number)]).astype(np.int64)
    size = int(place[-1]) + 1
    if size > _SPARSE * time.size:
        return None
    samples = np.full(size, np.nan, dtype=np.float32)
    samples[place] = series.values
    # rate and start from all stamps together
    centre = place - place.mean()
    period = float(centre @ (time - time.mean()) / (centre @ centre))
    start = float(time.mean() - period * place.mean())
    return Waveform(series.source, start, 1.0 / period, samples)


class Spectra:
    r"""Power spectra of one waveform, frame by frame, over their own noise.

    Parameters
    ----------
    waveform : Waveform
        Even samples; NaN counts as missing.
    times : ndarray, shape (n,)
        Centres of the frames [s].
    window : float
        Length of the window [s].
    lowest : float
        Frequency below which nothing is looked at [Hz].

    Attributes
    ----------
    rate : float
        Sampling rate [Hz].
    bin : float
        Spacing of the spectrum [Hz]; a quarter of the window's own.
    size : int
        Number of bins.
    good : ndarray of bool, shape (n,)
        Frames with samples enough.
    level : ndarray, shape (n,)
        Root mean power above the lowest frequency (whole: 1); filled as frames are whitened.

    Notes
    -----
    Hann window, zero padded. The noise floor is the product of a shape in frequency, common to the whole
    waveform (median over frames of the spectra, each scaled to its own median, then a running median over 8
    bins of the window, so that a line that stands still does not become floor), and a level in each frame
    (median over blocks of 40 bins, interpolated). A bin of noise alone then has an exponential
    distribution of mean 1 [1]_.

    References
    ----------
    .. [1] P. D. Welch, IEEE Transactions on Audio and Electroacoustics 15 (1967), 70-73.
    """

    def __init__(self, waveform: Waveform, times: Array, window: float, lowest: float) -> None:
        from scipy.fft import next_fast_len
        from scipy.ndimage import median_filter

        self.rate: float = waveform.rate
        self.length: int = max(16, round(window * waveform.rate))
        self.padded: int = int(next_fast_len(_PAD * self.length, real=True))
        self.bin: float = waveform.rate / self.padded
        self.size: int = self.padded // 2 + 1
        self.first: int = min(int(np.ceil(lowest / self.bin)), self.size - 2)
        self._taper = np.hanning(self.length + 2)[1:-1].astype(np.float32)
        samples = waveform.samples
        self._there = np.isfinite(samples)
        mean = float(np.mean(samples[self._there], dtype=np.float64)) if self._there.any() else 0.0
        self._samples = np.where(self._there, samples - np.float32(mean), np.float32(0.0))
        size = float(np.sqrt(np.mean(np.square(self._samples, dtype=np.float64)))) if samples.size else 0.0
        if size > 0.0:  # powers of absurd values would overflow
            self._samples /= np.float32(size)
        self._starts = np.rint((times - waveform.start) * waveform.rate - 0.5 * (self.length - 1)).astype(
            np.int64
        )
        inside = (self._starts >= 0) & (self._starts + self.length <= samples.size)
        held = np.concatenate([[0], np.cumsum(self._there)])
        low = np.clip(self._starts, 0, samples.size)
        high = np.clip(self._starts + self.length, 0, samples.size)
        self.good: NDArray[np.bool_] = inside & (held[high] - held[low] >= _COVER * self.length)
        # a stretch without any sound (a muted track) holds nothing either
        energy = np.concatenate([[0.0], np.cumsum(np.square(self._samples, dtype=np.float64))])
        loud = energy[high] - energy[low]
        self.good &= loud > 1e-14 * max(float(np.max(loud, initial=0.0)), 1e-30)
        self.level: Array = np.full(times.size, np.nan)
        self._shape = np.ones(self.size)
        wide = max(3, 2 * round(0.5 * _LOBE * self.padded / self.length) + 1)
        probes = np.flatnonzero(self.good)
        if probes.size:
            probes = probes[np.linspace(0, probes.size - 1, min(_PROBES, probes.size)).astype(int)]
            power = self._power(probes)
            scale = np.median(power[:, self.first :], axis=1)
            power /= np.maximum(scale, 1e-30)[:, None]
            shape = np.median(power, axis=0)
            shape[: self.first] = shape[self.first]
            self._shape = np.maximum(median_filter(shape, wide, mode="nearest"), 1e-12)
        count = max(1, int((self.size - self.first) / (_BLOCK * self.padded / self.length)))
        self._edges = np.linspace(self.first, self.size, count + 1).astype(int)

    def _power(self, frames: NDArray[np.int64]) -> Array:
        """Return power spectra, shape (len(frames), size), of frames that are good."""
        from scipy.fft import rfft

        index = self._starts[frames][:, None] + np.arange(self.length)
        block = self._samples[index]
        there = self._there[index]
        weight = there * self._taper
        mean = (block * weight).sum(axis=1) / weight.sum(axis=1)
        block = (block - mean[:, None]) * weight
        spectrum = rfft(block, self.padded, axis=1)
        power = spectrum.real**2 + spectrum.imag**2
        return np.asarray(power / (weight**2).sum(axis=1)[:, None], dtype=np.float64)

    def whitened(self, frames: NDArray[np.int64]) -> Array:
        """Return power over noise, shape (len(frames), size); 0 where a frame or a bin holds nothing."""
        out = np.zeros((frames.size, self.size))
        good = self.good[frames]
        if not good.any():
            return out
        power = self._power(frames[good])
        self.level[frames[good]] = np.sqrt(power[:, self.first :].mean(axis=1))
        power /= self._shape
        edges = self._edges
        level = np.column_stack([np.median(power[:, a:b], axis=1) for a, b in pairwise(edges)])
        level = np.maximum(level, 1e-30)
        if level.shape[1] == 1:
            power *= _MEDIAN / level
        else:
            centres = 0.5 * (edges[:-1] + edges[1:])
            place = np.clip(np.interp(np.arange(self.size), centres, np.arange(centres.size)), 0, None)
            low = np.minimum(place.astype(int), centres.size - 2)
            part = place - low
            steps = np.log(level)
            power *= _MEDIAN * np.exp(-(steps[:, low] * (1.0 - part) + steps[:, low + 1] * part))
        power[:, : self.first] = 0.0
        out[good] = power
        return out

    def chunks(self) -> Iterator[NDArray[np.int64]]:
        """Yield numbers of frames, a bounded number at a time."""
        for first in range(0, self.good.size, _CHUNK):
            yield np.arange(first, min(first + _CHUNK, self.good.size))

    def bins(self, frequency: Array) -> Array:
        """Return where frequencies [Hz] appear in the spectrum, in bins, folded by the sampling rate."""
        folded = np.abs(frequency - self.rate * np.rint(frequency / self.rate))
        return np.asarray(folded / self.bin, dtype=np.float64)


def without_skirts(power: Array) -> Array:
    """Take for noise what is only the skirt of a stronger line nearby.

    Parameters
    ----------
    power : ndarray, shape (frames, bins)
        Whitened power, zero padded four times, Hann window.

    Returns
    -------
    ndarray, shape (frames, bins)
        Lines are left within a third of a bin of the window about their peaks; the rest of the main lobe is 1
        at most, so that a line is evidence only for what lies at its own frequency.
    """
    skirt = np.zeros_like(power)
    for shift in range(2, 2 * _PAD):
        x = shift / _PAD
        part = 0.5 if shift == _PAD else float(np.sinc(x) / (1.0 - x * x))
        skirt[:, shift:] = np.maximum(skirt[:, shift:], power[:, :-shift] * part**2)
        skirt[:, :-shift] = np.maximum(skirt[:, :-shift], power[:, shift:] * part**2)
    return np.where(power > _ABOVE_SKIRT * skirt, power, np.minimum(power, 1.0))


_GRID = np.linspace(0.0, 60.0, 1201)


def _table(share: float, powers: Sequence[float] = (4.0, 16.0, 64.0, 256.0)) -> Array:
    """Tabulate the log-likelihood ratio of a line against noise over the whitened power."""
    # noise that is not quite stationary has a heavier tail than the exponential
    noise = 0.9 * np.exp(-_GRID) + 0.1 / 4.0 * np.exp(-_GRID / 4.0)
    line = np.mean([np.exp(-_GRID / (1.0 + p)) / (1.0 + p) for p in powers], axis=0)
    return np.asarray(np.minimum(np.log(1.0 - share + share * line / noise), 7.0), dtype=np.float64)


_EVIDENCE = {True: _table(0.8), False: _table(0.4)}


def line_evidence(power: Array, *, expected: bool = False) -> Array:
    r"""Return the log-likelihood ratio of a line against noise for whitened power.

    Parameters
    ----------
    power : ndarray
        Power over noise; 0 counts as unknown and gives 0.
    expected : bool
        Whether the line is one that should be there.

    Returns
    -------
    ndarray
        Log-likelihood ratio, at most 7: below 0 where power is as noise has it, above where it is more.

    Notes
    -----
    With chance 0.4 (0.8 where it is expected) a line is there, its power over noise one of 4, 16, 64, 256
    (Rayleigh amplitude); noise is exponential with mean 1, and with a share of 0.1 with mean 4. The bound
    keeps one strong tone from outweighing all else.

    Examples
    --------
    >>> [round(float(x), 1) for x in line_evidence(np.array([0.0, 1.0, 6.0, 30.0]))]
    [0.0, -0.4, 0.8, 5.1]
    """
    step = float(_GRID[1])
    index = np.minimum(power / step, _GRID.size - 1.001)
    low = index.astype(np.int64)
    table = _EVIDENCE[expected]
    value = table[low] + (index - low) * (table[low + 1] - table[low])
    return np.where(power > 0.0, value, 0.0)
