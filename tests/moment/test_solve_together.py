"""Several sorties of one frame solved together, from hold levels drawn around a known truth."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from flightproc.channels import GRAVITY
from flightproc.holds.model import Hold, HoldKind
from flightproc.moment.calibrate import Frame, Wing, make_priors
from flightproc.moment.observe import Observations
from flightproc.moment.problem import Session
from flightproc.moment.solve import MomentSolution, make_session, solve_together
from flightproc.statistics.autoregression import LevelFit

pytestmark = pytest.mark.synthetic

FRAME = Frame(mass=110.0, mass_std=1.0, hang_arm=0.35, hang_arm_std=0.05)
LARGE = Wing(area=27.0, span=11.9, trim_speed=10.5)
SMALL = Wing(area=22.0, span=10.6, trim_speed=11.8)
DENSITY = 1.15
MOMENTS = (10.0, 17.0, 24.0)
ETA_STD, TURN_STD = np.radians(0.10), np.radians(0.12)
DRAWS = 2000


@dataclass(frozen=True)
class Plan:
    """One sortie of a campaign: its glider, its hung mass, and whether it carries ballast legs."""

    wing: Wing
    index: int
    mass: float
    ballast: bool


CAMPAIGN = (Plan(LARGE, 0, 110.0, True), Plan(LARGE, 0, 104.0, False), Plan(SMALL, 1, 110.0, True))


def holds_of(plan: Plan) -> list[Hold]:
    holds: list[Hold] = []

    def add(kind: HoldKind, moment: float = 0.0, rpm: float = 0.0) -> None:
        start = 90.0 * len(holds)
        std = abs(moment) * 0.02
        holds.append(
            Hold(start, start + 60.0, kind, True, rpm, ballast_moment=moment, ballast_moment_std=std)
        )

    add(HoldKind.GLIDE)
    for number in range(len(MOMENTS)):
        add(HoldKind.POWER, rpm=5000.0 + 1000.0 * number)
    add(HoldKind.GLIDE)
    if plan.ballast:
        add(HoldKind.BALLAST, 14.7)
        add(HoldKind.BALLAST, -14.7)
    add(HoldKind.GLIDE)
    return holds


def draw(rng: np.random.Generator) -> tuple[list[Session], list[np.ndarray], list[float]]:
    """Return the sessions of a campaign, the true power moments and the true stiffness of each."""
    weight = (FRAME.mass + rng.normal()) * GRAVITY * (FRAME.hang_arm + 0.05 * rng.normal())
    ballast_error = 1.0 + 0.02 * rng.normal()
    change = 1.0 + 0.015 * rng.normal()
    risers = rng.uniform(0.0, 440.0, 2)
    wing_turn = 7.0 * np.exp(0.4 * rng.normal(size=2))
    sessions, truths, stiffnesses = [], [], []
    for plan in CAMPAIGN:
        holds, wing = holds_of(plan), plan.wing
        k = len(holds)
        power = np.array([h.kind is HoldKind.POWER for h in holds])
        moments = np.array([MOMENTS[round((h.rpm - 5000.0) / 1000.0)] if h.rpm else 0.0 for h in holds])
        stiffness = weight * plan.mass / FRAME.mass + risers[plan.index]
        coefficient = wing_turn[plan.index] * risers[plan.index] / stiffness
        middle = np.array([(h.start + h.end) / 2 for h in holds])
        since = middle - middle.mean()
        total = moments + np.array([h.ballast_moment for h in holds]) * ballast_error
        drift = rng.normal() * np.radians(0.3) / 3600.0
        eta = rng.normal() * np.radians(1.0) + drift * since
        eta = eta + total / (stiffness * np.where(power, change, 1.0))
        speed = wing.trim_speed
        gain = 1.0 / (0.5 * DENSITY * speed**2 * wing.area * wing.span)
        turn = (rng.normal() * 0.002 + coefficient * total * gain) * 2.0 * speed / wing.span
        covariance = np.diag(np.tile([ETA_STD**2, TURN_STD**2], k))
        noise = rng.multivariate_normal(np.zeros(2 * k), covariance)
        ones = np.ones(k)
        observed = Observations(
            middle=middle,
            hang_roll=eta + noise[0::2],
            turn_rate=turn + noise[1::2],
            covariance=covariance,
            airspeed=speed * ones,
            airspeed_std=0.03 * ones,
            bank=np.nan * ones,
            bank_std=np.nan * ones,
            rpm=np.array([h.rpm for h in holds]),
            rpm_std=ones,
            density=DENSITY * ones,
            load=GRAVITY * ones,
            hang_pitch=0.0 * ones,
            noise=LevelFit(
                np.zeros((k, 2)), covariance, 1, np.zeros((1, 2, 2)), np.diag([1e-6, 1e-6]), 1.0, 0.0
            ),
        )
        session, _ = make_session(observed, holds, wing, plan.mass, wing_index=plan.index)
        sessions.append(session)
        truths.append(np.where(power, moments, np.nan))
        stiffnesses.append(float(stiffness))
    return sessions, truths, stiffnesses


def solve(sessions: list[Session], seed: int = 1) -> tuple[MomentSolution, ...]:
    return solve_together(sessions, FRAME, make_priors(FRAME, LARGE), draws=DRAWS, seed=seed)


@pytest.fixture(scope="module")
def campaigns() -> list[tuple[tuple[MomentSolution, ...], list[np.ndarray], list[float]]]:
    """Return campaigns, solved, with their truth."""
    rng = np.random.default_rng(21)
    out = []
    for seed in range(22):
        sessions, truths, stiffnesses = draw(rng)
        out.append((solve(sessions, seed), truths, stiffnesses))
    return out


def scores(
    campaigns: list[tuple[tuple[MomentSolution, ...], list[np.ndarray], list[float]]], number: int
) -> np.ndarray:
    """Return z-scores of one sortie's roll moments, shape (campaigns, holds)."""
    rows = []
    for solutions, truths, _ in campaigns:
        rows.append(
            [
                (q.value - truth) / q.std
                for q, truth in zip(solutions[number].roll_moment, truths[number], strict=True)
                if q.value is not None and q.std is not None
            ]
        )
    return np.array(rows)


@pytest.mark.parametrize("number", [0, 1, 2])
def test_z_scores_are_honest_for_each_sortie(
    campaigns: list[tuple[tuple[MomentSolution, ...], list[np.ndarray], list[float]]], number: int
) -> None:
    z = scores(campaigns, number)
    # K is shared over the holds of a sortie, so 22 campaigns count as little more than 22 trials: the mean
    # stays within 3 / sqrt(22), the spread within what chi2 at 22 degrees of freedom leaves at 99 %
    assert abs(z.mean()) < 0.64
    assert 0.63 < np.sqrt(np.mean(z**2)) < 1.39


def test_z_scores_of_what_is_shared_are_honest(
    campaigns: list[tuple[tuple[MomentSolution, ...], list[np.ndarray], list[float]]],
) -> None:
    z = np.array(
        [
            [(s.stiffness.value - k) / s.stiffness.std for s, k in zip(solutions, stiffnesses, strict=True)]
            for solutions, _, stiffnesses in campaigns
        ]
    )
    assert abs(z.mean()) < 0.64
    assert 0.63 < np.sqrt(np.mean(z**2)) < 1.39


def test_a_sortie_without_ballast_takes_its_stiffness_from_the_others() -> None:
    sessions, truths, stiffnesses = draw(np.random.default_rng(3))
    lonely = replace(sessions[1], wing_index=0)
    alone = solve([lonely])[0]
    joint = solve(sessions)[1]
    assert alone.method == "prior" and joint.method == "ballast"
    assert any("ballast glides of other sorties" in words for words in joint.words)
    assert joint.stiffness.std < 0.35 * alone.stiffness.std
    assert abs(joint.stiffness.value - stiffnesses[1]) < 3.5 * joint.stiffness.std
    for before, after, truth in zip(alone.roll_moment, joint.roll_moment, truths[1], strict=True):
        if np.isfinite(truth):
            assert after.std < 0.5 * before.std


def test_nothing_becomes_surer_than_the_ballast_that_all_share() -> None:
    sessions, _, _ = draw(np.random.default_rng(4))
    many = solve(sessions + [sessions[0]] * 3)
    floor = 0.02  # relative, mass and arm of the ballast
    for solution in (many[0], many[1]):
        assert solution.stiffness.std > 0.95 * floor * solution.stiffness.value
        best = max(solution.roll_moment, key=lambda q: q.value or 0.0)
        assert best.std > 0.95 * floor * best.value
        assert best.budget["ballast mass and arm"] > 0.9 * floor * best.value


def test_draws_of_sorties_go_together() -> None:
    sessions, _, _ = draw(np.random.default_rng(5))
    first, second, other = solve(sessions)
    same = np.corrcoef(first.stiffness_draws, second.stiffness_draws)[0, 1]
    apart = np.corrcoef(first.stiffness_draws, other.stiffness_draws)[0, 1]
    assert same > 0.98
    assert 0.1 < apart < 0.95
    place = next(i for i, q in enumerate(second.roll_moment) if q.value is not None)
    moment = second.roll_draws[:, place]
    assert np.corrcoef(moment, first.stiffness_draws)[0, 1] > 0.3
    assert second.turn_draws.shape == (DRAWS,)
    assert second.turn_coefficient.value == pytest.approx(float(np.mean(second.turn_draws)))
