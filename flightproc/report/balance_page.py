"""A balance as files: balance.html, balance.json and figures."""

from __future__ import annotations

import math

from ..decide.balance import Balance, Option
from ..decide.words import percent
from ..quantity import Quantity
from .figures import balance as figures
from .jinja import templates
from .shown import Plate, Progress, make_plates, own_files
from .tables import json_text

__all__ = ["OWN_FILES", "balance_files", "balance_json", "change_cells"]

_DRAWN: tuple[Plate[Balance], ...] = (
    ("range", "Over the throttle range", figures.draw_range),
    ("options", "What could be changed", figures.draw_options),
)

OWN_FILES = own_files(_DRAWN)
"""Figures of a balance."""


def balance_json(balance: Balance) -> str:
    """Return balance.json: strict JSON, ending with a line feed."""
    return json_text(balance.to_json())


def change_cells(option: Option) -> tuple[str, ...]:
    """Return hang offset [mm], thrust tilt [deg], thrust offset [mm], area [cm2], angle [deg], or dashes.

    Positive to the right; the angle of surfaces is positive where they roll the unit left.
    """
    change = option.change
    values = (
        (1e3 * change.hang_offset, 1),
        (math.degrees(change.thrust_tilt), 1),
        (1e3 * change.thrust_offset, 1),
        (1e4 * change.surface_area, 0),
        (math.degrees(change.surface_angle), 1),
    )
    return tuple("–" if not value else f"{value:.{places}f}".replace("-", "−") for value, places in values)


def _loss(balance: Balance, option: Option) -> Quantity:
    """Return thrust lost where the thrust is greatest, over that thrust [%]."""
    sizes = [quantity.value or 0.0 for quantity in balance.thrust]
    at = sizes.index(max(sizes))
    if sizes[at] <= 0.0:
        return Quantity.unknown("%", "no thrust")
    return option.phases[0][at].thrust_loss.scaled(100.0 / sizes[at], "%")


def balance_files(balance: Balance, progress: Progress | None = None) -> dict[str, bytes]:
    """Return every file of a balance by its name inside the folder; the page comes last.

    Parameters
    ----------
    balance : Balance
        What is shown.
    progress : callable, optional
        Called with what is being done and the fraction that is done.
    """
    tell = progress or (lambda words, share: None)
    shown, files = make_plates(balance, _DRAWN, lambda words, share: tell(words, 0.8 * share))
    tell("writing the page", 0.8)
    files["balance.json"] = balance_json(balance).encode()
    template = templates().get_template("balance.html")
    files["balance.html"] = template.render(
        b=balance,
        best=balance.option(balance.best),
        cautions=balance.cautions,
        figures=shown,
        short=figures.SHORT,
        change_cells=change_cells,
        percent=percent,
        loss=lambda option: _loss(balance, option),
    ).encode()
    tell("done", 1.0)
    return files
