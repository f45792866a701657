"""What turns, scales or does not matter in single stages: rig, wind circle, change points, blade elements."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from flightproc.holds.changes import segment_levels
from flightproc.propeller import AnalyticPolar, Blade
from flightproc.propeller.elements import solve_elements
from flightproc.quantity import Quantity
from flightproc.rig import mean_through_swing, reduce_rig
from flightproc.rig.model import RigCurve
from flightproc.sheets import RigSheet, load_rig
from flightproc.sortie.circle import fit_wind_circle

pytestmark = pytest.mark.analytic

RIG = Path(__file__).parents[1] / "sample_logs" / "school-wing-28" / "rig.toml"
SEEDS = st.integers(0, 2**32 - 1)
FACTORS = st.floats(0.05, 20.0)
ANGLES = st.floats(-np.pi, np.pi)
SOME = settings(max_examples=15)


@cache
def rig_sheet() -> RigSheet:
    return load_rig(RIG)


def reduced(sheet: RigSheet) -> RigCurve:
    return reduce_rig(sheet, gear_ratio=2.8, diameter=1.28, reaction_sign=1)


@cache
def as_read() -> RigCurve:
    return reduced(rig_sheet())


@SOME
@given(factor=FACTORS)
def test_torque_and_coefficients_of_a_rig_scale_with_the_spacing_of_its_scales(factor: float) -> None:
    sheet = rig_sheet()
    assert sheet.spacing_m is not None
    curve, wanted = (
        reduced(
            sheet.model_copy(
                update={"spacing_m": sheet.spacing_m * k, "spacing_std_m": sheet.spacing_std_m * k}
            )
        )
        for k in (factor, 1.0)
    )
    for here, there in zip(curve.points, wanted.points, strict=True):
        assert here.torque.value == pytest.approx(factor * there.torque.value, rel=1e-12)
        assert here.torque.std == pytest.approx(factor * there.torque.std, rel=1e-9)
        assert here.torque_coefficient.value == pytest.approx(
            factor * there.torque_coefficient.value, rel=1e-12
        )
        assert here.power.value == pytest.approx(factor * there.power.value, rel=1e-12)
    for mine, other in zip(curve.fits, wanted.fits, strict=True):
        assert mine.chi2 == pytest.approx(other.chi2, rel=1e-6, abs=1e-9)
    assert curve.chosen.name == wanted.chosen.name


def test_a_rig_that_counts_the_other_way_shows_the_same_torque_to_the_other_side() -> None:
    sheet = rig_sheet()
    names = [name for name in type(sheet.readings[0]).model_fields if name.startswith(("left", "right"))]

    def other(name: str) -> str:
        side, _, rest = name.partition("_")
        return f"{'right' if side == 'left' else 'left'}_{rest}"

    readings = tuple(r.model_copy(update={n: getattr(r, other(n)) for n in names}) for r in sheet.readings)
    curve = reduced(sheet.model_copy(update={"readings": readings}))
    assert curve.sense == -as_read().sense
    for here, there in zip(curve.points, as_read().points, strict=True):
        assert here.torque.value == there.torque.value > 0.0
        assert here.torque.std == there.torque.std
    assert any("swapped" in words for words in curve.warnings)


@SOME
@given(kilograms=st.floats(-30.0, 30.0), order=st.randoms())
def test_what_hangs_on_both_scales_and_the_order_of_readings_do_not_matter(
    kilograms: float, order: object
) -> None:
    sheet = rig_sheet()
    names = [n for n in type(sheet.readings[0]).model_fields if n.startswith(("left", "right"))]
    readings = [
        r.model_copy(update={n: getattr(r, n) + kilograms for n in names if getattr(r, n) is not None})
        for r in sheet.readings
    ]
    order.shuffle(readings)  # type: ignore[attr-defined]
    curve = reduced(sheet.model_copy(update={"readings": tuple(readings)}))
    for here, there in zip(curve.points, as_read().points, strict=True):
        assert here.rpm == there.rpm
        assert here.torque.value == pytest.approx(there.torque.value, rel=1e-9)


def velocities(seed: int) -> NDArray[np.float64]:
    """Return ground velocities of a few turns in wind, shape (2, n) [m/s]."""
    random = np.random.default_rng(seed)
    heading = np.cumsum(random.uniform(0.05, 0.3, 60))
    air = 10.5 * np.array([np.cos(heading), np.sin(heading)])
    return air + random.uniform(-5.0, 5.0, (2, 1)) + 0.2 * random.standard_normal((2, 60))


@given(seed=SEEDS, angle=ANGLES, factor=FACTORS, more=st.tuples(st.floats(-9, 9), st.floats(-9, 9)))
def test_wind_turns_scales_and_moves_with_the_ground_velocities(
    seed: int, angle: float, factor: float, more: tuple[float, float]
) -> None:
    ground, moved = velocities(seed), np.array(more)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    plain = fit_wind_circle(*ground)
    fit = fit_wind_circle(*(factor * turn @ (ground + moved[:, None])))
    wind = factor * turn @ (np.array([plain.north, plain.east]) + moved)
    assert np.allclose([fit.north, fit.east], wind, rtol=0, atol=1e-7 * factor)
    assert fit.airspeed == pytest.approx(factor * plain.airspeed, rel=1e-8)
    both = np.zeros((3, 3))
    both[:2, :2], both[2, 2] = turn, 1.0
    assert np.allclose(
        fit.covariance, factor**2 * both @ plain.covariance @ both.T, rtol=1e-5, atol=1e-9 * factor**2
    )


@given(seed=SEEDS)
def test_wind_in_a_mirror_and_in_another_order(seed: int) -> None:
    north, east = velocities(seed)
    order = np.random.default_rng(seed).permutation(north.size)
    plain, mirror, mixed = (
        fit_wind_circle(*pair) for pair in ((north, east), (north, -east), (north[order], east[order]))
    )
    assert [mirror.north, -mirror.east, mirror.airspeed] == pytest.approx(
        [plain.north, plain.east, plain.airspeed]
    )
    assert [mixed.north, mixed.east, mixed.airspeed] == pytest.approx(
        [plain.north, plain.east, plain.airspeed]
    )


def steps(seed: int) -> NDArray[np.float64]:
    random = np.random.default_rng(seed)
    levels = random.uniform(2000.0, 8000.0, random.integers(1, 7))
    series = np.repeat(levels, random.integers(15, 60, levels.size))
    return series + 20.0 * random.standard_normal(series.size)


@given(seed=SEEDS, factor=FACTORS, shift=st.floats(-1e4, 1e4))
def test_changes_stay_where_they_are_whatever_the_unit_and_the_direction_of_time(
    seed: int, factor: float, shift: float
) -> None:
    values = steps(seed)
    penalty = 5000.0
    plain = segment_levels(values, penalty=penalty, min_size=10)
    for sign in (1.0, -1.0):
        found = segment_levels(sign * factor * values + shift, penalty=factor**2 * penalty, min_size=10)
        assert found == plain
    back = segment_levels(values[::-1].copy(), penalty=penalty, min_size=10)
    assert [values.size - place for place in back[::-1]] == plain


@SOME
@given(
    size=st.floats(0.2, 5.0),
    dense=st.floats(0.3, 3.0),
    rpm=st.floats(800.0, 3500.0),
    speed=st.floats(0.0, 25.0),
)
def test_coefficients_of_a_propeller_do_not_depend_on_its_size_or_the_density(
    size: float, dense: float, rpm: float, speed: float
) -> None:
    """At one advance ratio, Reynolds number and no compressibility."""
    blade = Blade.helical(diameter=1.25, pitch=0.6, blades=2)
    large = replace(
        blade,
        diameter=blade.diameter * size,
        radius=blade.radius * size,
        width=blade.width * size,
        chord=blade.chord * size,
        hub_radius=blade.hub_radius * size,
    )
    plain = solve_elements(blade, AnalyticPolar(), rpm, speed, 1.2)
    found = solve_elements(
        large, AnalyticPolar(), rpm, speed * size, 1.2 * dense, viscosity=1.789e-5 * dense * size**2
    )
    for name in ("thrust_coefficient", "power_coefficient", "torque_coefficient", "advance_ratio", "alpha"):
        np.testing.assert_allclose(getattr(found, name), getattr(plain, name), rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(found.torque, dense * size**5 * plain.torque, rtol=1e-9)


@SOME
@given(factor=st.floats(0.3, 3.0), rpm=st.floats(800.0, 3500.0), speed=st.floats(0.0, 20.0))
def test_a_propeller_turning_faster_in_faster_air_draws_torque_by_the_square(
    factor: float, rpm: float, speed: float
) -> None:
    blade = Blade.helical(diameter=1.25, pitch=0.6, blades=2)
    plain = solve_elements(blade, AnalyticPolar(), rpm, speed, 1.2)
    found = solve_elements(
        blade, AnalyticPolar(), rpm * factor, speed * factor, 1.2, viscosity=1.789e-5 * factor
    )
    np.testing.assert_allclose(found.torque, factor**2 * plain.torque, rtol=1e-9)


@SOME
@given(seed=SEEDS, factor=FACTORS, start=st.floats(-1e4, 1e4), level=st.floats(-50.0, 50.0))
def test_the_mean_through_a_swing_scales_and_does_not_mind_when_it_was_read(
    seed: int, factor: float, start: float, level: float
) -> None:
    random = np.random.default_rng(seed)
    time = np.arange(0.0, 15.0, 0.1)
    values = 0.8 * np.sin(2.0 * np.pi * time / 2.1 + random.uniform(0, 6)) + 0.05 * random.standard_normal(
        time.size
    )
    plain, found = mean_through_swing(time, values), mean_through_swing(time + start, factor * values + level)
    assume(plain.period is not None)
    assert found.mean - level == pytest.approx(factor * plain.mean, abs=1e-4 * factor)
    assert found.std == pytest.approx(factor * plain.std, rel=1e-3)


NUMBERS = st.floats(-1e6, 1e6, allow_subnormal=False).filter(lambda x: x == 0 or abs(x) > 1e-6)


@given(
    value=NUMBERS,
    std=st.floats(1e-3, 1e6),
    dof=st.sampled_from([1.0, 4.0, np.inf]),
    factor=NUMBERS.filter(bool),
)
def test_a_quantity_in_another_unit_and_back(value: float, std: float, dof: float, factor: float) -> None:
    plain = Quantity.of(value, std, "m", dof=dof, budget={"scale": std})
    other = plain.scaled(factor, "ft")
    assert other.std is not None and other.std >= 0.0 and other.unit == "ft"
    assert other.low95 <= other.low68 <= other.value <= other.high68 <= other.high95
    back = other.scaled(1.0 / factor, "m")
    for name in ("value", "std", "low95", "high95", "low68", "high68"):
        assert getattr(back, name) == pytest.approx(getattr(plain, name), rel=1e-12, abs=1e-12)
    assert back.budget["scale"] == pytest.approx(std)


@given(seed=SEEDS, factor=FACTORS, shift=st.floats(-100.0, 100.0))
def test_a_quantity_from_draws_moves_with_them(seed: int, factor: float, shift: float) -> None:
    draws = np.random.default_rng(seed).gamma(2.0, size=400)
    for shortest in (False, True):
        plain = Quantity.from_samples(draws, shortest=shortest)
        for sign in (1.0, -1.0):
            found = Quantity.from_samples(sign * factor * draws + shift, shortest=shortest)
            wanted = plain.scaled(sign * factor, "")
            for name in ("value", "low95", "high95", "low68", "high68"):
                assert getattr(found, name) == pytest.approx(
                    getattr(wanted, name) + shift, rel=1e-9, abs=1e-9
                )
            assert found.std == pytest.approx(wanted.std, rel=1e-9)
