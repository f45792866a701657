"""Blade and polar as an aircraft sheet describes them."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ..errors import FlightprocError
from .blade import Blade
from .library import library_polar
from .measured import blade_from_few_stations
from .polar import AnalyticPolar, Polar
from .table import read_polar_table

if TYPE_CHECKING:
    from ..sheets import AircraftSheet, RigSheet
    from .performance import BladePerformance

__all__ = ["blade_from_sheet", "performance_from_sheets", "polar_from_sheet"]

_FEW = 5  # stations up to which a smooth blade is fitted, since they are taken by hand
_SETTINGS = 4  # engine speeds that are shown where none are asked for
_AIRSPEEDS = (8.0, 10.0, 12.0, 14.0)  # [m/s]
_SOUND = 340.0  # [m/s], near enough for a usual tip speed


def blade_from_sheet(aircraft: AircraftSheet, *, elements: int = 30) -> Blade:
    """Make the blade an aircraft sheet describes.

    Parameters
    ----------
    aircraft : AircraftSheet
        Its ``propeller`` table gives stations, or a pitch.
    elements : int
        Number of elements.

    Returns
    -------
    Blade
        From the stations where there are any (up to five of them fitted smoothly), else an assumed helix.

    Raises
    ------
    FlightprocError
        Where the sheet has neither stations nor pitch.

    Examples
    --------
    >>> import flightproc as fp
    >>> blade = fp.blade_from_sheet(fp.load_aircraft("sample_logs/school-wing-28/aircraft.toml"))
    >>> blade.diameter, blade.twist_assumed
    (1.28, False)
    """
    propeller = aircraft.propeller
    if propeller.stations:
        rows = np.array([(s.r_m, s.chord_m, math.radians(s.beta_deg)) for s in propeller.stations])
        if len(rows) <= _FEW:
            return blade_from_few_stations(
                *rows.T, diameter=propeller.diameter_m, blades=propeller.blades, elements=elements
            )
        return Blade.from_table(
            rows[:, 0],
            rows[:, 1],
            rows[:, 2],
            diameter=propeller.diameter_m,
            blades=propeller.blades,
            elements=elements,
            words=f"chord and twist from {len(rows)} stations of the aircraft sheet",
        )
    if propeller.pitch_m is None:
        raise FlightprocError(
            "the propeller has neither stations nor a pitch",
            where="aircraft sheet, [propeller]",
            hint="give pitch_m, or at least three [[propeller.stations]]",
        )
    return Blade.helical(
        diameter=propeller.diameter_m,
        pitch=propeller.pitch_m,
        blades=propeller.blades,
        chord_075=propeller.chord_075_m,
        elements=elements,
    )


def polar_from_sheet(aircraft: AircraftSheet, folder: str | os.PathLike[str] = ".") -> Polar:
    """Return the section polar an aircraft sheet asks for.

    Parameters
    ----------
    aircraft : AircraftSheet
        Its ``section`` names a CSV table, or else a section of the aerofoil library.
    folder : path
        Folder of the sheet.

    Returns
    -------
    Polar
        The analytic one where the sheet says nothing.

    Examples
    --------
    >>> import flightproc as fp
    >>> polar = fp.polar_from_sheet(fp.load_aircraft("sample_logs/school-wing-28/aircraft.toml"))
    >>> type(polar).__name__
    'AnalyticPolar'
    """
    propeller = aircraft.propeller
    if propeller.section is None:
        return AnalyticPolar()
    if propeller.section.lower().endswith(".csv"):
        return read_polar_table(Path(folder) / propeller.section)
    return library_polar(propeller.section)


def performance_from_sheets(
    aircraft: AircraftSheet,
    rig: RigSheet | None = None,
    *,
    folder: str | os.PathLike[str] = ".",
    rig_folder: str | os.PathLike[str] | None = None,
    rpms: Sequence[float] = (),
    airspeeds: Sequence[float] = (),
    density: float = 1.2,
) -> BladePerformance:
    """Return what the propeller of an aircraft sheet does at rest and in flight.

    Parameters
    ----------
    aircraft : AircraftSheet
        The propeller.
    rig : RigSheet, optional
        A rig day to calibrate the blade on.
    folder, rig_folder : path, optional
        Where the sheets lie, for the files that they name.
    rpms : sequence of float
        Engine speeds [1/min]; where empty up to four of the rig's, else those that bring the tip to 0.35 to
        0.5 of the speed of sound.
    airspeeds : sequence of float
        [m/s]; where empty 8, 10, 12 and 14.
    density : float
        [kg/m^3].

    Returns
    -------
    BladePerformance

    Raises
    ------
    RigError
        Where the rig day cannot be reduced.
    FlightprocError
        Where the sheet does not describe a blade.

    Examples
    --------
    >>> import flightproc as fp
    >>> aircraft = fp.load_aircraft("sample_logs/school-wing-28/aircraft.toml")
    >>> found = performance_from_sheets(aircraft, rpms=[6000.0], airspeeds=[10.0])
    >>> found.torque_ratio.shape
    (1, 1)
    """
    from ..rig import reduce_rig_of
    from .calibrate import calibrate_blade, prior_blade
    from .performance import blade_performance

    blade, polar = blade_from_sheet(aircraft), polar_from_sheet(aircraft, folder)
    gear = aircraft.engine.gear_ratio
    speeds = sorted(set(rpms))
    if rig is None:
        case = prior_blade(blade, polar=polar)
        tip = 0.5 * _SOUND * 60.0 / (np.pi * blade.diameter) * gear
        usual = [round(tip * share, -2) for share in (0.7, 0.8, 0.9, 1.0)]
    else:
        curve = reduce_rig_of(aircraft, rig, None if rig_folder is None else Path(rig_folder))
        case = calibrate_blade(blade, curve, gear_ratio=gear, polar=polar)
        measured = sorted({point.rpm for point in curve.points if point.rpm > 0.0})
        picked = np.unique(np.linspace(0, len(measured) - 1, min(_SETTINGS, len(measured))).round())
        usual = [measured[int(i)] for i in picked]
    return blade_performance(
        case,
        name=aircraft.name,
        gear_ratio=gear,
        rpms=speeds or usual,
        speeds=sorted(set(airspeeds or _AIRSPEEDS)),
        density=density,
    )
