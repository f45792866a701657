"""Blade element momentum theory that runs through V = 0 without a separate hover branch."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..display import displayed
from ..errors import FlightprocError
from .blade import Blade
from .neighbours import guess_roots
from .polar import Polar, Sectioned
from .stations import Air, Points, Stations

__all__ = ["ElementSolution", "solve_elements"]

Array = NDArray[np.float64]

_BLOCK = 256  # operating points solved at a time, so that their arrays stay in the processor's cache


@displayed
@dataclass(frozen=True)
class ElementSolution:
    """Blade loads over operating points and radius.

    Attributes
    ----------
    blade : Blade
        As solved.
    rpm_propeller : ndarray, shape (n_op,)
        Propeller speed [1/min].
    airspeed : ndarray, shape (n_op,)
        Axial inflow far upstream [m/s].
    density : ndarray, shape (n_op,)
        [kg/m^3].
    thrust, torque : ndarray, shape (n_op,)
        [N], [N m].
    thrust_coefficient, power_coefficient, torque_coefficient : ndarray, shape (n_op,)
        C_T = T / (rho n^2 D^4), C_P = P / (rho n^3 D^5), C_Q = Q / (rho n^2 D^5), n in rev/s.
    advance_ratio : ndarray, shape (n_op,)
        J = V / (n D).
    alpha, phi : ndarray, shape (n_op, n_r)
        Angle of attack and inflow angle [rad].
    induced_axial, induced_swirl : ndarray, shape (n_op, n_r)
        Induced velocity at the disc, downstream and in the sense of rotation [m/s].
    relative_speed : ndarray, shape (n_op, n_r)
        Resultant speed at the section [m/s].
    lift_coefficient, drag_coefficient : ndarray, shape (n_op, n_r)
        Section coefficients.
    reynolds : ndarray, shape (n_op, n_r)
        On the chord and the resultant speed.
    thrust_per_span, torque_per_span : ndarray, shape (n_op, n_r)
        dT/dr [N/m], dQ/dr [N], all blades.
    converged : ndarray of bool, shape (n_op, n_r)
        Whether the inflow angle was found. An element where it was not (twist near 90 deg) carries no load
        and has NaN for its angles.

    Examples
    --------
    >>> from flightproc.propeller import Blade, prior_blade
    >>> blade = prior_blade(Blade.helical(diameter=1.25, pitch=0.60, blades=2))
    >>> solution = blade.solve(2143.0, [0.0, 10.0], 1.2)
    >>> solution.thrust.round()
    array([264., 189.])
    """

    blade: Blade
    rpm_propeller: Array
    airspeed: Array
    density: Array
    thrust: Array
    torque: Array
    thrust_coefficient: Array
    power_coefficient: Array
    torque_coefficient: Array
    advance_ratio: Array
    alpha: Array
    phi: Array
    induced_axial: Array
    induced_swirl: Array
    relative_speed: Array
    lift_coefficient: Array
    drag_coefficient: Array
    reynolds: Array
    thrust_per_span: Array
    torque_per_span: Array
    converged: NDArray[np.bool_]

    @property
    def efficiency(self) -> Array:
        """Propulsive efficiency J C_T / C_P, shape (n_op,); NaN where no power is taken."""
        power = np.where(self.power_coefficient > 0.0, self.power_coefficient, np.nan)
        return self.advance_ratio * self.thrust_coefficient / power

    def points(self, rows: slice) -> ElementSolution:
        """Return the solution at some of the operating points."""
        whole = {f.name: getattr(self, f.name) for f in fields(self) if f.name != "blade"}
        return replace(self, **{name: value[rows] for name, value in whole.items()})


def solve_elements(
    blade: Blade,
    polar: Polar,
    rpm_propeller: ArrayLike,
    airspeed: ArrayLike,
    density: ArrayLike = 1.225,
    *,
    tip_loss: bool = True,
    hub_loss: bool = True,
    pitch_offset: ArrayLike = 0.0,
    chord_factor: ArrayLike = 1.0,
    viscosity: float = 1.789e-5,
    speed_of_sound: float | None = None,
) -> ElementSolution:
    """Solve the blade elements at each operating point.

    Parameters
    ----------
    blade : Blade
        Geometry, n_r elements.
    polar : Polar
        Section coefficients.
    rpm_propeller : array_like, shape (n_op,)
        Propeller speed [1/min], above zero.
    airspeed : array_like, shape (n_op,)
        Axial inflow far upstream [m/s], zero or more.
    density : array_like, shape (n_op,)
        Air density [kg/m^3].
    tip_loss : bool
        Whether to use Prandtl's tip-loss factor.
    hub_loss : bool
        Whether to use its counterpart at the root, where the blade has a `Blade.hub_radius`.
    pitch_offset : array_like, shape (n_op,)
        Added to the twist at every radius [rad].
    chord_factor : array_like, shape (n_op,)
        Times the chord at every radius.
    viscosity : float
        Dynamic viscosity [Pa s], for the Reynolds number.
    speed_of_sound : float, optional
        [m/s]; without it the polar sees Mach number zero.

    Returns
    -------
    ElementSolution

    Raises
    ------
    FlightprocError
        With speeds or densities out of range.

    Notes
    -----
    With W the resultant speed and sigma = B c / (2 pi r), blade element and momentum theory [1]_ give for
    axial and swirl induced velocity at the disc

        v = W sigma C_n / (4 F |sin phi|),    u = W sigma C_t / (4 F |sin phi|),
        C_n = cl cos phi - cd sin phi,        C_t = cl sin phi + cd cos phi,

    and W sin phi = V + v, W cos phi = Omega r - u. Elimination of W leaves one residual in phi,

        R = Omega r (4 F sin phi |sin phi| - sigma C_n) - V (4 F |sin phi| cos phi + sigma C_t).

    Unlike forms built on induction factors over V it stays finite at V = 0 and there keeps the swirl, so that
    thrust and torque are continuous at J = 0. R is negative at phi = 0 for a lifting section and positive at
    phi = 90 deg, so a root is bracketed for any twist below about 85 deg; the idea of one bracketed residual
    in phi is Ning's [2]_. It is found by Chandrupatla's method [3]_, which keeps the bracket. Of many points
    a few are solved like that, and a polynomial through them says where the roots of the others lie, which
    the secant method then finds to the same tolerance; where it does not, the bracket serves. A windmilling
    element (C_n < 0) with a loading beyond 2/3 takes Buhl's relation [2]_ in place of momentum theory.
    Tip loss: F = (2 / pi) acos exp(-B (R - r) / (2 r |sin phi|)); hub loss: the same with (r - r_h) / r_h in
    place of (R - r) / r, r_h the radius at which the blade begins [2]_; F is their product.

    Axial inflow is assumed; the inclination of the disc to the flow is left out. The polar's Reynolds and
    Mach numbers are taken at sqrt((Omega r)^2 + V^2).

    References
    ----------
    .. [1] H. Glauert, Airplane Propellers, in W. F. Durand (ed.), Aerodynamic Theory, vol. IV, 1935, div. L.
    .. [2] S. A. Ning, A simple solution method for the blade element momentum equations with guaranteed
       convergence, Wind Energy 17, 2014, 1327-1345.
    .. [3] T. R. Chandrupatla, A new hybrid quadratic/bisection algorithm for finding the zero of a nonlinear
       function without using derivatives, Advances in Engineering Software 28, 1997, 145-149.

    Examples
    --------
    >>> from flightproc.propeller.polar import AnalyticPolar
    >>> blade = Blade.helical(diameter=1.25, pitch=0.6, blades=2)
    >>> run = solve_elements(blade, AnalyticPolar(), 2400.0, [0.0, 11.0])
    >>> run.alpha.shape, bool(run.thrust[0] > run.thrust[1] > 0.0)
    ((2, 30), True)
    """
    rpm, speed, rho, offset, factor = (
        np.atleast_1d(x)
        for x in np.broadcast_arrays(
            *(
                np.asarray(v, dtype=float)
                for v in (rpm_propeller, airspeed, density, pitch_offset, chord_factor)
            )
        )
    )
    if rpm.ndim != 1:
        raise FlightprocError(
            "operating points must be one-dimensional", found=rpm.shape, where="blade elements"
        )
    _demand(rpm, rpm > 0.0, "propeller speed", "above 0 1/min")
    _demand(speed, speed >= 0.0, "axial airspeed", "0 m/s or more")
    _demand(rho, rho > 0.0, "air density", "above 0 kg/m^3")

    points, air = Points(rpm, speed, rho, offset, factor), Air(tip_loss, hub_loss, viscosity, speed_of_sound)
    columns = _columns(blade, polar, points, air)
    thrust = columns["thrust_per_span"] @ blade.width
    torque = columns["torque_per_span"] @ blade.width
    revolutions = rpm / 60.0
    scale = rho * revolutions**2 * blade.diameter**4
    return ElementSolution(
        blade=blade,
        rpm_propeller=rpm,
        airspeed=speed,
        density=rho,
        thrust=thrust,
        torque=torque,
        thrust_coefficient=thrust / scale,
        power_coefficient=2.0 * math.pi * torque / (scale * blade.diameter),
        torque_coefficient=torque / (scale * blade.diameter),
        advance_ratio=speed / (revolutions * blade.diameter),
        **columns,
    )


def _columns(blade: Blade, polar: Polar, points: Points, air: Air) -> dict[str, Any]:
    """Return the columns of shape (n_op, n_r) of a solution, block by block where the polar can be cut."""
    if not isinstance(polar, Sectioned):
        return _solve(blade, points, air, Stations.at(blade, polar, points, air), None)
    guess = guess_roots(blade, polar, points, air)
    parts = []
    for begin in range(0, points.rpm.size, _BLOCK):
        rows = slice(begin, begin + _BLOCK)
        stations = Stations.at(blade, polar, points, air, rows)
        near = None if guess is None else (guess[0, rows], guess[1, rows])
        parts.append(_solve(blade, points.rows(rows), air, stations, near))
    if len(parts) == 1:
        return parts[0]
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def _solve(
    blade: Blade, points: Points, air: Air, stations: Stations, guess: tuple[Array, Array] | None
) -> dict[str, Any]:
    """Return the columns of shape (n_op, n_r) of a solution."""
    unknown, found, at = stations.solve(guess)
    radius = blade.radius[None, :]
    rotation = (points.rpm * (2.0 * math.pi / 60.0))[:, None] * radius
    inflow, density = points.airspeed[:, None], points.density[:, None]
    divisor = at.loss * at.size
    lean = np.maximum(divisor + stations.sigma * at.drag, 1e-300)
    resultant = divisor * (inflow * at.sine + rotation * at.cosine) / lean
    heavy = at.windmill(stations.advance)
    if heavy.any():
        with np.errstate(divide="ignore", invalid="ignore"):
            turned = divisor * rotation / (divisor * at.cosine + at.tangential)
        resultant = np.where(heavy, turned, resultant)
    pressure = 0.5 * density * resultant**2 * (2.0 * math.pi * radius)
    phi = 2.0 * np.arctan(unknown)
    chord = blade.chord[None, :] * points.chord_factor[:, None]
    return {
        "alpha": blade.twist[None, :] + points.pitch_offset[:, None] - phi,
        "phi": phi,
        "induced_axial": resultant * at.sine - inflow,
        "induced_swirl": rotation - resultant * at.cosine,
        "relative_speed": resultant,
        "lift_coefficient": at.lift,
        "drag_coefficient": at.drag,
        "reynolds": density * resultant * chord / air.viscosity,
        "thrust_per_span": np.where(found, pressure * at.normal, 0.0),
        "torque_per_span": np.where(found, pressure * at.tangential * radius, 0.0),
        "converged": found,
    }


def _demand(value: Array, good: NDArray[np.bool_], name: str, allowed: str) -> None:
    bad = ~(good & np.isfinite(value))
    if np.any(bad):
        raise FlightprocError(
            f"{name} out of range", where="blade elements", found=float(value[bad][0]), allowed=allowed
        )
