"""Section lift and drag over the whole circle, with stall and its delay by rotation."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from typing import Any, Protocol, TypeVar, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from ..display import displayed

__all__ = [
    "AnalyticPolar",
    "LinearPolar",
    "Polar",
    "Section",
    "SectionFlow",
    "Sectioned",
    "at_elements",
    "at_points",
    "point_fields",
    "rotation_taper",
    "section_of",
    "smooth_step",
]

Array = NDArray[np.float64]
Places = NDArray[np.intp]
Thing = TypeVar("Thing")

_ZERO_LIFT = math.radians(-2.5)
_STALL_WIDTH = math.radians(12.0)


@displayed
@dataclass(frozen=True)
class SectionFlow:
    """What a section sees besides its angle of attack; all fields broadcast to (n_op, n_r).

    Attributes
    ----------
    chord_to_radius : ndarray
        Chord over local radius.
    reynolds : ndarray
        Reynolds number on the chord.
    mach : ndarray
        Mach number; 0 where compressibility is left out.

    Examples
    --------
    >>> import numpy as np
    >>> SectionFlow(*(np.full((1, 1), value) for value in (0.15, 4e5, 0.3)))
    SectionFlow
      chord_to_radius  array of 1 × 1: 0.15 to 0.15
      reynolds         array of 1 × 1: 400000 to 400000
      mach             array of 1 × 1: 0.3 to 0.3
    """

    chord_to_radius: Array
    reynolds: Array
    mach: Array


class Polar(Protocol):
    """Anything that gives section coefficients.

    Examples
    --------
    >>> import numpy as np
    >>> from flightproc.propeller import AnalyticPolar, SectionFlow
    >>> polar: Polar = AnalyticPolar()
    >>> flow = SectionFlow(*(np.full((1, 1), value) for value in (0.15, 4e5, 0.3)))
    >>> lift, drag = polar.coefficients(np.full((1, 1), 0.1), flow)
    >>> bool(lift[0, 0] > 10.0 * drag[0, 0])
    True
    """

    def coefficients(self, alpha: Array, flow: SectionFlow) -> tuple[Array, Array]:
        """Return lift and drag coefficients.

        Parameters
        ----------
        alpha : ndarray, shape (n_op, n_r)
            Angle of attack [rad].
        flow : SectionFlow
            Local conditions.

        Returns
        -------
        cl, cd : ndarray, shape (n_op, n_r)
            Lift and drag coefficients.
        """
        ...

    def scaled(self, drag: float | Array, max_lift: float | Array) -> Polar:
        """Return the polar with its drag and its largest lift multiplied.

        Parameters
        ----------
        drag, max_lift : float or ndarray, shape (n_op, 1)
            Factors.
        """
        ...


@dataclass(frozen=True)
class PlainSection:
    """Any polar at local conditions.

    Attributes
    ----------
    polar : Polar
        As it stands.
    flow : SectionFlow
        Local conditions.
    places : ndarray of int, optional
        Elements that are asked for, as they lie in an array of ``shape``; all without it.
    shape : tuple of int
        (n_op, n_r).
    """

    polar: Polar
    flow: SectionFlow
    places: Places | None = None
    shape: tuple[int, ...] = ()

    def coefficients(self, sine: Array, cosine: Array) -> tuple[Array, Array]:
        """Return lift and drag coefficients from sine and cosine of the angle of attack."""
        alpha = np.arctan2(sine, cosine)
        if self.places is None:
            return self.polar.coefficients(alpha, self.flow)
        everywhere = np.zeros(self.shape)
        everywhere.ravel()[self.places] = alpha
        cl, cd = self.polar.coefficients(everywhere, self.flow)
        return cl.ravel()[self.places], cd.ravel()[self.places]

    def taken(self, places: Places, shape: tuple[int, ...]) -> PlainSection:
        """Return the section at chosen elements, in one row."""
        if self.places is None:
            return PlainSection(self.polar, self.flow, places, shape)
        return replace(self, places=self.places[places])


class Section(Protocol):
    """A polar at local conditions."""

    def coefficients(self, sine: Array, cosine: Array) -> tuple[Array, Array]:
        """Return lift and drag coefficients from sine and cosine of the angle of attack."""
        ...

    def taken(self, places: Places, shape: tuple[int, ...]) -> Section:
        """Return the section at chosen elements, in one row; see `at_elements`."""
        ...


def section_of(polar: Polar, flow: SectionFlow) -> Section:
    """Return a polar at local conditions, by its own method ``section`` where it has one."""
    return polar.section(flow) if isinstance(polar, Sectioned) else PlainSection(polar, flow)


@runtime_checkable
class Sectioned(Protocol):
    """A polar that can work out beforehand what does not depend on the angle of attack."""

    def section(self, flow: SectionFlow) -> Section:
        """Return the polar at local conditions."""
        ...


def point_fields(polar: Polar) -> dict[str, Array]:
    """Return what differs from one operating point to the next, each of shape (n_op, 1), by its name."""
    values: dict[str, Any] = {f.name: getattr(polar, f.name) for f in fields(polar)}  # type: ignore[arg-type]
    return {
        name: value
        for name, value in values.items()
        if isinstance(value, np.ndarray) and value.ndim == 2 and value.shape[1] == 1 and value.shape[0] > 1
    }


def at_points(polar: Polar, rows: slice | NDArray[np.intp]) -> Polar:
    """Return the polar for some of the operating points."""
    mine: Polar = replace(polar, **{name: value[rows] for name, value in point_fields(polar).items()})  # type: ignore[type-var]
    return mine


def at_elements(thing: Thing, places: Places, shape: tuple[int, ...]) -> Thing:
    """Return a dataclass whose arrays are those of chosen elements, in one row.

    Parameters
    ----------
    thing : dataclass
        Its arrays broadcast to ``shape``.
    places : ndarray of int, shape (n,)
        Where the elements lie in an array of that shape, laid out flat.
    shape : tuple of int
        Of all elements: (n_op, n_r), or one row.
    """
    found = {f.name: getattr(thing, f.name) for f in fields(thing)}  # type: ignore[arg-type]
    columns = shape[-1]
    cut: dict[str, Any] = {}
    for name, value in found.items():
        if not isinstance(value, np.ndarray):
            continue
        if value.size == 1:
            cut[name] = value.reshape(1)
        elif value.shape == shape:
            cut[name] = value.ravel()[places]
        elif value.shape[-1] == 1:
            cut[name] = value[places // columns, 0]
        else:
            cut[name] = value.ravel()[places % columns]
    return replace(thing, **cut)  # type: ignore[type-var]


@displayed
@dataclass(frozen=True)
class LinearPolar:
    """Unlimited linear lift and a drag parabola in lift, for textbook cases.

    Attributes
    ----------
    lift_slope : float
        [1/rad].
    zero_lift : float
        Angle of zero lift [rad].
    drag : tuple of float
        cd = drag[0] + drag[1] cl + drag[2] cl^2.
    drag_factor : float
        Times the drag.

    Examples
    --------
    >>> LinearPolar(lift_slope=5.7, zero_lift=-0.04)
    LinearPolar(lift_slope=5.7, zero_lift=-0.04)
    """

    lift_slope: float = 2.0 * math.pi
    zero_lift: float = 0.0
    drag: tuple[float, float, float] = (0.01, 0.0, 0.0)
    drag_factor: float | Array = 1.0

    def section(self, flow: SectionFlow) -> PlainSection:
        """Return the polar at local conditions, to which it is blind."""
        return PlainSection(self, flow)

    def coefficients(self, alpha: Array, flow: SectionFlow) -> tuple[Array, Array]:
        """Return lift and drag coefficients; see `Polar.coefficients`."""
        cl = self.lift_slope * (alpha - self.zero_lift)
        return cl, self.drag_factor * (self.drag[0] + self.drag[1] * cl + self.drag[2] * cl * cl)

    def scaled(self, drag: float | Array, max_lift: float | Array) -> LinearPolar:
        """Return the polar with its drag multiplied; it has no largest lift."""
        return replace(self, drag_factor=self.drag_factor * drag)


@displayed
@dataclass(frozen=True)
class AnalyticPolar:
    """A cambered section with stall, flat-plate lift and drag beyond it, and rotational stall delay.

    Each number may also be an array of shape (n_op, 1), one row an operating point.

    Attributes
    ----------
    lift_slope : float
        Of the attached section [1/rad].
    zero_lift : float
        Angle of zero lift [rad].
    max_lift : float
        Largest two-dimensional lift coefficient.
    profile_drag : float
        Drag coefficient at its least, at the reference Reynolds number.
    lift_drag : float
        cd grows by lift_drag (cl - lift_at_least_drag)^2 below stall.
    lift_at_least_drag : float
        Lift coefficient at which drag is least.
    broadside_drag : float
        Drag coefficient at 90 deg.
    negative_fraction : float
        Largest negative lift over largest positive lift.
    stall_width : float
        Angle over which the flow goes from the onset of stall to wholly separated [rad].
    reynolds_reference, reynolds_exponent : float
        Profile drag varies as (Re / Re_ref)^exponent, within a factor 1/2 to 4.
    lift_exponent : float
        Largest lift varies as (Re / Re_ref)^lift_exponent, within a factor 0.6 to 1.2.
    stall_delay : float
        Factor k of (c/r)^2 in the stall delay; 0 switches it off.
    delay_drag : float
        Share of the drag that goes with the regained lift, if that acts at right angles to the chord.
    drag_factor : float
        Times the whole section drag, attached and separated.

    Notes
    -----
    With a = alpha - zero_lift and cl_pot = lift_slope sin a,

    - limited lift: ``cl_lim = cl_pot / (1 + (cl_pot / cl_max)^6)^(1/6)``;
    - separated: ``cl_sep = cd_90 sin(alpha) cos(alpha)``, ``cd_sep = cd_0 + cd_90 sin(alpha)^2`` [1]_;
    - ``cl_2D = (1 - s) cl_lim + s cl_sep`` with a cubic smooth step s in ``|a|`` from ``cl_max / lift_slope``
      over ``stall_width``; the same for drag;
    - rotation, as in [2]_: ``cl = cl_2D + min(1, k (c/r)^2) t(a) (cl_pot - cl_2D)``, where t is 1
      up to 30 deg and falls to 0 at 60 deg, for positive a. The suction peak at the leading edge does not
      come back with the lift, so the regained force stands on the chord: drag grows by tan(alpha) times the
      regained lift.
    - compressibility: lift slope times the Prandtl-Glauert factor 1 / sqrt(1 - M^2), M held to 0.75 at most.
      The largest lift is left alone; drag rise is not modelled.

    References
    ----------
    .. [1] S. F. Hoerner, Fluid-Dynamic Lift, 1985, ch. IV (lift and drag of stalled plates).
    .. [2] H. Snel, R. Houwink, J. Bosschers, Sectional prediction of lift coefficients on rotating wind
       turbine blades in stall, ECN-C--93-052, 1994.

    Examples
    --------
    >>> flow = SectionFlow(np.array([0.1]), np.array([5e5]), np.array([0.0]))
    >>> cl, cd = AnalyticPolar().coefficients(np.radians([5.0]), flow)
    >>> bool(0.7 < cl[0] < 1.1), bool(0.008 < cd[0] < 0.02)
    (True, True)
    """

    lift_slope: float | Array = 5.75
    zero_lift: float | Array = _ZERO_LIFT
    max_lift: float | Array = 1.30
    profile_drag: float | Array = 0.010
    lift_drag: float | Array = 0.0125
    lift_at_least_drag: float | Array = 0.35
    broadside_drag: float | Array = 1.75
    negative_fraction: float | Array = 0.7
    stall_width: float | Array = _STALL_WIDTH
    reynolds_reference: float = 5.0e5
    reynolds_exponent: float = -0.4
    lift_exponent: float = 0.1
    stall_delay: float | Array = 3.5
    delay_drag: float | Array = 1.0
    drag_factor: float | Array = 1.0

    def section(self, flow: SectionFlow) -> AnalyticSection:
        """Return the polar at local conditions, with all that does not depend on the angle worked out."""
        glauert = 1.0 / np.sqrt(1.0 - np.minimum(flow.mach, 0.75) ** 2)
        slope = self.lift_slope * glauert
        reynolds = np.log(flow.reynolds / self.reynolds_reference)
        most = self.max_lift * np.clip(np.exp(self.lift_exponent * reynolds), 0.6, 1.2)
        ratio = np.clip(np.exp(self.reynolds_exponent * reynolds), 0.5, 4.0)
        return AnalyticSection(
            polar=self,
            zero_sine=np.sin(self.zero_lift),
            zero_cosine=np.cos(self.zero_lift),
            slope=slope,
            most=most,
            onset=most / slope,
            least_drag=self.profile_drag * ratio,
            share=np.minimum(self.stall_delay * flow.chord_to_radius**2, 1.0),
        )

    def coefficients(self, alpha: Array, flow: SectionFlow) -> tuple[Array, Array]:
        """Return lift and drag coefficients; see `Polar.coefficients`."""
        return self.section(flow).coefficients(np.sin(alpha), np.cos(alpha))

    def scaled(self, drag: float | Array, max_lift: float | Array) -> AnalyticPolar:
        """Return the polar with its drag and its largest lift multiplied."""
        return replace(self, drag_factor=self.drag_factor * drag, max_lift=self.max_lift * max_lift)


@dataclass(frozen=True)
class AnalyticSection:
    """An analytic polar at local conditions; arrays broadcast to one shape.

    Attributes
    ----------
    polar : AnalyticPolar
        As it stands.
    zero_sine, zero_cosine : ndarray
        Of the angle of zero lift.
    slope, most, onset : ndarray
        Lift slope [1/rad], largest lift, and the angle from zero lift at which it would be reached [rad].
    least_drag : ndarray
        Least drag coefficient.
    share : ndarray
        Of the lift lost to stall that rotation gives back.
    """

    polar: AnalyticPolar
    zero_sine: float | Array
    zero_cosine: float | Array
    slope: Array
    most: Array
    onset: Array
    least_drag: Array
    share: Array

    def coefficients(self, sine: Array, cosine: Array) -> tuple[Array, Array]:
        """Return lift and drag coefficients from sine and cosine of the angle of attack."""
        polar = self.polar
        incidence_sine = sine * self.zero_cosine - cosine * self.zero_sine  # sin(alpha - zero_lift)
        incidence_cosine = cosine * self.zero_cosine + sine * self.zero_sine
        potential = self.slope * incidence_sine
        limit, onset = self.most, self.onset
        below = potential < 0.0
        if below.any():
            factor = np.where(below, polar.negative_fraction, 1.0)
            limit, onset = limit * factor, onset * factor
        square = (potential / limit) ** 2
        limited = potential / np.cbrt(np.sqrt(1.0 + square * square * square))

        # The chord of the incidence circle, 2 sin(|a|/2), stands for |a|: it is cheap and rises over the
        # whole half turn, and differs from the angle by less than 2 % below 40 deg.
        incidence = np.sqrt(np.maximum(2.0 - 2.0 * incidence_cosine, 0.0))
        separated = smooth_step((incidence - onset) / polar.stall_width)
        lift = limited + separated * (polar.broadside_drag * sine * cosine - limited)
        induced = polar.lift_drag * (limited - polar.lift_at_least_drag) ** 2
        drag = self.least_drag + (induced + separated * (polar.broadside_drag * sine * sine - induced))

        gain = rotation_taper(self.share, incidence_sine, incidence) * (potential - lift)
        drag = drag + polar.delay_drag * gain * sine / np.maximum(cosine, 0.1)
        return lift + gain, polar.drag_factor * drag

    def taken(self, places: Places, shape: tuple[int, ...]) -> AnalyticSection:
        """Return the section at chosen elements, in one row."""
        return replace(at_elements(self, places, shape), polar=at_elements(self.polar, places, shape))


_TAPER_START = 2.0 * math.sin(math.radians(15.0))  # 30 deg as a chord of the circle
_TAPER_END = 2.0 * math.sin(math.radians(30.0))  # 60 deg


def rotation_taper(share: float | Array, incidence_sine: Array, incidence: Array) -> Array:
    """Return the share of the lift lost to stall that rotation gives back, less and less at large angles.

    Parameters
    ----------
    share : float or ndarray
        At small angles.
    incidence_sine : ndarray
        Sine of the angle from zero lift.
    incidence : ndarray
        Size of that angle as the chord of its arc, 2 sin(|a| / 2).
    """
    taper = 1.0 - smooth_step((incidence - _TAPER_START) / (_TAPER_END - _TAPER_START))
    return np.where(incidence_sine > 0.0, share * taper, 0.0)


def smooth_step(x: Array) -> Array:
    """Return the cubic that goes from 0 at 0 to 1 at 1, flat at both ends."""
    held = np.clip(x, 0.0, 1.0)
    return held * held * (3.0 - 2.0 * held)
