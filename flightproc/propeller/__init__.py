"""Blade geometry, section polars, blade element momentum theory, and its calibration on the rig."""

from __future__ import annotations

from .blade import Blade, blade_from_sheet
from .calibrate import (
    BladeComparison,
    CalibratedBlade,
    alpha_at,
    calibrate_blade,
    compare_blade,
    fit_blade,
    geometric_alpha,
)
from .elements import ElementSolution, solve_elements
from .polar import AnalyticPolar, LinearPolar, Polar, SectionFlow

__all__ = [
    "AnalyticPolar",
    "Blade",
    "BladeComparison",
    "CalibratedBlade",
    "ElementSolution",
    "LinearPolar",
    "Polar",
    "SectionFlow",
    "alpha_at",
    "blade_from_sheet",
    "calibrate_blade",
    "compare_blade",
    "fit_blade",
    "geometric_alpha",
    "solve_elements",
]
