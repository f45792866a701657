"""The usual folder of sorties in work."""

from __future__ import annotations

import os
import sys
from pathlib import Path

__all__ = ["usual_folder"]


def usual_folder() -> Path:
    """Return where sorties in work are kept when no folder is named.

    ``FLIGHTPROC_SERVE`` names it; else it is where programs keep their state on this system.
    """
    named = os.environ.get("FLIGHTPROC_SERVE")
    if named:
        return Path(named)
    if sys.platform == "win32":
        return (
            Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local") / "flightproc" / "serve"
        )
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support" / "flightproc" / "serve"
    state = os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state"
    return Path(state) / "flightproc" / "serve"
