"""The rig sheet: a day on a rig that measures static torque."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator
from typing import Annotated, Any, Literal

from .fields import Field, Finding, Sheet, rule
from .rig_kinds import RIG_KINDS

__all__ = ["RigAirEntry", "RigReading", "RigSeries", "RigSheet"]

_DRY_AIR = 287.05287
"""Gas constant of dry air [J/(kg K)] (ISO 2533:1975)."""

_PRESSURE_STD = 100.0  # [Pa]: a barometer or a near weather station
_TEMPERATURE_STD = 1.5  # [K]: a thermometer in the shade
_HUMIDITY_STD = 0.003  # relative: dry air is assumed
_STATED_STD = 0.01  # [kg/m^3]: a density stated without its uncertainty


class RigAirEntry(Sheet):
    """The air at the rig: pressure and temperature, or density.

    Examples
    --------
    >>> from flightproc.sheets import RigAirEntry
    >>> RigAirEntry(pressure_hPa=987.0, temperature_C=16.0).pressure_hPa
    987.0
    """

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


def _shown(meaning: str, unit: str, high: float, how: str, example: float) -> Any:
    """Return the field of something a scale, cell or transducer shows."""
    return Field(meaning, unit, -high / 5.0, high, how=how, example=example)


_WATCH = "watch it for 20 s at a steady throttle"
_NOTE = "note the swing"


class RigReading(Sheet):
    """What is read at one engine speed: both scales, or the load, or the torque.

    Examples
    --------
    >>> from flightproc.sheets import RigReading
    >>> RigReading(rpm=5500.0, left_kg=57.4, right_kg=61.9).rpm_std
    25.0
    """

    rpm: Annotated[
        float,
        Field(
            "engine speed; 0 for the zero, engine stopped", "rpm", 0, 20000, how="rev counter", example=5500.0
        ),
    ]
    rpm_std: Annotated[float, Field("standard uncertainty of rpm", "rpm", 0, 2000)] = 25.0
    left_kg: Annotated[
        float | None,
        _shown("two_point: mean reading of the left scale, as the pilot sees it", "kg", 500, _WATCH, 57.4),
    ] = None
    right_kg: Annotated[
        float | None, _shown("two_point: mean reading of the right scale", "kg", 500, "as left_kg", 61.9)
    ] = None
    left_low_kg: Annotated[float | None, _shown("lowest left reading seen", "kg", 500, _NOTE, 57.0)] = None
    left_high_kg: Annotated[float | None, _shown("highest left reading seen", "kg", 500, _NOTE, 57.9)] = None
    right_low_kg: Annotated[float | None, _shown("lowest right reading seen", "kg", 500, _NOTE, 61.4)] = None
    right_high_kg: Annotated[float | None, _shown("highest right reading seen", "kg", 500, _NOTE, 62.3)] = (
        None
    )
    load_kg: Annotated[
        float | None, _shown("lever_arm: mean reading of the load cell, in kg", "kg", 500, _WATCH, 2.9)
    ] = None
    load_low_kg: Annotated[float | None, _shown("lowest load seen", "kg", 500, _NOTE, 2.6)] = None
    load_high_kg: Annotated[float | None, _shown("highest load seen", "kg", 500, _NOTE, 3.2)] = None
    load_N: Annotated[
        float | None,
        _shown("lever_arm: mean reading of the load cell, where it shows newton", "N", 5000, _WATCH, 28.0),
    ] = None
    load_low_N: Annotated[float | None, _shown("lowest load seen", "N", 5000, _NOTE, 26.0)] = None
    load_high_N: Annotated[float | None, _shown("highest load seen", "N", 5000, _NOTE, 31.0)] = None
    torque_N_m: Annotated[
        float | None,
        _shown("torque_transducer: mean torque, at the propeller's speed", "N m", 500, _WATCH, 14.3),
    ] = None
    torque_low_N_m: Annotated[float | None, _shown("lowest torque seen", "N m", 500, _NOTE, 13.9)] = None
    torque_high_N_m: Annotated[float | None, _shown("highest torque seen", "N m", 500, _NOTE, 14.8)] = None
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
        yield from _swing("left", "kg", self.left_kg, self.left_low_kg, self.left_high_kg)

    @rule(
        "right_kg",
        "right_low_kg",
        "right_high_kg",
        words="right swing: low and high go together, low no more than the mean, high no less",
    )
    def _check_right(self: Any) -> Iterator[Finding]:
        yield from _swing("right", "kg", self.right_kg, self.right_low_kg, self.right_high_kg)

    @rule("load_kg", "load_low_kg", "load_high_kg", words="the same for the load in kg")
    def _check_load_kg(self: Any) -> Iterator[Finding]:
        yield from _swing("load", "kg", self.load_kg, self.load_low_kg, self.load_high_kg)

    @rule("load_N", "load_low_N", "load_high_N", words="the same for the load in N")
    def _check_load_newton(self: Any) -> Iterator[Finding]:
        yield from _swing("load", "N", self.load_N, self.load_low_N, self.load_high_N)

    @rule("torque_N_m", "torque_low_N_m", "torque_high_N_m", words="the same for the torque")
    def _check_torque(self: Any) -> Iterator[Finding]:
        yield from _swing("torque", "N_m", self.torque_N_m, self.torque_low_N_m, self.torque_high_N_m)

    @rule("thrust_N", "thrust_std_N", words="`thrust_std_N` goes with `thrust_N` only")
    def _check_thrust(self: Any) -> Iterator[Finding]:
        if self.thrust_N is None and self.thrust_std_N is not None:
            yield "thrust_std_N", "only together with thrust_N"


def _swing(
    what: str, unit: str, mean: float | None, low: float | None, high: float | None
) -> Iterator[Finding]:
    if (low is None) != (high is None):
        missing = "low" if low is None else "high"
        yield f"{what}_{missing}_{unit}", f"{what}_low_{unit} and {what}_high_{unit} go together"
    if low is not None and high is not None and low > high:
        yield f"{what}_high_{unit}", f"no less than {what}_low_{unit}"
    elif mean is None:
        if low is not None or high is not None:
            yield f"{what}_{unit}", f"the mean that goes with {what}_low_{unit} and {what}_high_{unit}"
    elif low is not None and low > mean:
        yield f"{what}_low_{unit}", f"no more than the mean {what}_{unit} ({mean:g} {unit.replace('_', ' ')})"
    elif high is not None and high < mean:
        yield (
            f"{what}_high_{unit}",
            f"no less than the mean {what}_{unit} ({mean:g} {unit.replace('_', ' ')})",
        )


def _column(meaning: str, example: str) -> Any:
    return Field(meaning, kind="text", high=200, example=example)


class RigSeries(Sheet):
    """A stretch of a CSV file with readings over time at one engine speed, in place of readings by eye.

    Examples
    --------
    >>> from flightproc.sheets import RigSeries
    >>> RigSeries(file="scales.csv", rpm=5500.0).file
    'scales.csv'
    """

    file: Annotated[
        str,
        Field(
            "the CSV file, seen from the folder of this sheet",
            kind="file",
            low=1,
            words='a file name in quotes, such as "rig/scales.csv"',
            example="scales.csv",
        ),
    ]
    rpm: Annotated[
        float | None,
        Field(
            "engine speed; 0 for the zero; may be left out where the file has it (rpm_column)",
            "rpm",
            0,
            20000,
            example=5500.0,
        ),
    ] = None
    rpm_std: Annotated[float, Field("standard uncertainty of rpm", "rpm", 0, 2000)] = 25.0
    start_s: Annotated[
        float | None,
        Field("where the stretch begins, by the file's own time", "s", -4e9, 4e9, example=120.0),
    ] = None
    end_s: Annotated[float | None, Field("where it ends", "s", -4e9, 4e9, example=180.0)] = None
    time_column: Annotated[str, _column("column of time; found by name where left out", "t")] = ""
    rpm_column: Annotated[str, _column("column of the engine speed", "rpm")] = ""
    left_column: Annotated[str, _column("two_point: column of the left scale", "left")] = ""
    right_column: Annotated[str, _column("two_point: column of the right scale", "right")] = ""
    load_column: Annotated[str, _column("lever_arm: column of the load", "load")] = ""
    torque_column: Annotated[str, _column("torque_transducer: column of the torque", "torque")] = ""
    unit: Annotated[
        Literal["kg", "N", "N m"] | None,
        Field(
            "unit of the scale, load or torque columns; kg, and N m for torque, where left out",
            kind="text",
            choices=("kg", "N", "N m"),
            example="kg",
        ),
    ] = None
    swing_period_s: Annotated[
        float | None,
        Field(
            "period of the rig's swing, where it is known; looked for in the data where left out",
            "s",
            0.05,
            60,
            how="count ten swings of the rig, engine stopped",
            example=2.1,
        ),
    ] = None
    swing_period_std_s: Annotated[
        float | None,
        Field("standard uncertainty of swing_period_s; 5 % of it where left out", "s", 0, 30, example=0.05),
    ] = None
    thrust_N: Annotated[
        float | None, Field("static thrust, where it was measured", "N", 0, 5000, example=320.0)
    ] = None
    thrust_std_N: Annotated[
        float | None, Field("standard uncertainty of thrust_N", "N", 0, 1000, example=15.0)
    ] = None

    @rule("rpm", "rpm_column", words="`rpm` or `rpm_column`")
    def _check_speed(self: Any) -> Iterator[Finding]:
        if self.rpm is None and not self.rpm_column:
            yield "rpm", "the engine speed, or rpm_column where the file has it"

    @rule("start_s", "end_s", words="`end_s` is after `start_s`")
    def _check_span(self: Any) -> Iterator[Finding]:
        if self.start_s is not None and self.end_s is not None and self.end_s <= self.start_s:
            yield "end_s", f"after start_s ({self.start_s:g} s)"

    @rule("swing_period_s", "swing_period_std_s", words="`swing_period_std_s` goes with `swing_period_s`")
    def _check_period(self: Any) -> Iterator[Finding]:
        if self.swing_period_s is None and self.swing_period_std_s is not None:
            yield "swing_period_std_s", "only together with swing_period_s"

    @rule("thrust_N", "thrust_std_N", words="`thrust_std_N` goes with `thrust_N` only")
    def _check_thrust(self: Any) -> Iterator[Finding]:
        if self.thrust_N is None and self.thrust_std_N is not None:
            yield "thrust_std_N", "only together with thrust_N"


_EVERY = {name for kind in RIG_KINDS.values() for name in kind.shown}


class RigSheet(Sheet):
    """Static torque on the ground: from two scales side by side, a load cell on a lever, or a transducer.

    Examples
    --------
    >>> import flightproc as fp
    >>> rig = fp.load_rig("sample_logs/school-wing-28/rig.toml")
    >>> rig.kind, rig.spacing_m, round(rig.density, 3)
    ('two_point', 0.38, 1.189)
    """

    name: Annotated[str, Field("name of the rig day", kind="text", high=200, example="rig day 1")] = ""
    date: Annotated[
        dt.date | None, Field("day of the readings", kind="date", example=dt.date(2026, 4, 25))
    ] = None
    rig: Annotated[
        str,
        Field(
            "name of the rig itself; days on one rig share the error of its spacing or arm",
            kind="text",
            high=200,
            example="club rig",
        ),
    ] = ""
    kind: Annotated[
        str,
        Field(
            f"kind of rig: {'; '.join(f'{name}, {kind.meaning}' for name, kind in RIG_KINDS.items())}",
            kind="text",
            choices=tuple(RIG_KINDS),
            example="two_point",
        ),
    ]
    spacing_m: Annotated[
        float | None,
        Field(
            "two_point: distance between the two scales' points",
            "m",
            0.1,
            3,
            how="tape measure",
            typical="0.35 to 0.6",
            example=0.38,
        ),
    ] = None
    spacing_std_m: Annotated[float, Field("standard uncertainty of spacing_m", "m", 0, 0.2)] = 0.002
    arm_m: Annotated[
        float | None,
        Field(
            "lever_arm: distance from the shaft's line to the line of the load, at right angles",
            "m",
            0.05,
            5,
            how="tape measure",
            typical="0.3 to 1",
            example=0.5,
        ),
    ] = None
    arm_std_m: Annotated[float, Field("standard uncertainty of arm_m", "m", 0, 0.2)] = 0.002
    scale_std_kg: Annotated[
        float,
        Field(
            "standard uncertainty of one scale's or cell's reading beyond its zero (linearity, hysteresis)",
            "kg",
            0,
            10,
            how="hang a known mass on each",
        ),
    ] = 0.05
    scale_resolution_kg: Annotated[
        float, Field("smallest step the scales show", "kg", 0, 5, how="read it off the display")
    ] = 0.1
    cell_std_N: Annotated[
        float, Field("lever_arm in newton: as scale_std_kg", "N", 0, 100, how="hang a known mass on it")
    ] = 0.5
    cell_resolution_N: Annotated[
        float, Field("lever_arm in newton: smallest step shown", "N", 0, 50, how="read it off the display")
    ] = 0.1
    transducer_std_N_m: Annotated[
        float,
        Field(
            "torque_transducer: standard uncertainty of a reading beyond its zero",
            "N m",
            0,
            50,
            how="the maker's sheet: non-linearity and hysteresis",
        ),
    ] = 0.1
    transducer_resolution_N_m: Annotated[
        float, Field("torque_transducer: smallest step shown", "N m", 0, 10, how="read it off the display")
    ] = 0.01
    sensitivity_std_percent: Annotated[
        float,
        Field(
            "standard uncertainty of the sensitivity: one factor on all readings of the day",
            "%",
            0,
            20,
            how="known masses near full load; the maker's sheet",
        ),
    ] = 0.0
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
    compensation_fitted: Annotated[
        bool | None,
        Field(
            "whether the frame's thrust tilt or slipstream surface was fitted on the rig, so that the rig "
            "showed torque less what it takes off; where it is not stated, it was as in the aircraft sheet",
            kind="flag",
            example=True,
        ),
    ] = None
    chord_075_m: Annotated[
        float | None,
        Field(
            "chord at three quarters of the radius, for the Reynolds number",
            "m",
            0.005,
            0.5,
            how="calliper or ruler",
            example=0.09,
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
            words="tables [[readings]]: a zero (rpm = 0) and two or more engine speeds",
        ),
    ] = ()
    series: Annotated[
        tuple[RigSeries, ...],
        Field(
            "readings over time from CSV files, in place of readings by eye or beside them",
            kind="tables",
            words="tables [[series]]: a file with the columns it holds",
        ),
    ] = ()

    @rule(
        "kind",
        "spacing_m",
        "arm_m",
        words="`spacing_m` with two_point and `arm_m` with lever_arm",
    )
    def _check_needs(self: Any) -> Iterator[Finding]:
        for name, kind in RIG_KINDS.items():
            given = bool(kind.needs) and getattr(self, kind.needs) is not None
            if kind.needs and self.kind == name and not given:
                yield kind.needs, f"{RigSheet.info(kind.needs).allowed}; {name} needs it"
            elif self.kind in RIG_KINDS and self.kind != name and given:
                yield kind.needs, f"only with {name}"

    @rule(
        "kind",
        "readings",
        words="each reading holds what its kind of rig shows: left_kg and right_kg; load_kg or load_N; "
        "torque_N_m",
    )
    def _check_shown(self: Any) -> Iterator[Finding]:
        kind = RIG_KINDS.get(self.kind)
        if kind is None or not isinstance(self.readings, list | tuple):
            return
        wanted = set(kind.shown)
        shows = (" or " if kind.either else " and ").join(sorted(wanted))
        for i, reading in enumerate(self.readings):
            given = {name for name in _EVERY if getattr(reading, name, None) is not None}
            for name in sorted(given - wanted):
                yield ("readings", i, name), f"not with kind {self.kind}; it shows {shows}"
            if not kind.either:
                for name in sorted(wanted - given):
                    yield ("readings", i, name), f"what the rig shows; {self.kind} needs it"
            elif len(given & wanted) != 1:
                yield ("readings", i, kind.shown[0]), f"either {' or '.join(kind.shown)}"

    @rule(
        "kind",
        "series",
        words="each series names the columns of its kind of rig, in a unit that fits",
    )
    def _check_columns(self: Any) -> Iterator[Finding]:
        kind = RIG_KINDS.get(self.kind)
        if kind is None or not isinstance(self.series, list | tuple):
            return
        for i, entry in enumerate(self.series):
            for name in kind.columns:
                if not getattr(entry, name, ""):
                    yield ("series", i, name), f"the name of the column; {self.kind} needs it"
            unit = getattr(entry, "unit", None)
            if unit is not None and unit not in kind.units:
                yield ("series", i, "unit"), f"{' or '.join(kind.units)} with {self.kind}"

    @rule(
        "readings.rpm",
        "series.rpm",
        words="at least one reading at rpm 0 (the zero) and readings at two other engine speeds",
    )
    def _check_readings(self: Any) -> Iterator[Finding]:
        if not isinstance(self.series, list | tuple) or not isinstance(self.readings, list | tuple):
            return
        rows = [*self.readings, *self.series]
        speeds = {getattr(row, "rpm", None) for row in rows}
        if None in speeds:
            return  # the file has the speed: seen when it is read
        if 0.0 not in speeds:
            yield "readings", "at least one reading with rpm = 0 (engine stopped): the zero"
        if len(speeds - {0.0}) < 2:
            yield "readings", "readings at two or more engine speeds besides the zero"

    @property
    def temperature(self) -> float | None:
        """Air temperature [K]; None where only the density is stated."""
        return None if self.air.temperature_C is None else self.air.temperature_C + 273.15

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
