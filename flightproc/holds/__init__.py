"""Holds: change points, the search, and why a stretch was turned down."""

from .model import (
    BallastWindow,
    Hold,
    HoldChange,
    HoldKind,
    HoldSearch,
    PilotWindow,
    Rejected,
    SearchSettings,
)
from .search import find_holds

__all__ = [
    "BallastWindow",
    "Hold",
    "HoldChange",
    "HoldKind",
    "HoldSearch",
    "PilotWindow",
    "Rejected",
    "SearchSettings",
    "find_holds",
]
