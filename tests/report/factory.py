"""Results made by hand, rich or poor, so that the report can be tried without an analysis."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from flightproc.compare.budgets import explain_results
from flightproc.holds.model import Rejected
from flightproc.moment.trace_model import no_trace
from flightproc.quantity import Quantity
from flightproc.results import (
    Calibration,
    InputFile,
    Provenance,
    Results,
)
from flightproc.sheets.loading import Loading
from flightproc.sortie.model import ClockOffset, Sortie, Wind

from .pieces import (
    DEG,
    NO_GPS,
    RATE,
    STIFFNESS,
    blade_angles,
    channels,
    comparison_rows,
    curve,
    hold_results,
    inflow,
    moment_curve,
    recordings,
    rig_curve,
    trace,
)


def full_results() -> Results:
    """Everything known."""
    frame = channels()
    holds = hold_results(frame)
    rig = rig_curve()
    rows = comparison_rows(holds, rig)
    end = float(frame.index[-1])
    sortie = Sortie(
        channels=frame,
        rate=RATE,
        start_utc=1_790_000_012.4,
        sources={
            "rpm": "engine: rpm, resampled to 10 Hz",
            "hang_roll": "unit: specific force along y and z, low-passed",
            "airspeed": "ground velocity of second less the wind",
        },
        clock_offsets=(
            ClockOffset("unit", Quantity.of(0.0, 0.0, "s"), "reference", None, "the time base"),
            ClockOffset(
                "second",
                Quantity.of(12.43, 0.04, "s"),
                "turn_rate",
                0.97,
                "turn rate of the unit against track rate",
            ),
            ClockOffset(
                "engine",
                Quantity.of(-3.08, 0.03, "s"),
                "vibration",
                0.88,
                "rpm against vibration of the unit",
            ),
        ),
        wind=Wind(
            Quantity.of(-2.1, 0.11, "m/s"),
            Quantity.of(1.9, 0.12, "m/s"),
            np.array([[0.0121, 0.002], [0.002, 0.0144]]),
            "gps_circle",
            "circle fitted to 2,310 ground velocities over the whole compass",
        ),
        airspeed_std=0.1,
        density_std_ratio=0.005,
        bank_source="attitude of unit, levelled on the accelerometer, corrected with airspeed and turn rate",
        mount="found: roll 1.2 deg, pitch -3.4 deg, yaw 0.8 deg",
        ground_still=((0.0, 42.0),),
        airborne=((70.0, end - 40.0),),
        warnings=("the GPS has one gap of 10 s",),
    )
    return Results(
        title="School wing 28, evening sortie 3",
        aircraft="Trial frame B, 125 cm two-blade",
        glider="School wing 28",
        reaction_sign=1,
        answer=(
            "At 7600 1/min in flight the propeller's reaction rolls the unit right with 23.4 N m "
            "(95 %: 19.9 to 26.9), 0.96 (0.82 to 1.11) of the static torque at that rpm.",
            "Over the four rpm groups the ratio of flight to static torque is 0.97 (0.87 to 1.06): "
            "no difference from the rig is resolved.",
            "At 0.75 R the angle of attack falls by 0.9 deg from rest to flight, where geometry alone would "
            "say 4.8 deg.",
        ),
        limits=(
            "The hang stiffness K: four ballast glides give it to 6 %, and that carries into every moment.",
            "Gusts: a 60 s hold gives hang roll to 0.09 deg (0.8 N m).",
        ),
        holds=holds,
        rejected=(
            Rejected(60.0, 78.0, "too_short", "18 s long, 20 s are needed"),
            Rejected(212.0, 246.0, "turning", "turn rate swings by 5.6 deg/s"),
            Rejected(500.0, 532.0, "rpm_unsteady", "rpm spreads by 310 1/min, 120 are allowed"),
            Rejected(1190.0, 1222.0, "pilot_input", "a brake was pulled at 1201 s"),
            Rejected(1790.0, 1811.0, "gap", "9 s without position"),
        ),
        calibration=Calibration(
            method="ballast",
            hang_stiffness=Quantity.of(STIFFNESS, 28.0, "N m/rad"),
            hang_stiffness_prior=Quantity.of(455.0, 90.0, "N m/rad"),
            hang_zero=Quantity.of(0.6 * DEG, 0.05 * DEG, "rad"),
            zero_drift=Quantity.of(0.02 * DEG / 3600, 0.04 * DEG / 3600, "rad/s"),
            turn_coefficient=Quantity.of(0.31, 0.06),
            turn_zero=Quantity.of(0.0021, 0.0008),
            noise_hang_roll_60s=0.09 * DEG,
            noise_turn_rate_60s=0.12 * DEG,
            noise_words="autoregression of order 4 fitted to all holds together",
            ballast_holds=4,
            glide_holds=5,
            words=("Left and right ballast give the same K within 0.6 standard uncertainties.",),
        ),
        comparison=rows,
        blade=blade_angles(rows),
        blade_words=("A helical blade of pitch 0.62 m was assumed; chord 0.09 m at 0.75 R.",),
        inflow=inflow(rows),
        trace=trace(rows),
        ratio_curve=curve(),
        rig=rig,
        loading=Loading(
            hung_mass=Quantity.of(100.0, 1.0, "kg"),
            all_up_mass=Quantity.of(106.5, 1.0, "kg"),
            hang_arm=Quantity.of(0.35, 0.03, "m"),
            hang_span=Quantity.of(0.45, 0.01, "m"),
            wing_loading=Quantity.of(3.80, 0.04, "kg/m^2"),
            flat_area=28.0,
            projected_area=23.9,
            flat_span=11.8,
            projected_span=9.3,
            line_length=7.1,
            trim_speed=10.8,
            wing_class="beginner",
            highest_mass=140.0,
        ),
        moment_curve=moment_curve(rows),
        sortie=sortie,
        recordings=recordings(frame),
        warnings=("The log of the unit was cut in the middle of a message.",),
        cautions=(
            "These figures are estimates from one flight; the maker's limits, local rules and a qualified "
            "instructor come first.",
            "Do not fly an unknown frame without compensation at full power.",
            "A thrust line off centre with soft risers can twist the unit far under its risers.",
        ),
        provenance=Provenance(
            version="0.1.0",
            created_utc="2026-11-25T10:00:00Z",
            python="3.11.2",
            packages={"numpy": "2.4.6", "scipy": "1.17.0"},
            inputs=(
                InputFile("sortie.toml", "sheet", "aa" * 32, 2104),
                InputFile("unit.ulg", "unit", "1f" * 32, 5_412_876),
                InputFile("second.gpx", "gps", "2e" * 32, 412_000),
            ),
            settings={
                "straight_limit_deg_s": 4.0,
                "minimum_hold_s": 20.0,
                "draws": 20000,
                "seed": 1,
                "idle_rpm": None,
            },
            steps=(
                "read 3 logs",
                "joined them on the unit's clock",
                "found 17 holds",
                "solved them together",
            ),
        ),
    )


def no_rig() -> Results:
    """As full, without rig and blade."""
    full = full_results()
    unknown = Quantity.unknown("", "no rig sheet was given")
    rows = tuple(
        replace(
            row,
            static_torque=replace(unknown, unit="N m"),
            torque_ratio=unknown,
            alpha_075_static=replace(unknown, unit="rad"),
            alpha_075_flight=replace(unknown, unit="rad"),
            alpha_075_naive=replace(unknown, unit="rad"),
        )
        for row in full.comparison
    )
    return replace(
        full,
        rig=None,
        blade=(),
        blade_words=(),
        comparison=rows,
        inflow=None,
        ratio_curve=None,
        trace=no_trace("no rig sheet was given"),
    )


def no_gps() -> Results:
    """As full, without positions, velocities, wind and UTC."""
    full = full_results()
    gone = ["latitude", "longitude", "velocity_north", "velocity_east", "height", "airspeed"]
    speed = Quantity.unknown("m/s", NO_GPS)
    sortie = replace(
        full.sortie,
        channels=full.sortie.channels.drop(columns=gone),
        start_utc=None,
        wind=Wind(speed, speed, np.full((2, 2), np.nan), "none", NO_GPS),
        airspeed_std=math.nan,
        clock_offsets=(
            full.sortie.clock_offsets[0],
            ClockOffset(
                "engine", Quantity.unknown("s", "no shared signal"), "stated", math.nan, "correlation 0.1"
            ),
        ),
    )
    holds = tuple(replace(hold, airspeed=speed) for hold in full.holds)
    rows = tuple(
        replace(row, airspeed=speed, advance_ratio=Quantity.unknown("", NO_GPS)) for row in full.comparison
    )
    return replace(full, sortie=sortie, holds=holds, comparison=rows, recordings={})


def all_unknown() -> Results:
    """Every quantity of the full results unknown, with a reason."""

    def blank(item: Any) -> Any:
        changes = {
            name: Quantity.unknown(value.unit, "left out on purpose")
            for name, value in vars(item).items()
            if isinstance(value, Quantity)
        }
        return replace(item, **changes)

    full = full_results()
    assert full.rig is not None
    fit = replace(
        full.rig.chosen,
        coefficients=np.array([np.nan]),
        covariance=np.array([[np.nan]]),
        chi2=math.nan,
        aicc=math.nan,
    )
    rig = replace(full.rig, points=tuple(blank(p) for p in full.rig.points), fits=(fit,), chosen=fit)
    return replace(
        full,
        holds=tuple(blank(hold) for hold in full.holds),
        calibration=replace(
            blank(full.calibration), noise_hang_roll_60s=math.nan, noise_turn_rate_60s=math.nan
        ),
        comparison=tuple(blank(row) for row in full.comparison),
        blade=tuple(
            replace(
                angles,
                static=angles.static * np.nan,
                flight=angles.flight * np.nan,
                naive=angles.naive * np.nan,
                static_std=angles.static_std * np.nan,
                flight_std=angles.flight_std * np.nan,
                predicted_torque_ratio=Quantity.unknown("", "the blade has no solution"),
            )
            for angles in full.blade
        ),
        rig=rig,
        sortie=replace(
            full.sortie,
            channels=full.sortie.channels * np.nan,
            wind=replace(blank(full.sortie.wind), covariance=np.full((2, 2), np.nan)),
        ),
    )


def empty_results() -> Results:
    """As little as a Results can hold."""
    full = all_unknown()
    time = pd.Index(np.arange(0.0, 30.0, 0.1), name="time")
    sortie = replace(
        full.sortie,
        channels=pd.DataFrame(index=time),
        start_utc=None,
        sources={},
        clock_offsets=(),
        bank_source="",
        mount="",
        ground_still=(),
        airborne=(),
        warnings=(),
    )
    return replace(
        full,
        answer=(),
        limits=(),
        holds=(),
        rejected=(),
        comparison=(),
        blade=(),
        blade_words=(),
        inflow=None,
        trace=None,
        ratio_curve=None,
        moment_curve=None,
        rig=None,
        sortie=sortie,
        recordings={},
        warnings=(),
        cautions=(),
        calibration=replace(full.calibration, ballast_holds=0, glide_holds=0, words=(), noise_words=""),
        provenance=replace(full.provenance, packages={}, inputs=(), settings={}, steps=()),
    )


def right_turning() -> Results:
    """As full, with a propeller turning right: the reaction rolls left."""
    full = full_results()
    holds = tuple(
        replace(
            hold,
            roll_moment=hold.roll_moment.scaled(-1.0, "N m"),
            hang_roll=hold.hang_roll.scaled(-1.0, "rad"),
        )
        for hold in full.holds
    )
    rows = tuple(replace(row, roll_moment=row.roll_moment.scaled(-1.0, "N m")) for row in full.comparison)
    return replace(full, reaction_sign=-1, holds=holds, comparison=rows)


def explained(make: Callable[[], Results]) -> Callable[[], Results]:
    """Give results their budgets in words, as the analysis does."""

    def made() -> Results:
        results = make()
        return replace(results, budget=explain_results(results.comparison, results.holds))

    return made


VARIANTS: dict[str, Callable[[], Results]] = {
    "full": explained(full_results),
    "no_rig": explained(no_rig),
    "no_gps": explained(no_gps),
    "all_unknown": explained(all_unknown),
    "empty": explained(empty_results),
    "right_turning": explained(right_turning),
}
"""Every way the report is tried."""
