"""The bifilar pendulum against elliptic integrals, the exact equation of motion and known pendulums."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.special import ellipk

from flightproc.channels import GRAVITY
from flightproc.errors import RigError
from flightproc.quantity import Quantity
from flightproc.rig import amplitude_factor, bifilar_inertia, damping_factor, reduce_inertia
from flightproc.sheets import InertiaEntry

MASS, SPACING, LENGTH, INERTIA = 118.0, 0.8, 2.5, 14.0


def swing(top, inertia=INERTIA, mass=MASS, d=SPACING, line=LENGTH, rub=0.0, swings=1):
    """Return the times at which the exact pendulum passes the middle the same way, and its amplitudes there.

    Lagrange's equation of (I + m z'^2) theta''/2 with z the rise; ``rub`` damps [N m s].
    """

    def rise(theta):
        root = math.sqrt(line**2 - (d * math.sin(theta / 2)) ** 2)
        first = d**2 * math.sin(theta) / (4 * root)
        second = d**2 * math.cos(theta) / (4 * root) + first**2 / root
        return first, second

    def motion(_, state):
        theta, rate = state
        first, second = rise(theta)
        moment = -mass * GRAVITY * first - rub * rate - mass * first * second * rate**2
        return [rate, moment / (inertia + mass * first**2)]

    def middle(_, state):
        return state[0]

    middle.direction = 1

    def turn(_, state):
        return state[1]

    turn.direction = -1
    longest = 8.0 * (swings + 2)
    out = solve_ivp(motion, (0, longest), [top, 0.0], events=[middle, turn], rtol=1e-11, atol=1e-12)
    return out.t_events[0][: swings + 1], out.y_events[1][:, 0]


@pytest.mark.reference
@pytest.mark.parametrize("degrees", [1.0, 5.0, 15.0, 40.0, 90.0, 150.0])
def test_long_lines_swing_like_a_plain_pendulum(degrees):
    top = math.radians(degrees)
    exact = 2.0 / math.pi * ellipk(math.sin(top / 2) ** 2)
    assert amplitude_factor(top, 1.0, 1e5, 0.4)[0] == pytest.approx(exact, rel=1e-9)


@pytest.mark.reference
@pytest.mark.parametrize(("degrees", "line"), [(5.0, 2.5), (20.0, 2.5), (45.0, 1.0), (80.0, 0.7)])
def test_short_lines_follow_the_exact_equation(degrees, line):
    times, _ = swing(math.radians(degrees), line=line)
    small = 4.0 * math.pi * math.sqrt(INERTIA * line / (MASS * GRAVITY)) / SPACING
    factor = amplitude_factor(math.radians(degrees), SPACING, line, math.sqrt(INERTIA / MASS))[0]
    assert factor == pytest.approx((times[1] - times[0]) / small, rel=1e-8)


@pytest.mark.analytic
def test_small_swings_need_no_correction():
    assert amplitude_factor(1e-4, 0.8, 2.5, 0.3)[0] == pytest.approx(1.0, abs=1e-8)
    assert amplitude_factor([0.1, 0.2, 0.3], 0.8, 2.5, 0.3).shape == (3,)


@pytest.mark.analytic
@pytest.mark.parametrize("zeta", [0.0, 0.01, 0.05, 0.2])
def test_damping_of_a_linear_oscillator(zeta):
    ratio = math.exp(2.0 * math.pi * zeta / math.sqrt(1.0 - zeta**2))
    assert damping_factor(ratio) == pytest.approx(1.0 / math.sqrt(1.0 - zeta**2), rel=1e-12)


def timed(top=0.2, rub=0.0, swings=10, **more):
    times, tops = swing(top, rub=rub, swings=swings)
    after = tops[: swings + 1]
    given = {
        "mass_kg": MASS,
        "line_spacing_m": SPACING,
        "line_length_m": LENGTH,
        "swings": swings,
        "times_s": (float(times[swings] - times[0]),) * 3,
        "time_std_s": 0.1,
        "amplitude_deg": math.degrees(float(np.mean(after))),
    }
    if rub:
        given["damping"] = float((after[0] / after[-1]) ** (1.0 / (len(after) - 1)))
    return InertiaEntry(**{**given, **more})


@pytest.mark.reference
@pytest.mark.parametrize(("degrees", "rub"), [(2.0, 0.0), (12.0, 0.0), (30.0, 0.0), (5.0, 4.0), (15.0, 1.0)])
def test_the_exact_pendulum_gives_its_inertia_back(degrees, rub):
    found = reduce_inertia(timed(math.radians(degrees), rub))
    # damped swings shrink: the square of the mean amplitude is not the mean of the squares
    assert found.inertia.value == pytest.approx(INERTIA, rel=1e-6 if rub == 0.0 else 1e-3)
    assert found.large_angle > 1.0


@pytest.mark.analytic
def test_uncorrected_it_would_be_too_large():
    entry = timed(math.radians(30.0))
    plain = bifilar_inertia(MASS, SPACING, LENGTH, entry.times_s[0] / entry.swings)
    found = reduce_inertia(entry)
    assert plain / INERTIA - 1.0 > 0.03
    assert plain / found.inertia.value == pytest.approx(found.large_angle**2, rel=1e-9)
    assert any("for the size of the swings" in word for word in found.words)


@pytest.mark.analytic
def test_standard_uncertainty_by_hand():
    entry = timed(
        math.radians(2.0), mass_std_kg=1.18, line_spacing_std_m=0.008, line_length_std_m=0.025, time_std_s=0.3
    )
    found = reduce_inertia(entry).inertia
    period = 0.3 / math.sqrt(3.0) / entry.times_s[0]
    assert found.std / found.value == pytest.approx(math.hypot(0.01, 0.02, 0.01, 2.0 * period), rel=0.03)
    assert math.hypot(*found.budget.values()) == pytest.approx(found.std, rel=0.02)
    assert found.budget["line spacing"] == pytest.approx(0.02 * found.value, rel=1e-3)


@pytest.mark.analytic
def test_scatter_of_timings():
    base = timed(math.radians(2.0))
    t = base.times_s[0]
    alone = base.model_copy(update={"times_s": (t - 0.2, t, t + 0.2, t - 0.1, t + 0.1), "time_std_s": None})
    found = reduce_inertia(alone)
    assert found.period.std == pytest.approx(np.std(alone.times_s, ddof=1) / math.sqrt(5) / 10, rel=1e-12)
    assert found.period.high95 - found.period.value == pytest.approx(2.776 * found.period.std, rel=1e-3)
    refuted = reduce_inertia(alone.model_copy(update={"time_std_s": 0.02}))
    assert any("scatter by 0.16 s, more than the 0.02 s stated" in word for word in refuted.words)
    assert refuted.period.std == pytest.approx(found.period.std)
    single = reduce_inertia(base.model_copy(update={"times_s": (t,), "time_std_s": None}))
    assert single.period.std == pytest.approx(0.02)
    assert any("nothing tells whether it repeats" in word for word in single.words)


@pytest.mark.analytic
def test_a_miscounted_swing_is_told():
    base = timed(math.radians(2.0))
    t = base.times_s[0]
    found = reduce_inertia(base.model_copy(update={"times_s": (t, t, 1.1 * t)}))
    assert any("one swing in 10 miscounted makes 10 %" in word for word in found.words)
    with pytest.raises(RigError, match="differ too much"):
        reduce_inertia(base.model_copy(update={"times_s": (t, t, 2.0 * t)}))


@pytest.mark.analytic
def test_about_the_hang_points():
    found = reduce_inertia(timed(math.radians(2.0)))
    moved = found.about_hang_points(Quantity.of(0.35, 0.02, "m"))
    assert moved.value == pytest.approx(found.inertia.value + MASS * 0.35**2, rel=1e-12)
    assert moved.budget["hang arm"] == pytest.approx(2 * MASS * 0.35 * 0.02)
    assert not found.about_hang_points(Quantity.unknown("m", "no tilt test")).known


@pytest.mark.analytic
def test_each_part_of_the_inertia_about_the_hang_points():
    found = reduce_inertia(timed(math.radians(2.0)))
    found = replace(found, inertia=Quantity.of(6.0, 0.3, "kg m^2"), mass=110.0, mass_std=2.0)
    moved = found.about_hang_points(Quantity.of(0.35, 0.02, "m"))
    parts = {"inertia": 0.3, "hang arm": 2.0 * 110.0 * 0.35 * 0.02, "mass": 0.35**2 * 2.0}
    assert moved.value == pytest.approx(6.0 + 110.0 * 0.35**2, rel=1e-12)
    assert moved.std == pytest.approx(math.hypot(*parts.values()), rel=1e-12)
    assert moved.budget == pytest.approx(parts)
    exact = found.about_hang_points(Quantity.of(0.35, 0.0, "m"))
    assert set(exact.budget) == {"inertia", "mass"}


@pytest.mark.analytic
def test_an_amplitude_counts_by_what_it_corrects():
    """Against the inertia with the amplitude moved by its uncertainty."""
    entry = timed(math.radians(30.0), amplitude_std_deg=1.5)
    found = reduce_inertia(entry).inertia
    ends = [
        reduce_inertia(entry.model_copy(update={"amplitude_deg": entry.amplitude_deg + sign * 1.5})).inertia
        for sign in (1.0, -1.0)
    ]
    assert found.budget["amplitude"] == pytest.approx(abs(ends[0].value - ends[1].value) / 2.0, rel=0.01)
    exact = reduce_inertia(entry.model_copy(update={"amplitude_std_deg": 0.0})).inertia
    assert "amplitude" not in exact.budget


@pytest.mark.analytic
@pytest.mark.parametrize(("size", "follows"), [(0.97, False), (1.0, True)])
def test_timings_refute_what_is_stated_at_five_percent(size, follows):
    """With n timings (n - 1) s^2 / u^2 follows chi^2: 7.81 at three degrees of freedom."""
    base = timed(math.radians(2.0), time_std_s=0.1)
    spread = size * 0.1 * math.sqrt(7.9 / 4.0)
    times = tuple(base.times_s[0] + x * spread for x in (1.0, -1.0, 1.0, -1.0))
    found = reduce_inertia(base.model_copy(update={"times_s": times}))
    assert any("the interval follows the scatter" in word for word in found.words) == follows
    half = (found.period.high95 - found.period.value) / found.period.std
    assert half == pytest.approx(3.182446 if follows else 1.959964, rel=1e-5)
