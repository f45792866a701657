"""A blade from a few measurements that a person takes with a protractor and a ruler."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import FlightprocError
from .blade import Blade, chord_law, element_edges

__all__ = ["blade_from_few_stations"]

Array = NDArray[np.float64]

_BEGINS = 0.15  # where the blade is taken to begin over tip radius, unless a station lies further in
_PITCH_TREND = (0.4, 0.8)  # prior of slope and curvature of the pitch along the blade, over the pitch
_CHORD_TREND = (0.8, 1.5)  # the same for the chord, over the chord law
_SECTION_STD = math.radians(2.0)  # zero-lift angle of the section, in the prior of the pitch offset
_REFERENCE = 0.75


def blade_from_few_stations(
    radius: ArrayLike,
    chord: ArrayLike,
    twist: ArrayLike,
    *,
    diameter: float,
    blades: int,
    twist_std: float = math.radians(1.0),
    chord_std: float = 0.002,
    elements: int = 30,
) -> Blade:
    """Fit a smooth blade to three or more hand measurements.

    Parameters
    ----------
    radius, chord, twist : array_like, shape (n,)
        Stations [m], [m], [rad], n at least 3, radii increasing.
    diameter : float
        [m].
    blades : int
        Number of blades.
    twist_std, chord_std : float
        Standard uncertainty of one measurement: 1 deg for a protractor, 2 mm for a ruler.
    elements : int
        Number of elements.

    Returns
    -------
    Blade
        With ``twist_std`` along the blade, and ``pitch_std`` and ``chord_std`` from the fit.

    Raises
    ------
    FlightprocError
        With fewer than three stations, or stations that do not describe a blade.

    Notes
    -----
    With x = r / R - 0.75, the local pitch 2 pi r tan(beta) is ``P0 + P1 x + P2 x^2``, and the chord is
    a law times ``C0 + C1 x + C2 x^2``, fitted by weighted least squares. P1, P2, C1 and C2 have priors
    about zero (0.4 and 0.8 of P0, 0.8 and 1.5 of C0), so that three stations do not bend the blade for the
    sake of one bad reading; P0 and C0 have none. Where the readings scatter more than stated, the
    uncertainties are widened by the root of chi^2 per degree of freedom.

    Examples
    --------
    >>> r = np.array([0.2, 0.4, 0.6])
    >>> blade = blade_from_few_stations(
    ...     r, [0.10, 0.095, 0.06], np.arctan(0.6 / (2 * np.pi * r)), diameter=1.3, blades=2
    ... )
    >>> round(float(np.degrees(blade.twist_at(0.75) - np.arctan(0.6 / (2 * np.pi * 0.4875)))), 1)
    0.0
    """
    r, c, b = (np.asarray(v, dtype=float) for v in (radius, chord, twist))
    if r.ndim != 1 or r.size < 3 or r.shape != c.shape or r.shape != b.shape:
        raise FlightprocError(
            "a fitted blade needs at least three stations with chord and angle each",
            where="blade",
            found=(r.size, c.size, b.size),
        )
    Blade(diameter, blades, r, np.zeros_like(r), c, b)  # the checks of the stations as they stand
    tip = 0.5 * diameter
    edges = element_edges(min(_BEGINS * tip, float(r[0])), tip, elements)
    middle = 0.5 * (edges[1:] + edges[:-1])
    design, fine = _powers(r / tip), _powers(middle / tip)

    pitch_per_angle = 2.0 * math.pi * r / np.cos(b) ** 2
    pitch, pitch_covariance, twist_scatter = _fit(
        design, 2.0 * math.pi * r * np.tan(b), pitch_per_angle * twist_std, _PITCH_TREND
    )
    local = fine @ pitch
    if np.any(local <= -0.2 * diameter):
        raise FlightprocError(
            "the angles of the stations do not describe a blade", where="blade", found=np.degrees(b).tolist()
        )
    beta = np.arctan2(local, 2.0 * math.pi * middle)
    spread = np.sqrt(np.einsum("ij,jk,ik->i", fine, pitch_covariance, fine))
    beta_std = spread * np.cos(beta) ** 2 / (2.0 * math.pi * middle)

    law = chord_law(r / tip)
    scale, scale_covariance, chord_scatter = _fit(
        design, c / law, np.full(r.size, chord_std) / law, _CHORD_TREND
    )
    width = chord_law(middle / tip) * np.maximum(fine @ scale, 0.05 * scale[0])
    at = _powers(np.array([_REFERENCE]))[0]
    chord_share = math.sqrt(float(at @ scale_covariance @ at)) / float(at @ scale)
    pitch_std = float(np.interp(_REFERENCE * tip, middle, beta_std))
    inner = float(np.degrees(np.interp(0.3 * tip, middle, beta_std)))
    words = (
        f"smooth blade fitted to {r.size} measured stations, angle known to "
        f"{math.degrees(pitch_std):.1f} deg at 0.75 R and {inner:.1f} deg at 0.3 R, chord to "
        f"{100.0 * chord_share:.0f} %"
    )
    if max(twist_scatter, chord_scatter) > 1.5:
        words += "; the readings scatter more than a protractor and a ruler should: measure again"
    return Blade(
        diameter=float(diameter),
        blades=int(blades),
        radius=middle,
        width=np.diff(edges),
        chord=width,
        twist=beta,
        chord_std=max(chord_share, 0.02),
        words=words,
        hub_radius=float(edges[0]),
        pitch_std=math.hypot(_SECTION_STD, pitch_std),
        twist_std=beta_std,
    )


def _powers(radius_ratio: Array) -> Array:
    x = np.asarray(radius_ratio, dtype=float) - _REFERENCE
    return np.column_stack([np.ones_like(x), x, x * x])


def _fit(design: Array, values: Array, std: Array, trend: tuple[float, float]) -> tuple[Array, Array, float]:
    """Return coefficients, covariance and the widening of a fit whose trends have priors about zero."""
    size = max(abs(float(np.median(values))), 1e-9)
    prior = np.diag([0.0, 1.0 / (trend[0] * size) ** 2, 1.0 / (trend[1] * size) ** 2])
    widen = 1.0
    for _ in range(3):  # a wider reading leans more on the prior
        weight = 1.0 / (widen * std) ** 2
        covariance = np.linalg.inv(design.T @ (design * weight[:, None]) + prior)
        found = covariance @ (design.T @ (weight * values))
        chi2 = float(np.sum(((values - design @ found) / std) ** 2))
        held = float(np.trace(design @ covariance @ (design * weight[:, None]).T))
        widen = max(1.0, math.sqrt(chi2 / max(values.size - held, 0.5)))
    return found, np.asarray(covariance, dtype=float), widen
