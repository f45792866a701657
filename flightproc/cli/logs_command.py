"""``flightproc logs``."""

from __future__ import annotations

__all__ = ["command"]


def command() -> None:
    """Not written yet."""
