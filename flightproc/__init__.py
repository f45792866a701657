"""flightproc: from in-flight logs and a rig sheet to the turning moment in the air, with its uncertainty.

The names below are the public ones. Each is imported when it is first used, so that ``import flightproc`` is
cheap.

Examples
--------
>>> import flightproc as fp
>>> print(fp.Quantity.of(26.83, 1.27, "N m"))
26.8 ± 1.3 N m
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .analysis import analyse, analyse_sheets
    from .channels import CHANNELS, Channel
    from .errors import FlightprocError, LogError, RigError, SheetError, SortieError
    from .holds import Hold, HoldSearch, Rejected, find_holds
    from .propeller import Blade, blade_from_sheet, calibrate_blade, compare_blade, solve_elements
    from .quantity import Quantity
    from .readers import Recording, Series, read_log
    from .report import write_report
    from .results import Results
    from .rig import RigCurve, reduce_rig
    from .sheets import Sheets, load_aircraft, load_glider, load_rig, load_sortie
    from .simulate import simulate_family, simulate_sortie, write_sortie
    from .sortie import Sortie, assemble_sortie
    from .together import analyse_together

__version__ = "0.1.0"

_HOMES = {
    "analysis": ("analyse", "analyse_sheets"),
    "channels": ("CHANNELS", "Channel"),
    "errors": ("FlightprocError", "LogError", "RigError", "SheetError", "SortieError"),
    "holds": ("Hold", "HoldSearch", "Rejected", "find_holds"),
    "propeller": ("Blade", "blade_from_sheet", "calibrate_blade", "compare_blade", "solve_elements"),
    "quantity": ("Quantity",),
    "readers": ("Recording", "Series", "read_log"),
    "report": ("write_report",),
    "results": ("Results",),
    "rig": ("RigCurve", "reduce_rig"),
    "sheets": ("Sheets", "load_aircraft", "load_glider", "load_rig", "load_sortie"),
    "simulate": ("simulate_family", "simulate_sortie", "write_sortie"),
    "sortie": ("Sortie", "assemble_sortie"),
    "together": ("analyse_together",),
}
_MODULES = {name: module for module, names in _HOMES.items() for name in names}

__all__ = [
    "CHANNELS",
    "Blade",
    "Channel",
    "FlightprocError",
    "Hold",
    "HoldSearch",
    "LogError",
    "Quantity",
    "Recording",
    "Rejected",
    "Results",
    "RigCurve",
    "RigError",
    "Series",
    "SheetError",
    "Sheets",
    "Sortie",
    "SortieError",
    "analyse",
    "analyse_sheets",
    "analyse_together",
    "assemble_sortie",
    "blade_from_sheet",
    "calibrate_blade",
    "compare_blade",
    "find_holds",
    "load_aircraft",
    "load_glider",
    "load_rig",
    "load_sortie",
    "read_log",
    "reduce_rig",
    "simulate_family",
    "simulate_sortie",
    "solve_elements",
    "write_report",
    "write_sortie",
]


def __getattr__(name: str) -> Any:
    if name not in _MODULES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f".{_MODULES[name]}", __name__), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
