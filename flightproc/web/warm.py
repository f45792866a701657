"""What an analysis needs, imported ahead: worker processes are forked from one that has this module.

Importing it starts no thread and leaves no file open.
"""

from __future__ import annotations

from importlib import import_module

__all__ = ["NAMES"]

NAMES = (
    "matplotlib.backends.backend_agg",
    "matplotlib.backends.backend_svg",
    "matplotlib.font_manager",
    "pyulog",
    "scipy.integrate",
    "scipy.interpolate",
    "scipy.linalg",
    "scipy.ndimage",
    "scipy.optimize",
    "scipy.signal",
    "scipy.sparse",
    "scipy.spatial",
    "scipy.special",
    "scipy.stats",
    "flightproc.analysis",
    "flightproc.readers.gpx_mend",
    "flightproc.readers.together",
    "flightproc.report.figures",
    "flightproc.report.render",
    "flightproc.sheets.load",
    "flightproc.web.reading",
    "flightproc.web.worker",
)
"""Modules."""

for _name in NAMES:
    import_module(_name)
