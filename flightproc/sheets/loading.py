"""Masses and wing of one sortie, as the sheets state them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from ..display import displayed
from ..quantity import Quantity
from .aircraft import AircraftSheet
from .glider import GliderSheet

__all__ = ["Loading", "loading_of"]


@displayed
@dataclass(frozen=True)
class Loading:
    """What hung under which wing.

    Attributes
    ----------
    hung_mass, all_up_mass : Quantity
        Below the hang points, and with the glider [kg].
    hang_arm : Quantity
        CG of the hung unit below the hang points [m].
    hang_span : Quantity
        Distance between the hang points [m].
    wing_loading : Quantity
        All-up mass over flat area [kg/m^2].
    flat_area, projected_area : float
        [m^2].
    flat_span, projected_span : float
        [m].
    line_length : float
        [m].
    trim_speed : float
        As the glider sheet states it [m/s].
    wing_class : str or None
        ``beginner``, ``intermediate``, ``advanced`` or ``competition``, where the sheet states it.
    lowest_mass, highest_mass : float or None
        All-up masses for which the glider is certified [kg].
    """

    hung_mass: Quantity
    all_up_mass: Quantity
    hang_arm: Quantity
    hang_span: Quantity
    wing_loading: Quantity
    flat_area: float
    projected_area: float
    flat_span: float
    projected_span: float
    line_length: float
    trim_speed: float
    wing_class: str | None = None
    lowest_mass: float | None = None
    highest_mass: float | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the ``loading`` object of results.json."""
        return {
            "hung_mass_kg": self.hung_mass.to_json(),
            "all_up_mass_kg": self.all_up_mass.to_json(),
            "hang_arm_m": self.hang_arm.to_json(),
            "hang_span_m": self.hang_span.to_json(),
            "wing_loading_kg_m2": self.wing_loading.to_json(),
            "flat_area_m2": self.flat_area,
            "projected_area_m2": self.projected_area,
            "flat_span_m": self.flat_span,
            "projected_span_m": self.projected_span,
            "line_length_m": self.line_length,
            "sheet_trim_speed_m_s": self.trim_speed,
            "wing_class": self.wing_class,
            "lowest_mass_kg": self.lowest_mass,
            "highest_mass_kg": self.highest_mass,
        }


def loading_of(aircraft: AircraftSheet, glider: GliderSheet) -> Loading:
    """Return masses and wing of a sortie; the glider's own mass is taken for exact."""
    mass, std = aircraft.all_up_mass_kg, aircraft.hung_mass_std_kg
    return Loading(
        hung_mass=Quantity.of(aircraft.hung_mass_kg, std, "kg"),
        all_up_mass=Quantity.of(mass, std, "kg"),
        hang_arm=Quantity.of(aircraft.hang_arm_m, aircraft.hang_arm_std_m, "m"),
        hang_span=Quantity.of(aircraft.hang_span_m, aircraft.hang_span_std_m, "m"),
        wing_loading=Quantity.of(glider.wing_loading(mass), std / glider.flat_area_m2, "kg/m^2"),
        flat_area=glider.flat_area_m2,
        projected_area=glider.projected_area_m2,
        flat_span=glider.flat_span_m,
        projected_span=glider.projected_span_m,
        line_length=glider.line_length_m,
        trim_speed=glider.trim_speed_m_s,
        wing_class=glider.wing_class,
        lowest_mass=glider.lowest_mass_kg,
        highest_mass=glider.highest_mass_kg,
    )
