"""From results to a folder: report.html, figures, holds.csv, results.json; PDF and PNG where wanted."""

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

Progress = Callable[[str, float], None]

_DRAWN = [chapter for chapter in CHAPTERS if chapter.draw is not None]


def write_report(
    results: Results,
    folder: Path | str,
    progress: Progress | None = None,
    *,
    pdf: bool = False,
    png: bool = False,
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
    png : bool
        Whether to write each figure as PNG too; those from an earlier report go where not.

    Returns
    -------
    list of Path
        ``report.html``, ``results.json``, ``holds.csv``, ``report.pdf`` where wanted, and
        ``figures/<chapter>.svg``, and ``.png`` where wanted, for every chapter whose figure could be drawn;
        ``report.html`` comes last, being the last to be replaced.

    Raises
    ------
    OutputError
        Where the folder is a file or cannot be written, or a PDF cannot be made here. Nothing is left half
        written.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     written = [path.name for path in fp.write_report(results, folder)]
    >>> written[-1], "results.json" in written
    ('report.html', True)
    """
    folder = Path(folder)
    check_folder(folder)
    if pdf:
        check_pdf()
    tell = progress or (lambda words, fraction: None)
    share = 0.5 if pdf else 0.9
    pictures, svgs, files = _draw(results, lambda words, done: tell(words, share * done), png)
    tell("writing the report", share)
    files["holds.csv"] = holds_csv(results).encode()
    files["results.json"] = results_json(results).encode()
    files["report.html"] = render_page(results, pictures, svgs).encode()
    if pdf:
        tell("setting the PDF", share + 0.05)
        add_pdf(files, "report.html")
    own = ["report.pdf"]
    own += [f"figures/{chapter.key}.{ending}" for chapter in _DRAWN for ending in ("svg", "png")]
    written = write_folder(folder, files, own)
    tell("done", 1.0)
    return written


def _draw(
    results: Results, tell: Progress, png: bool
) -> tuple[dict[str, Picture | Missing], dict[str, str], dict[str, bytes]]:
    """Draw the figure of each chapter; return it, as SVG too, and its files by name."""
    import matplotlib

    pictures: dict[str, Picture | Missing] = {}
    svgs: dict[str, str] = {}
    files: dict[str, bytes] = {}
    with matplotlib.rc_context(STYLE):
        for place, chapter in enumerate(_DRAWN):
            tell(f"drawing: {chapter.title.lower()}", place / len(_DRAWN))
            assert chapter.draw is not None
            picture = pictures[chapter.key] = chapter.draw(results)
            if isinstance(picture, Picture):
                svgs[chapter.key] = svg_text(picture.figure)
                files[f"figures/{chapter.key}.svg"] = svgs[chapter.key].encode()
                if png:
                    files[f"figures/{chapter.key}.png"] = png_bytes(picture.figure)
    return pictures, svgs, files
