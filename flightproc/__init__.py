"""flightproc: from in-flight logs and a rig sheet to the turning moment in the air, with its uncertainty.

The names below are the public ones. Each is imported when it is first used, so that ``import flightproc`` is
cheap. They show themselves in a few lines of text, and as small tables in a notebook.

Examples
--------
>>> import flightproc as fp
>>> print(fp.Quantity.of(26.83, 1.27, "N m"))
26.8 ± 1.3 N m
>>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
>>> len(results.holds), len(results.comparison)
(17, 4)
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .analysis import (
        Prepared,
        analyse,
        analyse_sheets,
        calibrated_blade,
        compare_sortie,
        finish_sortie,
        follow_sortie,
        prepare_sortie,
        read_recordings,
        solve_sortie,
    )
    from .channels import CHANNELS, Channel
    from .compare import Comparison, compare_with_rig
    from .compare.glider_facts import SortieFacts, read_facts
    from .compare.glider_model import GliderComparison
    from .compare.gliders import compare_gliders
    from .compare.sorties_model import Together
    from .decide import Balance, Flown, balance_frame, flown_from_results, read_flown
    from .decide.plan import Plan, plan_sortie
    from .decide.plan_noise import read_seen
    from .errors import (
        ClockError,
        EstimateError,
        FlightprocError,
        LogbookError,
        LogError,
        OutputError,
        ResultsError,
        RigError,
        SheetError,
        SortieError,
        UnknownFormatError,
        UnreadableLogError,
    )
    from .holds import Hold, HoldKind, HoldSearch, Rejected, SearchSettings, find_holds
    from .logbook import Logbook
    from .moment import MomentSolution, make_priors, observe_holds, solve_moments
    from .propeller import (
        Blade,
        CalibratedBlade,
        blade_from_sheet,
        blade_performance,
        calibrate_blade,
        compare_blade,
        infer_inflow,
        polar_from_sheet,
        ratio_curve,
        solve_elements,
    )
    from .quantity import Quantity
    from .readers import Recording, Series, read_log, recording_from_frame
    from .report import write_report
    from .report.draw import Drawing, draw_figure
    from .results import ComparisonRow, HoldResult, Results
    from .rig import RigCurve, compare_days, reduce_ground, reduce_rig
    from .sheets import (
        BalanceSheets,
        PlanSheets,
        Sheets,
        load_aircraft,
        load_balance,
        load_glider,
        load_plan,
        load_rig,
        load_sortie,
        rig_from_frame,
    )
    from .simulate import SimulatedSortie, simulate_family, simulate_sortie, write_sortie
    from .sortie import Sortie, assemble_sortie
    from .together import analyse_together

__version__ = "0.1.0"

_HOMES = {
    "analysis": (
        "Prepared",
        "analyse",
        "analyse_sheets",
        "calibrated_blade",
        "compare_sortie",
        "finish_sortie",
        "follow_sortie",
        "prepare_sortie",
        "read_recordings",
        "solve_sortie",
    ),
    "channels": ("CHANNELS", "Channel"),
    "compare": ("Comparison", "compare_with_rig"),
    "compare.glider_facts": ("SortieFacts", "read_facts"),
    "compare.glider_model": ("GliderComparison",),
    "compare.gliders": ("compare_gliders",),
    "compare.sorties_model": ("Together",),
    "decide": ("Balance", "Flown", "balance_frame", "flown_from_results", "read_flown"),
    "decide.plan": ("Plan", "plan_sortie"),
    "decide.plan_noise": ("read_seen",),
    "errors": (
        "ClockError",
        "EstimateError",
        "FlightprocError",
        "LogError",
        "LogbookError",
        "OutputError",
        "ResultsError",
        "RigError",
        "SheetError",
        "SortieError",
        "UnknownFormatError",
        "UnreadableLogError",
    ),
    "holds": ("Hold", "HoldKind", "HoldSearch", "Rejected", "SearchSettings", "find_holds"),
    "logbook": ("Logbook",),
    "moment": ("MomentSolution", "make_priors", "observe_holds", "solve_moments"),
    "propeller": (
        "Blade",
        "CalibratedBlade",
        "blade_from_sheet",
        "blade_performance",
        "calibrate_blade",
        "compare_blade",
        "infer_inflow",
        "polar_from_sheet",
        "ratio_curve",
        "solve_elements",
    ),
    "quantity": ("Quantity",),
    "readers": ("Recording", "Series", "read_log", "recording_from_frame"),
    "report": ("write_report",),
    "report.draw": ("Drawing", "draw_figure"),
    "results": ("ComparisonRow", "HoldResult", "Results"),
    "rig": ("RigCurve", "compare_days", "reduce_ground", "reduce_rig"),
    "sheets": (
        "BalanceSheets",
        "PlanSheets",
        "Sheets",
        "load_aircraft",
        "load_balance",
        "load_glider",
        "load_plan",
        "load_rig",
        "load_sortie",
        "rig_from_frame",
    ),
    "simulate": ("SimulatedSortie", "simulate_family", "simulate_sortie", "write_sortie"),
    "sortie": ("Sortie", "assemble_sortie"),
    "together": ("analyse_together",),
}
_MODULES = {name: module for module, names in _HOMES.items() for name in names}

__all__ = [
    "CHANNELS",
    "Balance",
    "BalanceSheets",
    "Blade",
    "CalibratedBlade",
    "Channel",
    "ClockError",
    "Comparison",
    "ComparisonRow",
    "Drawing",
    "EstimateError",
    "FlightprocError",
    "Flown",
    "GliderComparison",
    "Hold",
    "HoldKind",
    "HoldResult",
    "HoldSearch",
    "LogError",
    "Logbook",
    "LogbookError",
    "MomentSolution",
    "OutputError",
    "Plan",
    "PlanSheets",
    "Prepared",
    "Quantity",
    "Recording",
    "Rejected",
    "Results",
    "ResultsError",
    "RigCurve",
    "RigError",
    "SearchSettings",
    "Series",
    "SheetError",
    "Sheets",
    "SimulatedSortie",
    "Sortie",
    "SortieError",
    "SortieFacts",
    "Together",
    "UnknownFormatError",
    "UnreadableLogError",
    "analyse",
    "analyse_sheets",
    "analyse_together",
    "assemble_sortie",
    "balance_frame",
    "blade_from_sheet",
    "blade_performance",
    "calibrate_blade",
    "calibrated_blade",
    "compare_blade",
    "compare_days",
    "compare_gliders",
    "compare_sortie",
    "compare_with_rig",
    "draw_figure",
    "find_holds",
    "finish_sortie",
    "flown_from_results",
    "follow_sortie",
    "infer_inflow",
    "load_aircraft",
    "load_balance",
    "load_glider",
    "load_plan",
    "load_rig",
    "load_sortie",
    "make_priors",
    "observe_holds",
    "plan_sortie",
    "polar_from_sheet",
    "prepare_sortie",
    "ratio_curve",
    "read_facts",
    "read_flown",
    "read_log",
    "read_recordings",
    "read_seen",
    "recording_from_frame",
    "reduce_ground",
    "reduce_rig",
    "rig_from_frame",
    "simulate_family",
    "simulate_sortie",
    "solve_elements",
    "solve_moments",
    "solve_sortie",
    "write_report",
    "write_sortie",
]


def __getattr__(name: str) -> Any:
    if name not in _MODULES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f".{_MODULES[name]}", __name__), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
