"""The circle through ground velocities: centre wind, radius airspeed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["CircleFit", "fit_wind_circle"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class CircleFit:
    """A circle through ground velocities.

    Attributes
    ----------
    north, east : float
        Wind: the motion of the air over ground [m/s].
    airspeed : float
        True airspeed [m/s].
    covariance : ndarray, shape (3, 3)
        Of (north, east, airspeed) [(m/s)^2]; NaN for three points without a stated uncertainty.
    residuals : ndarray, shape (n,)
        Distance of each point from the circle [m/s], positive outside.
    """

    north: float
    east: float
    airspeed: float
    covariance: Array
    residuals: Array

    @property
    def wind_speed(self) -> float:
        """Wind speed [m/s]."""
        return float(np.hypot(self.north, self.east))

    @property
    def wind_from(self) -> float:
        """Direction the wind blows from [rad], clockwise from north, in [0, 2 pi)."""
        return float(np.arctan2(-self.east, -self.north) % (2 * np.pi))

    @property
    def rms(self) -> float:
        """Root mean square of the residuals [m/s]."""
        return float(np.sqrt(np.mean(self.residuals**2)))


def fit_wind_circle(
    velocity_north: ArrayLike, velocity_east: ArrayLike, *, std: float | None = None
) -> CircleFit:
    r"""Fit wind and airspeed to ground velocities flown at one airspeed on several headings.

    Parameters
    ----------
    velocity_north, velocity_east : array_like, shape (n,)
        Ground velocity [m/s], at least three points.
    std : float, optional
        Standard uncertainty of a ground velocity along any direction [m/s]. Where it is not given it is
        estimated from the residuals, with ``n - 3`` degrees of freedom.

    Returns
    -------
    CircleFit

    Raises
    ------
    ValueError
        If there are fewer than three points, or they lie on one line.

    Notes
    -----
    :math:`\mathbf v_g = \mathbf V + \mathbf W` with :math:`|\mathbf V|` constant puts ground velocities on
    a circle about :math:`\mathbf W`. The sum of squared distances from the circle is made least by
    Gauss-Newton from the algebraic fit. Three points determine the circle exactly (the three-leg
    method); the four-leg method averages the four triples. The mean of the ground speeds is not the airspeed.

    References
    ----------
    .. [1] D. Gray, Using GPS to accurately establish True Airspeed (TAS), 1998.

    Examples
    --------
    Airspeed 100 with a wind of 20 from the west, on four headings:

    >>> fit = fit_wind_circle([100, 0, -100, 0], [20, 120, 20, -80])
    >>> round(fit.airspeed, 6), round(fit.wind_speed, 6), round(float(np.degrees(fit.wind_from)), 3)
    (100.0, 20.0, 270.0)
    """
    north = np.asarray(velocity_north, dtype=float)
    east = np.asarray(velocity_east, dtype=float)
    if north.size < 3:
        raise ValueError(f"a circle needs at least three ground velocities, found {north.size}")
    centre_n, centre_e = float(north.mean()), float(east.mean())
    x, y = north - centre_n, east - centre_e
    size = float(np.sqrt(np.mean(x * x + y * y)))
    moments = np.linalg.svd(np.column_stack([x, y]), compute_uv=False)
    if size == 0.0 or moments[1] <= 1e-9 * moments[0]:
        raise ValueError(
            "the ground velocities lie on one line: at least three different headings are needed"
        )
    design = np.column_stack([2 * x, 2 * y, np.ones_like(x)])
    a, b, c = np.linalg.lstsq(design, x * x + y * y, rcond=None)[0]
    theta = np.array([a, b, np.sqrt(c + a * a + b * b)])
    for _ in range(100):
        dx, dy = x - theta[0], y - theta[1]
        distance = np.maximum(np.hypot(dx, dy), 1e-12 * size)
        jacobian = np.column_stack([-dx / distance, -dy / distance, -np.ones_like(x)])
        step = np.linalg.lstsq(jacobian, -(distance - theta[2]), rcond=None)[0]
        theta = theta + step
        if np.max(np.abs(step)) <= 1e-12 * (size + abs(theta[2])):
            break
    dx, dy = x - theta[0], y - theta[1]
    distance = np.hypot(dx, dy)
    residuals = distance - theta[2]
    jacobian = np.column_stack([-dx / distance, -dy / distance, -np.ones_like(x)])
    inverse = np.asarray(np.linalg.inv(jacobian.T @ jacobian), dtype=np.float64)
    if std is not None:
        variance = std**2
    elif north.size > 3:
        variance = float(np.sum(residuals**2) / (north.size - 3))
    else:
        variance = float("nan")
    return CircleFit(
        float(theta[0]) + centre_n, float(theta[1]) + centre_e, float(theta[2]), inverse * variance, residuals
    )
