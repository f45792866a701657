"""Notes of tilt test and pendulum give back the true unit, by hand and through the program."""

from __future__ import annotations

from dataclasses import replace
from math import atan, cos, degrees, pi, radians, sin, sqrt
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from flightproc.channels import GRAVITY
from flightproc.rig.inertia import reduce_inertia
from flightproc.rig.tilt import reduce_tilt
from flightproc.sheets.load import load_aircraft
from flightproc.simulate import DEFAULTS
from flightproc.simulate.family import draw_member
from flightproc.simulate.ground_day import (
    ANGLE_STD,
    LINE_LENGTH,
    LINE_SPACING,
    SWINGS,
    roll_inertia,
    swing_pendulum,
    tilt_unit,
)
from flightproc.simulate.sheet_texts import aircraft_text


@pytest.mark.synthetic
def test_tilt_readings_scatter_about_the_true_lean() -> None:
    lean = degrees(atan(5.0 * 0.30 / (100.0 * 0.35)))
    half, spread = [], []
    for seed in range(200):
        notes = tilt_unit(DEFAULTS, np.random.default_rng(seed))
        right = [a for s, a in zip(notes.side, notes.angle, strict=True) if s == "right"]
        left = [a for s, a in zip(notes.side, notes.angle, strict=True) if s == "left"]
        assert len(right) == len(left) == 3 and len(notes.zero) == 2
        half.append((np.mean(right) - np.mean(left)) / 2)
        spread.append(np.var(right, ddof=1))
    assert np.mean(half) == pytest.approx(lean, abs=3 * ANGLE_STD / sqrt(6 * 200))
    assert np.std(half) == pytest.approx(ANGLE_STD / sqrt(6), rel=0.2)
    assert sqrt(np.mean(spread)) == pytest.approx(ANGLE_STD, rel=0.12)


@pytest.mark.synthetic
def test_pendulum_times_give_back_the_inertia() -> None:
    unit = replace(DEFAULTS, hung_inertia=20.0)
    seen = []
    for seed in range(200):
        notes = swing_pendulum(unit, np.random.default_rng(seed))
        period = np.mean(notes.times) / SWINGS / (1 + radians(notes.amplitude) ** 2 / 16)
        seen.append(100.0 * GRAVITY * LINE_SPACING**2 * period**2 / (16 * pi**2 * LINE_LENGTH))
    assert np.mean(seen) == pytest.approx(roll_inertia(unit), rel=0.005)
    assert 0.01 < np.std(seen) / roll_inertia(unit) < 0.025  # spacing 1.3 %, length 0.5 %, timing 0.5 %


@pytest.mark.reference
def test_amplitude_lengthens_the_exact_bifilar_swing_as_told() -> None:
    # upright lines: height z = L - sqrt(L^2 - d^2 / 2 (1 - cos a)), kinetic energy of lifting left in
    mass, inertia, d, length, start = 100.0, 7.75, LINE_SPACING, LINE_LENGTH, radians(10.0)

    def slope(angle: float) -> float:
        return d**2 / 2 * sin(angle) / (2 * sqrt(length**2 - d**2 / 2 * (1 - cos(angle))))

    def motion(_: float, state: np.ndarray) -> list[float]:
        angle, rate = state
        step = 1e-6
        dz = slope(angle)
        bend = (slope(angle + step) - slope(angle - step)) / (2 * step)
        return [rate, -mass * dz * (GRAVITY + bend * rate**2) / (inertia + mass * dz**2)]

    def crossing(_: float, state: np.ndarray) -> float:
        return float(state[0])

    crossing.terminal = True  # type: ignore[attr-defined]
    solution = solve_ivp(motion, (0.0, 5.0), [start, 0.0], events=crossing, rtol=1e-10, atol=1e-12)
    quarter = float(solution.t_events[0][0])
    small = pi * sqrt(inertia * length / (mass * GRAVITY * d**2))
    assert quarter / small == pytest.approx(1 + start**2 / 16, abs=4e-4)


@pytest.mark.synthetic
def test_ground_tests_of_a_family_go_through_the_program(tmp_path: Path) -> None:
    tilts, inertias = [], []
    for index in range(2, 50, 4):
        member = draw_member(21, index)
        assert member.stated.calibration == "inertia"
        generator = np.random.default_rng(index)
        unit = member.parameters
        path = tmp_path / "aircraft.toml"
        tilt, pendulum = tilt_unit(unit, generator), swing_pendulum(unit, generator)
        path.write_text(aircraft_text(unit, member.stated, tilt, pendulum), encoding="utf-8")
        sheet = load_aircraft(path)
        assert sheet.tilt_test is not None and sheet.inertia is not None
        stiffness = reduce_tilt(sheet.tilt_test, sheet.hung_mass_kg, sheet.hung_mass_std_kg).weight_stiffness
        inertia = reduce_inertia(sheet.inertia).inertia
        tilts.append((stiffness.value - unit.hung_mass * GRAVITY * unit.hang_arm) / stiffness.std)
        inertias.append((inertia.value - roll_inertia(unit)) / inertia.std)
    for z in (tilts, inertias):
        assert np.mean(z) == pytest.approx(0.0, abs=3.0 / len(z) ** 0.5)
        assert np.std(z) == pytest.approx(1.0, abs=3.0 / (2 * len(z)) ** 0.5)
