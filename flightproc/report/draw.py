"""One figure of the report by itself, for a notebook."""

from __future__ import annotations

import html
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..errors import OutputError
from ..results import Results
from .chapters import CHAPTERS
from .figures.style import STYLE, Missing, inline_svg, svg_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Drawing", "draw_figure"]


@dataclass(frozen=True)
class Drawing:
    """A figure of the report.

    Attributes
    ----------
    name : str
        Of its chapter.
    figure : matplotlib.figure.Figure
        To change, or to save: ``drawing.figure.savefig("moment.png")``.
    alt : str
        What is seen, for those who cannot see it.
    caption : str
        How to read it.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> drawing = fp.draw_figure(results, "ratio")
    >>> drawing.name, drawing.svg().startswith("<")
    ('ratio', True)
    """

    name: str
    figure: Figure
    alt: str
    caption: str

    def svg(self) -> str:
        """Return the figure as SVG."""
        import matplotlib

        with matplotlib.rc_context(STYLE):
            return svg_text(self.figure)

    def __repr__(self) -> str:
        wide, high = self.figure.get_size_inches()
        return f"Drawing({self.name!r}, {wide:g} × {high:g} inch)"

    def _repr_html_(self) -> str:
        picture = inline_svg(self.svg(), self.name, self.alt)
        return (
            f'<figure style="margin:.3em 0;max-width:864px"><div style="background:white">{picture}</div>'
            f'<figcaption style="font-size:.9em">{html.escape(self.caption)}</figcaption></figure>'
        )


def draw_figure(results: Results, name: str = "moment") -> Drawing:
    """Draw one figure of the report.

    Parameters
    ----------
    results : Results
        What is drawn.
    name : str
        Its chapter: ``moment``, ``ratio``, ``budget``, ``track``, ``histories``, ``blade``, ``inflow``,
        ``fit``, ``calibration`` or ``data``.

    Returns
    -------
    Drawing
        It shows itself in a notebook.

    Raises
    ------
    OutputError
        If no chapter of that name has a figure, or these results lack what it shows.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> fp.draw_figure(results, "moment")
    Drawing('moment', 9 × 5 inch)
    """
    import matplotlib

    drawers = {chapter.key: chapter.draw for chapter in CHAPTERS if chapter.draw is not None}
    draw = drawers.get(name)
    if draw is None:
        raise OutputError("there is no such figure", found=name, allowed=", ".join(drawers))
    with matplotlib.rc_context(STYLE):
        picture = draw(results)
    if isinstance(picture, Missing):
        raise OutputError(f"the figure {name} cannot be drawn: {picture.words}")
    return Drawing(name, picture.figure, picture.alt, picture.caption)
