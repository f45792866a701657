"""The application: the guard, the pages, the JSON endpoints, and the files that pages need."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib import resources
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.routing import APIRoute
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, Response
from starlette.staticfiles import StaticFiles

from .. import __version__
from ..errors import FlightprocError, SheetError
from . import api, views
from .desk import Desk
from .jobs import NoRoom
from .render import page, pages
from .security import Guard, Sessions, load_secret
from .settings import Settings

__all__ = ["create_app"]

_TITLES = {
    400: "This request cannot be understood",
    403: "This was not let through",
    404: "There is no such page",
    405: "This cannot be done here",
    408: "It took too long",
    409: "This cannot be done now",
    413: "This is too much",
    415: "This is not what was expected",
    422: "This needs mending",
    500: "This did not work",
    507: "There is no room left",
}


class _Static(StaticFiles):
    """Files of the pages; a browser keeps them as long as their address is the same."""

    def file_response(self, *args: Any, **kwargs: Any) -> Response:
        response = super().file_response(*args, **kwargs)
        response.headers["Cache-Control"] = "public, max-age=31536000, immutable"
        return response


def create_app(settings: Settings) -> Guard:
    """Return the application, ready to be served.

    Parameters
    ----------
    settings : Settings
        Where it keeps its things, and its caps.

    Returns
    -------
    Guard
        An ASGI application. The wrapped FastAPI application is its attribute ``inner``.

    Raises
    ------
    OutputError
        Where the folder cannot be used.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from flightproc.web import Settings
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     app = create_app(Settings(folder=Path(folder)))
    ...     app.inner.state.desk.stop()
    >>> app.inner.title
    'flightproc'
    """
    desk = Desk(settings)
    sessions = Sessions(load_secret(settings.folder), settings.token)

    @asynccontextmanager
    async def life(app: FastAPI) -> AsyncIterator[None]:
        desk.start()
        yield
        desk.stop()

    app = FastAPI(
        title="flightproc",
        version=__version__,
        summary="Logs in, turning moment out, with its uncertainty.",
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
        lifespan=life,
    )
    app.state.settings, app.state.desk, app.state.sessions = settings, desk, sessions
    app.include_router(api.ROUTER)
    app.include_router(views.ROUTER)
    for module in pages():
        app.include_router(module.ROUTER)
    static = str(resources.files("flightproc.web").joinpath("static"))
    app.mount("/static", _Static(directory=static), name="static")
    app.add_exception_handler(HTTPException, _told)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(FlightprocError, _mendable)
    app.add_exception_handler(Exception, _unforeseen)
    return Guard(app, settings, sessions)


def _wants_json(request: Request) -> bool:
    return request.url.path.startswith("/api/") or "application/json" in request.headers.get("accept", "")


def _answer(request: Request, status: int, words: str, faults: list[dict[str, Any]], **more: str) -> Response:
    if _wants_json(request):
        body: dict[str, Any] = {"detail": words}
        if faults:
            body["faults"] = faults
        return JSONResponse(body, status, headers=more or None)
    title = _TITLES.get(status, "This did not work")
    response = page(request, "error.html", status=status, title=title, words=words, items=faults)
    response.headers.update(more)
    return response


async def _told(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    words = {"Not Found": "There is no such page.", "Method Not Allowed": "This cannot be done here."}
    headers = dict(error.headers or {})
    if error.status_code == 405:
        headers["Allow"] = ", ".join(sorted(_allowed(request.url.path)))
    return _answer(request, error.status_code, words.get(error.detail, str(error.detail)), [], **headers)


def _allowed(path: str) -> set[str]:
    """Return the methods that an address of the JSON endpoints knows, those of all its routes together."""
    found: set[str] = set()
    for route in api.ROUTER.routes:
        if isinstance(route, APIRoute) and route.path_regex.match(path):
            found |= set(route.methods or ())
    return found or {"GET"}


async def _invalid(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    faults = [
        {"where": ".".join(str(part) for part in item["loc"]), "words": item["msg"]}
        for item in error.errors()[:50]
    ]
    return _answer(request, 422, "The request does not have the form that is asked for.", faults)


async def _mendable(request: Request, error: Exception) -> Response:
    assert isinstance(error, FlightprocError)
    status = 507 if isinstance(error, NoRoom) else 422 if isinstance(error, SheetError) else 409
    if isinstance(error, SheetError):
        faults = [
            {"where": f.file, "words": f"{f.file}: {f.value}; allowed: {f.allowed}"} for f in error.faults
        ]
        return _answer(request, status, "These files cannot be used as they are.", faults)
    return _answer(request, status, f"{str(error)[:1].upper()}{str(error)[1:]}.", [])


async def _unforeseen(request: Request, error: Exception) -> Response:
    """Answer where the server itself is at fault; what happened goes to its own log."""
    words = "The server failed in a way that was not foreseen. What happened stands in its own output."
    return _answer(request, 500, words, [])
