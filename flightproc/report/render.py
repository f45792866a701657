"""From results to a folder: report.html, figures, holds.csv, results.json, and report.pdf where wanted."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from ..results import Results
from .chapters import CHAPTERS
from .figures.style import STYLE, Missing, Picture, png_bytes, svg_text
from .output import check_folder, write_folder
from .page import render_page
from .paper import add_pdf, check_pdf
from .tables import holds_csv, results_json

__all__ = ["write_report"]


def write_report(
    results: Results,
    folder: Path | str,
    progress: Callable[[str, float], None] | None = None,
    *,
    pdf: bool = False,
) -> list[Path]:
    """Write the report of an analysis.

    Parameters
    ----------
    results : Results
        What is reported.
    folder : Path or str
        Where to. Files of an earlier report there are replaced, other files stay.
    progress : callable, optional
        Called with what is being done and the fraction that is done.
    pdf : bool
        Whether to write report.pdf too; one from an earlier report goes where not.

    Returns
    -------
    list of Path
        ``report.html``, ``results.json``, ``holds.csv``, ``report.pdf`` where wanted, and
        ``figures/<chapter>.svg`` and ``.png`` for every chapter whose figure could be drawn; ``report.html``
        comes last, being the last to be replaced.

    Raises
    ------
    OutputError
        Where the folder is a file or cannot be written, or a PDF cannot be made here. Nothing is left half
        written.
    """
    import matplotlib

    folder = Path(folder)
    check_folder(folder)
    if pdf:
        check_pdf()
    tell = progress or (lambda words, fraction: None)
    drawn = [chapter for chapter in CHAPTERS if chapter.draw is not None]
    pictures: dict[str, Picture | Missing] = {}
    svgs: dict[str, str] = {}
    files: dict[str, bytes] = {}
    share = 0.5 if pdf else 0.9
    with matplotlib.rc_context(STYLE):
        for place, chapter in enumerate(drawn):
            tell(f"drawing: {chapter.title.lower()}", share * place / len(drawn))
            assert chapter.draw is not None
            picture = chapter.draw(results)
            pictures[chapter.key] = picture
            if isinstance(picture, Picture):
                svgs[chapter.key] = svg_text(picture.figure)
                files[f"figures/{chapter.key}.svg"] = svgs[chapter.key].encode()
                files[f"figures/{chapter.key}.png"] = png_bytes(picture.figure)
    tell("writing the report", share)
    files["holds.csv"] = holds_csv(results).encode()
    files["results.json"] = results_json(results).encode()
    files["report.html"] = render_page(results, pictures, svgs).encode()
    if pdf:
        tell("setting the PDF", share + 0.05)
        add_pdf(files, "report.html")
    own = ["report.pdf"]
    own += [f"figures/{chapter.key}.{ending}" for chapter in drawn for ending in ("svg", "png")]
    written = write_folder(folder, files, own)
    tell("done", 1.0)
    return written
