"""Blade and polar as an aircraft sheet describes them."""

from __future__ import annotations

import math
import os
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
    from ..sheets import AircraftSheet

__all__ = ["blade_from_sheet", "polar_from_sheet"]

_FEW = 5  # stations up to which a smooth blade is fitted, since they are taken by hand


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
