"""The sheets a person fills in: TOML files, read and checked as a whole.

Importing this package is cheap: the models, and pydantic with them, are imported when a name is first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .aircraft import (
        AircraftSheet,
        BladeStation,
        CompensationEntry,
        EngineEntry,
        PropellerEntry,
        SensorEntry,
    )
    from .balance import (
        BalanceGlider,
        BalanceSheet,
        HangOffsetEntry,
        Phase,
        SurfaceEntry,
        ThrustEntry,
        ThrustOffsetEntry,
        ThrustTiltEntry,
    )
    from .frames import rig_from_frame
    from .glider import GliderSheet
    from .ground import InertiaEntry, TiltTestEntry
    from .load import (
        BalanceSheets,
        PlanSheets,
        Sheets,
        load_aircraft,
        load_balance,
        load_glider,
        load_plan,
        load_rig,
        load_sortie,
    )
    from .logs import ColumnEntry, LogEntry
    from .plan import PlanAir, PlanBallast, PlanFlight, PlanGoal, PlanHolds, PlanNoise, PlanSheet
    from .rig import RigAirEntry, RigReading, RigSeries, RigSheet
    from .sortie import (
        AirEntry,
        BallastLeg,
        HoldEdit,
        PilotNote,
        Settings,
        SortieSheet,
    )

__all__ = [
    "AirEntry",
    "AircraftSheet",
    "BalanceGlider",
    "BalanceSheet",
    "BalanceSheets",
    "BallastLeg",
    "BladeStation",
    "ColumnEntry",
    "CompensationEntry",
    "EngineEntry",
    "GliderSheet",
    "HangOffsetEntry",
    "HoldEdit",
    "InertiaEntry",
    "LogEntry",
    "Phase",
    "PilotNote",
    "PlanAir",
    "PlanBallast",
    "PlanFlight",
    "PlanGoal",
    "PlanHolds",
    "PlanNoise",
    "PlanSheet",
    "PlanSheets",
    "PropellerEntry",
    "RigAirEntry",
    "RigReading",
    "RigSeries",
    "RigSheet",
    "SensorEntry",
    "Settings",
    "Sheets",
    "SortieSheet",
    "SurfaceEntry",
    "ThrustEntry",
    "ThrustOffsetEntry",
    "ThrustTiltEntry",
    "TiltTestEntry",
    "load_aircraft",
    "load_balance",
    "load_glider",
    "load_plan",
    "load_rig",
    "load_sortie",
    "rig_from_frame",
]

_MODULES = {
    "aircraft": (
        "AircraftSheet",
        "BladeStation",
        "CompensationEntry",
        "EngineEntry",
        "PropellerEntry",
        "SensorEntry",
    ),
    "frames": ("rig_from_frame",),
    "glider": ("GliderSheet",),
    "ground": ("InertiaEntry", "TiltTestEntry"),
    "balance": (
        "BalanceGlider",
        "BalanceSheet",
        "HangOffsetEntry",
        "Phase",
        "SurfaceEntry",
        "ThrustEntry",
        "ThrustOffsetEntry",
        "ThrustTiltEntry",
    ),
    "plan": (
        "PlanAir",
        "PlanBallast",
        "PlanFlight",
        "PlanGoal",
        "PlanHolds",
        "PlanNoise",
        "PlanSheet",
    ),
    "load": (
        "BalanceSheets",
        "PlanSheets",
        "Sheets",
        "load_aircraft",
        "load_balance",
        "load_glider",
        "load_plan",
        "load_rig",
        "load_sortie",
    ),
    "logs": ("ColumnEntry", "LogEntry"),
    "rig": ("RigAirEntry", "RigReading", "RigSeries", "RigSheet"),
    "sortie": (
        "AirEntry",
        "BallastLeg",
        "HoldEdit",
        "PilotNote",
        "Settings",
        "SortieSheet",
    ),
}
_HOMES = {name: module for module, names in _MODULES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f".{_HOMES[name]}", __name__), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
