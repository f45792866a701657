"""The rig sheet: a day on the two-point rig."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator
from typing import Annotated, Any, Literal

from .fields import Field, Finding, Sheet, rule

__all__ = ["RigAirEntry", "RigReading", "RigSheet"]

_DRY_AIR = 287.05287
"""Gas constant of dry air [J/(kg K)] (ISO 2533:1975)."""

_PRESSURE_STD = 100.0  # [Pa]: a barometer or a near weather station
_TEMPERATURE_STD = 1.5  # [K]: a thermometer in the shade
_HUMIDITY_STD = 0.003  # relative: dry air is assumed
_STATED_STD = 0.01  # [kg/m^3]: a density stated without its uncertainty


class RigAirEntry(Sheet):
    """The air at the rig: pressure and temperature, or density."""

    pressure_hPa: Annotated[
        float | None,
        Field(
            "static pressure at the rig, not reduced to sea level",
            "hPa",
            500,
            1080,
            how="barometer",
            typical="900 to 1030",
            example=1004.0,
        ),
    ] = None
    temperature_C: Annotated[
        float | None,
        Field("air temperature in the shade", "degC", -40, 55, how="thermometer in the shade", example=17.0),
    ] = None
    density_kg_m3: Annotated[
        float | None,
        Field(
            "air density; in place of pressure and temperature",
            "kg/m3",
            0.5,
            1.6,
            typical="1.05 to 1.25",
            example=1.205,
        ),
    ] = None
    density_std_kg_m3: Annotated[
        float | None, Field("standard uncertainty of density_kg_m3", "kg/m3", 0, 0.3, example=0.01)
    ] = None

    @rule(
        "density_kg_m3",
        "density_std_kg_m3",
        "pressure_hPa",
        "temperature_C",
        words="either `pressure_hPa` and `temperature_C`, or `density_kg_m3`; not both",
    )
    def _check_air(self: Any) -> Iterator[Finding]:
        pair = (self.pressure_hPa, self.temperature_C)
        if self.density_kg_m3 is not None and any(x is not None for x in pair):
            yield "density_kg_m3", "either density_kg_m3, or pressure_hPa and temperature_C, not both"
        elif self.density_kg_m3 is None and None in pair:
            missing = "pressure_hPa" if self.pressure_hPa is None else "temperature_C"
            yield missing, "pressure_hPa and temperature_C, or density_kg_m3"
        if self.density_kg_m3 is None and self.density_std_kg_m3 is not None:
            yield "density_std_kg_m3", "only together with density_kg_m3"


class RigReading(Sheet):
    """Both scales at one engine speed."""

    rpm: Annotated[
        float,
        Field(
            "engine speed; 0 for the zero, engine stopped", "rpm", 0, 20000, how="rev counter", example=5500.0
        ),
    ]
    rpm_std: Annotated[float, Field("standard uncertainty of rpm", "rpm", 0, 2000)] = 25.0
    left_kg: Annotated[
        float,
        Field(
            "mean reading of the left scale, as the pilot sees it",
            "kg",
            -100,
            500,
            how="watch it for 20 s at a steady throttle",
            example=57.4,
        ),
    ]
    right_kg: Annotated[
        float, Field("mean reading of the right scale", "kg", -100, 500, how="as left_kg", example=61.9)
    ]
    left_low_kg: Annotated[
        float | None, Field("lowest left reading seen", "kg", -100, 500, how="note the swing", example=57.0)
    ] = None
    left_high_kg: Annotated[
        float | None, Field("highest left reading seen", "kg", -100, 500, how="note the swing", example=57.9)
    ] = None
    right_low_kg: Annotated[
        float | None, Field("lowest right reading seen", "kg", -100, 500, how="note the swing", example=61.4)
    ] = None
    right_high_kg: Annotated[
        float | None, Field("highest right reading seen", "kg", -100, 500, how="note the swing", example=62.3)
    ] = None
    thrust_N: Annotated[
        float | None,
        Field(
            "static thrust, where it was measured",
            "N",
            0,
            5000,
            how="pull scale, in newton: kilograms times 9.81",
            typical="300 to 800 at full throttle",
            example=320.0,
        ),
    ] = None
    thrust_std_N: Annotated[
        float | None, Field("standard uncertainty of thrust_N", "N", 0, 1000, example=15.0)
    ] = None

    @rule(
        "left_kg",
        "left_low_kg",
        "left_high_kg",
        words="left swing: low and high go together, low no more than the mean, high no less",
    )
    def _check_left(self: Any) -> Iterator[Finding]:
        yield from _swing("left", self.left_kg, self.left_low_kg, self.left_high_kg)

    @rule(
        "right_kg",
        "right_low_kg",
        "right_high_kg",
        words="right swing: low and high go together, low no more than the mean, high no less",
    )
    def _check_right(self: Any) -> Iterator[Finding]:
        yield from _swing("right", self.right_kg, self.right_low_kg, self.right_high_kg)

    @rule("thrust_N", "thrust_std_N", words="`thrust_std_N` goes with `thrust_N` only")
    def _check_thrust(self: Any) -> Iterator[Finding]:
        if self.thrust_N is None and self.thrust_std_N is not None:
            yield "thrust_std_N", "only together with thrust_N"


def _swing(side: str, mean: float, low: float | None, high: float | None) -> Iterator[Finding]:
    if (low is None) != (high is None):
        missing = "low" if low is None else "high"
        yield f"{side}_{missing}_kg", f"{side}_low_kg and {side}_high_kg go together"
    if low is not None and high is not None and low > high:
        yield f"{side}_high_kg", f"no less than {side}_low_kg"
    elif low is not None and low > mean:
        yield f"{side}_low_kg", f"no more than the mean {side}_kg ({mean:g} kg)"
    elif high is not None and high < mean:
        yield f"{side}_high_kg", f"no less than the mean {side}_kg ({mean:g} kg)"


class RigSheet(Sheet):
    """Static torque from two scales: torque moves weight from one side to the other."""

    name: Annotated[str, Field("name of the rig day", kind="text", high=200, example="rig day 1")] = ""
    date: Annotated[
        dt.date | None, Field("day of the readings", kind="date", example=dt.date(2026, 4, 25))
    ] = None
    kind: Annotated[
        Literal["two_point"],
        Field(
            "kind of rig: two_point, two scales side by side",
            kind="text",
            choices=("two_point",),
            example="two_point",
        ),
    ]
    spacing_m: Annotated[
        float,
        Field(
            "distance between the two scales' points",
            "m",
            0.1,
            3,
            how="tape measure",
            typical="0.35 to 0.6",
            example=0.38,
        ),
    ]
    spacing_std_m: Annotated[float, Field("standard uncertainty of spacing_m", "m", 0, 0.2)] = 0.002
    scale_std_kg: Annotated[
        float,
        Field(
            "standard uncertainty of one scale's calibration", "kg", 0, 10, how="hang a known mass on each"
        ),
    ] = 0.05
    scale_resolution_kg: Annotated[
        float, Field("smallest step the scales show", "kg", 0, 5, how="read it off the display")
    ] = 0.1
    gear_ratio: Annotated[
        float | None,
        Field(
            "engine revolutions per propeller revolution, where not as in the aircraft sheet",
            low=0.5,
            high=6,
            example=2.8,
        ),
    ] = None
    diameter_m: Annotated[
        float | None,
        Field(
            "propeller diameter on the rig, where not as in the aircraft sheet", "m", 0.3, 3.5, example=1.30
        ),
    ] = None
    air: Annotated[
        RigAirEntry,
        Field(
            "air at the rig",
            kind="table",
            words="a table [air] with pressure_hPa and temperature_C, or density_kg_m3",
        ),
    ]
    readings: Annotated[
        tuple[RigReading, ...],
        Field(
            "the readings, the zero among them",
            kind="tables",
            low=1,
            words="tables [[readings]]: a zero (rpm = 0) and two or more engine speeds",
        ),
    ]

    @rule(
        "readings.rpm",
        words="at least one reading at rpm 0 (the zero) and readings at two other engine speeds",
    )
    def _check_readings(self: Any) -> Iterator[Finding]:
        speeds = {reading.rpm for reading in self.readings}
        if 0.0 not in speeds:
            yield "readings", "at least one reading with rpm = 0 (engine stopped): the zero"
        if len(speeds - {0.0}) < 2:
            yield "readings", "readings at two or more engine speeds besides the zero"

    @property
    def density(self) -> float:
        """Air density [kg/m^3]: as stated, or p / (R T) of dry air.

        References
        ----------
        ISO 2533:1975, Standard atmosphere: R = 287.05287 J/(kg K).
        """
        air = self.air
        if air.density_kg_m3 is not None:
            return air.density_kg_m3
        if air.pressure_hPa is None or air.temperature_C is None:
            return float("nan")
        return air.pressure_hPa * 100.0 / (_DRY_AIR * (air.temperature_C + 273.15))

    @property
    def density_std(self) -> float:
        """Standard uncertainty of the density [kg/m^3].

        Where it is not stated: 0.01 kg/m^3 for a stated density; else 1 hPa, 1.5 K and 0.3 % for the
        humidity that is left out, taken together.
        """
        air = self.air
        if air.density_kg_m3 is not None:
            return _STATED_STD if air.density_std_kg_m3 is None else air.density_std_kg_m3
        if air.pressure_hPa is None or air.temperature_C is None:
            return float("nan")
        parts = (
            _PRESSURE_STD / (air.pressure_hPa * 100.0),
            _TEMPERATURE_STD / (air.temperature_C + 273.15),
            _HUMIDITY_STD,
        )
        return self.density * math.hypot(*parts)
