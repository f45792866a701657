"""Wind of the flight as one arrow. Made up, to try the recipe."""

from __future__ import annotations

from ...results import Results
from .style import INK, Missing, Picture, new_figure

__all__ = ["draw"]


def draw(results: Results) -> Picture | Missing:
    """Draw where the wind blows to."""
    north, east = results.wind.north.value, results.wind.east.value
    if north is None or east is None:
        return Missing("The wind is not known.")
    figure = new_figure(3.0)
    axes = figure.add_axes((0.1, 0.15, 0.8, 0.75))
    axes.plot([0.0, east], [0.0, north], color=INK)
    axes.set_xlabel("east [m/s]")
    axes.set_ylabel("north [m/s]")
    return Picture(figure, "An arrow.", "The wind of the flight, from the origin.")
