"""The chapters of the report, in order: each one template and, where it has a figure, one function."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from ..results import Results
from .figures import (
    Missing,
    Picture,
    blade,
    budget,
    calibration,
    fit,
    histories,
    inflow,
    moment,
    ratio,
    track,
    wind,
)

__all__ = ["CHAPTERS", "Chapter"]


@dataclass(frozen=True)
class Chapter:
    """One chapter.

    Attributes
    ----------
    key : str
        Anchor in the page, name of the template (``<key>.html``) and of the figure's files.
    title : str
        Heading.
    draw : callable or None
        Makes the figure from the results.
    wide : bool
        Whether its tables want a landscape page in print.
    """

    key: str
    title: str
    draw: Callable[[Results], Picture | Missing] | None = None
    wide: bool = False


CHAPTERS = (
    Chapter("answer", "The answer"),
    Chapter("limits", "What limits it"),
    Chapter("budget", "What the uncertainty is made of", budget.draw),
    Chapter("track", "Where it was flown", track.draw),
    Chapter("histories", "How it was flown", histories.draw),
    Chapter("moment", "Roll moment in flight and torque on the rig", moment.draw),
    Chapter("ratio", "Torque ratio against advance ratio", ratio.draw),
    Chapter("blade", "Angle of attack along the blade", blade.draw),
    Chapter("inflow", "Inflow at the disc, from the flight's torque", inflow.draw),
    Chapter("fit", "Torque ratio from the whole flight, and how well the model fits", fit.draw),
    Chapter("calibration", "Calibration: from angle to moment", calibration.draw),
    Chapter("data", "Data quality", wind.draw),
    Chapter("holds", "Holds, and stretches turned down", wide=True),
    Chapter("rig", "Rig readings and fits"),
    Chapter("provenance", "Where these figures come from"),
    Chapter("cautions", "Cautions"),
)
"""The report's table of contents."""
