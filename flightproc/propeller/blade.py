"""Blade geometry: a table of chord and twist, or a helix where the maker gives only diameter x pitch."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..display import displayed
from ..errors import FlightprocError

__all__ = ["Blade", "chord_law", "element_edges"]

_CHORD_LAW_RADIUS = (0.10, 0.20, 0.30, 0.40, 0.50, 0.60, 0.70, 0.75, 0.80, 0.90, 0.95, 1.00)
_CHORD_LAW_CHORD = (0.70, 0.92, 1.10, 1.20, 1.22, 1.17, 1.06, 1.00, 0.92, 0.72, 0.56, 0.32)
_CHORD_075_OVER_RADIUS = 0.11  # assumed for a two-blade wooden or carbon propeller of 1.1 to 1.4 m


@displayed
@dataclass(frozen=True)
class Blade:
    """A blade cut into elements.

    Attributes
    ----------
    diameter : float
        Propeller diameter [m].
    blades : int
        Number of blades.
    radius : ndarray, shape (n_r,)
        Radius of the elements [m], increasing.
    width : ndarray, shape (n_r,)
        Radial width each element stands for [m].
    chord : ndarray, shape (n_r,)
        Chord [m].
    twist : ndarray, shape (n_r,)
        Angle of the chord line to the plane of rotation [rad].
    twist_assumed, chord_assumed : bool
        Whether twist (a helix) or chord (a law) is an assumption in place of a measurement.
    chord_std : float
        Relative standard uncertainty of the chord, common to all elements.
    pitch_std : float
        Standard uncertainty of the twist, common to all elements, with that of the section's zero-lift angle
        [rad].
    hub_radius : float, optional
        Radius at which the blade begins [m], for the hub loss; None where it is to be left out.
    twist_std : ndarray, shape (n_r,), optional
        Standard uncertainty of the twist along the blade, where it was fitted to a few stations [rad].
    words : str
        Where the geometry comes from.

    Examples
    --------
    >>> blade = Blade.helical(diameter=1.25, pitch=0.60, blades=2)
    >>> blade.radius.size, blade.twist_assumed
    (30, True)
    >>> round(float(np.degrees(blade.twist_at(0.75))), 2)
    11.52
    """

    diameter: float
    blades: int
    radius: NDArray[np.float64]
    width: NDArray[np.float64]
    chord: NDArray[np.float64]
    twist: NDArray[np.float64]
    twist_assumed: bool = False
    chord_assumed: bool = False
    chord_std: float = 0.02
    words: str = ""
    hub_radius: float | None = None
    pitch_std: float = math.radians(2.0)
    twist_std: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        shapes = {np.shape(x) for x in (self.radius, self.width, self.chord, self.twist)}
        if len(shapes) != 1 or len(next(iter(shapes))) != 1 or not next(iter(shapes))[0]:
            raise FlightprocError(
                "the columns of the blade table differ in length", found=sorted(shapes), where="blade"
            )
        if not (math.isfinite(self.diameter) and self.diameter > 0.0):
            raise FlightprocError(
                "the propeller diameter is not positive", found=self.diameter, where="blade"
            )
        if self.blades < 1:
            raise FlightprocError("a propeller has at least one blade", found=self.blades, where="blade")
        tip = 0.5 * self.diameter
        if (
            not np.all(np.isfinite(self.radius))
            or np.any(np.diff(self.radius) <= 0.0)
            or self.radius[0] <= 0.0
            or self.radius[-1] > tip * (1.0 + 1e-9)
        ):
            raise FlightprocError(
                "blade radii must increase and lie on the blade",
                where="blade",
                found=[round(float(self.radius[0]), 4), round(float(self.radius[-1]), 4)],
                allowed=f"above 0 and up to {tip:.4g} m",
            )
        if not np.all(np.isfinite(self.chord) & (self.chord >= 0.0)) or not np.all(np.isfinite(self.twist)):
            raise FlightprocError(
                "chord and twist of the blade must be finite, chord not negative", where="blade"
            )

    @property
    def tip_radius(self) -> float:
        """Half the diameter [m]."""
        return 0.5 * self.diameter

    @property
    def solidity(self) -> NDArray[np.float64]:
        """Local solidity B c / (2 pi r), shape (n_r,)."""
        return self.blades * self.chord / (2.0 * math.pi * self.radius)

    def twist_at(self, radius_ratio: float) -> float:
        """Return the twist [rad] at a radius given as a fraction of the tip radius."""
        return float(np.interp(radius_ratio * self.tip_radius, self.radius, self.twist))

    def chord_at(self, radius_ratio: float) -> float:
        """Return the chord [m] at a radius given as a fraction of the tip radius."""
        return float(np.interp(radius_ratio * self.tip_radius, self.radius, self.chord))

    @classmethod
    def from_table(
        cls,
        radius: ArrayLike,
        chord: ArrayLike,
        twist: ArrayLike,
        *,
        diameter: float,
        blades: int,
        elements: int = 30,
        chord_std: float = 0.02,
        words: str = "chord and twist from a table",
    ) -> Blade:
        """Make a blade from a table of stations.

        Parameters
        ----------
        radius, chord, twist : array_like, shape (n,)
            Stations [m], [m], [rad], in order of radius; at least 2.
        diameter : float
            [m].
        blades : int
            Number of blades.
        elements : int
            Number of elements between the first station and the tip, with cosine spacing towards the tip.
            Beyond the last station the table is held.
        chord_std : float
            Relative standard uncertainty of the chord.

        Returns
        -------
        Blade
            With element radii at the middles of the elements.

        Raises
        ------
        FlightprocError
            Where the table does not describe a blade.
        """
        from scipy.interpolate import PchipInterpolator

        r = np.asarray(radius, dtype=float)
        c = np.asarray(chord, dtype=float)
        b = np.asarray(twist, dtype=float)
        if r.size < 2 or r.shape != c.shape or r.shape != b.shape:
            raise FlightprocError(
                "a blade table needs at least two stations with chord and twist each",
                where="blade",
                found=(r.size, c.size, b.size),
            )
        cls(diameter, blades, r, np.zeros_like(r), c, b)  # the checks of the table as it stands
        tip = 0.5 * diameter
        edges = element_edges(r[0], tip, elements)
        middle = 0.5 * (edges[1:] + edges[:-1])
        held = np.clip(middle, r[0], r[-1])
        return cls(
            diameter=float(diameter),
            blades=int(blades),
            radius=middle,
            width=np.diff(edges),
            chord=np.asarray(PchipInterpolator(r, c)(held), dtype=float),
            twist=np.asarray(PchipInterpolator(r, b)(held), dtype=float),
            chord_std=chord_std,
            words=words,
            hub_radius=float(edges[0]),
        )

    @classmethod
    def helical(
        cls,
        *,
        diameter: float,
        pitch: float,
        blades: int,
        chord_075: float | None = None,
        elements: int = 30,
        hub_ratio: float = 0.12,
    ) -> Blade:
        """Make a helical blade from diameter x pitch, marked as an assumption.

        Parameters
        ----------
        diameter, pitch : float
            [m].
        blades : int
            Number of blades.
        chord_075 : float, optional
            Chord at 0.75 R [m]; 0.11 R where it is not given.
        elements : int
            Number of elements.
        hub_ratio : float
            Radius at which the blade begins over tip radius.

        Returns
        -------
        Blade
            With ``twist_assumed`` and ``chord_assumed`` set.

        Notes
        -----
        ``beta(r) = atan(pitch / (2 pi r))``. The chord follows a law typical of wide wooden blades (widest
        near half radius, 0.72 of the reference at 0.9 R, 0.32 at the tip), scaled to the chord at 0.75 R.
        The relative standard uncertainty of the chord is 0.15 where no chord is given and 0.06 where the
        chord at 0.75 R is.
        """
        if not (math.isfinite(pitch) and pitch > 0.0):
            raise FlightprocError("the propeller pitch is not positive", where="blade", found=pitch)
        tip = 0.5 * diameter
        edges = element_edges(hub_ratio * tip, tip, elements)
        middle = 0.5 * (edges[1:] + edges[:-1])
        reference = _CHORD_075_OVER_RADIUS * tip if chord_075 is None else chord_075
        law = chord_law(middle / tip)
        told = "chord at 0.75 R as given" if chord_075 is not None else "chord at 0.75 R assumed 0.11 R"
        return cls(
            diameter=float(diameter),
            blades=int(blades),
            radius=middle,
            width=np.diff(edges),
            chord=reference * law,
            twist=np.arctan2(pitch, 2.0 * math.pi * middle),
            twist_assumed=True,
            chord_assumed=True,
            chord_std=0.15 if chord_075 is None else 0.06,
            pitch_std=math.radians(3.0),
            hub_radius=float(edges[0]),
            words=f"assumed helix of pitch {pitch:.3g} m and an assumed chord law; {told}",
        )


def chord_law(radius_ratio: ArrayLike) -> NDArray[np.float64]:
    """Return the assumed chord over that at 0.75 R: a wide blade, widest near half radius."""
    law = np.interp(np.asarray(radius_ratio, dtype=float), _CHORD_LAW_RADIUS, _CHORD_LAW_CHORD)
    return np.asarray(law, dtype=float)


def element_edges(start: float, tip: float, elements: int) -> NDArray[np.float64]:
    """Return element edges, finer towards the tip."""
    angle = np.linspace(0.0, 0.5 * math.pi, elements + 1)
    return start + (tip - start) * (0.5 * np.sin(angle) + 0.5 * np.linspace(0.0, 1.0, elements + 1))
