"""What the sheets of a sortie state, in the form that the stages take it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .compare.ratio import Compensation
from .errors import LogError, RigError
from .holds.model import (
    BallastWindow,
    Hold,
    HoldChange,
    HoldKind,
    HoldSearch,
    PilotWindow,
    SearchSettings,
)
from .holds.search import find_holds
from .moment.calibrate import Frame, Wing
from .moment.observe import Observations, observe_holds
from .propeller import CalibratedBlade, blade_from_sheet, calibrate_blade, polar_from_sheet
from .rig import RigCurve, reduce_rig_of
from .rig.ground import reduce_ground
from .rig.reduce import FittedCompensation
from .sheets import Sheets
from .sortie.model import Sortie

if TYPE_CHECKING:
    from .sheets.aircraft import AircraftSheet
    from .sheets.rig import RigSheet
    from .sheets.sortie import SortieSheet

__all__ = [
    "IDLE_RELATIVE_STD",
    "compensation_of",
    "flown_windows",
    "glide_rpm",
    "hung_frame",
    "idle_moments",
    "rig_blade",
    "rig_curve",
    "search_holds",
    "wing_of",
]

_SETTLING_DEFAULT = 12.0
_SETTLING_RANGE = (8.0, 12.0)  # three time constants of the slowest response, within these [s]
_AT_REST = {"thrust_tilt": (1.15, 0.08), "slipstream_surface": (1.0, 0.1)}
# what a compensation takes off at rest over in flight: thrust falls with airspeed by 5 to 21 %, the
# slipstream's dynamic pressure by less than the airspeed adds to it
IDLE_RELATIVE_STD = 0.5
"""Relative standard uncertainty of an idling propeller's torque, extrapolated from the rig."""


def search_holds(sheets: Sheets, sortie: Sortie, warnings: list[str]) -> tuple[HoldSearch, Observations]:
    """Find holds, and once more with the settling time that their response asks for."""
    sheet = sheets.sortie
    stated = sheet.settings.settling_s
    ballast, notes = flown_windows(sheet, sortie, warnings)
    settings = SearchSettings(
        straight_limit=math.radians(sheet.settings.straight_limit_deg_s),
        minimum=sheet.settings.minimum_hold_s,
        settling=_SETTLING_DEFAULT if stated is None else stated,
        idle_rpm=glide_rpm(sheets),
    )
    changes = [
        HoldChange(
            edit.action,
            edit.start_s,
            edit.end_s,
            edit.new_start_s,
            edit.new_end_s,
            None if edit.kind is None else HoldKind(edit.kind),
            edit.reason,
        )
        for edit in sheet.holds
    ]
    search = find_holds(sortie, settings, ballast=ballast, notes=notes, changes=changes)
    observed = observe_holds(sortie, search.holds, seed=sheet.settings.seed)
    if stated is None:
        low, high = _SETTLING_RANGE
        settling = min(high, max(low, 3.0 * observed.noise.slowest_time_constant()))
        if abs(settling - settings.settling) > 0.5:
            settings = replace(settings, settling=settling)
            search = find_holds(sortie, settings, ballast=ballast, notes=notes, changes=changes)
            observed = observe_holds(sortie, search.holds, seed=sheet.settings.seed)
    return search, observed


def flown_windows(
    sheet: SortieSheet, sortie: Sortie, warnings: list[str]
) -> tuple[list[BallastWindow], list[PilotWindow]]:
    """Return ballast legs and pilot notes on the sortie's time base."""
    ballast, notes = [], []
    lost = 0
    for leg in sheet.ballast:
        bounds = leg.bounds(sortie.start_utc)
        if bounds is None:
            lost += 1
            continue
        ballast.append(BallastWindow(*bounds, moment=leg.moment, moment_std=leg.moment_std))
    for note in sheet.notes:
        bounds = note.bounds(sortie.start_utc)
        if bounds is None:
            lost += 1
            continue
        notes.append(PilotWindow(*bounds, hands_off=note.hands_off))
    if lost:
        warnings.append(
            f"{lost} ballast leg(s) or note(s) are given in UTC, but no log of the sortie carries UTC: they "
            "were left out; give them in seconds of the unit's log"
        )
    return ballast, notes


def glide_rpm(sheets: Sheets) -> float | None:
    """Return the engine speed up to which a hold counts as a glide [1/min]."""
    if sheets.sortie.settings.idle_rpm is not None:
        return sheets.sortie.settings.idle_rpm
    idle = sheets.aircraft.engine.idle_rpm
    return None if idle is None else 1.25 * idle


def hung_frame(sheets: Sheets, warnings: list[str]) -> Frame:
    """Return the hung unit with what its ground tests say; what cannot be reduced is told and left out."""
    aircraft = sheets.aircraft
    frame = Frame(
        mass=aircraft.hung_mass_kg,
        mass_std=aircraft.hung_mass_std_kg,
        hang_arm=aircraft.hang_arm_m,
        hang_arm_std=aircraft.hang_arm_std_m,
        riser_stiffness=aircraft.riser_roll_stiffness_N_m_rad,
        riser_stiffness_std=aircraft.riser_roll_stiffness_std_N_m_rad,
    )
    if aircraft.tilt_test is None and aircraft.inertia is None:
        return frame
    try:
        ground = reduce_ground(aircraft)
    except RigError as error:
        warnings.append(
            f"the ground tests of the aircraft sheet could not be reduced and are left out: {error}"
        )
        return frame
    warnings.extend(ground.words)
    weight = None if ground.tilt is None else ground.tilt.weight_stiffness
    inertia = ground.hang_inertia
    return replace(
        frame,
        weight_stiffness=None if weight is None else weight.value,
        weight_stiffness_std=None if weight is None else weight.std,
        inertia=inertia.value,
        inertia_std=inertia.std,
    )


def wing_of(sheets: Sheets) -> Wing:
    """Return the glider in SI."""
    glider = sheets.glider
    return Wing(
        area=glider.flat_area_m2,
        span=glider.flat_span_m,
        trim_speed=glider.trim_speed_m_s,
        turn_coefficient=glider.turn_coefficient,
        turn_coefficient_std=glider.turn_coefficient_std,
    )


def rig_curve(sheets: Sheets, compensation: Compensation | None, warnings: list[str]) -> RigCurve | None:
    """Return the rig day's torque curve; None without a rig sheet, or where it cannot be reduced."""
    if sheets.rig is None:
        return None
    aircraft = sheets.aircraft
    fitted = None
    if compensation is not None and compensation.on_rig:
        growth = _AT_REST[aircraft.compensation.kind]
        fitted = FittedCompensation(compensation.moment, compensation.rpm, *growth)
    try:
        return reduce_rig_of(aircraft, sheets.rig, sheets.sheet_files["rig"].parent, compensation=fitted)
    except (RigError, LogError) as error:
        warnings.append(f"the rig sheet could not be reduced and is left out: {error}")
        return None


def idle_moments(
    aircraft: AircraftSheet, holds: Sequence[Hold], observed: Observations, rig: RigCurve | None
) -> NDArray[np.float64]:
    """Return the roll moment of an idling propeller in each hold without power [N m]."""
    out = np.zeros(len(holds))
    if not aircraft.engine.idle_turns_propeller or rig is None:
        return out
    for i, hold in enumerate(holds):
        if hold.kind is not HoldKind.POWER and observed.rpm[i] > 300.0:
            torque, _ = rig.torque(np.array([observed.rpm[i]]))
            out[i] = aircraft.reaction_sign * float(torque[0])
    return out


def compensation_of(
    aircraft: AircraftSheet, rig_sheet: RigSheet | None, warnings: list[str]
) -> Compensation | None:
    """Return what the frame takes off under power; a moved hang point is in the zero already."""
    fitted = aircraft.compensation
    if fitted.kind in ("none", "hang_offset"):
        return None
    if fitted.moment_N_m is None or fitted.at_rpm is None:
        warnings.append(
            f"the frame has a compensation ({fitted.kind.replace('_', ' ')}) of unknown size: the moments "
            "are "
            "those left after it, and so are the torque ratios"
        )
        return None
    std = 0.3 * abs(fitted.moment_N_m) if fitted.moment_std_N_m is None else fitted.moment_std_N_m
    on_rig = 0.0
    if rig_sheet is not None and rig_sheet.compensation_fitted is not False:
        on_rig = _AT_REST[fitted.kind][0]
        if rig_sheet.compensation_fitted is None:
            warnings.append(
                f"the rig sheet does not say whether the frame's {fitted.kind.replace('_', ' ')} was "
                f"fitted on "
                "the rig: it was taken to be, and what it takes off was given back; set compensation_fitted"
            )
    return Compensation(fitted.moment_N_m, std, fitted.at_rpm, on_rig)


def rig_blade(sheets: Sheets, rig: RigCurve | None) -> CalibratedBlade | None:
    """Return the blade of the aircraft sheet, calibrated on the rig; None without a rig."""
    if rig is None:
        return None
    aircraft = sheets.aircraft
    return calibrate_blade(
        blade_from_sheet(aircraft),
        rig,
        gear_ratio=aircraft.engine.gear_ratio,
        polar=polar_from_sheet(aircraft, sheets.sheet_files["aircraft"].parent),
    )
