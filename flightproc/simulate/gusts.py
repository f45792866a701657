"""Gusts: seeded series with the Dryden spectra.

References
----------
.. [1] MIL-F-8785C, "Flying Qualities of Piloted Airplanes", 1980, section 3.7.1.2 (Dryden form) and
   section 3.7.5 (roll gust). The same forms are in MIL-HDBK-1797, 1997, appendix A.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import FlightprocError

__all__ = ["Gusts", "dryden_spectra", "make_gusts", "shape_noise"]


@dataclass(frozen=True)
class Gusts:
    """Gusts along the flight path.

    Attributes
    ----------
    along, side, down : ndarray, shape (n,)
        Motion of the air along x, y and z [m/s].
    roll : ndarray, shape (n,)
        Equivalent roll rate of the air across the span [rad/s].
    step : float
        Time step [s].
    """

    along: NDArray[np.float64]
    side: NDArray[np.float64]
    down: NDArray[np.float64]
    roll: NDArray[np.float64]
    step: float


def dryden_spectra(
    frequency: NDArray[np.float64], level: float, length: float, speed: float, span: float
) -> dict[str, NDArray[np.float64]]:
    """Return the one-sided spectral densities in time of the four gust series.

    Parameters
    ----------
    frequency : ndarray, shape (n,)
        [Hz].
    level : float
        Standard deviation of each velocity component [m/s].
    length : float
        Length scale, the same for all components [m].
    speed : float
        Airspeed at which the frozen gust field is flown through [m/s].
    span : float
        Span [m].

    Returns
    -------
    dict of ndarray, shape (n,)
        ``along``, ``side``, ``down`` [(m/s)^2/Hz] and ``roll`` [(rad/s)^2/Hz].

    Notes
    -----
    With Omega = 2 pi f / V, per rad/m and two-sided as in [1]_, times 2 pi / V and folded to one side::

        Phi_u = sigma^2 (2 L / pi) / (1 + (L Omega)^2)
        Phi_v = Phi_w = sigma^2 (L / pi) (1 + 3 (L Omega)^2) / (1 + (L Omega)^2)^2
        Phi_p = (sigma^2 / L) 0.8 (pi L / 4 b)^(1/3) / (1 + (4 b Omega / pi)^2)

    The forms integrate to sigma^2 over Omega from 0 to infinity. The source's length scales depend on height;
    here the length is a free parameter, as near the ground and in calm mornings they do not hold.

    References
    ----------
    .. [1] MIL-F-8785C, 1980, sections 3.7.1.2 and 3.7.5.
    """
    omega = 2 * np.pi * frequency / speed
    scaled = (length * omega) ** 2
    to_time = 2 * np.pi / speed
    along = level**2 * (2 * length / np.pi) / (1 + scaled)
    side = level**2 * (length / np.pi) * (1 + 3 * scaled) / (1 + scaled) ** 2
    roll = (
        level**2
        / length
        * 0.8
        * (np.pi * length / (4 * span)) ** (1 / 3)
        / (1 + (4 * span * omega / np.pi) ** 2)
    )
    return {"along": along * to_time, "side": side * to_time, "down": side * to_time, "roll": roll * to_time}


def shape_noise(
    spectrum: NDArray[np.float64], step: float, generator: np.random.Generator
) -> NDArray[np.float64]:
    """Return a Gaussian series with a given one-sided spectral density.

    Parameters
    ----------
    spectrum : ndarray, shape (n // 2 + 1,)
        One-sided density at the frequencies of ``numpy.fft.rfftfreq(n, step)``, n even. The value at zero
        frequency is used with that bin's weight, so the mean of the series varies as it should.
    step : float
        Time step [s].
    generator : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    ndarray, shape (n,)
        One period of the series.
    """
    bins = spectrum.size
    count = 2 * (bins - 1)
    white = generator.standard_normal(bins) + 1j * generator.standard_normal(bins)
    # E|X_k|^2 = S(f_k) n / (2 dt) for a one-sided density; the end bins are real.
    amplitude = np.sqrt(spectrum * count / (4 * step))
    shaped = amplitude * white
    shaped[0] = np.sqrt(2.0) * shaped[0].real
    shaped[-1] = np.sqrt(2.0) * shaped[-1].real
    return np.asarray(np.fft.irfft(shaped, count), dtype=np.float64)


def make_gusts(
    count: int,
    step: float,
    level: float,
    length: float,
    speed: float,
    span: float,
    generator: np.random.Generator,
) -> Gusts:
    """Return seeded gust series.

    Parameters
    ----------
    count : int
        Number of samples.
    step : float
        Time step [s].
    level, length, speed, span : float
        As in :func:`dryden_spectra`.
    generator : numpy.random.Generator
        Source of randomness.

    Raises
    ------
    FlightprocError
        If the level is negative or the length not positive.
    """
    if not level >= 0:
        raise FlightprocError("gust level must not be negative", found=level, allowed=">= 0 m/s")
    if not length > 0:
        raise FlightprocError("gust length must be positive", found=length, allowed="> 0 m")
    padded = 1 << max(count - 1, 1).bit_length()
    spectra = dryden_spectra(
        np.asarray(np.fft.rfftfreq(padded, step), dtype=np.float64), level, length, speed, span
    )
    series = {name: shape_noise(spectrum, step, generator)[:count] for name, spectrum in spectra.items()}
    return Gusts(series["along"], series["side"], series["down"], series["roll"], step)
