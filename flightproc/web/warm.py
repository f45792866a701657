"""What an analysis needs, imported ahead: worker processes are forked from one that has this module.

Importing it starts no thread and leaves no file open.
"""

from __future__ import annotations

from importlib import import_module

__all__ = ["NAMES"]

NAMES = (
    "matplotlib.backends.backend_svg",
    "matplotlib.figure",
    "pyulog",
    "scipy.fft",
    "scipy.interpolate",
    "scipy.linalg",
    "scipy.optimize",
    "scipy.special",
    "flightproc.analysis",
    "flightproc.readers.gpx_mend",
    "flightproc.readers.gpx_points",
    "flightproc.readers.together",
    "flightproc.report.figures",
    "flightproc.report.render",
    "flightproc.sheets.inputs",
    "flightproc.sheets.load",
    "flightproc.web.reading",
    "flightproc.web.worker",
)
"""Modules."""

for _name in NAMES:
    import_module(_name)
