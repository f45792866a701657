"""Truth given back by the joint solution of all holds, from hold levels drawn around a known truth."""

from __future__ import annotations

import numpy as np
import pytest

from flightproc.channels import GRAVITY
from flightproc.errors import EstimateError
from flightproc.holds.model import Hold, HoldKind
from flightproc.moment.calibrate import Frame, Wing, make_priors
from flightproc.moment.observe import Observations
from flightproc.moment.solve import MomentSolution, solve_moments
from flightproc.statistics.autoregression import LevelFit

pytestmark = pytest.mark.synthetic

FRAME = Frame(mass=110.0, mass_std=1.0, hang_arm=0.35, hang_arm_std=0.05)
WING = Wing(area=25.0, span=11.5, trim_speed=10.8)
SPEED, DENSITY = 10.8, 1.15
MOMENTS = (9.0, 13.0, 18.0, 24.0)
ETA_STD, TURN_STD = np.radians(0.10), np.radians(0.12)


def plan(ballast: bool, sign: float = 1.0) -> list[Hold]:
    holds: list[Hold] = []

    def add(kind: HoldKind, moment: float = 0.0, rpm: float = 0.0) -> None:
        start = 90.0 * len(holds)
        holds.append(
            Hold(
                start,
                start + 60.0,
                kind,
                True,
                rpm,
                ballast_moment=sign * moment,
                ballast_moment_std=abs(moment) * 0.02,
            )
        )

    for _ in range(2):
        add(HoldKind.GLIDE)
        for number in range(len(MOMENTS)):
            add(HoldKind.POWER, rpm=5000.0 + 800.0 * number)
        add(HoldKind.GLIDE)
        if ballast:
            add(HoldKind.BALLAST, 14.7)
            add(HoldKind.BALLAST, -14.7)
    return holds


def draw(
    holds: list[Hold], rng: np.random.Generator, *, sign: float = 1.0, excess: float = 0.0
) -> tuple[Observations, np.ndarray, float]:
    """Return observations, true power moments and the true stiffness."""
    weight = (FRAME.mass + rng.normal()) * GRAVITY * (FRAME.hang_arm + 0.05 * rng.normal())
    stiffness = weight + rng.uniform(0.0, 440.0)
    c_l, c_0 = rng.uniform(2.0, 6.0), rng.normal() * 0.002
    eta_0, drift = rng.normal() * np.radians(1.0), rng.normal() * np.radians(0.3) / 3600.0
    ballast_error = 1.0 + 0.02 * rng.normal()
    k = len(holds)
    numbers = [round((h.rpm - 5000.0) / 800.0) if h.kind is HoldKind.POWER else -1 for h in holds]
    power = np.array([MOMENTS[n] if n >= 0 else 0.0 for n in numbers]) * sign
    total = power + np.array([h.ballast_moment for h in holds]) * ballast_error
    middle = np.array([(h.start + h.end) / 2 for h in holds])
    since = middle - middle.mean()
    eta = eta_0 + drift * since + total / stiffness
    gain = 1.0 / (0.5 * DENSITY * SPEED**2 * WING.area * WING.span)
    turn = (c_0 + c_l * total * gain) * 2.0 * SPEED / WING.span + np.where(power != 0.0, excess, 0.0)
    covariance = np.diag(np.tile([ETA_STD**2, TURN_STD**2], k))
    covariance[0::2, 1::2] = covariance[1::2, 0::2] = np.eye(k) * 0.3 * ETA_STD * TURN_STD
    noise = rng.multivariate_normal(np.zeros(2 * k), covariance)
    fit = LevelFit(np.zeros((k, 2)), covariance, 1, np.zeros((1, 2, 2)), np.diag([1e-6, 1e-6]), 1.0, 0.0)
    constant = np.full(k, 1.0)
    observed = Observations(
        middle=middle,
        hang_roll=eta + noise[0::2],
        turn_rate=turn + noise[1::2],
        covariance=covariance,
        airspeed=SPEED * constant,
        airspeed_std=0.03 * constant,
        bank=np.nan * constant,
        bank_std=np.nan * constant,
        rpm=np.array([h.rpm for h in holds]),
        rpm_std=constant,
        density=DENSITY * constant,
        load=GRAVITY * constant,
        hang_pitch=0.0 * constant,
        noise=fit,
    )
    return observed, power, stiffness


def solve(observed: Observations, holds: list[Hold], seed: int = 1) -> MomentSolution:
    return solve_moments(observed, holds, FRAME, WING, make_priors(FRAME, WING), draws=4000, seed=seed)


@pytest.mark.parametrize("ballast", [True, False])
def test_intervals_hold_the_truth_as_often_as_they_say(ballast: bool) -> None:
    rng = np.random.default_rng(11)
    holds = plan(ballast)
    inside, errors, stds = [], [], []
    for seed in range(150):
        observed, power, _ = draw(holds, rng)
        solution = solve(observed, holds, seed)
        for quantity, truth in zip(solution.roll_moment, power, strict=True):
            if quantity.value is None:
                continue
            inside.append(quantity.low95 <= truth <= quantity.high95)
            errors.append(quantity.value - truth)
            stds.append(quantity.std)
    z = np.array(errors) / np.array(stds)
    # 150 sorties share K over their 8 power holds, so the effective count is near 150: 99 % binomial band
    assert 0.90 <= np.mean(inside) <= 0.99
    assert abs(z.mean()) < 0.2
    assert 0.85 < z.std() < 1.15


def test_ballast_narrows_the_interval() -> None:
    rng = np.random.default_rng(5)
    wide_holds, narrow_holds = plan(False), plan(True)
    wide = solve(draw(wide_holds, rng)[0], wide_holds)
    narrow = solve(draw(narrow_holds, rng)[0], narrow_holds)
    relative = [
        s.roll_moment[4].std / abs(s.roll_moment[4].value)  # type: ignore[operator,arg-type]
        for s in (wide, narrow)
    ]
    assert relative[1] < 0.75 * relative[0]
    assert (narrow.method, wide.method) == ("ballast", "prior")


def test_a_mirrored_flight_gives_mirrored_moments() -> None:
    holds, mirrored = plan(True), plan(True, sign=-1.0)
    observed, _, _ = draw(holds, np.random.default_rng(8))
    import dataclasses

    other = dataclasses.replace(observed, hang_roll=-observed.hang_roll, turn_rate=-observed.turn_rate)
    right, left = solve(observed, holds), solve(other, mirrored)
    for a, b in zip(right.roll_moment, left.roll_moment, strict=True):
        if a.value is not None and b.value is not None and a.std is not None:
            # the value is the mean of 4,000 draws, so it stands within a few percent of its std
            assert a.value == pytest.approx(-b.value, abs=0.06 * a.std)
            assert a.std == pytest.approx(b.std, rel=0.06)
    assert right.stiffness.value == pytest.approx(left.stiffness.value, abs=0.06 * left.stiffness.std)


def test_excess_turn_is_told_apart_from_the_roll_moment() -> None:
    holds = plan(True)
    excess = np.radians(2.0)
    plain = [solve(draw(holds, np.random.default_rng(s))[0], holds) for s in range(12)]
    turned = [solve(draw(holds, np.random.default_rng(s), excess=excess)[0], holds) for s in range(12)]
    for a, b in zip(plain, turned, strict=True):
        for i, hold in enumerate(holds):
            if hold.kind is not HoldKind.POWER:
                continue
            # a turn by yaw may hang the unit a little askew, by which the moment is the less certain
            assert b.roll_moment[i].value == pytest.approx(
                a.roll_moment[i].value, abs=0.1 * b.roll_moment[i].std
            )
            assert b.roll_moment[i].std > a.roll_moment[i].std
            assert b.roll_moment[i].budget["turn by yaw"] > 0.0
            shift = b.excess_turn[i].value - a.excess_turn[i].value  # type: ignore[operator]
            assert shift == pytest.approx(excess, rel=0.02)
            assert b.yaw_moment[i].value > a.yaw_moment[i].value  # type: ignore[operator]


def test_without_glides_the_zero_is_a_guess_but_differences_stand() -> None:
    everything, holds = plan(True), [h for h in plan(True) if h.kind is not HoldKind.GLIDE]
    holds = [h for h in holds if h.kind is HoldKind.POWER]
    rng = np.random.default_rng(1)
    observed, power, _ = draw(holds, rng)
    solution = solve(observed, holds)
    whole, _, _ = draw(everything, np.random.default_rng(1))
    known = solve(whole, everything)
    assert any("no glide" in words for words in solution.words)
    assert solution.roll_moment[0].std > 3.0 * known.roll_moment[2].std
    zero = np.radians(3.0) * solution.stiffness.value
    assert solution.roll_moment[0].std == pytest.approx(zero, rel=0.5)
    difference = solution.roll_draws[:, 3] - solution.roll_draws[:, 0]
    low, high = np.quantile(difference, [0.001, 0.999])
    assert low < power[3] - power[0] < high
    assert np.std(difference) < 0.5 * solution.roll_moment[0].std


def test_power_cannot_be_done_without() -> None:
    holds = [h for h in plan(True) if h.kind is not HoldKind.POWER]
    observed, _, _ = draw(holds, np.random.default_rng(1))
    with pytest.raises(EstimateError, match="no power hold"):
        solve(observed, holds)


def test_disagreeing_glides_widen_everything_and_say_so() -> None:
    holds = plan(True)
    observed, _, _ = draw(holds, np.random.default_rng(2))
    glides = [i for i, h in enumerate(holds) if h.kind is HoldKind.GLIDE]
    calm = solve(observed, holds)
    observed.hang_roll[glides[0]] += np.radians(1.2)
    shaken = solve(observed, holds)
    assert calm.widening == 1.0
    assert shaken.hang_walk > 3.0 * calm.hang_walk
    power = [i for i, h in enumerate(holds) if h.kind is HoldKind.POWER]
    growth = [shaken.roll_moment[i].std / calm.roll_moment[i].std for i in power]  # type: ignore[operator]
    assert min(growth) > 1.0
    assert max(growth) > 1.5
    assert any("hang zero wanders" in words for words in shaken.words)


def test_scatter_that_no_wander_explains_widens_everything() -> None:
    holds = plan(True)
    observed, _, _ = draw(holds, np.random.default_rng(2))
    observed.turn_rate[:] += np.radians(6.0) * np.random.default_rng(3).standard_normal(len(holds))
    smaller = np.tile([1.0, 0.2], len(holds))
    observed.covariance[:] *= smaller[:, None] * smaller[None, :]
    shaken = solve(observed, holds)
    assert shaken.widening > 1.3
    assert any("widened" in words for words in shaken.words)


def test_a_brake_held_in_one_hold_is_left_out_of_the_turns() -> None:
    holds = plan(True)
    observed, _, _ = draw(holds, np.random.default_rng(6))
    plain = solve(observed, holds)
    legs = [i for i, h in enumerate(holds) if h.kind is HoldKind.BALLAST]
    observed.turn_rate[legs[0]] += np.radians(1.5)
    braked = solve(observed, holds)
    assert braked.turn_coefficient.value == pytest.approx(
        plain.turn_coefficient.value, abs=0.8 * plain.turn_coefficient.std
    )
    told = [words for words in braked.words if "brake" in words]
    assert len(told) == 1 and f"ballast hold from {holds[legs[0]].start:.0f} s" in told[0]
    assert not any("brake" in words for words in plain.words)
