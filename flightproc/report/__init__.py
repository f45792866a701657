"""The report: one object in, one folder out. Nothing is computed here that :class:`Results` does not hold.

Importing this package is cheap: what draws is imported when a name is first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .render import write_report
    from .tables import holds_csv, results_json

__all__ = ["holds_csv", "results_json", "write_report"]


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(".render" if name == "write_report" else ".tables", __name__), name)
