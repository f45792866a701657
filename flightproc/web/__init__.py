"""The page: logs dropped in a browser, sheets filled in as forms, the report as the answer.

A face: it takes in, calls a stage, shows. Analyses run in processes of their own (:mod:`.worker`), so that
no log can take the page down. Needs the extra ``flightproc[web]``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .app import create_app
    from .settings import Settings

__all__ = ["Settings", "create_app"]

_HOMES = {"create_app": "app", "Settings": "settings"}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f".{_HOMES[name]}", __name__), name)
