"""Blade elements at operating points: loads and momentum balance as functions of the inflow angle."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from .blade import Blade
from .polar import Polar, Section, SectionFlow, at_elements, at_points, section_of
from .roots import bracketed_root, nearby_root

__all__ = ["Air", "Loads", "Points", "Stations"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_BUHL = 2.0 / 3.0  # axial loading beyond which momentum theory fails for a windmill
_PLAIN = 1e-3  # size of the unknown below which a root near a guess is not trusted, since R has a kink at 0


@dataclass(frozen=True)
class Points:
    """Operating points, each array of shape (n_op,).

    Attributes
    ----------
    rpm, airspeed, density : ndarray
        [1/min], [m/s], [kg/m^3].
    pitch_offset, chord_factor : ndarray
        Added to the twist [rad]; times the chord.
    """

    rpm: Array
    airspeed: Array
    density: Array
    pitch_offset: Array
    chord_factor: Array

    def rows(self, chosen: slice | NDArray[np.intp]) -> Points:
        """Return some of the points."""
        return Points(*(getattr(self, f.name)[chosen] for f in fields(self)))


@dataclass(frozen=True)
class Air:
    """What the elements are solved with besides blade and polar.

    Attributes
    ----------
    tip_loss, hub_loss : bool
        Whether Prandtl's factors are used.
    viscosity : float
        [Pa s].
    speed_of_sound : float or None
        [m/s].
    """

    tip_loss: bool
    hub_loss: bool
    viscosity: float
    speed_of_sound: float | None


@dataclass(frozen=True)
class Loads:
    """Coefficients of elements at an inflow angle; arrays of one shape.

    Attributes
    ----------
    sine, cosine, size : ndarray
        Of the inflow angle; size is that of the sine.
    lift, drag : ndarray
        Section coefficients.
    normal, tangential : ndarray
        sigma C_n and sigma C_t.
    loss : ndarray
        4 F.
    """

    sine: Array
    cosine: Array
    size: Array
    lift: Array
    drag: Array
    normal: Array
    tangential: Array
    loss: Array

    def windmill(self, advance: Array) -> Flags:
        """Return where an element windmills so hard that momentum theory fails."""
        heavy: Flags = (
            (advance > 0.0) & (self.sine >= 0.0) & (-self.normal > _BUHL * self.loss * self.size * self.size)
        )
        return heavy


@dataclass(frozen=True)
class Stations:
    """Elements with all that does not depend on the inflow angle phi; the unknown is tan(phi / 2).

    Attributes
    ----------
    section : Section
        Polar at the local conditions.
    advance : ndarray
        V / (Omega r).
    sigma : ndarray
        Local solidity.
    twist_sine, twist_cosine : ndarray
        Of the twist, offset included.
    exponents : tuple of ndarray
        Of Prandtl's factors, times |sin phi|.

    Notes
    -----
    Sine and cosine of phi are rational in the unknown, so that the search needs no trigonometric function.
    """

    section: Section
    advance: Array
    sigma: Array
    twist_sine: Array
    twist_cosine: Array
    exponents: tuple[Array, ...]

    @classmethod
    def at(
        cls,
        blade: Blade,
        polar: Polar,
        points: Points,
        air: Air,
        rows: slice | NDArray[np.intp] | None = None,
    ) -> Stations:
        """Make the elements of a blade at operating points, or at some of them.

        Parameters
        ----------
        blade, polar, points, air
            As they stand; ``polar`` may have values of its own for each point.
        rows : slice or ndarray of int, optional
            Points to take.
        """
        if rows is not None:
            polar, points = at_points(polar, rows), points.rows(rows)
        radius = blade.radius[None, :]
        chord = blade.chord[None, :] * points.chord_factor[:, None]
        twist = blade.twist[None, :] + points.pitch_offset[:, None]
        rotation = (points.rpm * (2.0 * math.pi / 60.0))[:, None] * radius
        passing = np.hypot(rotation, points.airspeed[:, None])
        flow = SectionFlow(
            chord_to_radius=chord / radius,
            reynolds=points.density[:, None] * passing * chord / air.viscosity,
            mach=np.zeros((1, 1)) if air.speed_of_sound is None else passing / air.speed_of_sound,
        )
        half = 0.5 * blade.blades
        exponents = []
        if air.tip_loss:
            exponents.append(-half * (blade.tip_radius - radius) / radius)
        if air.hub_loss and blade.hub_radius is not None:
            exponents.append(-half * (radius - blade.hub_radius) / blade.hub_radius)
        return cls(
            section=section_of(polar, flow),
            advance=points.airspeed[:, None] / rotation,
            sigma=blade.blades * chord / (2.0 * math.pi * radius),
            twist_sine=np.sin(twist),
            twist_cosine=np.cos(twist),
            exponents=tuple(np.minimum(e, 0.0) for e in exponents),
        )

    def loads(self, unknown: Array) -> Loads:
        """Return the coefficients."""
        square = unknown * unknown
        scale = 1.0 / (1.0 + square)
        sine, cosine = 2.0 * unknown * scale, (1.0 - square) * scale
        size = np.abs(sine)
        lift, drag = self.section.coefficients(
            self.twist_sine * cosine - self.twist_cosine * sine,
            self.twist_cosine * cosine + self.twist_sine * sine,
        )
        return Loads(
            sine=sine,
            cosine=cosine,
            size=size,
            lift=lift,
            drag=drag,
            normal=self.sigma * (lift * cosine - drag * sine),
            tangential=self.sigma * (lift * sine + drag * cosine),
            loss=4.0 * _prandtl(size, self.exponents),
        )

    def residual(self, unknown: Array) -> Array:
        """Return the residual R over Omega r; see `solve_elements`."""
        at = self.loads(unknown)
        through = at.loss * at.size
        axial = through * at.sine - at.normal
        heavy = at.windmill(self.advance)
        if heavy.any():
            axial = np.where(heavy, at.loss * _buhl(at.size, at.normal, at.loss), axial)
        out: Array = axial - self.advance * (through * at.cosine + at.tangential)
        return out

    def solve(self, guess: tuple[Array, Array] | None = None) -> tuple[Array, Flags, Loads]:
        """Return tan(phi / 2) of every element, whether it was found, and the loads there.

        Parameters
        ----------
        guess : tuple of ndarray, optional
            The unknown and the slope of the residual, roughly. Elements whose root is not found near it,
            those that windmill (they may have another root), and all without it, are solved in a bracket.
        """
        if guess is None:
            root, found = self._bracket(self.advance.shape)
            return root, found, self.loads(root)
        root, found = nearby_root(self, *guess)
        at = self.loads(np.where(found, root, 0.5))
        doubtful = ~(found & (np.abs(root) > _PLAIN) & (at.normal > 0.0))
        if doubtful.any():
            few = self.taken(np.flatnonzero(doubtful))
            again, found[doubtful] = few._bracket(few.advance.shape)
            root[doubtful] = again
            loads = few.loads(again)
            for f in fields(loads):
                getattr(at, f.name)[doubtful] = getattr(loads, f.name)
        return root, found, at

    def _bracket(self, shape: tuple[int, ...]) -> tuple[Array, Flags]:
        start = np.zeros(shape)
        at_start = self.residual(start)
        end = np.where(at_start < 0.0, 1.0, -1.0)
        return bracketed_root(self, start, end, at_start, self.residual(end))

    def taken(self, places: NDArray[np.intp]) -> Stations:
        """Return chosen elements, as they lie in the flat array of all, in one row."""
        shape = self.advance.shape
        columns = shape[-1]
        return replace(
            at_elements(self, places, shape),
            section=self.section.taken(places, shape),
            exponents=tuple(
                e[places] if e.ndim == 1 else e.ravel()[places % columns] for e in self.exponents
            ),
        )


def _prandtl(size: Array, exponents: tuple[Array, ...]) -> Array:
    """Return the product of Prandtl's loss factors, one for each exponent, -B/2 times a relative distance."""
    factor = np.ones(size.shape)
    if exponents:
        over = 1.0 / np.maximum(size, 1e-12)
        for exponent in exponents:
            factor = factor * np.maximum((2.0 / math.pi) * np.arccos(np.exp(exponent * over)), 1e-6)
    return factor


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
