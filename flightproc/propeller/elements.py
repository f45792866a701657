"""Blade element momentum theory that runs through V = 0 without a separate hover branch."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import FlightprocError
from .blade import Blade
from .polar import Polar, SectionFlow

__all__ = ["ElementSolution", "solve_elements"]

Array = NDArray[np.float64]

_BUHL = 2.0 / 3.0  # axial loading beyond which momentum theory fails for a windmill


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
    in phi is Ning's [2]_. It is found by Chandrupatla's method [3]_, which keeps the bracket. A windmilling
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

    radius = blade.radius[None, :]
    chord = blade.chord[None, :] * factor[:, None]
    twist = blade.twist[None, :] + offset[:, None]
    sigma = blade.blades * chord / (2.0 * math.pi * radius)
    rotation = (rpm * (2.0 * math.pi / 60.0))[:, None] * radius
    inflow = speed[:, None]
    passing = np.hypot(rotation, inflow)
    flow = SectionFlow(
        chord_to_radius=chord / radius,
        reynolds=rho[:, None] * passing * chord / viscosity,
        mach=np.zeros((1, 1)) if speed_of_sound is None else passing / speed_of_sound,
    )
    half = 0.5 * blade.blades
    exponents = [-half * (blade.tip_radius - radius) / radius] if tip_loss else []
    if hub_loss and blade.hub_radius is not None:
        exponents.append(-half * (radius - blade.hub_radius) / blade.hub_radius)

    def loads(phi: Array) -> tuple[Array, Array, Array, Array, Array, Array, Array, Array]:
        sine, cosine = np.sin(phi), np.cos(phi)
        size = np.abs(sine)
        cl, cd = polar.coefficients(twist - phi, flow)
        normal = cl * cosine - cd * sine
        tangential = cl * sine + cd * cosine
        loss = 4.0 * _prandtl(size, exponents)
        return sine, cosine, size, cl, cd, sigma * normal, sigma * tangential, loss

    def residual(phi: Array) -> Array:
        sine, cosine, size, _, _, normal, tangential, loss = loads(phi)
        axial = loss * sine * size - normal
        axial = np.where(_windmill(sine, size, normal, loss, inflow), loss * _buhl(size, normal, loss), axial)
        return rotation * axial - inflow * (loss * size * cosine + tangential)

    shape = np.broadcast_shapes(rotation.shape, twist.shape)
    at_zero = residual(np.zeros(shape))
    lifting = at_zero < 0.0
    end = np.where(lifting, 0.5 * math.pi, -0.5 * math.pi)
    at_end = residual(end)
    phi, bracketed = _find_root(residual, np.zeros(shape), end, at_zero, at_end)

    sine, cosine, size, cl, cd, normal, tangential, loss = loads(phi)
    divisor = loss * size
    lean = np.maximum(divisor + sigma * cd, 1e-300)
    resultant = divisor * (inflow * sine + rotation * cosine) / lean
    windmill = _windmill(sine, size, normal, loss, inflow)
    with np.errstate(divide="ignore", invalid="ignore"):
        turned = divisor * rotation / (divisor * cosine + tangential)
    resultant = np.where(windmill, turned, resultant)
    pressure = 0.5 * rho[:, None] * resultant**2 * (2.0 * math.pi * radius)
    per_span_thrust = np.where(bracketed, pressure * normal, 0.0)
    per_span_torque = np.where(bracketed, pressure * tangential * radius, 0.0)
    thrust = per_span_thrust @ blade.width
    torque = per_span_torque @ blade.width
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
        alpha=twist - phi,
        phi=phi,
        induced_axial=resultant * sine - inflow,
        induced_swirl=rotation - resultant * cosine,
        relative_speed=resultant,
        lift_coefficient=np.broadcast_to(cl, shape),
        drag_coefficient=np.broadcast_to(cd, shape),
        reynolds=rho[:, None] * resultant * chord / viscosity,
        thrust_per_span=per_span_thrust,
        torque_per_span=per_span_torque,
        converged=bracketed,
    )


def _demand(value: Array, good: NDArray[np.bool_], name: str, allowed: str) -> None:
    bad = ~(good & np.isfinite(value))
    if np.any(bad):
        raise FlightprocError(
            f"{name} out of range", where="blade elements", found=float(value[bad][0]), allowed=allowed
        )


def _prandtl(size: Array, exponents: list[Array]) -> Array:
    """Return the product of Prandtl's loss factors, one for each exponent, -B/2 times a relative distance."""
    factor = np.ones(1)
    for exponent in exponents:
        decay = np.exp(exponent / np.maximum(size, 1e-12))
        factor = factor * np.maximum((2.0 / math.pi) * np.arccos(np.minimum(decay, 1.0)), 1e-6)
    return factor


def _windmill(sine: Array, size: Array, normal: Array, loss: Array, inflow: Array) -> NDArray[np.bool_]:
    """Return where an element windmills so hard that momentum theory fails."""
    heavy: NDArray[np.bool_] = (inflow > 0.0) & (sine >= 0.0) & (-normal > _BUHL * loss * size * size)
    return heavy


def _buhl(size: Array, normal: Array, loss: Array) -> Array:
    """Return sin^2 phi / (1 - a) with a from Buhl's relation (Eq. (18) of Ning 2014)."""
    factor = 0.25 * loss
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        load = np.where(normal < 0.0, -normal / (loss * size * size), 1.0)
        load = np.minimum(load, 1e12)
        one = 2.0 * factor * load - (10.0 / 9.0 - factor)
        two = np.maximum(2.0 * factor * load - factor * (4.0 / 3.0 - factor), 0.0)
        three = 2.0 * factor * load - (25.0 / 9.0 - 2.0 * factor)
        root = np.sqrt(two)
        plain = (one - root) / three
        limit = 1.0 - 0.5 / root
        a = np.where(np.abs(three) < 1e-6, limit, plain)
        out: Array = size * size / np.maximum(1.0 - a, 1e-9)
    return out


def _find_root(
    function: Callable[[Array], Array],
    start: Array,
    end: Array,
    at_start: Array,
    at_end: Array,
    *,
    tolerance: float = 1e-12,
    most: int = 80,
) -> tuple[Array, NDArray[np.bool_]]:
    """Find a root of each element by Chandrupatla's method.

    Parameters
    ----------
    function : callable
        Maps an array to an array of the same shape.
    start, end, at_start, at_end : ndarray, shape (n_op, n_r)
        Bracket and the values there.
    tolerance : float
        Of the root [rad].
    most : int
        Most evaluations.

    Returns
    -------
    root : ndarray
        NaN where there was no bracket.
    found : ndarray of bool
        Whether the root was bracketed and located to the tolerance.
    """
    a, b, fa, fb = end.copy(), start.copy(), at_end.copy(), at_start.copy()
    c, fc = a.copy(), fa.copy()
    bracketed = (np.sign(fa) * np.sign(fb) <= 0.0) & np.isfinite(fa) & np.isfinite(fb)
    t = np.full(a.shape, 0.5)
    best = np.where(np.abs(fa) < np.abs(fb), a, b)
    done = ~bracketed | (fa == 0.0) | (fb == 0.0)
    for _ in range(most):
        if np.all(done):
            break
        x = a + t * (b - a)
        fx = function(x)
        same = np.sign(fx) == np.sign(fa)
        c, fc = np.where(same, a, b), np.where(same, fa, fb)
        b, fb = np.where(same, b, a), np.where(same, fb, fa)
        a, fa = x, fx
        smaller = np.abs(fa) < np.abs(fb)
        best = np.where(done, best, np.where(smaller, a, b))
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            share = tolerance / np.abs(b - a)
            done |= (share > 0.5) | (np.where(smaller, fa, fb) == 0.0)
            xi = (a - b) / (c - b)
            ratio = (fa - fb) / (fc - fb)
            inverse = (ratio**2 < xi) & ((1.0 - ratio) ** 2 < 1.0 - xi)
            t = np.where(
                inverse,
                fa / (fb - fa) * fc / (fb - fc) + (c - a) / (b - a) * fa / (fc - fa) * fb / (fc - fb),
                0.5,
            )
        t = np.where(
            done | ~np.isfinite(t), 0.5, np.clip(t, np.minimum(share, 0.5), 1.0 - np.minimum(share, 0.5))
        )
    return np.where(bracketed, best, np.nan), bracketed & done
