"""Write what the tutorials need beside the sample sortie: ``python docs/tutorial_extras.py tutorial``.

All simulated from seeds, most with training frame A of the sample: the notes of its ground tests, a check of
the instruments, sorties with two other gliders, with a light pilot, with the hang points moved and without an
engine log; with a plan sheet and a balance sheet. Rig days of training frame B. And sheets and logs with what
goes wrong in them.
"""

from __future__ import annotations

import re
import shutil
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from math import radians
from pathlib import Path
from typing import Any

import numpy as np

from flightproc.channels import GRAVITY
from flightproc.simulate import SimulatedSortie, simulate_sortie, write_sortie
from flightproc.simulate.ground_day import swing_pendulum, tilt_unit
from flightproc.simulate.parameters import DEFAULTS, Parameters, Stated
from flightproc.simulate.rig_day import RigReading, take_readings
from flightproc.simulate.scenario import Segment
from flightproc.simulate.sensors import EngineLog, GpsLog, UnitLog
from flightproc.simulate.sheet_texts import aircraft_text
from flightproc.simulate.sortie import draw_truth
from flightproc.simulate.sound import sound_of, wav_bytes
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
    low = replace(
        unit, force=np.clip(unit.force, -0.98 * GRAVITY, 0.98 * GRAVITY), rates=unit.rates * [1, -1, 1]
    )
    (folder / "faulty.ulg").write_bytes(ulog_bytes(low))
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


def write_glider(folder: Path, glider: Glider) -> SimulatedSortie:
    """Fly a glider on training frame A, write its sortie and return it."""
    sortie = simulate_sortie(
        glider.seed, world=frame(), card=glider_card(), gust_level=0.1, trim_drift=0.0, **glider.truth
    )
    write_sortie(sortie, folder)
    sheet = folder / "glider.toml"
    text = re.sub(r'^name = ".*"', f'name = "{glider.name}"', sheet.read_text(encoding="utf-8"), flags=re.M)
    text += f'wing_class = "{glider.wing_class}"\nhighest_mass_kg = {glider.highest_mass_kg}\n'
    sheet.write_text(text, encoding="utf-8", newline="\n")
    retitle(folder, f"{glider.name.capitalize()} on training frame A, calm morning")
    return sortie


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


# ---------------------------------------------------------------- a rig day

RIG_FRAME = replace(
    DEFAULTS, gear_ratio=2.65, propeller_diameter=1.3, torque_coefficient=0.0041, thrust_coefficient=0.074
)
"""The truth of training frame B, which is on the rig only."""
RIG_SPEEDS = (7400.0, 5000.0, 6600.0, 4300.0, 5800.0)
"""Settings of the first rig day, in the order of the notes."""


def rig_notes(
    title: str, day: str, readings: Sequence[RigReading], *, diameter: float = 1.3, swings: bool = False
) -> str:
    """Return a rig sheet as a person fills in the short template."""
    lines = [
        f'name = "{title}"',
        f"date = {day}",
        'kind = "two_point"',
        "spacing_m = 0.38",
        "scale_resolution_kg = 0.1",
        f"gear_ratio = {RIG_FRAME.gear_ratio:g}",
        f"diameter_m = {diameter:g}",
        "",
        "readings = [",
    ]
    for r in readings:
        text = f"rpm = {r.rpm:.0f}, left_kg = {r.left}, right_kg = {r.right}"
        if swings:
            text += f", left_low_kg = {r.left_low}, left_high_kg = {r.left_high}"
            text += f", right_low_kg = {r.right_low}, right_high_kg = {r.right_high}"
        thrust = f", thrust_N = {r.thrust:.0f}, thrust_std_N = 8" if r.rpm else ""
        lines.append(f"  {{ {text}{thrust} }},")
    lines += ["]", "", "[air]", "pressure_hPa = 987", "temperature_C = 16"]
    return "\n".join(lines) + "\n"


def write_rig_days(folder: Path) -> None:
    """Write two rig days of frame B, and three sheets with something wrong."""
    folder.mkdir(parents=True)
    draws = np.random.default_rng(5)
    may = take_readings(RIG_FRAME, draws, RIG_SPEEDS).readings
    june = take_readings(RIG_FRAME, draws, (4700.0, 5400.0, 6200.0, 7100.0)).readings
    few = [r for r in may if r.rpm in (0.0, 5000.0, 5800.0, 7400.0)]
    leg = [_with_leg(r) for r in may]
    for name, text in {
        "may": rig_notes("frame B, May", "2026-05-09", may),
        "june": rig_notes("frame B, June", "2026-06-13", june, swings=True),
        "three": rig_notes("frame B, three settings", "2026-05-09", few),
        "leg": rig_notes("frame B, a leg down", "2026-05-09", leg),
        "radius": rig_notes("frame B, radius typed", "2026-05-09", may, diameter=0.65),
    }.items():
        (folder / f"{name}.toml").write_text(text, encoding="utf-8", newline="\n")


def _with_leg(r: RigReading) -> RigReading:
    """Return a reading with a leg that pushes the left scale down by up to 6 kg as thrust grows."""
    return replace(r, left=round(r.left + 6.0 * (r.rpm / 7400.0) ** 2, 1))


# ---------------------------------------------------------------- without an engine log

SHORT = ("glide 200", "power 300", "power 40", "glide 240")
"""Holds of the short cards, by name in the glider's card."""


def short_card(*holds: str) -> tuple[Segment, ...]:
    """Return the beginning of the glider's card and some of its holds with the turn before each."""
    card = glider_card()
    out = list(card[: next(i for i, s in enumerate(card) if s.label == "turn")])
    for name in holds:
        hold = next(i for i, s in enumerate(card) if s.label == f"hold {name}")
        out += card[hold - 2 : hold + 1]
    return tuple(out)


def other_logs(folder: Path, sheet: str, log: str = "") -> None:
    """Write a second sortie sheet with another log, or none, in place of the engine's."""
    text = (folder / "sortie.toml").read_text(encoding="utf-8")
    first, last = text.index('[[logs]]\nname = "engine"'), text.index("[air]")
    (folder / sheet).write_text(text[:first] + log + text[last:], encoding="utf-8", newline="\n")


SOUND = '[[logs]]\nname = "sound"\nfile = "sound.wav"\nrole = "other"\n\n'


def write_sound(folder: Path, sortie: SimulatedSortie) -> None:
    """Write what a recorder on the pilot heard of a sortie, and sheets with it and with neither."""
    rate = 4000.0
    sound = sound_of(sortie.flight, sortie.parameters, np.random.default_rng(24), rate)
    (folder / "sound.wav").write_bytes(wav_bytes(sound, rate))
    other_logs(folder, "sound.toml", SOUND)
    other_logs(folder, "nothing.toml")


def write_vibration(folder: Path) -> SimulatedSortie:
    """Fly a short card with a unit's log fast enough for the engine's lines; leave the engine's log out."""
    sortie = simulate_sortie(
        31,
        world=frame(),
        card=short_card(*SHORT),
        gust_level=0.12,
        trim_drift=0.0,
        imu_rate=100.0,
        vibration=1.5,
        vibration_jitter=0.02,
    )
    write_sortie(sortie, folder)
    retitle(folder, "No engine log: vibration")
    other_logs(folder, "vibration.toml")
    return sortie


def write_light(folder: Path) -> None:
    """Fly school wing 24 with a light pilot, without ballast legs, and write the sortie."""
    glider = GLIDERS["wing24"]
    stated = Stated(hung_mass=85.0, calibration="prior")
    world = replace(frame(), hung_mass=85.4)
    sortie = simulate_sortie(
        185,
        world=world,
        stated=stated,
        card=short_card(*SHORT, "power 120", "power 60"),
        gust_level=0.1,
        trim_drift=0.0,
        **glider.truth,
    )
    write_sortie(sortie, folder)
    for name in ("glider.toml", "rig.toml"):
        shutil.copyfile(folder.parent / "wing24" / name, folder / name)
    retitle(folder, "Wing 24, light pilot")


# ---------------------------------------------------------------- things that go wrong

PHONE = """[logs.columns]
time = { column = "time (s)", unit = "s" }
specific_force_x = { column = "ay (m/s^2)", unit = "m/s^2" }
specific_force_y = { column = "ax (m/s^2)", unit = "m/s^2" }
specific_force_z = { column = "az (m/s^2)", unit = "m/s^2", sign = -1 }
roll_rate = { column = "gy (deg/s)", unit = "deg/s" }
pitch_rate = { column = "gx (deg/s)", unit = "deg/s" }
yaw_rate = { column = "gz (deg/s)", unit = "deg/s", sign = -1 }
"""
"""A phone that lies flat, screen up, its top forward; its x points right, its y forward, its z up."""
FAULTS = {
    "sortie.toml": (('side = "right"', 'side = "rigth"'), ("end_s = 887", "end_s = 803")),
    "aircraft.toml": (("hung_mass_kg = 100.0", "hung_mass_kg = 1000"),),
    "glider.toml": (("flat_span_m", "flat_spam_m"),),
}
"""Slips of the pen in copies of the sample's sheets."""


def write_faults(folder: Path) -> None:
    """Write the sample's sheets with slips of the pen."""
    folder.mkdir(parents=True)
    source = Path(SAMPLE)
    for name, slips in FAULTS.items():
        text = (source / name).read_text(encoding="utf-8")
        for right, wrong in slips:
            text = text.replace(right, wrong, 1)
        text = re.sub(r'(file|rig) = "(?=unit|gps|engine|rig)', rf'\1 = "../../{SAMPLE}/', text)
        (folder / name).write_text(text, encoding="utf-8", newline="\n")


def write_damaged(folder: Path) -> None:
    """Write logs with the usual troubles: cut off, spreadsheet style, a phone's, a gyro the wrong way."""
    folder.mkdir(parents=True)
    source = Path(SAMPLE)
    whole = (source / "unit.ulg").read_bytes()
    (folder / "cut.ulg").write_bytes(whole[: len(whole) // 3])
    rows = (source / "engine.csv").read_text(encoding="utf-8").splitlines()[1:401]
    table = ["Zeit;Drehzahl;Kopf"] + [";".join(r.split(",")[:3]).replace(".", ",") for r in rows]
    (folder / "engine.csv").write_text("\n".join(table) + "\n", encoding="utf-8")
    (folder / "notes.docx").write_bytes(b"PK\x03\x04" + bytes(200))
    draws = np.random.default_rng(3)
    time = np.arange(0.0, 60.0, 0.02)
    noise = draws.standard_normal((time.size, 6))
    phone = ["time (s),ax (m/s^2),ay (m/s^2),az (m/s^2),gx (deg/s),gy (deg/s),gz (deg/s)"]
    phone += [
        f"{t:.2f},{0.05 * a:.3f},{0.05 * b:.3f},{9.81 + 0.05 * c:.3f},{d:.2f},{e:.2f},{f:.2f}"
        for t, (a, b, c, d, e, f) in zip(time.tolist(), noise.tolist(), strict=True)
    ]
    (folder / "phone.csv").write_text("\n".join(phone) + "\n", encoding="utf-8")


def write_backwards(folder: Path, sortie: SimulatedSortie) -> None:
    """Write a sortie whose yaw gyro counts the other way."""
    unit = replace(
        sortie.unit, rates=sortie.unit.rates * np.array([1.0, 1.0, -1.0]), attitude_time=np.empty(0)
    )
    write_sortie(replace(sortie, unit=unit), folder)


def write_troubled(folder: Path) -> None:
    """Fly one way only, with a brake pulled in one hold, and write a sheet with a wrong clock and no rig."""
    card = [s for s in short_card("glide 200") if s.kind != "glide" and "circle" not in s.label][:-2]
    idle = DEFAULTS.idle_rpm
    card += [*_leg("glide", idle, 10.0), *_leg("power", CRUISE, 20.0), *_leg("power", FULL, 0.0)]
    last = len(card) - 1
    card[last] = replace(card[last], brake=radians(3.0), brake_start=25.0, brake_end=33.0)
    sortie = simulate_sortie(
        77, world=frame(), card=tuple(card), gust_level=0.12, stated=Stated(calibration="prior")
    )
    write_sortie(sortie, folder)
    sheet = folder / "sortie.toml"
    text = sheet.read_text(encoding="utf-8").replace('rig = "rig.toml"\n', "")
    text = text.replace('role = "engine"\n', 'role = "engine"\nclock_offset_s = -36\n')
    start = sortie.planned_holds[-1]["start_s"] + 25.0
    text += f"\n[[notes]]\nstart_s = {start:.0f}\nend_s = {start + 8:.0f}\nhands_off = false\n"
    text += 'text = "right brake, looked for traffic"\n'
    sheet.write_text(text, encoding="utf-8", newline="\n")
    retitle(folder, "A morning with troubles")
    slip = sheet.read_text(encoding="utf-8").replace('unit = "rpm"', 'unit = "mph"')
    (folder / "units.toml").write_text(slip, encoding="utf-8", newline="\n")


def write_extras(folder: Path) -> None:
    """Write all that the tutorials need beside the sample, into a new folder beside sample_logs."""
    write_ground_tests(folder / "ground")
    write_check(folder / "check")
    flown = {name: write_glider(folder / name, glider) for name, glider in GLIDERS.items()}
    write_built(folder / "built")
    write_rig_days(folder / "rig-day")
    write_sound(folder / "wing24", flown["wing24"])
    fast = write_vibration(folder / "vibration")
    write_light(folder / "light")
    write_faults(folder / "faults")
    write_damaged(folder / "damaged")
    write_backwards(folder / "backwards", fast)
    write_troubled(folder / "troubled")
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8", newline="\n")
    (folder / "balance.toml").write_text(BALANCE, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        raise SystemExit("python docs/tutorial_extras.py FOLDER")
    if not Path(SAMPLE).is_dir():
        raise SystemExit(f"{SAMPLE} is not here: run this in the folder of the repository")
    if Path(sys.argv[1]).exists():
        raise SystemExit(f"{sys.argv[1]} is there already: remove it, or name another folder")
    write_extras(Path(sys.argv[1]))
