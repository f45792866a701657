"""Several sorties together as files: together.html, together.json, results of each sortie, figures."""

from __future__ import annotations

from ..compare.sorties_model import Together, gain
from ..moment.budget import explain_budget
from .figures import together as figures
from .jinja import templates
from .shown import Plate, Progress, make_plates, own_files
from .tables import json_text, results_json

__all__ = ["OWN_FILES", "together_files", "together_json"]

_DRAWN: tuple[Plate[Together], ...] = (
    ("ratio", "Torque ratio, sortie by sortie and together", figures.draw_ratio),
    ("calibration", "Calibration, alone and with all", figures.draw_calibration),
)

OWN_FILES = (*own_files(_DRAWN), "together.pdf")
"""Files that may be there or not, depending on what could be drawn."""


def together_json(together: Together) -> str:
    """Return together.json: strict JSON, ending with a line feed."""
    return json_text(together.to_json())


def together_files(together: Together, progress: Progress | None = None) -> dict[str, bytes]:
    """Return every file by its name inside the folder; the page comes last.

    Parameters
    ----------
    together : Together
        What is shown.
    progress : callable, optional
        Called with what is being done and the fraction that is done.
    """
    tell = progress or (lambda words, share: None)
    shown, files = make_plates(together, _DRAWN, lambda words, share: tell(words, 0.8 * share))
    tell("writing the page", 0.8)
    files["together.json"] = together_json(together).encode()
    for number, item in enumerate(together.sorties, 1):
        files[f"sortie-{number}/results.json"] = results_json(item.results).encode()
    best = together.whole or together.overall
    template = templates().get_template("together.html")
    files["together.html"] = template.render(
        c=together,
        best=best,
        budget=None if best is None else explain_budget(best.ratio, "the ratio of all sorties"),
        cautions=together.cautions,
        figures=shown,
        gain=gain,
    ).encode()
    tell("done", 1.0)
    return files
