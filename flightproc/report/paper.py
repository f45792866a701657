"""A page as PDF: the same page, set anew for paper.

WeasyPrint does the setting. It is an extra (``flightproc[pdf]``), since it needs Pango from the system, which
pip cannot bring. Nothing is fetched: type comes from matplotlib's own files, any other address is refused.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import re
import warnings
from importlib import resources
from pathlib import Path
from types import ModuleType

from ..errors import OutputError

__all__ = ["add_pdf", "check_pdf", "page_pdf"]

_FONT = re.compile(r"[A-Za-z-]+\.ttf")
_STYLE = re.compile(r"<style>.*?</style>", re.DOTALL)
_SHORT_CAUTION = re.compile(r'<aside class="caution".*?</aside>', re.DOTALL)
_CHAPTER = re.compile(r'<section id="cautions".*?</h2>(.*?)</section>', re.DOTALL)
_FRAME = re.compile(r'<div class="caution">|</div>')
_ENTRY = re.compile(r'<li><a href="#cautions">.*?</li>', re.DOTALL)
_DRAWING = re.compile(r'<svg role="img" aria-label="([^"]*)"(.*?</svg>)', re.DOTALL)
_NAMESPACES = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'


def _weasyprint() -> ModuleType:
    """Return WeasyPrint, or say what to install."""
    try:
        with contextlib.redirect_stdout(io.StringIO()), warnings.catch_warnings():
            # It prints on standard output where Pango is missing, and warns of what it will need one day.
            warnings.simplefilter("ignore", DeprecationWarning)
            import weasyprint
    except ImportError as error:
        raise OutputError(
            "a PDF needs WeasyPrint, which is not installed",
            where="--pdf",
            hint="pip install 'flightproc[pdf]', or leave out --pdf and print the page from a browser",
        ) from error
    except OSError as error:
        raise OutputError(
            "WeasyPrint is installed, but not the text library Pango that it needs",
            where="--pdf",
            hint="install Pango (Debian, Ubuntu: apt install libpangoft2-1.0-0 libharfbuzz-subset0; macOS: "
            "brew install pango; Windows: see docs/report.md), or leave out --pdf and print the page from a "
            "browser",
        ) from error
    assert isinstance(weasyprint, ModuleType)
    return weasyprint


def check_pdf() -> None:
    """Make sure that a PDF can be made, before any work is done.

    Raises
    ------
    OutputError
        Where WeasyPrint or the Pango library is missing; says what to install.
    """
    _weasyprint()


def for_paper(page: str) -> str:
    """Return a page with the style for paper and with all cautions on its first sheet.

    Parameters
    ----------
    page : str
        A page of this package: one ``style`` in its head, an ``aside`` with the first caution, a list of
        chapters in ``nav``, and all cautions in the section ``cautions``.
    """
    style = (
        resources.files("flightproc.report").joinpath("templates", "paper.css").read_text(encoding="utf-8")
    )
    page = _STYLE.sub(lambda _: f"<style>\n{style}</style>", page, count=1)
    chapter = _CHAPTER.search(page)
    if chapter is None or not _SHORT_CAUTION.search(page):
        return page
    page = page[: chapter.start()] + page[chapter.end() :]
    page = _ENTRY.sub("", page, count=1)
    text = _FRAME.sub("", chapter[1])
    whole = f'<aside class="caution" id="cautions"><p><strong>Cautions</strong></p>{text}</aside>'
    return _SHORT_CAUTION.sub(lambda _: whole, page, count=1)


def _lift_drawings(page: str) -> tuple[str, dict[str, bytes]]:
    """Return the page with a name in place of each drawing, and the drawings by name.

    Left in the page, each of their many elements would be styled as one of the page's own.
    """
    drawings: dict[str, bytes] = {}

    def lift(found: re.Match[str]) -> str:
        name = str(len(drawings))
        drawings[name] = f"<svg {_NAMESPACES}{found[2]}".encode()
        return f'<img class="drawing" src="drawing:{name}" alt="{found[1]}">'

    return _DRAWING.sub(lift, page), drawings


def page_pdf(page: str) -> bytes:
    """Return a page as PDF: A4, numbered, with contents, all cautions on the first sheet, type embedded.

    Parameters
    ----------
    page : str
        A page of this package, drawings in it as SVG.

    Returns
    -------
    bytes
        The file; the same for the same page.

    Raises
    ------
    OutputError
        Where WeasyPrint or the Pango library is missing; says what to install.
    """
    weasyprint = _weasyprint()
    import matplotlib
    from weasyprint.text.fonts import FontConfiguration
    from weasyprint.urls import URLFetcher, URLFetcherResponse

    folder = Path(matplotlib.get_data_path(), "fonts", "ttf")

    class Shelf(URLFetcher):  # type: ignore[misc,unused-ignore]
        """Type from matplotlib's folder and drawings of the page, nothing else."""

        def fetch(self, url: str, headers: object = None) -> URLFetcherResponse:
            kind, _, name = url.partition(":")
            if kind == "font" and _FONT.fullmatch(name):
                return URLFetcherResponse(url, (folder / name).read_bytes(), {"Content-Type": "font/ttf"})
            if kind == "drawing" and name in drawings:
                return URLFetcherResponse(url, drawings[name], {"Content-Type": "image/svg+xml"})
            raise ValueError("a page needs nothing but itself")

    text, drawings = _lift_drawings(for_paper(page))
    made = weasyprint.HTML(string=text, url_fetcher=Shelf()).write_pdf(
        font_config=FontConfiguration(), pdf_identifier=hashlib.sha256(page.encode()).digest()[:16]
    )
    assert isinstance(made, bytes)
    return made


def add_pdf(files: dict[str, bytes], page: str) -> None:
    """Put the PDF of a page beside it, the page staying last.

    Parameters
    ----------
    files : dict of str to bytes
        Content by name, as :func:`~flightproc.report.output.write_folder` takes it; changed in place.
    page : str
        Name of the page, ending in ``.html``; the PDF takes ``.pdf`` for it.

    Raises
    ------
    OutputError
        Where WeasyPrint or the Pango library is missing; says what to install.
    """
    content = files.pop(page)
    files[f"{page.removesuffix('.html')}.pdf"] = page_pdf(content.decode())
    files[page] = content
