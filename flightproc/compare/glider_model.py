"""What a comparison of gliders holds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..display import Card, displayed
from ..quantity import Quantity
from .glider_facts import SortieFacts

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "SETTINGS",
    "Glider",
    "GliderComparison",
    "GliderPair",
    "Prediction",
    "Trend",
    "Yardstick",
]

Array = NDArray[np.float64]

SETTINGS = ("idle", "cruise", "full")
"""Throttle settings at which the residual turn is compared."""


@dataclass(frozen=True)
class Yardstick:
    """What the gliders are held against.

    Attributes
    ----------
    moment : float
        Roll moment of the predicted turn [N m].
    matters : float
        Turn rate from which a residual turn matters to the pilot [rad/s].
    density : float
        Air density at which all are compared [kg/m^3].
    cruise_rpm, full_rpm : float
        Engine speeds of the settings [1/min]; NaN where no power hold was flown.
    """

    moment: float
    matters: float
    density: float
    cruise_rpm: float
    full_rpm: float


@displayed
@dataclass(frozen=True)
class Prediction:
    """One glider at another loading or density.

    Attributes
    ----------
    mass, density : float
        All-up mass [kg], air density [kg/m^3].
    wing_loading : float
        [kg/m^2].
    trim_speed : Quantity
        True airspeed [m/s].
    turn_per_moment : Quantity
        [rad/s/(N m)], in a glide.
    turn_at_moment : Quantity
        Turn under the yardstick's roll moment, under power [rad/s].
    overloaded : bool or None
        Whether the mass is above what the glider is certified for; None where its sheet is silent.
    """

    mass: float
    density: float
    wing_loading: float
    trim_speed: Quantity
    turn_per_moment: Quantity
    turn_at_moment: Quantity
    overloaded: bool | None


@displayed
@dataclass(frozen=True)
class Glider:
    """One glider over all its sorties.

    Attributes
    ----------
    name : str
        From its sheets.
    wing_class : str or None
        As stated.
    aircraft : tuple of str
        Frames it was flown with.
    sorties : tuple of int
        Indices into the comparison's sorties.
    area, span, aspect_ratio : float
        Flat [m^2], [m], [1].
    mass, wing_loading : float
        All-up mass [kg] and loading [kg/m^2] at which it is compared: the mean of its sorties.
    lowest_mass, highest_mass : float or None
        Certified all-up masses [kg].
    heaviest : float
        Largest all-up mass it was flown at [kg].
    trim_speed : Quantity
        True airspeed at that mass and the yardstick's density [m/s].
    turn_alone, turn_per_moment : Quantity
        Turn per roll moment [rad/s/(N m)] from its own sorties alone, and as part of the family where there
        is one; the same otherwise.
    turn_coefficient : Quantity
        c_L of the latter [1].
    turn_expected : Quantity
        What the family lets expect of a glider whose turn was not measured [rad/s/(N m)]; unknown otherwise.
    turn_at_moment : Quantity
        Turn under the yardstick's moment, under power [rad/s].
    residual_turn : dict of str to Quantity
        Measured turn by setting [rad/s].
    residual_holds : dict of str to int
        How many holds are behind each.
    predictions : tuple of Prediction
        At other loadings and densities.
    own_share : float
        How far the family's answer for this glider is its own measurement: 1 all, 0 the family's; NaN
        without a family.
    words : tuple of str
        Remarks.
    """

    name: str
    wing_class: str | None
    aircraft: tuple[str, ...]
    sorties: tuple[int, ...]
    area: float
    span: float
    aspect_ratio: float
    mass: float
    wing_loading: float
    lowest_mass: float | None
    highest_mass: float | None
    heaviest: float
    trim_speed: Quantity
    turn_alone: Quantity
    turn_per_moment: Quantity
    turn_coefficient: Quantity
    turn_expected: Quantity
    turn_at_moment: Quantity
    residual_turn: dict[str, Quantity]
    residual_holds: dict[str, int]
    predictions: tuple[Prediction, ...]
    own_share: float
    words: tuple[str, ...]

    @property
    def overloaded(self) -> bool | None:
        """Whether it was flown above its certified mass; None where its sheet is silent."""
        return None if self.highest_mass is None else self.heaviest > self.highest_mass


@displayed
@dataclass(frozen=True)
class GliderPair:
    """One glider against another.

    Attributes
    ----------
    what : str
        ``turn_per_moment`` (a ratio less one is meant by the difference's logarithm) or a setting's name.
    first, second : int
        Indices of the gliders.
    value : Quantity
        Ratio first over second [1] of turn per moment, else first less second [rad/s]; the interval holds for
        all pairs of its kind together.
    probability : float
        Adjusted for how many pairs there are.
    significant : bool
        Below 5 %.
    """

    what: str
    first: int
    second: int
    value: Quantity
    probability: float
    significant: bool


@displayed
@dataclass(frozen=True)
class Trend:
    """Regression over gliders.

    Attributes
    ----------
    exponent : Quantity
        p in turn per moment ~ (wing loading)^p over the gliders [1].
    wing_loading : ndarray, shape (k,)
        [kg/m^2].
    band : ndarray, shape (3, k)
        Median, lower and upper 95 % bound of the line [rad/s/(N m)].
    """

    exponent: Quantity
    wing_loading: Array
    band: Array


@displayed
@dataclass(frozen=True)
class GliderComparison:
    """Gliders against each other.

    Attributes
    ----------
    sorties : tuple of SortieFacts
        What went in.
    gliders : tuple of Glider
        By wing loading, rising.
    pairs : tuple of GliderPair
        Every pair of every kind.
    yardstick : Yardstick
        What they were held against.
    pooled : bool
        Whether partial pooling was used.
    family_spread : Quantity
        Spread of ln c_L between gliders [1]; unknown without pooling.
    mass_exponent : Quantity
        Exponent of all-up mass in the turn per moment of one glider [1].
    trend : Trend or None
        Regression over gliders, where there are enough.
    answer : tuple of str
        In words, most important first.
    words : tuple of str
        What was assumed, left out, or shared.
    cautions : tuple of str
        Safety cautions.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> from flightproc.report import results_json
    >>> import tempfile
    >>> from pathlib import Path
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "results.json")
    ...     _ = path.write_text(results_json(results))
    ...     facts, _ = fp.read_facts([path])
    >>> [glider.name for glider in fp.compare_gliders(facts, draws=2000).gliders]
    ['school wing 28']
    """

    sorties: tuple[SortieFacts, ...]
    gliders: tuple[Glider, ...]
    pairs: tuple[GliderPair, ...]
    yardstick: Yardstick
    pooled: bool
    family_spread: Quantity
    mass_exponent: Quantity
    trend: Trend | None
    answer: tuple[str, ...]
    words: tuple[str, ...]
    cautions: tuple[str, ...]

    def frame(self) -> pd.DataFrame:
        """Return the gliders as a table: of each quantity the value, ``_std``, ``_low95`` and ``_high95``."""
        from ..frames import frame_of

        units = {"area": "m^2", "span": "m", "mass": "kg", "wing_loading": "kg/m^2", "heaviest": "kg"}
        return frame_of(self.gliders, index="glider", units=units)

    def _card(self) -> Card:
        rows = tuple(
            (
                glider.name,
                f"{glider.wing_loading:.2f} kg/m^2",
                glider.turn_at_moment.degrees("deg/s").text(interval=True),
            )
            for glider in self.gliders
        )
        facts = tuple(("answer", words) for words in self.answer[:1])
        heads = ("glider", "wing loading", f"turn under {self.yardstick.moment:.0f} N m")
        return Card(f"{len(self.gliders)} gliders, {len(self.sorties)} sorties", facts, heads, rows)

    def to_json(self) -> dict[str, Any]:
        """Return gliders.json as plain objects (docs/gliders.md names every field)."""
        from .glider_document import glider_document

        return glider_document(self)
