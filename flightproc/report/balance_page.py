"""A balance as files: balance.html, balance.json and figures."""

from __future__ import annotations

import json
import math
from collections.abc import Callable

from markupsafe import Markup

from .. import __version__
from ..decide.balance import Balance, Option
from ..decide.words import percent
from ..quantity import Quantity
from .figures import balance as figures
from .figures.style import STYLE, Picture, inline_svg, png_bytes, svg_text
from .page import _environment
from .tables import plain

__all__ = ["OWN_FILES", "balance_files", "balance_json", "change_cells"]

_DRAWN: tuple[tuple[str, Callable[[Balance], Picture]], ...] = (
    ("range", figures.draw_range),
    ("options", figures.draw_options),
)

OWN_FILES = tuple(f"figures/{key}.{kind}" for key, _ in _DRAWN for kind in ("svg", "png"))
"""Figures of a balance."""


def balance_json(balance: Balance) -> str:
    """Return balance.json: strict JSON, ending with a line feed."""
    return json.dumps(plain(balance.to_json()), allow_nan=False, ensure_ascii=False, indent=1) + "\n"


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


def _worst(option: Option) -> tuple[int, int]:
    """Return case and phase with the greatest turn."""
    sizes = [
        (abs(result.turn.value or 0.0), g, p)
        for g, row in enumerate(option.phases)
        for p, result in enumerate(row)
    ]
    return max(sizes)[1:]


def _loss(balance: Balance, option: Option) -> Quantity:
    """Return thrust lost where the thrust is greatest, over that thrust [%]."""
    sizes = [quantity.value or 0.0 for quantity in balance.thrust]
    at = sizes.index(max(sizes))
    if sizes[at] <= 0.0:
        return Quantity.unknown("%", "no thrust")
    return option.phases[0][at].thrust_loss.scaled(100.0 / sizes[at], "%")


def balance_files(balance: Balance, progress: Callable[[str, float], None] | None = None) -> dict[str, bytes]:
    """Return every file of a balance by its name inside the folder; the page comes last.

    Parameters
    ----------
    balance : Balance
        What is shown.
    progress : callable, optional
        Called with what is being done and the fraction that is done.
    """
    import matplotlib

    tell = progress or (lambda words, share: None)
    files: dict[str, bytes] = {}
    shown = {}
    with matplotlib.rc_context(STYLE):
        for place, (key, draw) in enumerate(_DRAWN):
            tell("drawing", 0.8 * place / len(_DRAWN))
            picture = draw(balance)
            svg = svg_text(picture.figure)
            files[f"figures/{key}.svg"] = svg.encode()
            files[f"figures/{key}.png"] = png_bytes(picture.figure)
            shown[key] = (picture, Markup(inline_svg(svg, key, picture.alt)))
    tell("writing the page", 0.8)
    files["balance.json"] = balance_json(balance).encode()
    template = _environment().get_template("balance.html")
    files["balance.html"] = template.render(
        b=balance,
        best=balance.option(balance.best),
        figures=shown,
        short=figures.SHORT,
        change_cells=change_cells,
        percent=percent,
        worst=_worst,
        loss=lambda option: _loss(balance, option),
        version=__version__,
    ).encode()
    tell("done", 1.0)
    return files
