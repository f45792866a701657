"""Write what the tutorial needs beside the sample sortie: ``python docs/tutorial_extras.py tutorial``.

All simulated from seeds, with training frame A of the sample: the notes of its ground tests, a check of the
instruments, sorties with two other gliders, and one with the hang points moved; with a plan sheet and a
balance sheet.
"""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from math import radians
from pathlib import Path
from typing import Any

import numpy as np

from flightproc.channels import GRAVITY
from flightproc.simulate import simulate_sortie, write_sortie
from flightproc.simulate.ground_day import swing_pendulum, tilt_unit
from flightproc.simulate.parameters import DEFAULTS, Parameters, Stated
from flightproc.simulate.scenario import Segment
from flightproc.simulate.sensors import EngineLog, GpsLog, UnitLog
from flightproc.simulate.sheet_texts import aircraft_text
from flightproc.simulate.sortie import draw_truth
from flightproc.simulate.writers import csv_text, gpx_text, ulog_bytes

SAMPLE = "sample_logs/school-wing-28"
SEED = 28
"""Of the sample: the same seed is the same frame."""
CRUISE, FULL = 6000.0, 7600.0
LIMIT_MM = 25.0
"""How far the maker of training frame A lets the hang points be moved, and what is built."""
BUILT_MM = 25.8
"""What the workshop really made of it."""

PLAN = f"""title = "First sortie, training frame A"
aircraft = "../{SAMPLE}/aircraft.toml"
glider = "../{SAMPLE}/glider.toml"
rig = "../{SAMPLE}/rig.toml"

[goal]
difference_percent = 12.0       # of the torque at cruise

[holds]
cruise_rpm = 6000.0
other_rpm = [5200.0, 6800.0, 7600.0]

[air]
gust_m_s = 0.15

[ballast]
masses_kg = [3.0, 5.0]
arm_m = 0.30

[flight]
level_rpm = 4800.0
fuel_l = 8.0
"""

BALANCE = f"""turn_limit_deg_s = 0.5          # a circle in twelve minutes

[[phases]]
name = "idle"
weight = 0.2

[[phases]]
name = "cruise"
rpm = {CRUISE:.0f}
weight = 0.6

[[phases]]
name = "climb"
rpm = {FULL:.0f}
weight = 0.2

[[gliders]]
name = "wing 28, as flown"

[[gliders]]
name = "wing 24, light pilot"
sheet = "wing24/glider.toml"
hung_mass_kg = 85.0
bias_deg_s = 0.1                # turn at idle, from the comparison of gliders
bias_std_deg_s = 0.15

[[gliders]]
name = "sport wing 21"
sheet = "wing21/glider.toml"
bias_deg_s = 0.1
bias_std_deg_s = 0.15

[hang_offset]
limit_m = {LIMIT_MM / 1000.0:g}                 # as the frame's maker allows
tolerance_m = 0.0015

[thrust_tilt]
limit_deg = 1.0

[surface]
largest_area_m2 = 0.04
"""


def frame() -> Parameters:
    """Return the truth of training frame A, as in the sample."""
    return draw_truth(DEFAULTS, Stated(), np.random.default_rng(np.random.SeedSequence(SEED).spawn(7)[0]))


def write_ground_tests(folder: Path) -> None:
    """Write aircraft.toml with the notes of a tilt test and a pendulum."""
    world = frame()
    draws = np.random.default_rng(np.random.SeedSequence(SEED).spawn(7)[6])
    tilt, pendulum = tilt_unit(world, draws), swing_pendulum(world, draws)
    folder.mkdir(parents=True)
    text = aircraft_text(world, Stated(calibration="inertia"), tilt, pendulum)
    (folder / "aircraft.toml").write_text(text, encoding="utf-8", newline="\n")


def write_check(folder: Path) -> None:
    """Write two minutes on the ground: at rest, rocked in roll and pitch, the engine at idle."""
    draws = np.random.default_rng(SEED)
    seconds, rate = 130.0, 50.0
    time = np.arange(round(seconds * rate)) / rate
    roll, pitch = np.full(time.size, 0.02), np.full(time.size, 0.06)
    for angle, start in ((roll, 70.0), (pitch, 85.0)):
        use = (time >= start) & (time < start + 12.0)
        angle[use] += 0.35 * np.sin(2 * np.pi * (time[use] - start) / 6.0)
    p, q = np.gradient(roll, 1 / rate), np.gradient(pitch, 1 / rate)
    rates = np.column_stack([p, q * np.cos(roll), -q * np.sin(roll)])
    force = GRAVITY * np.column_stack(
        [np.sin(pitch), -np.cos(pitch) * np.sin(roll), -np.cos(pitch) * np.cos(roll)]
    )
    slow = np.arange(0.0, seconds, 0.2)
    unit = UnitLog(
        time,
        rates + 0.003 * draws.standard_normal(rates.shape),
        force + 0.05 * draws.standard_normal(force.shape),
        np.empty(0),
        np.empty((0, 4)),
        slow,
        98_200.0 + 2.0 * draws.standard_normal(slow.size),
        np.full(slow.size, 284.0) + 0.02 * draws.standard_normal(slow.size),
    )
    fixes = np.arange(0.0, seconds, 0.5)
    gps = GpsLog(
        fixes,
        46.0 + 1e-5 * draws.standard_normal(fixes.size),
        -20.0 + 1e-5 * draws.standard_normal(fixes.size),
        300.0 + draws.standard_normal(fixes.size),
        np.abs(0.05 * draws.standard_normal(fixes.size)),
        np.full(fixes.size, 90.0),
    )
    rpm = np.where(slow > 100, np.round(2200 + 30 * draws.standard_normal(slow.size), -1), 0.0)
    flat = np.full(slow.size, 90.0)
    folder.mkdir(parents=True)
    (folder / "unit.ulg").write_bytes(ulog_bytes(unit))
    start_utc = datetime(2026, 5, 14, 5, 20, tzinfo=UTC)
    (folder / "gps.gpx").write_text(gpx_text(gps, start_utc, "check"), encoding="utf-8")
    (folder / "engine.csv").write_text(
        csv_text(EngineLog(slow, rpm, flat, 4.0 * flat, 0.1 * flat, 0.14 * flat)), encoding="utf-8"
    )


def _leg(kind: str, rpm: float, heading: float, ballast: int = 0) -> list[Segment]:
    name = f"{kind} {heading:.0f}"
    to = ("turn", rpm, "heading", radians(heading), "heading", radians(18.0))
    return [
        Segment(*to, ballast=ballast, limit=60.0, floor=90.0 if kind == "power" else 150.0),
        Segment(f"settle {name}", rpm, "time", 15.0, ballast=ballast),
        Segment(f"hold {name}", rpm, "time", 60.0, kind=kind, ballast=ballast),
    ]


def glider_card() -> tuple[Segment, ...]:
    """Return a short card: three glides, cruise and full throttle twice, four ballast glides."""
    idle = DEFAULTS.idle_rpm
    climb = ("above", 330.0, "weave", radians(9.0))
    return (
        Segment("ground still, engine stopped", 0.0, "time", 40.0, kind="ground", on_ground=True),
        Segment("ground idle", idle, "time", 6.0, on_ground=True),
        Segment("take-off", FULL, "above", 15.0, "heading", radians(8.0), limit=60.0),
        Segment("climb", FULL, *climb, period=14.0, rpm_swing=450.0, limit=400.0),
        Segment("circle left", CRUISE, "turned", radians(365.0), "rate", radians(-12.0), limit=90.0),
        Segment("circle right", CRUISE, "turned", radians(365.0), "rate", radians(12.0), limit=90.0),
        *_leg("glide", idle, 200.0),
        *_leg("power", CRUISE, 300.0),
        *_leg("ballast", idle, 150.0, 1),
        *_leg("power", FULL, 40.0),
        *_leg("ballast", idle, 330.0, -1),
        *_leg("glide", idle, 240.0),
        *_leg("power", FULL, 120.0),
        *_leg("ballast", idle, 20.0, -1),
        *_leg("power", CRUISE, 60.0),
        *_leg("ballast", idle, 100.0, 1),
        *_leg("glide", idle, 180.0),
    )


def _wing(area: float, span: float, **changes: Any) -> dict[str, Any]:
    scale = area / DEFAULTS.wing_area * (span / DEFAULTS.wing_span) ** 2
    return {
        "wing_area": area,
        "wing_span": span,
        "wing_roll_inertia": DEFAULTS.wing_roll_inertia * scale,
        "wing_yaw_inertia": DEFAULTS.wing_yaw_inertia * scale,
        **changes,
    }


@dataclass(frozen=True)
class Glider:
    """A further glider on the same frame: what its sheet says beyond the simulator's, and its truth."""

    name: str
    seed: int
    wing_class: str
    highest_mass_kg: int
    truth: dict[str, Any]


GLIDERS = {
    "wing24": Glider(
        "school wing 24", 124, "beginner", 120, _wing(24.0, 11.1, trim_speed=10.7, c_l_trim=0.3e-4)
    ),
    "wing21": Glider(
        "sport wing 21",
        121,
        "advanced",
        110,
        _wing(21.0, 11.2, trim_speed=11.9, glide_ratio=7.8, c_l_trim=-0.4e-4, c_n_r=-0.066),
    ),
}


def write_glider(folder: Path, glider: Glider) -> None:
    """Fly a glider on training frame A and write its sortie."""
    sortie = simulate_sortie(
        glider.seed, world=frame(), card=glider_card(), gust_level=0.1, trim_drift=0.0, **glider.truth
    )
    write_sortie(sortie, folder)
    sheet = folder / "glider.toml"
    text = re.sub(r'^name = ".*"', f'name = "{glider.name}"', sheet.read_text(encoding="utf-8"), flags=re.M)
    text += f'wing_class = "{glider.wing_class}"\nhighest_mass_kg = {glider.highest_mass_kg}\n'
    sheet.write_text(text, encoding="utf-8", newline="\n")
    retitle(folder, f"{glider.name.capitalize()} on training frame A, calm morning")


def write_built(folder: Path) -> None:
    """Fly the frame with its hang points moved, another day, and write its sortie."""
    world, per_mm = frame(), GRAVITY / 1000.0
    sortie = simulate_sortie(
        228,
        world=world,
        gust_level=0.15,
        compensation="hang_offset",
        compensation_moment=BUILT_MM * per_mm * world.hung_mass,
        stated=Stated(
            compensation_moment=LIMIT_MM * per_mm * 100.0, compensation_moment_std=1.5 * per_mm * 100.0
        ),
    )
    write_sortie(sortie, folder)
    retitle(folder, "Training frame A, hang points moved")


def retitle(folder: Path, title: str) -> None:
    """Give a written sortie another title."""
    sheet = folder / "sortie.toml"
    text = re.sub(r'^title = ".*"', f'title = "{title}"', sheet.read_text(encoding="utf-8"), flags=re.M)
    sheet.write_text(text, encoding="utf-8", newline="\n")


def write_extras(folder: Path) -> None:
    """Write all that the tutorial needs beside the sample, into a new folder beside sample_logs."""
    write_ground_tests(folder / "ground")
    write_check(folder / "check")
    for name, glider in GLIDERS.items():
        write_glider(folder / name, glider)
    write_built(folder / "built")
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8", newline="\n")
    (folder / "balance.toml").write_text(BALANCE, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        raise SystemExit("python docs/tutorial_extras.py FOLDER")
    write_extras(Path(sys.argv[1]))
