"""Figures as pages show them: the drawing inside the page, or the words that stand for it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TypeVar

from markupsafe import Markup

from .figures.style import STYLE, Missing, Picture, inline_svg, png_bytes, svg_text

__all__ = ["Plate", "Progress", "Shown", "make_plates", "own_files", "show"]

Subject = TypeVar("Subject")
Progress = Callable[[str, float], None]
Plate = tuple[str, str, Callable[[Subject], Picture | Missing]]
"""Key, title and drawing function of a figure."""


@dataclass(frozen=True)
class Shown:
    """A figure of a page.

    Attributes
    ----------
    key : str
        Anchor in the page, and name of the figure's files.
    title : str
        What screen readers are told it is.
    picture : Picture or Missing
        The figure with its caption, or why there is none.
    drawing : Markup or None
        What stands in the page; None where there is no figure.
    """

    key: str
    title: str
    picture: Picture | Missing
    drawing: Markup | None


def show(key: str, title: str, picture: Picture | Missing, svg: str | None) -> Shown:
    """Return a figure for a page, its SVG file set inside it."""
    drawing = None
    if isinstance(picture, Picture) and svg is not None:
        drawing = Markup(inline_svg(svg, key, picture.alt))
    return Shown(key, title, picture, drawing)


def own_files(plates: Iterable[Plate[Subject]]) -> tuple[str, ...]:
    """Return the files of figures, which may be there or not, depending on what could be drawn."""
    return tuple(f"figures/{key}.{kind}" for key, _, _ in plates for kind in ("svg", "png"))


def make_plates(
    subject: Subject, plates: tuple[Plate[Subject], ...], tell: Progress
) -> tuple[Mapping[str, Shown], dict[str, bytes]]:
    """Draw the figures of a page, each as SVG and PNG.

    Parameters
    ----------
    subject : object
        What is drawn.
    plates : tuple of (str, str, callable)
        Key, title and drawing function of each.
    tell : callable
        Called with what is being done and the fraction that is done.

    Returns
    -------
    shown : mapping of str to Shown
        By key.
    files : dict of str to bytes
        ``figures/<key>.svg`` and ``.png`` of those that could be drawn.
    """
    import matplotlib

    shown: dict[str, Shown] = {}
    files: dict[str, bytes] = {}
    with matplotlib.rc_context(STYLE):
        for place, (key, title, draw) in enumerate(plates):
            tell(f"drawing: {title.lower()}", place / len(plates))
            picture = draw(subject)
            svg = None
            if isinstance(picture, Picture):
                svg = svg_text(picture.figure)
                files[f"figures/{key}.svg"] = svg.encode()
                files[f"figures/{key}.png"] = png_bytes(picture.figure)
            shown[key] = show(key, title, picture, svg)
    return shown, files
