"""Blade geometry, section polars, blade element momentum theory, and its calibration on the rig."""

from __future__ import annotations

from .blade import Blade
from .calibrate import CalibratedBlade, calibrate_blade, fit_blade, prior_blade
from .elements import ElementSolution, solve_elements
from .flight import BladeComparison, alpha_at, compare_blade, geometric_alpha
from .inflow import FlightPoint, InflowEstimate, InflowPoint, infer_inflow
from .library import library_polar
from .measured import blade_from_few_stations
from .performance import BladePerformance, RatioCurve, SpeedAngles, blade_performance, ratio_curve
from .polar import AnalyticPolar, LinearPolar, Polar, SectionFlow
from .sheet import blade_from_sheet, performance_from_sheets, polar_from_sheet
from .table import TablePolar, read_polar_table

__all__ = [
    "AnalyticPolar",
    "Blade",
    "BladeComparison",
    "BladePerformance",
    "CalibratedBlade",
    "ElementSolution",
    "FlightPoint",
    "InflowEstimate",
    "InflowPoint",
    "LinearPolar",
    "Polar",
    "RatioCurve",
    "SectionFlow",
    "SpeedAngles",
    "TablePolar",
    "alpha_at",
    "blade_from_few_stations",
    "blade_from_sheet",
    "blade_performance",
    "calibrate_blade",
    "compare_blade",
    "fit_blade",
    "geometric_alpha",
    "infer_inflow",
    "library_polar",
    "performance_from_sheets",
    "polar_from_sheet",
    "prior_blade",
    "ratio_curve",
    "read_polar_table",
    "solve_elements",
]
