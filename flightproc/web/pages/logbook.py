"""The logbook: every sortie that was kept, to be found, shown, taken up again."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Path, Request
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response, StreamingResponse

from ...errors import FlightprocError
from ..books import open_book
from ..desk import Desk
from ..render import page
from ..uploads import Upload, UploadedFile, form_of, shown_name

if TYPE_CHECKING:
    from ...logbook import Logbook, SortieView

__all__ = ["LINK", "ROUTER"]

LINK = ("/logbook", "Logbook")
ROUTER = APIRouter(include_in_schema=False)

_PAGE = 40
_Number = Annotated[int, Path(ge=0, le=2**31 - 1)]
_TEXT = 200
_SANDBOX = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox; frame-ancestors 'none'"
_ROLES = {
    "sortie": "sortie sheet",
    "aircraft": "aircraft sheet",
    "glider": "glider sheet",
    "rig": "rig sheet",
    "unit": "log of the unit",
    "gps": "GPS log",
    "engine": "engine log",
    "other": "log",
    "table": "table",
}


def _day(text: str, name: str, faults: list[dict[str, str]]) -> str | None:
    if not text:
        return None
    try:
        return dt.date.fromisoformat(text).isoformat()
    except ValueError:
        words = f"{'From' if name == 'since' else 'To'}: a day such as 2026-05-14 is expected"
        faults.append({"anchor": f"f-{name}", "words": words})
        return None


@ROUTER.get("/logbook")
def show(
    request: Request,
    text: str = "",
    aircraft: str = "",
    glider: str = "",
    since: str = "",
    until: str = "",
    start: int = 0,
) -> Response:
    """Show the sorties that fit a search."""
    asked = {"text": text[:_TEXT], "aircraft": aircraft[:_TEXT], "glider": glider[:_TEXT]}
    faults: list[dict[str, str]] = []
    first, last = _day(since, "since", faults), _day(until, "until", faults)
    with open_book(request) as book:
        rows = book.sorties(
            text=asked["text"], aircraft=asked["aircraft"], glider=asked["glider"], since=first, until=last
        )
        place = book.place.shown
        names = {kind: sorted({e.name for e in book.equipment(kind)}) for kind in ("aircraft", "gliders")}
    begin = min(max(start, 0), max(len(rows) - 1, 0))
    asked |= {"since": since[:20], "until": until[:20]}
    query = "&".join(f"{name}={quote(value)}" for name, value in asked.items() if value)
    return page(
        request,
        "logbook.html",
        status=422 if faults else 200,
        rows=rows[begin : begin + _PAGE],
        total=len(rows),
        begin=begin,
        size=_PAGE,
        query=query,
        asked=asked,
        searched=any(asked.values()),
        faults=faults,
        place=place,
        names=names,
    )


def _sortie(book: Logbook, number: int) -> SortieView:
    try:
        return book.get(number)
    except FlightprocError as error:
        raise HTTPException(404, "There is no sortie of this number in the logbook.") from error


@ROUTER.get("/logbook/{number}")
def sortie(request: Request, number: _Number) -> Response:
    """Show all that is kept of a sortie."""
    with open_book(request) as book:
        view = _sortie(book, number)
        found = view.result
        document: dict[str, Any] = {}
        if found is not None:
            document = book.document(found[1])
    return page(
        request,
        "logbook_sortie.html",
        view=view,
        row=view.row,
        result=None if found is None else found[1],
        made=sum(len(revision.results) for revision in view.revisions),
        entry=view.newest.entry,
        roles=_ROLES,
        holds=_holds(document),
        limits=[str(text) for text in document.get("limits", [])],
        warnings=[str(text) for text in document.get("warnings", [])],
        caution=str(next(iter(document.get("cautions", [])), "")),
    )


def _holds(document: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the holds of a result for a table: value and bounds as they stand in it."""
    out = []
    for number, hold in enumerate(document.get("holds", []), start=1):
        out.append({"number": number, **hold})
    return out


def _file(pieces: Iterator[bytes], name: str, kind: str, *, shown: bool = False) -> Response:
    how = "inline" if shown else "attachment"
    headers = {
        "Content-Disposition": f"{how}; filename*=UTF-8''{quote(name)}",
        "Content-Security-Policy": _SANDBOX,
    }
    return StreamingResponse(pieces, media_type=kind, headers=headers)


def _stream(request: Request, sha256: str) -> Iterator[bytes]:
    with open_book(request) as book:
        yield from book.pieces(sha256)


@ROUTER.get("/logbook/{number}/results.json")
def results(request: Request, number: _Number) -> Response:
    """Return the newest result."""
    with open_book(request) as book:
        found = _sortie(book, number).result
    if found is None:
        raise HTTPException(404, "This sortie has no result.")
    return _file(_stream(request, found[1].sha256), f"sortie-{number}-results.json", "application/json")


@ROUTER.get("/logbook/{number}/report.html")
def report(request: Request, number: _Number) -> Response:
    """Return the report that was kept with the newest result that has one."""
    with open_book(request) as book:
        view = _sortie(book, number)
        kept = [r for revision in view.revisions for r in revision.results if "report.html" in r.files]
    if not kept:
        raise HTTPException(404, "No report was kept with this sortie.")
    newest = max(kept, key=lambda result: result.id)
    return _file(
        _stream(request, newest.files["report.html"]), f"sortie-{number}.html", "text/html; charset=utf-8",
        shown=True,
    )  # fmt: skip


@ROUTER.get("/logbook/{number}/files/{place}")
def stored(request: Request, number: _Number, place: int) -> Response:
    """Return a log or a sheet as it was put in."""
    with open_book(request) as book:
        files = _sortie(book, number).newest.entry.files
        if not 0 <= place < len(files):
            raise HTTPException(404, "There is no such file.")
    name = shown_name(files[place].path)
    return _file(_stream(request, files[place].sha256), name, "application/octet-stream")


@ROUTER.post("/logbook/{number}/open")
async def take_up(request: Request, number: _Number) -> Response:
    """Put a sortie on the desk again, from its own logs and sheets, to change it or analyse it anew."""
    await form_of(request)
    job = await run_in_threadpool(_take_up, request, number)
    return RedirectResponse(f"/sorties/{job}", status_code=303)


def _take_up(request: Request, number: int) -> str:
    desk: Desk = request.app.state.desk
    with open_book(request) as book, desk.store.incoming() as folder:
        entry = _sortie(book, number).newest.entry
        desk.store.reserve(sum(file.size for file in entry.files))
        files = []
        try:
            for place, file in enumerate(entry.files):
                path = folder / f"part-{place:02d}"
                digest = hashlib.sha256()
                with path.open("wb") as out:
                    for piece in book.pieces(file.sha256):
                        out.write(piece)
                        digest.update(piece)
                files.append(UploadedFile(shown_name(file.path), path, file.size, digest.hexdigest()))
            return str(desk.take(Upload({}, files)).id)
        except FlightprocError:
            desk.store.release(sum(file.size for file in entry.files))
            raise


@ROUTER.post("/logbook/{number}/delete")
async def delete(request: Request, number: _Number) -> Response:
    """Take a sortie out for good."""
    await form_of(request)

    def work() -> None:
        with open_book(request) as book:
            _sortie(book, number)
            book.delete(number)

    await run_in_threadpool(work)
    return RedirectResponse("/logbook", status_code=303)
