"""A whole simulated sortie: truth, logs and sheets."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from math import atan2, degrees, hypot, pi
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..channels import GRAVITY
from ..errors import FlightprocError, OutputError
from .flight import SEA_LEVEL_DENSITY, STEP, Flight, fly
from .ground_day import PendulumNotes, TiltNotes, roll_inertia, swing_pendulum, tilt_unit
from .parameters import DEFAULTS, Parameters, Stated, override
from .rig_day import RigDay, static_torque, take_readings
from .scenario import SETTLING_SECONDS, Segment, school_card
from .sensors import EngineLog, GpsLog, Motion, UnitLog, log_engine, log_gps, log_unit, true_motion
from .sheet_texts import aircraft_text, glider_text, rig_text, sortie_text
from .steady import steady_truth
from .wing import hang_roll_period, hang_stiffness, modes, roll_turn_coefficient, steady_response
from .writers import csv_text, gpx_text, ulog_bytes

__all__ = ["FILES", "SimulatedSortie", "draw_truth", "simulate_sortie", "write_sortie"]

FILES = (
    "unit.ulg",
    "gps.gpx",
    "engine.csv",
    "sortie.toml",
    "aircraft.toml",
    "glider.toml",
    "rig.toml",
    "truth.json",
)
"""What :func:`write_sortie` writes."""
DAY = date(2026, 5, 14)
GPS_START = datetime(2026, 5, 14, 5, 41, 7, tzinfo=UTC)
TRUTH_SCHEMA = "flightproc-truth/1"


@dataclass(frozen=True)
class SimulatedSortie:
    """One simulated sortie in memory.

    Attributes
    ----------
    seed : int
        Seed it was made from.
    parameters : Parameters
        The true world.
    stated : Stated
        What the sheets say about it.
    flight : Flight
        True motion at 50 Hz.
    motion : Motion
        Body rates, specific force and track worked out from it.
    unit, gps, engine : UnitLog, GpsLog, EngineLog
        What the three loggers recorded.
    rig : RigDay
        The rig's notes.
    tilt : TiltNotes
        Notes of the tilt test; written only where the sortie is calibrated with them.
    pendulum : PendulumNotes
        Notes of the pendulum, likewise.
    truth : dict
        The content of truth.json; docs/simulator.md names every field.

    Examples
    --------
    >>> import flightproc as fp
    >>> fp.simulate_sortie(28)
    <SimulatedSortie seed 28: 36 min, 17 planned holds>
    """

    seed: int
    parameters: Parameters
    stated: Stated
    flight: Flight
    motion: Motion
    unit: UnitLog
    gps: GpsLog
    engine: EngineLog
    rig: RigDay
    tilt: TiltNotes
    pendulum: PendulumNotes
    truth: dict[str, Any]

    def __repr__(self) -> str:
        minutes = float(self.flight.time[-1]) / 60.0
        return (
            f"<SimulatedSortie seed {self.seed}: {minutes:.0f} min, {len(self.planned_holds)} planned holds>"
        )

    @property
    def planned_holds(self) -> list[dict[str, Any]]:
        """Planned holds with their truth, in order of time."""
        holds: list[dict[str, Any]] = self.truth["planned_holds"]
        return holds


def draw_truth(nominal: Parameters, stated: Stated, generator: np.random.Generator) -> Parameters:
    """Return parameters with what the sheets state drawn around the stated value.

    Parameters
    ----------
    nominal : Parameters
        The world before the draw.
    stated : Stated
        Stated values and standard uncertainties.
    generator : numpy.random.Generator
        Source of the draws; also of sensor mount, sensor bias and built-in asymmetry.
    """
    z = generator.standard_normal(20).tolist()
    scale = pi / 180.0
    return replace(
        nominal,
        hung_mass=stated.hung_mass + stated.hung_mass_std * z[0],
        wing_mass=stated.wing_mass,
        hang_span=stated.hang_span + stated.hang_span_std * z[1],
        hang_arm=stated.hang_arm + stated.hang_arm_std * z[2],
        ballast_mass=stated.ballast_mass + stated.ballast_mass_std * z[3],
        ballast_arm=stated.ballast_arm + stated.ballast_arm_std * z[4],
        gravity_offset=0.003 * z[5],
        thrust_offset=0.002 * z[6],
        mount_roll=1.5 * scale * z[7],
        mount_pitch=2.5 * scale * z[8],
        mount_yaw=1.0 * scale * z[9],
        gyro_bias=(0.004 * z[10], 0.004 * z[11], 0.004 * z[12]),
        accelerometer_bias=(0.03 * z[13], 0.03 * z[14], 0.04 * z[15]),
        c_l_trim=1.0e-4 * z[16],
        c_n_trim=0.4e-4 * z[17],
    )


def simulate_sortie(seed: int, **overrides: Any) -> SimulatedSortie:
    """Simulate one sortie.

    Parameters
    ----------
    seed : int
        The same seed and overrides give the same sortie.
    **overrides
        ``Parameters`` attributes to set after the draw of true values, such as ``gust_level=0.0``;
        ``stated`` a :class:`Stated`; ``nominal`` a :class:`Parameters` to draw around, or ``world`` one that
        is drawn already; ``card`` a tuple of :class:`~flightproc.simulate.scenario.Segment` to fly in place
        of the school's card.

    Raises
    ------
    FlightprocError
        If an override is not known, or the aircraft cannot fly the card.

    Notes
    -----
    Truth, flight, sensors and rig have their own random streams, so that a change of one leaves the others.

    Examples
    --------
    >>> import flightproc as fp
    >>> sortie = fp.simulate_sortie(28)
    >>> sortie.parameters.wing_area, len(sortie.planned_holds)
    (28.0, 17)
    """
    if seed < 0:
        raise FlightprocError("a seed must not be negative", found=seed, allowed="0, 1, 2, ...")
    stated: Stated = overrides.pop("stated", Stated())
    nominal: Parameters = overrides.pop("nominal", DEFAULTS)
    world: Parameters | None = overrides.pop("world", None)
    card: tuple[Segment, ...] | None = overrides.pop("card", None)
    streams = [np.random.default_rng(child) for child in np.random.SeedSequence(seed).spawn(7)]
    parameters = override(world or draw_truth(nominal, stated, streams[0]), overrides)
    card = card or school_card(parameters.idle_rpm)
    if stated.calibration != "ballast":
        card = _without_ballast(card)
    flight = fly(parameters, card, streams[1])
    motion = true_motion(flight, parameters)
    unit = log_unit(flight, motion, parameters, streams[2])
    gps = log_gps(flight, motion, parameters, streams[3])
    engine = log_engine(flight, parameters, streams[4])
    rig = take_readings(parameters, streams[5])
    tilt, pendulum = tilt_unit(parameters, streams[6]), swing_pendulum(parameters, streams[6])
    truth = _truth(seed, parameters, stated, flight, motion, rig)
    truth["gaps"] = {"gps": [list(gap) for gap in gps.gaps], "engine": [list(gap) for gap in engine.gaps]}
    return SimulatedSortie(
        seed, parameters, stated, flight, motion, unit, gps, engine, rig, tilt, pendulum, truth
    )


def _without_ballast(card: tuple[Segment, ...]) -> tuple[Segment, ...]:
    """Return the card with its ballast legs flown as plain glides, numbered on."""
    number = sum(segment.kind == "glide" for segment in card)
    names: dict[str, str] = {}
    for segment in card:
        if segment.kind == "ballast":
            number += 1
            names[segment.label.removeprefix("hold ")] = f"glide {number}"
    plain = []
    for segment in card:
        label = segment.label
        for old, new in names.items():
            if label.endswith(old):
                label = label.removesuffix(old) + new
        kind = "glide" if segment.kind == "ballast" else segment.kind
        plain.append(replace(segment, label=label, kind=kind, ballast=0))
    return tuple(plain)


def _mean(values: NDArray[np.float64], start: float, end: float) -> float:
    return float(np.mean(values[round(start / STEP) : round(end / STEP)]))


def _describe(
    flight: Flight, motion: Motion, parameters: Parameters, start: float, end: float
) -> dict[str, Any]:
    """Return the means over a stretch."""
    c = flight.columns

    def mean(name: str) -> float:
        return _mean(c[name], start, end)

    horizontal = np.sqrt(np.maximum(c["path_speed"] ** 2 - c["climb"] ** 2, 0.0))
    rpm, density = mean("rpm"), mean("density")
    turns = rpm / (60.0 * parameters.gear_ratio)
    torque = mean("torque")
    static = static_torque(parameters, rpm, density) if torque > 0 else 0.0
    return {
        "start_s": round(start, 3),
        "end_s": round(end, 3),
        "rpm": rpm,
        "airspeed_m_s": mean("airspeed"),
        "horizontal_airspeed_m_s": _mean(horizontal, start, end),
        "climb_m_s": mean("climb"),
        "height_m": mean("height"),
        "density_kg_m3": density,
        "turn_rate_deg_s": degrees(mean("turn_rate")),
        "bank_deg": degrees(mean("unit_bank")),
        "wing_bank_deg": degrees(mean("wing_bank")),
        "hang_roll_deg": degrees(_mean(motion.hang_roll, start, end)),
        "pitch_deg": degrees(mean("pitch")),
        "roll_moment_N_m": mean("roll_moment"),
        "ballast_moment_N_m": mean("ballast_moment"),
        "propeller_torque_N_m": torque,
        "static_torque_N_m": static,
        "torque_ratio": torque / static if static else None,
        "advance_ratio": mean("airspeed") / (turns * parameters.propeller_diameter) if torque > 0 else None,
        "thrust_N": mean("thrust"),
        "excess_yaw_moment_N_m": mean("power_yaw_moment"),
    }


def _truth(
    seed: int, parameters: Parameters, stated: Stated, flight: Flight, motion: Motion, rig: RigDay
) -> dict[str, Any]:
    pa = parameters
    holds, others = [], []
    for item in flight.flown:
        segment = item.segment
        if segment.kind in ("power", "glide", "ballast"):
            row: dict[str, Any] = {"kind": segment.kind, "label": segment.label.removeprefix("hold ")}
            row |= _describe(flight, motion, pa, item.start, item.end)
            row |= steady_truth(flight, pa, item.start, item.end)
            row["settling_start_s"] = round(item.start - SETTLING_SECONDS, 3)
            row["ballast_side"] = {0: None, 1: "right", -1: "left"}[segment.ballast]
            holds.append(row)
        others.append(
            {
                "start_s": round(item.start, 3),
                "end_s": round(item.end, 3),
                "label": segment.label,
                "hands_off": segment.steer == "hands_off" and not segment.brake and not segment.on_ground,
                "on_ground": segment.on_ground,
            }
        )
    glide = [hold for hold in holds if hold["kind"] == "glide"]
    density = float(np.mean([hold["density_kg_m3"] for hold in holds] or flight.columns["density"]))
    trim = pa.trim_speed * float(np.sqrt(SEA_LEVEL_DENSITY / density))
    speed = float(np.mean([hold["airspeed_m_s"] for hold in glide] or [trim]))
    dynamic = 0.5 * density * speed**2 * pa.wing_area * pa.wing_span
    one = steady_response(pa, speed, density, 1.0)
    yaw = steady_response(pa, speed, density, 0.0, 1.0)
    to_hat = pa.wing_span / (2 * speed) * dynamic
    eigenvalues = modes(pa, speed, density)
    return {
        "schema": TRUTH_SCHEMA,
        "seed": seed,
        "time_base": "seconds from the first sample of unit.ulg",
        "duration_s": round(float(flight.time[-1]), 3),
        "gps_start_utc": GPS_START.isoformat().replace("+00:00", "Z"),
        "clock_offsets_s": {"unit": 0.0, "gps": pa.gps_offset, "engine": pa.engine_offset},
        "clock_drifts": {"unit": 0.0, "gps": pa.gps_drift, "engine": pa.engine_drift},
        "wind": {
            "north_m_s": pa.wind_north,
            "east_m_s": pa.wind_east,
            "speed_m_s": hypot(pa.wind_north, pa.wind_east),
            "from_deg": degrees(atan2(-pa.wind_east, -pa.wind_north)) % 360.0,
        },
        "calibration": {
            "reference_airspeed_m_s": speed,
            "reference_density_kg_m3": density,
            "hang_stiffness_N_m_rad": hang_stiffness(pa, speed, density),
            "weight_stiffness_N_m_rad": pa.hung_mass * GRAVITY * pa.hang_arm,
            "riser_roll_stiffness_N_m_rad": pa.riser_roll_stiffness,
            "roll_inertia_kg_m2": roll_inertia(pa),
            "wing_turn_coefficient": roll_turn_coefficient(pa),
            "turn_coefficient": one["turn_rate"] * to_hat,
            "yaw_turn_coefficient": yaw["turn_rate"] * to_hat,
            "hang_roll_per_yaw_moment_rad_N_m": yaw["hang_roll"],
            "slowest_time_constant_s": float(-1.0 / eigenvalues[0].real),
            "hang_roll_period_s": hang_roll_period(pa, speed, density),
        },
        "planned_holds": holds,
        "segments": others,
        "rig": {"density_kg_m3": rig.density, "spacing_m": rig.spacing},
        "parameters": pa.as_dict(),
        "stated": {name: getattr(stated, name) for name in stated.__dataclass_fields__},
    }


def _rounded(value: Any) -> Any:
    """Return a document with twelve digits of each number: the rest differs from one library to the next."""
    if isinstance(value, dict):
        return {key: _rounded(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(item) for item in value]
    return float(f"{value:.12g}") if isinstance(value, float) else value


def write_sortie(sortie: SimulatedSortie, folder: str | Path, *, force: bool = False) -> list[Path]:
    """Write logs, sheets and truth of a simulated sortie.

    Parameters
    ----------
    sortie : SimulatedSortie
        What to write.
    folder : str or Path
        Where; made if absent. Either all files are written or none.
    force : bool, optional
        Whether files of an earlier sortie may be replaced.

    Returns
    -------
    list of Path
        Files written, in the order of :data:`FILES`.

    Raises
    ------
    OutputError
        If a file is there already without `force`, or the folder cannot be written.

    Examples
    --------
    >>> import flightproc as fp
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     written = fp.write_sortie(fp.simulate_sortie(28), f"{folder}/sortie")
    ...     print(sorted(path.name for path in written))
    ['aircraft.toml', 'engine.csv', 'glider.toml', 'gps.gpx', 'rig.toml', 'sortie.toml', 'truth.json',
    'unit.ulg']
    """
    folder = Path(folder)
    if not force:
        there = [name for name in FILES if (folder / name).exists()]
        if there:
            raise OutputError(
                "a sortie is there already",
                where=str(folder),
                found=", ".join(there),
                hint="another folder, or --force to replace it",
            )
    contents: dict[str, bytes | str] = {
        "unit.ulg": ulog_bytes(sortie.unit),
        "gps.gpx": gpx_text(sortie.gps, GPS_START, "school flight"),
        "engine.csv": csv_text(sortie.engine),
        "sortie.toml": sortie_text(sortie.truth, sortie.stated, DAY),
        "aircraft.toml": aircraft_text(sortie.parameters, sortie.stated, sortie.tilt, sortie.pendulum),
        "glider.toml": glider_text(sortie.parameters),
        "rig.toml": rig_text(sortie.rig, sortie.parameters, DAY),
        "truth.json": json.dumps(_rounded(sortie.truth), indent=1) + "\n",
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
        partial = Path(tempfile.mkdtemp(prefix=".partial-", dir=folder))
    except OSError as error:
        raise OutputError(
            f"cannot write ({error.strerror})", where=str(folder), hint="another folder"
        ) from error
    try:
        for name, content in contents.items():
            data = content.encode("utf-8") if isinstance(content, str) else content
            (partial / name).write_bytes(data)
        for name in FILES:
            os.replace(partial / name, folder / name)
    except OSError as error:
        raise OutputError(
            f"cannot write ({error.strerror})", where=str(folder), hint="free space, or another folder"
        ) from error
    finally:
        shutil.rmtree(partial, ignore_errors=True)
    return [folder / name for name in FILES]
