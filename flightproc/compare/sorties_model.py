"""What several sorties of one frame give together, and its JSON form (``flightproc-together/1``)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from .. import __version__
from ..display import Card, displayed
from ..quantity import Quantity
from ..results import Results
from .sorties import Agreement, PooledRatio

__all__ = ["SCHEMA", "GliderTurn", "Together", "TogetherSortie"]

SCHEMA = "flightproc-together/1"
"""Name and version of the JSON form."""


@displayed
@dataclass(frozen=True)
class TogetherSortie:
    """One of the sorties.

    Attributes
    ----------
    source : str
        Its sheet, with the folder it lies in.
    label : str
        Its title, with the folder where another has the same.
    results : Results
        With the calibration of all sorties.
    hung_mass : float
        [kg].
    stiffness, stiffness_alone : Quantity
        K with all sorties and by this one alone [N m/rad].
    method_alone : str
        What the latter rests on.
    ratio, ratio_alone : Quantity
        Torque ratio over all its settings, by its holds [1].
    trace_alone : Quantity
        Torque ratio from the whole sortie, by this one alone [1]; with all sorties it is
        ``results.trace.ratio``.
    """

    source: str
    label: str
    results: Results
    hung_mass: float
    stiffness: Quantity
    stiffness_alone: Quantity
    method_alone: str
    ratio: Quantity
    ratio_alone: Quantity
    trace_alone: Quantity

    def to_json(self) -> dict[str, Any]:
        """Return the entry of ``sorties`` in together.json."""
        results = self.results
        trace = results.trace
        return {
            "sheet": self.source,
            "title": results.title,
            "glider": results.glider,
            "hung_mass_kg": self.hung_mass,
            "power_holds": sum(str(hold.kind) == "power" for hold in results.holds),
            "glide_holds": results.calibration.glide_holds,
            "ballast_holds": results.calibration.ballast_holds,
            "hang_stiffness_N_m_rad": self.stiffness.to_json(),
            "hang_stiffness_alone_N_m_rad": self.stiffness_alone.to_json(),
            "method_alone": self.method_alone,
            "torque_ratio": self.ratio.to_json(),
            "torque_ratio_alone": self.ratio_alone.to_json(),
            "uncertainty_gain": _finite(gain(self.ratio_alone, self.ratio)),
            "trace_torque_ratio": None if trace is None else trace.ratio.to_json(),
            "trace_torque_ratio_alone": self.trace_alone.to_json(),
            "trace_accepted": trace is not None and trace.accepted,
            "warnings": list(results.warnings),
            "inputs": [
                {"name": i.name, "role": i.role, "sha256": i.sha256} for i in results.provenance.inputs
            ],
        }


@displayed
@dataclass(frozen=True)
class GliderTurn:
    """The turn of one glider.

    Attributes
    ----------
    name : str
        From its sheet.
    area : float
        Flat area [m^2].
    sorties : tuple of int
        Indices of its sorties.
    turn_coefficient : Quantity
        c_L by all sorties [1].
    alone : tuple of Quantity
        c_L by each of its sorties alone [1].
    measured : bool
        Whether one of its sorties carried ballast; else it rests on what was assumed.
    """

    name: str
    area: float
    sorties: tuple[int, ...]
    turn_coefficient: Quantity
    alone: tuple[Quantity, ...]
    measured: bool

    def to_json(self) -> dict[str, Any]:
        """Return the entry of ``gliders`` in together.json."""
        return {
            "name": self.name,
            "flat_area_m2": self.area,
            "sorties": list(self.sorties),
            "turn_coefficient": self.turn_coefficient.to_json(),
            "turn_coefficient_alone": [item.to_json() for item in self.alone],
            "measured": self.measured,
        }


@displayed
@dataclass(frozen=True)
class Together:
    """What several sorties of one frame give together.

    Attributes
    ----------
    aircraft : str
        The frame.
    sorties : tuple of TogetherSortie
        In the order given.
    gliders : tuple of GliderTurn
        In the order met.
    stiffness_prior : Quantity
        K before any flight, at the hung mass of the first sortie [N m/rad].
    method : str
        What the joint K rests on.
    settings : tuple of PooledRatio
        Torque ratio by throttle setting, rising; empty without a rig.
    overall : PooledRatio or None
        Over all settings, by the holds.
    whole : PooledRatio or None
        Over all sorties, by the whole-sortie estimates that fit; None where fewer than two do.
    agreement : tuple of str
        Whether the sorties agree, as sentences.
    answer : tuple of str
        Most important sentence first.
    words : tuple of str
        What is shared, assumed, or was left out.
    cautions : tuple of str
        Safety cautions that go with every output.

    Examples
    --------
    >>> import flightproc as fp
    >>> stiffness = fp.Quantity.of(486.0, 12.0, "N m/rad")
    >>> Together("frame A", (), (), stiffness, "ballast", (), None, None, (), ("no ratio",), (), ())
    Together: frame A, 0 sorties
      K from  ballast
      answer  no ratio
    """

    aircraft: str
    sorties: tuple[TogetherSortie, ...]
    gliders: tuple[GliderTurn, ...]
    stiffness_prior: Quantity
    method: str
    settings: tuple[PooledRatio, ...]
    overall: PooledRatio | None
    whole: PooledRatio | None
    agreement: tuple[str, ...]
    answer: tuple[str, ...]
    words: tuple[str, ...]
    cautions: tuple[str, ...]

    def _card(self) -> Card:
        facts = [("K from", self.method), *(("answer", words) for words in self.answer[:1])]
        if self.overall is not None:
            facts.append(("all settings", self.overall.ratio.text(interval=True)))
        if self.whole is not None:
            facts.append(("whole flights", self.whole.ratio.text(interval=True)))
        rows = tuple(
            (f"{item.rpm or 0.0:.0f}", item.ratio.text(interval=True), f"{len(item.parts)}")
            for item in self.settings
        )
        title = f"{self.aircraft}, {len(self.sorties)} sorties"
        return Card(title, tuple(facts), ("rpm", "torque ratio", "sorties"), rows)

    @property
    def results(self) -> tuple[Results, ...]:
        """Results of each sortie, with the calibration of all."""
        return tuple(item.results for item in self.sorties)

    def to_json(self) -> dict[str, Any]:
        """Return together.json as plain objects (see docs/together.md)."""
        return {
            "schema": SCHEMA,
            "version": __version__,
            "aircraft": self.aircraft,
            "answer": list(self.answer),
            "sorties": [item.to_json() for item in self.sorties],
            "calibration": {
                "method": self.method,
                "hang_stiffness_prior_N_m_rad": self.stiffness_prior.to_json(),
            },
            "gliders": [item.to_json() for item in self.gliders],
            "settings": [_pooled(item) for item in self.settings],
            "overall": None if self.overall is None else _pooled(self.overall),
            "whole_sorties": None if self.whole is None else _pooled(self.whole),
            "agreement": list(self.agreement),
            "remarks": list(self.words),
            "cautions": list(self.cautions),
        }


def gain(alone: Quantity, joint: Quantity) -> float:
    """Return how many times narrower an uncertainty became; NaN where one is unknown."""
    if not alone.std or not joint.std:
        return math.nan
    return alone.std / joint.std


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _agreement(item: Agreement | None) -> dict[str, Any] | None:
    if item is None:
        return None
    return {
        "chi2": item.chi2,
        "dof": item.dof,
        "probability": item.probability,
        "widening": item.widening,
        "words": item.words,
    }


def _pooled(item: PooledRatio) -> dict[str, Any]:
    return {
        "rpm": item.rpm,
        "torque_ratio": item.ratio.to_json(),
        "budget": [{"source": name, "contribution": part} for name, part in item.ratio.budget.items()],
        "shared_std": item.shared,
        "advance_ratio": item.advance_ratio.to_json(),
        "agreement": _agreement(item.agreement),
        "parts": [
            {
                "sortie": part.sortie,
                "torque_ratio": part.ratio.to_json(),
                "torque_ratio_alone": part.alone.to_json(),
                "advance_ratio": part.advance_ratio.to_json(),
                "weight": part.weight,
            }
            for part in item.parts
        ],
    }
