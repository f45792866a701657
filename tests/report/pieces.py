"""Pieces of results made by hand: holds, a rig, a blade, logs, curves."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from flightproc.holds.model import HoldKind
from flightproc.moment.fit_quality import FitQuality
from flightproc.moment.swing_mode import RollMode
from flightproc.moment.trace_model import SettingRatio, SortieTrace
from flightproc.propeller import InflowEstimate, InflowPoint, RatioCurve
from flightproc.quantity import Quantity
from flightproc.readers.recording import Damage, RawField, Recording, Series
from flightproc.results import (
    BladeAngles,
    ComparisonRow,
    HoldResult,
    MomentCurve,
)
from flightproc.rig.model import RigCurve, RigPoint, TorqueFit

DEG = math.pi / 180.0
RATE = 10.0
STIFFNESS = 488.0
NO_GPS = "no log of the sortie holds a position"


class HandCurve(RigCurve):
    """A square law with 2 % of uncertainty, more outside 3000 to 8000 1/min."""

    def torque(self, rpm: Any, density: float | None = None) -> Any:
        n = np.asarray(rpm, dtype=float)
        value = 0.42 * (n / 1000.0) ** 2 * (1.0 if density is None else density / self.density)
        outside = np.clip(3000.0 - n, 0.0, None) + np.clip(n - 8000.0, 0.0, None)
        return value, value * (0.02 + 0.08 * outside / 1000.0) + 0.15


def plan() -> list[tuple[float, float, HoldKind, float, float]]:
    """Start, end, kind, rpm and ballast moment of each hold: 8 power, 5 glide, 4 ballast."""
    out: list[tuple[float, float, HoldKind, float, float]] = []
    time = 150.0
    order = "GPPGBBPPGPPGBBPPG"
    rpms = iter([4500.0, 5500.0, 6500.0, 7600.0, 4480.0, 5520.0, 6480.0, 7620.0])
    sides = iter([8.6, -8.6, 8.6, -8.6])
    for letter in order:
        length = 60.0 if letter != "B" else 75.0
        if letter == "P":
            out.append((time, time + length, HoldKind.POWER, next(rpms), 0.0))
        elif letter == "G":
            out.append((time, time + length, HoldKind.GLIDE, 0.0, 0.0))
        else:
            out.append((time, time + length, HoldKind.BALLAST, 0.0, next(sides)))
        time += length + 38.0
    return out


def channels() -> pd.DataFrame:
    """Forty minutes of flight on a 10 Hz grid."""
    rng = np.random.default_rng(28)
    holds = plan()
    time = np.arange(0.0, holds[-1][1] + 120.0, 1.0 / RATE)
    rpm = np.full(time.size, 0.0)
    moment = np.zeros(time.size)
    turn = 6.0 * np.sin(time / 31.0) * DEG
    for start, end, _kind, speed, ballast in holds:
        inside = (time >= start - 12.0) & (time < end + 6.0)
        rpm[inside] = speed
        moment[inside] = 0.40 * (speed / 1000.0) ** 2 + ballast
        turn[inside] = (0.3 + 0.02 * moment[inside]) * DEG
    smooth = np.exp(-np.arange(0, 40) / 12.0)
    smooth /= smooth.sum()
    rpm = np.convolve(rpm, smooth)[: time.size] + (rpm > 0) * rng.normal(0, 18, time.size)
    gust = np.convolve(rng.normal(0, 1, time.size), np.ones(30) / 30, mode="same")
    airspeed = 10.9 + 0.25 * gust
    turn = np.convolve(turn, smooth)[: time.size] + 0.8 * gust * DEG
    hang = (moment / STIFFNESS) + 0.6 * DEG + 0.9 * gust * DEG
    heading = np.cumsum(turn) / RATE + 0.4
    north = airspeed * np.cos(heading) - 2.1
    east = airspeed * np.sin(heading) + 1.9
    height = 250.0 + 300.0 * np.sin(np.pi * time / time[-1]) ** 0.7
    frame = pd.DataFrame(
        {
            "rpm": rpm,
            "airspeed": airspeed,
            "turn_rate": turn,
            "hang_roll": hang,
            "bank": hang + 0.7 * turn,
            "height": height,
            "velocity_north": north,
            "velocity_east": east,
            "latitude": 47.1 * DEG + np.cumsum(north) / RATE / 6.371e6,
            "longitude": 11.2 * DEG + np.cumsum(east) / RATE / 6.371e6 / math.cos(47.1 * DEG),
            "density": np.full(time.size, 1.153),
            "load": np.full(time.size, 9.82),
        },
        index=pd.Index(time, name="time"),
    )
    frame.loc[820.0:829.0, ["latitude", "longitude", "velocity_north", "velocity_east"]] = np.nan
    return frame


def hold_results(frame: pd.DataFrame) -> tuple[HoldResult, ...]:
    """One result a hold of :func:`plan`."""
    rng = np.random.default_rng(7)
    out = []
    for number, (start, end, kind, rpm, ballast) in enumerate(plan()):
        part = frame.loc[start:end]
        power = kind is HoldKind.POWER
        moment = 0.40 * (rpm / 1000.0) ** 2 + rng.normal(0, 0.7)
        no_power = Quantity.unknown("N m", "the engine was stopped in this hold")
        out.append(
            HoldResult(
                start=start,
                end=end,
                kind=kind,
                straight=number != 6,
                origin="sheet" if number == 3 else "found",
                hands_off=True if number in (1, 2, 6) else None,
                rpm=Quantity.of(rpm, 22.0 if power else 0.0, "1/min"),
                airspeed=Quantity.of(float(part["airspeed"].mean()), 0.12, "m/s"),
                density=Quantity.of(1.153, 0.006, "kg/m^3"),
                turn_rate=Quantity.of(float(part["turn_rate"].mean()), 0.12 * DEG, "rad/s"),
                bank=Quantity.of(float(part["bank"].mean()), 0.2 * DEG, "rad"),
                hang_roll=Quantity.of(
                    (moment * power + ballast) / STIFFNESS + 0.6 * DEG + rng.normal(0, 0.05) * DEG,
                    0.09 * DEG,
                    "rad",
                ),
                roll_moment=Quantity.of(
                    moment,
                    0.9 + 0.06 * moment,
                    "N m",
                    budget={
                        "riser stiffness": 0.06 * moment,
                        "noise of the power holds": 0.75,
                        "noise of the glides": 0.45,
                    },
                )
                if power
                else no_power,
                excess_turn=Quantity.of(0.11 * DEG, 0.13 * DEG, "rad/s")
                if power
                else replace(no_power, unit="rad/s"),
                yaw_moment=Quantity.of(1.9, 2.6, "N m", reason="the derivatives are priors")
                if power
                else no_power,
                residual_turning_moment=Quantity.of(
                    12.0 + moment / 2,
                    4.1,
                    "N m",
                    budget={"turn coefficient": 3.8, "noise of the power holds": 1.5, "airspeed": 0.3},
                ),
                **({"ballast_moment": Quantity.of(ballast, 0.11, "N m")} if kind is HoldKind.BALLAST else {}),
            )
        )
    return tuple(out)


def rig_curve() -> RigCurve:
    """Four throttle settings, thrust measured at three of them."""
    points = []
    for rpm, shift in ((3000.0, 0.1), (4500.0, -0.2), (6200.0, 0.35), (8000.0, -0.3)):
        torque = 0.42 * (rpm / 1000.0) ** 2 + shift
        power = torque * 2 * math.pi * rpm / 60 / 2.6
        no_thrust = Quantity.unknown("N", "thrust was not measured at this setting")
        points.append(
            RigPoint(
                rpm=rpm,
                torque=Quantity.of(
                    torque, 0.25 + 0.01 * torque, "N m", budget={"swing": 0.2, "spacing": 0.01 * torque}
                ),
                power=Quantity.of(power, 0.03 * power, "W"),
                thrust=Quantity.of(0.0000105 * rpm**2, 8.0, "N") if rpm > 3000 else no_thrust,
                figure_of_merit=Quantity.of(0.61, 0.03) if rpm > 3000 else replace(no_thrust, unit=""),
                thrust_ceiling=Quantity.of(0.0000142 * rpm**2, 12.0, "N"),
                torque_coefficient=Quantity.of(0.0061, 0.0002),
                sum_change=Quantity.of(0.4, 0.2, "kg"),
            )
        )
    square = TorqueFit(
        "square", np.array([0.42]), np.array([[4e-5]]), 3.4, 3, 8.1, "three degrees of freedom"
    )
    power_law = TorqueFit(
        "power", np.array([0.40, 2.03]), np.array([[1e-3, -1e-3], [-1e-3, 2e-3]]), 3.1, 2, 19.0
    )
    quadratic = TorqueFit(
        "quadratic",
        np.array([0.2, -0.05, 0.42]),
        np.diag([0.4, 0.1, 0.01]),
        2.9,
        1,
        None,
        "as many coefficients as points but one: it confirms little",
    )
    return HandCurve(
        tuple(points),
        (square, power_law, quadratic),
        square,
        1.204,
        0.006,
        ("the scales' sum rose by 0.4 kg (0.4 %) with throttle: thrust loads the rig slightly",),
    )


def comparison_rows(holds: tuple[HoldResult, ...], rig: RigCurve) -> tuple[ComparisonRow, ...]:
    """Four rpm groups of two holds each."""
    rows = []
    power = [i for i, hold in enumerate(holds) if hold.kind is HoldKind.POWER]
    for first, second in zip(power[:4], power[4:], strict=True):
        rpm = holds[first].rpm.value or 0.0
        speed = (holds[first].airspeed.value or 0.0) - 0.0004 * (rpm - 4500)
        mean = ((holds[first].roll_moment.value or 0.0) + (holds[second].roll_moment.value or 0.0)) / 2
        static, std = rig.torque(rpm, 1.153)
        rows.append(
            ComparisonRow(
                rpm=Quantity.of(rpm, 15.0, "1/min"),
                airspeed=Quantity.of(speed, 0.1, "m/s"),
                advance_ratio=Quantity.of(speed / (rpm / 60 / 2.6 * 1.25), 0.004),
                roll_moment=Quantity.of(
                    mean,
                    0.6 + 0.055 * mean,
                    "N m",
                    budget={
                        "riser stiffness": 0.055 * mean,
                        "noise of the power holds": 0.5,
                        "noise of the glides": 0.4,
                        "moonlight": 0.02,
                    },
                ),
                static_torque=Quantity.of(float(static), float(std), "N m"),
                torque_ratio=Quantity.of(
                    mean / float(static),
                    0.075,
                    budget={"riser stiffness": 0.06, "rig": 0.04, "density": 0.02},
                ),
                alpha_075_static=Quantity.of(9.2 * DEG, 0.7 * DEG, "rad"),
                alpha_075_flight=Quantity.of((8.6 - rpm / 8000) * DEG, 0.8 * DEG, "rad"),
                alpha_075_naive=Quantity.of(4.4 * DEG, 0.9 * DEG, "rad"),
                holds=(first, second),
            )
        )
    return tuple(rows)


def blade_angles(rows: tuple[ComparisonRow, ...]) -> tuple[BladeAngles, ...]:
    """Smooth curves that look like a blade's."""
    radius = np.linspace(0.18, 1.0, 40)
    out = []
    for row in rows:
        static = (6.0 + 14.0 * (1 - radius) ** 1.4 + 4 * np.sin(3 * radius)) * DEG
        out.append(
            BladeAngles(
                rpm=row.rpm.value or 0.0,
                airspeed=row.airspeed.value or 0.0,
                radius_ratio=radius,
                static=static,
                flight=static - (1.1 - 0.3 * radius) * DEG,
                naive=static - (5.0 / (radius + 0.4)) * DEG,
                static_std=np.full(radius.size, 0.8 * DEG),
                flight_std=np.full(radius.size, 0.9 * DEG),
                predicted_torque_ratio=Quantity.of(1.0 - 0.12 * (row.advance_ratio.value or 0.0), 0.07),
            )
        )
    return tuple(out)


def trace(rows: tuple[ComparisonRow, ...]) -> SortieTrace:
    """A whole-sortie estimate that looks like one."""
    rng = np.random.default_rng(9)
    time = np.arange(150.0, 1500.0, 1.5)
    lags = np.arange(1, 26)
    frequency = np.linspace(0.03, 1.25, 40)
    example = np.arange(300.0, 540.0, 0.4)
    response = 0.03 + 0.02 * np.tanh((example - 420.0) / 5.0)
    seen = response + 0.004 * rng.standard_normal(example.size)
    fit = FitQuality(
        period=0.4,
        time=time,
        innovations=rng.standard_normal(time.size),
        frequency=frequency,
        spectrum=1.0 + 0.1 * rng.standard_normal(frequency.size),
        spectrum_band=(0.8, 1.2),
        autocorrelation=0.02 * rng.standard_normal(lags.size),
        autocorrelation_band=0.035,
        p_value=0.4,
        explained=0.95,
        over_persistence=0.5,
        long_run=1.1,
        halves=0.7,
        example_time=example,
        example_seen=seen,
        example_predicted=seen + 0.002,
        example_response=np.where(np.abs(example - 420.0) < 10.0, np.nan, response),
        words=("one step of 0.4 s ahead, 95 % of the variance of hang roll is predicted",),
    )
    ratio = Quantity.of(
        0.97, 0.03, "", budget={"rig": 0.018, "ballast mass and arm": 0.02, "noise of the power holds": 0.013}
    )
    settings = tuple(
        SettingRatio(row.rpm.value or 0.0, row.advance_ratio.value or math.nan, ratio) for row in rows
    )
    return SortieTrace(
        ratio=ratio,
        advance_ratio=0.22,
        ratio_slope=Quantity.of(0.1, 0.4, ""),
        settings=settings,
        draws=np.column_stack([0.97 + 0.03 * rng.standard_normal(200), 0.4 * rng.standard_normal(200)]),
        stiffness=Quantity.of(STIFFNESS, 12.0, "N m/rad"),
        mode=RollMode(
            Quantity.of(4.9, 0.08, "rad/s"), Quantity.of(0.15, 0.02, ""), "natural frequency 4.9 rad/s"
        ),
        sensor_yaw=Quantity.of(0.5 * DEG, 0.5 * DEG, "rad"),
        seconds_used=1200.0,
        seconds_power=600.0,
        share_used=0.6,
        fit=fit,
        accepted=True,
        reason="",
        words=("600 s under power and 600 s without were used",),
    )


def inflow(rows: tuple[ComparisonRow, ...]) -> InflowEstimate:
    """An inflow estimate that looks like one."""
    radius = np.linspace(0.18, 1.0, 40)
    middle = (6.0 + 10.0 * (1 - radius)) * DEG
    points = tuple(
        InflowPoint(
            rpm=row.rpm.value or 0.0,
            airspeed=row.airspeed.value or 0.0,
            advance_ratio=row.advance_ratio.value or 0.0,
            measured_ratio=row.torque_ratio,
            predicted_ratio=Quantity.of(0.97, 0.06),
            inflow_prior=Quantity.of(9.3, 0.9, "m/s"),
            inflow=Quantity.of(8.8, 0.7, "m/s"),
            alpha_075_prior=Quantity.of(5.1 * DEG, 0.6 * DEG, "rad"),
            alpha_075=Quantity.of(5.3 * DEG, 0.5 * DEG, "rad"),
            alpha_075_change=Quantity.of(-1.9 * DEG, 0.3 * DEG, "rad"),
            induced_075=Quantity.of(8.2, 0.5, "m/s"),
            radius_ratio=radius,
            alpha_static=np.vstack([middle, middle - DEG, middle + DEG]),
            alpha=np.vstack([middle, middle - DEG, middle + DEG]) - 1.9 * DEG,
            induced=np.vstack([8.0 + radius, 7.0 + radius, 9.0 + radius]),
        )
        for row in rows
    )
    grid = np.linspace(0.01, 0.29, 15)
    return InflowEstimate(
        points=points,
        wake_prior=Quantity(0.15, 0.087, 0.0075, 0.2925),
        wake=Quantity(0.2, 0.06, 0.06, 0.29),
        wake_grid=grid,
        wake_prior_density=np.full(15, 1.0 / 0.3),
        wake_density=grid / grid.sum() / 0.02,
        decides=True,
        misfit=2.5,
        effective=600.0,
        words=("The flight narrows the wake fraction",),
    )


def curve() -> RatioCurve:
    """A ratio that falls a little with advance ratio."""
    advance = np.linspace(0.0, 0.3, 13)
    mean = 1.0 - 0.4 * advance**2
    band = np.vstack([mean, mean - 0.3 * advance, mean + 0.3 * advance])
    return RatioCurve(2400.0, advance, band, band - 0.5 * advance)


def recordings(frame: pd.DataFrame) -> dict[str, Recording]:
    """Three logs: unit, GPS, engine."""

    def series(channel: str, column: str, step: int, source: str, derived: bool = False) -> Series:
        time = frame.index.to_numpy(dtype=float)[::step]
        keep = np.ones(time.size, dtype=bool)
        if channel == "latitude":
            keep[(time > 820.0) & (time < 829.0)] = False
        return Series(channel, time[keep], frame[column].to_numpy()[::step][keep], source, derived)

    unit = Recording(
        path="/somewhere/private/unit.ulg",
        format="ulog",
        sha256="1f" * 32,
        size=5_412_876,
        start_utc=None,
        channels={
            "bank": (series("bank", "bank", 1, "vehicle_attitude.q"),),
            "roll_rate": (series("roll_rate", "turn_rate", 1, "sensor_combined.gyro_rad[0]"),),
        },
        fields=(RawField("cpuload.load", 2400, 1.0, "", "", "no channel needs it"),),
        damage=(
            Damage("cut", "byte 5412876", "the file ends inside a message; the last message was left out", 1),
        ),
        notes=("the mount was found from the ground-still part",),
    )
    gps = Recording(
        path="second.gpx",
        format="gpx",
        sha256="2e" * 32,
        size=412_000,
        start_utc=1_790_000_000.0,
        channels={
            "latitude": (series("latitude", "latitude", 10, "trkpt lat"),),
            "height": (series("height", "height", 10, "ele"),),
            "velocity_north": (series("velocity_north", "velocity_north", 10, "trkpt lat", True),),
        },
    )
    engine = Recording(
        path="engine.csv",
        format="csv",
        sha256="3d" * 32,
        size=88_000,
        start_utc=None,
        channels={"rpm": (series("rpm", "rpm", 5, "rpm"),)},
        damage=(Damage("bad_value", "line 811", "'--' in column rpm was read as missing", 1),),
    )
    return {"unit": unit, "second": gps, "engine": engine}


def moment_curve(rows: tuple[ComparisonRow, ...]) -> MomentCurve:
    """Moments of the rows, their uncertainties half shared, and 12 N of thrust for each N m."""
    value = np.array([row.roll_moment.value or 0.0 for row in rows])
    std = np.array([row.roll_moment.std or 0.0 for row in rows])
    return MomentCurve(
        rpm=np.array([row.rpm.value or 0.0 for row in rows]),
        roll_moment=value,
        covariance=np.outer(std, std) * (0.5 + 0.5 * np.eye(len(rows))),
        airspeed=np.array([row.airspeed.value or 0.0 for row in rows]),
        density=np.full(len(rows), 1.16),
        thrust=tuple(Quantity.of(12.0 * abs(v), 1.2 * abs(v), "N") for v in value),
        thrust_source="blade model fitted to the rig's torque and thrust",
        gear_ratio=2.8,
        diameter=1.25,
        idle_rpm=2100.0,
    )
