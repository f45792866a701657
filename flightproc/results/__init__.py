"""What an analysis gives, and its JSON form (``flightproc-results/1``).

:class:`Results` is the one thing that report, page, logbook and JSON share. Inside it is SI with radians;
:meth:`Results.to_json` and :meth:`Results.holds_table` speak the units of the trade, unit in the name.
"""

from .model import SCHEMA, Results
from .parts import BladeAngles, Calibration, ComparisonRow, HoldResult, InputFile, MomentCurve, Provenance

__all__ = [
    "SCHEMA",
    "BladeAngles",
    "Calibration",
    "ComparisonRow",
    "HoldResult",
    "InputFile",
    "MomentCurve",
    "Provenance",
    "Results",
]
