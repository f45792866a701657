"""Gusts: seeded series with the Dryden or von Karman spectra, a level that comes and goes, and thermals.

Frozen fields, flown through at a steady airspeed. Patches: the level is multiplied by a slow factor
exp(s x(t) - s^2), x a first-order Gauss-Markov series of unit variance, so that its mean square is 1 and the
level stated is the root mean square over a long flight; air that is calm for a minute and gusty the next has
hold means whose scatter no single noise level describes.

Thermals: patches of rising or sinking air with a Gaussian profile w = A exp(-(s - s0)^2 / 2 R^2) along the
path, R a quarter of the width, met on average every three widths (a Poisson process); the strength |A| is
exponential, either sign alike, so that no lift is left on average. The wing meets the edge of a patch at a
slant: with the gradient of w across the path tan(chi) times that along it, chi uniform within 45 deg for
each patch, one side is lifted more than the other, and p_g = tan(chi) dw/ds is the equivalent roll rate of
the air.

References
----------
.. [1] MIL-F-8785C, "Flying Qualities of Piloted Airplanes", 1980, sections 3.7.1.1 (von Karman form), 3.7.1.2
   (Dryden form) and 3.7.5 (roll gust). The same forms are in MIL-HDBK-1797, 1997, appendix A.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import FlightprocError

__all__ = [
    "Gusts",
    "dryden_spectra",
    "make_gusts",
    "make_patches",
    "make_thermals",
    "shape_noise",
    "von_karman_spectra",
]

STRETCH = 1.339
"""Factor on the length in the von Karman form."""
SPACING = 3.0
"""Mean distance between thermals, in widths."""
STEEPEST = np.pi / 4
"""Largest slant at which a thermal's edge is met [rad]."""


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


def von_karman_spectra(
    frequency: NDArray[np.float64], level: float, length: float, speed: float, span: float
) -> dict[str, NDArray[np.float64]]:
    """Return the one-sided spectral densities in time of the four gust series in the von Karman form.

    Parameters
    ----------
    frequency : ndarray, shape (n,)
        [Hz].
    level, length, speed, span : float
        As in :func:`dryden_spectra`.

    Returns
    -------
    dict of ndarray, shape (n,)
        As :func:`dryden_spectra`; ``roll`` is the same in both forms.

    Notes
    -----
    With x = (1.339 L Omega)^2, conventions as in :func:`dryden_spectra`::

        Phi_u = sigma^2 (2 L / pi) / (1 + x)^(5/6)
        Phi_v = Phi_w = sigma^2 (L / pi) (1 + 8 x / 3) / (1 + x)^(11/6)

    At high frequency they fall with the power -5/3, where the Dryden form falls with -2.

    References
    ----------
    .. [1] MIL-F-8785C, 1980, section 3.7.1.1.
    """
    scaled = (STRETCH * length * 2 * np.pi * frequency / speed) ** 2
    to_time = 2 * np.pi / speed
    along = level**2 * (2 * length / np.pi) / (1 + scaled) ** (5 / 6)
    side = level**2 * (length / np.pi) * (1 + 8 / 3 * scaled) / (1 + scaled) ** (11 / 6)
    roll = dryden_spectra(frequency, level, length, speed, span)["roll"]
    return {"along": along * to_time, "side": side * to_time, "down": side * to_time, "roll": roll}


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
    form: str = "dryden",
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
    form : str, optional
        ``dryden`` or ``von_karman``.

    Raises
    ------
    FlightprocError
        If the level is negative, the length not positive or the form not known.
    """
    if not level >= 0:
        raise FlightprocError("gust level must not be negative", found=level, allowed=">= 0 m/s")
    if not length > 0:
        raise FlightprocError("gust length must be positive", found=length, allowed="> 0 m")
    forms = {"dryden": dryden_spectra, "von_karman": von_karman_spectra}
    if form not in forms:
        raise FlightprocError("the form of the gusts is not known", found=form, allowed=", ".join(forms))
    padded = 1 << max(count - 1, 1).bit_length()
    frequency = np.asarray(np.fft.rfftfreq(padded, step), dtype=np.float64)
    spectra = forms[form](frequency, level, length, speed, span)
    series = {name: shape_noise(spectrum, step, generator)[:count] for name, spectrum in spectra.items()}
    return Gusts(series["along"], series["side"], series["down"], series["roll"], step)


def make_patches(
    count: int, step: float, spread: float, time_constant: float, generator: np.random.Generator
) -> NDArray[np.float64]:
    """Return a slow factor on the gust level, with a mean square of 1.

    Parameters
    ----------
    count : int
        Number of samples.
    step : float
        Time step [s].
    spread : float
        Standard deviation of the factor's logarithm.
    time_constant : float
        Of the first-order Gauss-Markov series in the logarithm [s].
    generator : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    ndarray, shape (n,)

    Raises
    ------
    FlightprocError
        If the spread is negative or the time constant not positive.
    """
    if not spread >= 0:
        raise FlightprocError("gust patchiness must not be negative", found=spread, allowed=">= 0")
    if not time_constant > 0:
        raise FlightprocError("gust patch time must be positive", found=time_constant, allowed="> 0 s")
    # nodes a hundredth of the time constant apart, straight lines between
    every = max(1, int(time_constant / 100.0 / step))
    nodes = count // every + 2
    keep = float(np.exp(-every * step / time_constant))
    kick = np.sqrt(1 - keep * keep)
    value = float(generator.standard_normal())
    series = []
    for noise in generator.standard_normal(nodes).tolist():
        series.append(value)
        value = keep * value + kick * noise
    grid = np.interp(np.arange(count), np.arange(nodes) * every, series)
    return np.asarray(np.exp(spread * grid - spread**2), dtype=np.float64)


def make_thermals(
    count: int, step: float, level: float, width: float, speed: float, generator: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return vertical motion and equivalent roll rate of patches of rising and sinking air.

    Parameters
    ----------
    count : int
        Number of samples.
    step : float
        Time step [s].
    level : float
        Mean strength of the cores [m/s].
    width : float
        Of a patch, four times the standard deviation of its profile [m].
    speed : float
        Airspeed at which they are flown through [m/s].
    generator : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    down, roll : ndarray, shape (n,)
        [m/s], positive down; [rad/s], positive like a wing that rolls right.

    Raises
    ------
    FlightprocError
        If the level is negative or the width not positive.
    """
    if not level >= 0:
        raise FlightprocError("thermal level must not be negative", found=level, allowed=">= 0 m/s")
    if not width > 0:
        raise FlightprocError("thermal length must be positive", found=width, allowed="> 0 m")
    up, roll = np.zeros(count), np.zeros(count)
    if level == 0:
        return up, roll
    way = np.arange(count) * step * speed
    radius = width / 4
    centre = -width
    while centre < way[-1] + width:
        centre += SPACING * width * float(generator.exponential())
        strength = level * float(generator.exponential()) * (1.0 if generator.random() < 0.5 else -1.0)
        slant = np.tan(generator.uniform(-STEEPEST, STEEPEST))
        first, last = np.searchsorted(way, (centre - 5 * radius, centre + 5 * radius))
        offset = (way[first:last] - centre) / radius
        profile = strength * np.exp(-0.5 * offset**2)
        up[first:last] += profile
        roll[first:last] -= slant * profile * offset / radius
    return -up, roll
