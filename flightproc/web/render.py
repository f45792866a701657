"""From a template to a page: what every page is given."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib import import_module, resources
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse

from .. import __version__
from .pages import PAGES
from .words import FILTERS

__all__ = ["MENU", "asset", "page", "pages"]

MENU: tuple[tuple[str, str], ...] = (("/", "Sorties"),)
"""Address and words of what the main flow puts into the menu."""


@cache
def pages() -> tuple[Any, ...]:
    """Return the page modules, in the order of the menu."""
    return tuple(import_module(f".pages.{name}", __package__) for name in PAGES)


@cache
def menu() -> tuple[tuple[str, str], ...]:
    """Return address and words of every entry of the menu."""
    return (*MENU, *(module.LINK for module in pages() if module.LINK is not None))


@cache
def asset(name: str) -> str:
    """Return the address of a file in ``static/``, with a mark that changes with its content."""
    content = resources.files("flightproc.web").joinpath("static", name).read_bytes()
    return f"/static/{name}?{hashlib.sha256(content).hexdigest()[:10]}"


@cache
def environment() -> Environment:
    """Return the templates; everything put into them is escaped."""
    found = Environment(
        loader=PackageLoader(__package__ or "flightproc.web"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    found.filters.update(FILTERS)
    found.globals.update(asset=asset)
    return found


def page(request: Request, template: str, *, status: int = 200, **context: Any) -> HTMLResponse:
    """Return a page made from a template.

    Parameters
    ----------
    request : Request
        What is answered; its state holds what :mod:`.security` found out about the caller.
    template : str
        File in ``templates/``.
    status : int
        Of the answer.
    **context : Any
        What the template is given beside ``csrf``, ``menu``, ``here``, ``version`` and ``signed_in``.
    """
    address = "/" + request.url.path.strip("/").split("/")[0]
    given = {
        "csrf": getattr(request.state, "csrf", ""),
        "signed_in": getattr(request.state, "signed_in", False),
        "menu": menu(),
        "here": "/" if address in ("/", "/sorties") else address,
        "version": __version__,
        "limits": request.app.state.settings.limits,
    }
    return HTMLResponse(environment().get_template(template).render(given | context), status_code=status)
