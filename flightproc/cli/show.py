"""What every command shares for the terminal: consoles, the error line, progress."""

from __future__ import annotations

import sys

__all__ = ["print_error"]


def print_error(text: str) -> None:
    """Print one error to standard error, without markup, wrapped by the terminal only."""
    print(f"flightproc: error: {text}", file=sys.stderr)
