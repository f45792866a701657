"""Curves against engine speed: what grows about as the square, from few points with their covariance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..display import displayed
from ..statistics.propagate import draw_normal

__all__ = ["Law", "ThrustLaw", "fit_law"]

Array = NDArray[np.float64]


@displayed
@dataclass(frozen=True)
class Law:
    """y = u^2 (a + b (u - 1)), u = rpm over the reference.

    Attributes
    ----------
    reference : float
        Engine speed where u is 1 [1/min].
    mean : ndarray, shape (2,)
        a, b, in the unit of y.
    covariance : ndarray, shape (2, 2)
        Of a and b.
    chi2, dof : float, int
        Of the points, the prior of b apart.
    """

    reference: float
    mean: Array
    covariance: Array
    chi2: float
    dof: int

    def at(self, rpm: ArrayLike, coefficients: Array | None = None) -> Array:
        """Return y.

        Parameters
        ----------
        rpm : array_like
            A number or an array that broadcasts against the draws [1/min].
        coefficients : ndarray, shape (n, 2), optional
            Draws of a and b; the mean where they are not given.
        """
        u = np.asarray(rpm, dtype=float) / self.reference
        a, b = self.mean if coefficients is None else (coefficients[:, 0], coefficients[:, 1])
        return np.asarray(u * u * (a + b * (u - 1.0)))

    def draw(self, draws: int, rng: np.random.Generator) -> Array:
        """Return draws of a and b, shape (draws, 2)."""
        return draw_normal(self.mean, self.covariance, draws, rng)


def fit_law(rpm: Array, value: Array, covariance: Array, *, exponent_std: float = 0.5) -> Law:
    """Fit the law by generalised least squares.

    Parameters
    ----------
    rpm, value : ndarray, shape (n,)
        Points, one or more.
    covariance : ndarray, shape (n, n)
        Of the values.
    exponent_std : float
        b / a is the local exponent less two; this is its standard deviation before the points speak.

    Returns
    -------
    Law
        Its covariance widened by chi^2 over degrees of freedom where that exceeds one at the 5 % level.

    Examples
    --------
    >>> n = np.array([5000.0, 6000.0, 7000.0])
    >>> law = fit_law(n, 24.0 * (n / 6000.0) ** 2, 0.25 * np.eye(3))
    >>> bool(np.allclose(law.at(6500.0), 24.0 * (6500 / 6000) ** 2))
    True
    """
    from scipy.special import chdtrc

    reference = float(np.mean(rpm))
    u = rpm / reference
    design = np.column_stack([u**2, u**2 * (u - 1.0)])
    size = float(np.mean(np.diag(covariance)))
    inverse = np.linalg.inv(covariance + 1e-9 * max(size, 1e-12) * np.eye(rpm.size))
    scale = max(abs(float(np.mean(value / u**2))), np.sqrt(size))
    for _ in range(2):
        prior = np.diag([0.0, 1.0 / (exponent_std * scale) ** 2])
        spread = np.asarray(np.linalg.inv(design.T @ inverse @ design + prior), dtype=np.float64)
        mean = spread @ design.T @ inverse @ value
        scale = max(abs(float(mean[0])), np.sqrt(size))
    gap = value - design @ mean
    chi2, dof = float(gap @ inverse @ gap), rpm.size - 2
    if dof > 0 and float(chdtrc(dof, chi2)) < 0.05:
        spread = np.asarray(spread * chi2 / dof, dtype=np.float64)
    return Law(reference, np.asarray(mean), 0.5 * (spread + spread.T), chi2, max(dof, 0))


@displayed
@dataclass(frozen=True)
class ThrustLaw:
    """Thrust in flight, T = k rho n^2 ratio(J).

    Attributes
    ----------
    constant : float
        k: static thrust over density and the square of rpm [N m^3 min^2 / kg].
    relative_std : float
        Standard uncertainty of thrust over thrust, common to all engine speeds.
    advance, ratio : ndarray, shape (n,)
        Thrust over thrust at rest against advance ratio.
    gear, diameter : float
        Engine revolutions per propeller revolution; of the propeller [m].
    source : str
        Where it is from, in words.
    """

    constant: float
    relative_std: float
    advance: Array
    ratio: Array
    gear: float
    diameter: float
    source: str

    def share(self, rpm: ArrayLike, airspeed: ArrayLike) -> Array:
        """Return thrust over thrust at rest; a straight line goes on from the last point, down to zero."""
        n = np.maximum(np.asarray(rpm, dtype=float), 1.0)
        j = np.asarray(airspeed, dtype=float) / (n / self.gear / 60.0 * self.diameter)
        slope = (self.ratio[-1] - self.ratio[-2]) / (self.advance[-1] - self.advance[-2])
        beyond = self.ratio[-1] + min(float(slope), 0.0) * (j - self.advance[-1])
        inside = np.interp(j, self.advance, self.ratio)
        return np.asarray(np.maximum(np.where(j > self.advance[-1], beyond, inside), 0.0))

    def at(self, rpm: ArrayLike, airspeed: ArrayLike, density: ArrayLike) -> Array:
        """Return the thrust [N], never below zero."""
        n = np.asarray(rpm, dtype=float)
        return np.asarray(self.constant * np.asarray(density) * n * n * self.share(n, airspeed))
