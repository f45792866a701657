"""Several sorties together as files: together.html, together.json, results of each sortie, figures."""

from __future__ import annotations

import json
from collections.abc import Callable

from markupsafe import Markup

from .. import __version__
from ..compare.sorties_model import Together, gain
from ..moment.budget import explain_budget
from .figures import together as figures
from .figures.style import STYLE, Missing, Picture, inline_svg, png_bytes, svg_text
from .page import _environment
from .tables import plain, results_json

__all__ = ["OWN_FILES", "together_files", "together_json"]

_DRAWN: tuple[tuple[str, str, Callable[[Together], Picture | Missing]], ...] = (
    ("ratio", "Torque ratio, sortie by sortie and together", figures.draw_ratio),
    ("calibration", "Calibration, alone and with all", figures.draw_calibration),
)

OWN_FILES = (*(f"figures/{key}.{kind}" for key, _, _ in _DRAWN for kind in ("svg", "png")), "together.pdf")
"""Files that may be there or not, depending on what could be drawn."""


def together_json(together: Together) -> str:
    """Return together.json: strict JSON, ending with a line feed."""
    text = json.dumps(plain(together.to_json()), allow_nan=False, ensure_ascii=False, indent=1)
    return text + "\n"


def together_files(
    together: Together, progress: Callable[[str, float], None] | None = None
) -> dict[str, bytes]:
    """Return every file by its name inside the folder; the page comes last.

    Parameters
    ----------
    together : Together
        What is shown.
    progress : callable, optional
        Called with what is being done and the fraction that is done.
    """
    import matplotlib

    tell = progress or (lambda words, share: None)
    files: dict[str, bytes] = {}
    chapters = {}
    with matplotlib.rc_context(STYLE):
        for place, (key, title, draw) in enumerate(_DRAWN):
            tell(f"drawing: {title.lower()}", 0.8 * place / len(_DRAWN))
            picture = draw(together)
            drawing: Markup | None = None
            if isinstance(picture, Picture):
                svg = svg_text(picture.figure)
                files[f"figures/{key}.svg"] = svg.encode()
                files[f"figures/{key}.png"] = png_bytes(picture.figure)
                drawing = Markup(inline_svg(svg, key, picture.alt))
            chapters[key] = (title, picture, drawing)
    tell("writing the page", 0.8)
    files["together.json"] = together_json(together).encode()
    for number, item in enumerate(together.sorties, 1):
        files[f"sortie-{number}/results.json"] = results_json(item.results).encode()
    best = together.whole or together.overall
    files["together.html"] = (
        _environment()
        .get_template("together.html")
        .render(
            c=together,
            best=best,
            budget=None if best is None else explain_budget(best.ratio, "the ratio of all sorties"),
            figures=chapters,
            gain=gain,
            version=__version__,
        )
        .encode()
    )
    tell("done", 1.0)
    return files
