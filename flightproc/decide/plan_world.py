"""What is known before the next sortie, from its sheets and from earlier results."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from ..errors import RigError
from ..moment.calibrate import INERTIA_MODEL, Frame, Wing, make_priors
from .plan_forecast import World
from .plan_legs import FlightLaw
from .plan_noise import HoldNoise, Seen, carry_noise, typical_noise

if TYPE_CHECKING:
    from ..rig.model import RigCurve
    from ..sheets.load import PlanSheets

__all__ = ["make_law", "make_world"]

_RISER = 150.0  # of the published wing-and-payload model, where neither sheet nor sortie tells [N m/rad]
_SEA_LEVEL = 1.225  # density that trim speeds are stated for [kg/m^3]
_LEVEL_SHARE = 0.8  # engine speed of level flight over cruise, where the sheet is silent
_FREQUENCY_STD = 0.02  # relative, of the roll frequency that a sortie shows


def make_law(sheets: PlanSheets, airspeed: float) -> FlightLaw:
    """Return how the aircraft climbs and burns fuel, with what the sheet leaves open filled in."""
    holds, flight = sheets.sheet.holds, sheets.sheet.flight
    held = max(holds.cruise_rpm, *holds.other_rpm, 0.0)
    return FlightLaw(
        airspeed=airspeed,
        wind=sheets.sheet.air.wind_speed_m_s,
        sink=flight.sink_m_s,
        level_rpm=_LEVEL_SHARE * holds.cruise_rpm if flight.level_rpm is None else flight.level_rpm,
        climb_rpm=held if flight.climb_rpm is None else flight.climb_rpm,
        cruise_rpm=holds.cruise_rpm,
        cruise_fuel=flight.cruise_fuel_l_h,
        low=flight.low_m,
        high=flight.high_m,
        settle=holds.settle_s,
    )


def make_world(sheets: PlanSheets, seen: Sequence[Seen]) -> tuple[World, list[str]]:
    """Return what the estimator will have to go by, and remarks on what was left out."""
    sheet, aircraft, glider = sheets.sheet, sheets.aircraft, sheets.glider
    remarks: list[str] = []
    frame = _frame(sheets, remarks)
    wing = Wing(
        area=glider.flat_area_m2,
        span=glider.flat_span_m,
        trim_speed=glider.trim_speed_m_s,
        turn_coefficient=glider.turn_coefficient,
        turn_coefficient_std=glider.turn_coefficient_std,
    )
    priors = make_priors(frame, wing)
    rig = _rig(sheets, remarks)
    density = sheet.air.density_kg_m3
    airspeed = glider.trim_speed_m_s * math.sqrt(_SEA_LEVEL / density)
    cruise = sheet.holds.cruise_rpm

    @lru_cache(maxsize=64)
    def torque(rpm: float) -> tuple[float, float]:
        if rig is not None:
            mean, std = rig.torque(np.array([rpm]), density)
            return float(mean[0]), float(std[0])
        value = (sheet.cruise_torque_N_m or 0.0) * (rpm / cruise) ** 2
        return value, value * sheet.rig_std_percent / 100.0

    known = [item.stiffness for item in seen if item.stiffness is not None]
    if known:
        stiffness = float(np.mean(known))
    else:
        stiffness = priors.weight + (priors.riser[0] if priors.riser_stated else _RISER)
    ballast = sheet.ballast
    idle = 0.0
    idle_rpm = sheet.flight.idle_rpm or aircraft.engine.idle_rpm
    if aircraft.engine.idle_turns_propeller and idle_rpm is not None:
        idle = aircraft.reaction_sign * torque(idle_rpm)[0]
    inertia = None
    if frame.inertia is not None:
        spread = math.hypot((frame.inertia_std or 0.1 * frame.inertia) / frame.inertia, 2 * _FREQUENCY_STD)
        inertia = (stiffness, math.hypot(spread, INERTIA_MODEL))
    world = World(
        frame=frame,
        priors=priors,
        wing=wing,
        noise=_noise(sheets, seen),
        torque=torque,
        sign=aircraft.reaction_sign,
        stiffness=stiffness,
        airspeed=airspeed,
        density=density,
        sensor_yaw_std=math.radians(sheet.sensor_yaw_std_deg),
        ballast_arm=0.3 if ballast is None else ballast.arm_m,
        ballast_arm_std=0.005 if ballast is None else ballast.arm_std_m,
        ballast_mass_std=0.05 if ballast is None else ballast.mass_std_kg,
        idle_moment=idle,
        cruise_rpm=cruise,
        thrust_over_weight=make_law(sheets, airspeed).thrust_over_weight,
        inertia=inertia,
    )
    return world, remarks


def _noise(sheets: PlanSheets, seen: Sequence[Seen]) -> HoldNoise:
    stated, gust = sheets.sheet.noise, sheets.sheet.air.gust_m_s
    if seen:
        hang, turn = (
            float(np.sqrt(np.mean([value**2 for value in values])))
            for values in ([item.hang for item in seen], [item.turn for item in seen])
        )
        then = None if stated is None else stated.gust_m_s
        words = f"as seen in {len(seen)} earlier {'sortie' if len(seen) == 1 else 'sorties'}"
        return carry_noise(hang, turn, then, gust, words)
    if stated is not None:
        hang, turn = math.radians(stated.hang_roll_60s_deg), math.radians(stated.turn_rate_60s_deg_s)
        return carry_noise(hang, turn, stated.gust_m_s, gust, "as stated in the plan sheet")
    return typical_noise(gust)


def _frame(sheets: PlanSheets, remarks: list[str]) -> Frame:
    aircraft = sheets.aircraft
    weight = inertia = None
    if aircraft.tilt_test is not None or aircraft.inertia is not None:
        from ..rig.ground import reduce_ground

        try:
            ground = reduce_ground(aircraft)
        except RigError as error:
            remarks.append(f"the ground tests of the aircraft sheet could not be reduced: {error}")
        else:
            weight = None if ground.tilt is None else ground.tilt.weight_stiffness
            inertia = ground.hang_inertia
    return Frame(
        mass=aircraft.hung_mass_kg,
        mass_std=aircraft.hung_mass_std_kg,
        hang_arm=aircraft.hang_arm_m,
        hang_arm_std=aircraft.hang_arm_std_m,
        riser_stiffness=aircraft.riser_roll_stiffness_N_m_rad,
        riser_stiffness_std=aircraft.riser_roll_stiffness_std_N_m_rad,
        weight_stiffness=None if weight is None else weight.value,
        weight_stiffness_std=None if weight is None else weight.std,
        inertia=None if inertia is None else inertia.value,
        inertia_std=None if inertia is None else inertia.std,
    )


def _rig(sheets: PlanSheets, remarks: list[str]) -> RigCurve | None:
    if sheets.rig is None:
        return None
    from ..rig import reduce_rig_of

    try:
        return reduce_rig_of(sheets.aircraft, sheets.rig, sheets.sheet_files["rig"].parent)
    except RigError as error:
        if sheets.sheet.cruise_torque_N_m is None:
            raise
        remarks.append(f"the rig sheet could not be reduced; cruise_torque_N_m was used: {error}")
        return None
