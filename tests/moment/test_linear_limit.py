"""Fit, draws and split of variance, where normal laws and straight lines make them exact."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from flightproc.channels import GRAVITY
from flightproc.holds.model import Hold, HoldKind
from flightproc.moment.calibrate import Frame, Wing, make_priors
from flightproc.moment.observe import Observations
from flightproc.moment.posterior import (
    Posterior,
    _degrees,
    _deleted_residuals,
    _draw,
    _half_normal_masses,
    _Point,
    _power_errors,
    _solve,
    _widening,
    fit_problem,
    jacobian_of,
    power_projection,
    split_factor,
)
from flightproc.moment.problem import Problem, Session, build_problem
from flightproc.moment.shares import Shares
from flightproc.statistics.autoregression import LevelFit

pytestmark = pytest.mark.analytic

G, P, B = HoldKind.GLIDE, HoldKind.POWER, HoldKind.BALLAST
KINDS = (G, P, B, G, P, B, G, P, G)
MOMENTS = np.array([0.0, 0.0, 12.0, 0.0, 0.0, -12.0, 0.0, 0.0, 0.0])
K = len(KINDS)
SPEED, DENSITY = 10.5, 1.17
FRAME = Frame(110.0, 1.0, 0.35, 0.03, riser_stiffness=180.0, riser_stiffness_std=40.0)
WING = Wing(area=25.0, span=11.0, trim_speed=10.0)
WALK = np.radians([0.2, 0.3])
LINEAR = slice(8, 12)  # zeros and drifts of both channels


def made(seed: int = 1, *, inertia: tuple[float, float] | None = None) -> Problem:
    """A sortie of nine holds with levels of a plausible size, drawn."""
    rng = np.random.default_rng(seed)
    one = np.ones(K)
    middle = 80.0 * np.arange(K) + rng.uniform(0.0, 20.0, K)
    covariance = np.diag(rng.uniform(0.5, 2.0, 2 * K) * np.tile([1.7e-3, 2e-3], K) ** 2)
    total = MOMENTS + np.array([18.0 if kind is P else 0.0 for kind in KINDS])
    noise = rng.standard_normal((2, K))
    observed = Observations(
        middle=middle,
        hang_roll=0.01 + total / 560.0 + 1.7e-3 * noise[0],
        turn_rate=0.003 + 0.002 * total + 2e-3 * noise[1],
        covariance=covariance,
        airspeed=SPEED * one,
        airspeed_std=0.03 * one,
        bank=np.nan * one,
        bank_std=np.nan * one,
        rpm=6000.0 * one,
        rpm_std=one,
        density=DENSITY * one,
        load=GRAVITY * one,
        hang_pitch=0.1 * np.array([kind is P for kind in KINDS]) + 0.01 * rng.standard_normal(K),
        noise=LevelFit(np.zeros((K, 2)), covariance, 1, np.zeros((1, 2, 2)), np.diag([1e-6, 1e-6]), 1.0, 0.0),
    )
    holds = tuple(
        Hold(m - 30.0, m + 30.0, kind, True, 6000.0, ballast_moment=b, ballast_moment_std=0.02 * abs(b))
        for m, kind, b in zip(middle, KINDS, MOMENTS, strict=True)
    )
    session = Session(
        observed, holds, WING, 0, 112.0, 0.5 * one, 0.3, SPEED * one, 0.03 * one, 0.1, 0.01, 0.03
    )
    return build_problem([session], FRAME, make_priors(FRAME, WING), inertia)


def straight() -> Problem:
    """The same with all but zeros and drifts held, so that the equations are straight lines."""
    problem = made()
    std = np.full(problem.size, 1e-7)
    std[LINEAR] = [0.02, 3e-6, 0.01, 2e-6]
    truth = np.zeros(problem.size)
    truth[LINEAR] = problem.prior_mean[LINEAR] + 0.5 * std[LINEAR]
    noise = np.random.default_rng(8).standard_normal(2 * K) * np.sqrt(np.diag(problem.noise))
    return replace(problem, prior_std=std, observations=problem.predict(truth) + noise)


def lines(problem: Problem) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return design, offset and observations of the fitted rows; the design by the columns' meaning."""
    rows = problem.rows
    design = np.zeros((2 * K, 4))
    design[0::2, 0], design[0::2, 1] = 1.0, problem.since
    design[1::2, 2], design[1::2, 3] = 1.0, problem.since
    offset = problem.predict(np.zeros(problem.size))
    return design[rows], offset[rows], problem.observations[rows]


def solved(problem: Problem, sizes: np.ndarray) -> list[_Point]:
    return _solve(problem, sizes, problem.prior_mean, np.zeros(len(sizes)))


def total_of(problem: Problem, size: np.ndarray) -> np.ndarray:
    return problem.noise + size[0] ** 2 * problem.hang_walk + size[1] ** 2 * problem.turn_walk


def test_solution_is_that_of_normal_equations():
    problem, rows = straight(), straight().rows
    design, offset, seen = lines(problem)
    weight = np.linalg.inv(total_of(problem, WALK)[np.ix_(rows, rows)])
    prior = np.diag(problem.prior_std[LINEAR] ** -2.0)
    covariance = np.linalg.inv(design.T @ weight @ design + prior)
    mean = covariance @ (design.T @ weight @ (seen - offset) + prior @ problem.prior_mean[LINEAR])
    (point,) = solved(problem, WALK[None, :])
    np.testing.assert_allclose(point.x[LINEAR], mean, rtol=1e-5)
    np.testing.assert_allclose(point.covariance[LINEAR, LINEAR], covariance, rtol=1e-5, atol=1e-18)
    left = seen - offset - design @ mean
    away = mean - problem.prior_mean[LINEAR]
    assert point.chi2 == pytest.approx(left @ weight @ left + away @ prior @ away, rel=1e-5)


def test_weight_of_a_wander_is_its_evidence():
    """Marginal likelihoods of straight lines are normal densities: their ratios must come out."""
    problem, rows = straight(), straight().rows
    design, offset, seen = lines(problem)
    sizes = np.array([[0.0, 0.0], WALK, [3.0 * WALK[0], 0.5 * WALK[1]]])
    expected = []
    for size in sizes:
        spread = total_of(problem, size)[np.ix_(rows, rows)]
        spread = spread + (design * problem.prior_std[LINEAR] ** 2) @ design.T
        middle = offset + design @ problem.prior_mean[LINEAR]
        expected.append(stats.multivariate_normal(middle, spread, allow_singular=False).logpdf(seen))
    found = np.array([point.log_weight for point in solved(problem, sizes)])
    np.testing.assert_allclose(found - found[0], np.array(expected) - expected[0], atol=1e-4)
    prior = np.array([0.0, 1.0, -2.0])
    shifted = _solve(problem, sizes, problem.prior_mean, prior)
    np.testing.assert_allclose([p.log_weight for p in shifted] - found, prior, atol=1e-9)


def test_an_observation_against_all_others():
    """Each left out in turn, and predicted with its uncertainty from the rest."""
    problem, rows = straight(), straight().rows
    design, offset, seen = lines(problem)
    (point,) = solved(problem, WALK[None, :])
    spread = total_of(problem, WALK)[np.ix_(rows, rows)]
    spread = spread + (design * problem.prior_std[LINEAR] ** 2) @ design.T
    gap = seen - offset - design @ problem.prior_mean[LINEAR]
    expected = []
    for i in range(rows.size):
        rest = np.delete(np.arange(rows.size), i)
        told = np.linalg.solve(spread[np.ix_(rest, rest)], spread[rest, i])
        expected.append((gap[i] - told @ gap[rest]) / math.sqrt(spread[i, i] - told @ spread[rest, i]))
    np.testing.assert_allclose(_deleted_residuals(problem, point), expected, rtol=1e-3, atol=1e-4)


def test_draws_have_mean_and_covariance_of_the_normal_law():
    """Drawn from a wider law and weighed: the weights must take the width back."""
    problem = straight()
    points = solved(problem, np.array([WALK, 2.0 * WALK]))
    share = np.array([0.75, 0.25])
    n = 40_000
    x, errors, effective = _draw(problem, points, share, n, np.random.default_rng(3))
    assert x.shape == (n, problem.size) and errors.shape == (n, 2 * KINDS.count(P))
    assert 0.3 * n < effective < n
    mean = share @ [point.x[LINEAR] for point in points]
    covariance = np.zeros((4, 4))
    for weight, point in zip(share, points, strict=True):
        away = point.x[LINEAR] - mean
        covariance += weight * (point.covariance[LINEAR, LINEAR] + np.outer(away, away))
    std = np.sqrt(np.diag(covariance))
    assert np.all(np.abs(x[:, LINEAR].mean(axis=0) - mean) < 0.03 * std)
    np.testing.assert_allclose(
        np.cov(x[:, LINEAR].T) / np.outer(std, std), covariance / np.outer(std, std), atol=0.05
    )


def test_errors_of_power_holds_are_drawn_given_those_of_the_others():
    problem = straight()
    (point,) = solved(problem, WALK[None, :])
    total, rows, power = total_of(problem, WALK), problem.rows, problem.power_rows
    told = total[np.ix_(power, rows)] @ np.linalg.inv(total[np.ix_(rows, rows)])
    np.testing.assert_allclose(power_projection(problem, total), told, rtol=1e-6, atol=1e-12)
    n = 40_000
    x = np.tile(point.x, (n, 1))
    drawn = _power_errors(problem, point, x, np.random.default_rng(4))
    left = total[np.ix_(power, power)] - told @ total[np.ix_(rows, power)]
    std = np.sqrt(np.diag(left))
    gap = problem.observations[rows] - problem.predict(point.x)[rows]
    assert np.all(np.abs(drawn.mean(axis=0) - told @ gap) < 0.03 * std)
    np.testing.assert_allclose(np.cov(drawn.T) / np.outer(std, std), left / np.outer(std, std), atol=0.03)


def test_prior_of_a_wander_is_a_half_normal_law_cut_between_the_grid():
    values = np.array([0.0, 1.0, 2.0, 8.0])
    edges = [0.0, 0.5, math.sqrt(2.0), 4.0, math.inf]
    expected = np.diff(stats.halfnorm(scale=1.5).cdf(edges))
    np.testing.assert_allclose(_half_normal_masses(values, 1.5), expected, rtol=1e-10)


def test_degrees_of_freedom_are_rows_less_zeros():
    problem = made()
    assert _degrees(problem) == 12 - 2
    assert _degrees(made(inertia=(600.0, 0.1))) == 12 - 2 + 1
    observations = problem.observations.copy()
    observations[1::2] = np.nan
    assert _degrees(replace(problem, observations=observations)) == 6 - 1


@pytest.mark.parametrize(
    ("chi2", "dof", "factor"), [(15.0, 6, 1.0), (30.0, 6, math.sqrt(5.0)), (30.0, 0, 1.0)]
)
def test_a_poor_fit_widens_by_the_root_of_reduced_chi2(chi2, dof, factor):
    """The chance of chi^2 above 15 with 6 degrees of freedom is 0.02, above 30 it is 4e-5."""
    assert _widening(chi2, dof) == pytest.approx(factor, rel=1e-12)
    assert (
        _widening(float(stats.chi2.isf(0.0101, 6)), 6) == 1.0 < _widening(float(stats.chi2.isf(0.0099, 6)), 6)
    )


def fitting() -> tuple[Problem, Posterior]:
    """A problem whose observations its solution meets exactly, so that linearised answers are exact."""
    problem = made(inertia=(600.0, 0.1))
    (point,) = solved(problem, WALK[None, :])
    truth = problem.prior_mean + 0.3 * problem.prior_std * np.sin(np.arange(problem.size))
    truth[[8, 10]] = 0.012, 0.004
    observations = problem.observations.copy()
    observations[problem.rows] = problem.predict(truth)[problem.rows]
    problem = replace(
        problem,
        observations=observations,
        prior_mean=truth,
        inertia=(float(problem.weight(truth) + 1.13 * problem.riser(truth)[0]), 0.1),
    )
    (point,) = _solve(problem, WALK[None, :], truth, np.zeros(1))
    nothing = np.zeros((0, problem.size))
    posterior = Posterior(
        best=point.x,
        covariance=point.covariance,
        draws=nothing,
        noise_draws=nothing,
        noise=problem.noise,
        walk=point.walk,
        hang_walk=0.0,
        turn_walk=0.0,
        chi2=0.0,
        dof=1,
        widening=1.0,
        effective=1.0,
    )
    return problem, posterior


def answers(problem: Problem, posterior: Posterior, estimate):
    """Return the derivatives of an estimate by observations and by prior means, all solved anew."""
    step = 1e-3
    projection = power_projection(problem, posterior.noise + posterior.walk)

    def value(changed: Problem) -> float:
        (point,) = _solve(changed, WALK[None, :], posterior.best, np.zeros(1))
        gap = (changed.observations - changed.predict(point.x))[problem.rows]
        return estimate(changed, point.x, projection @ gap)

    by_row, by_prior = np.zeros(2 * K), np.zeros(problem.size + 1)
    for row in range(2 * K):
        kick = np.zeros(2 * K)
        kick[row] = step * math.sqrt(problem.noise[row, row])
        up, down = (replace(problem, observations=problem.observations + s * kick) for s in (1.0, -1.0))
        by_row[row] = (value(up) - value(down)) / (2.0 * kick[row])
    for j in range(problem.size):
        kick = np.zeros(problem.size)
        kick[j] = step * problem.prior_std[j]
        up, down = (replace(problem, prior_mean=problem.prior_mean + s * kick) for s in (1.0, -1.0))
        by_prior[j] = (value(up) - value(down)) / (2.0 * step)
    assert problem.inertia is not None
    seen, spread = problem.inertia
    ends = [replace(problem, inertia=(seen * math.exp(s * step * spread), spread)) for s in (1.0, -1.0)]
    by_prior[-1] = (value(ends[0]) - value(ends[1])) / (2.0 * step)
    return by_row, by_prior


def by_source(problem: Problem, posterior: Posterior, by_row: np.ndarray, by_prior: np.ndarray):
    """Return the variance by source, from those derivatives."""
    names = {G: "noise of the glides", P: "noise of the power holds", B: "noise of the ballast legs"}
    out = {"drift of the zeros": float(by_row @ posterior.walk @ by_row)}
    for row, (slope, variance) in enumerate(zip(by_row, np.diag(problem.noise), strict=True)):
        name = names[KINDS[row // 2]]
        out[name] = out.get(name, 0.0) + slope**2 * variance
    for name, part in zip(problem.beside_labels(), by_prior, strict=True):
        out[name] = out.get(name, 0.0) + part**2
    return out


def test_split_of_a_moment_is_what_each_error_changes():
    problem, posterior = fitting()
    shares = Shares.make(problem, posterior)
    weights = np.array([0.0, 1.0, -0.4])

    def moment(changed: Problem, x: np.ndarray, errors: np.ndarray) -> float:
        return float(weights @ changed.solve_power(x, errors, np.zeros(3))[0])

    expected = by_source(problem, posterior, *answers(problem, posterior, moment))
    found = shares.combined(weights)
    assert set(found) == set(expected)
    whole = sum(expected.values())
    for name, variance in expected.items():
        assert found[name] == pytest.approx(variance, rel=2e-3, abs=1e-6 * whole), name
    scaled = shares.moment(1, 1.7)
    assert math.hypot(*scaled.values()) == pytest.approx(1.7, rel=1e-12)
    alone = shares.combined(np.array([0.0, 1.0, 0.0]))
    ratio = {name: scaled[name] ** 2 / alone[name] for name in scaled}
    assert max(ratio.values()) == pytest.approx(min(ratio.values()), rel=1e-9)
    assert list(scaled.values()) == sorted(scaled.values(), reverse=True)
    least = 1e-3 * sum(alone.values())
    assert set(scaled) == {name for name, variance in alone.items() if variance > least}


@pytest.mark.parametrize("hold", [0, 2, 4])
def test_split_of_the_residual_is_what_each_error_changes(hold):
    problem, posterior = fitting()
    shares = Shares.make(problem, posterior)
    size, at = -9.0, float(problem.turn_in_hold(posterior.best)[hold])

    def residual(changed: Problem, x: np.ndarray, errors: np.ndarray) -> float:
        return size * at / float(changed.turn_in_hold(x)[hold])

    by_row, by_prior = answers(problem, posterior, residual)
    expected = by_source(problem, posterior, by_row, by_prior)
    source = {G: "noise of the glides", P: "noise of the power holds", B: "noise of the ballast legs"}
    row = 2 * hold + 1
    expected[source[KINDS[hold]]] += problem.noise[row, row] / (at * problem.gain[hold]) ** 2
    expected["density"] = (2.5 * size) ** 2  # large, so that it counts beside the noise
    whole = sum(expected.values())
    found = shares.residual(
        hold, np.array([size - 1.0, size, size + 5.0]), math.sqrt(whole), {"density": 2.5}
    )
    for name, variance in expected.items():
        if variance > 1.01e-3 * whole:
            assert found[name] ** 2 == pytest.approx(variance, rel=5e-3), name
    assert math.hypot(*found.values()) == pytest.approx(math.sqrt(whole), rel=1e-12)


def test_factor_and_derivative_belong_together():
    """The information of the whitened residuals is the inverse of the covariance of the solution."""
    problem, posterior = fitting()
    slope = jacobian_of(problem, split_factor(problem, posterior), posterior.best)
    assert slope.shape == (problem.rows.size + problem.size + 1, problem.size)
    np.testing.assert_allclose(
        slope.T @ slope @ posterior.covariance, np.eye(problem.size), atol=1e-5 * problem.size
    )


def evidence(problem: Problem) -> tuple[np.ndarray, np.ndarray]:
    """Return the sizes of wander looked at, and their share by evidence and prior."""
    rows = problem.rows
    design, offset, seen = lines(problem)
    hang, turn = np.radians([0.0, 0.05, 0.1, 0.2, 0.4, 0.8]), np.radians([0.0, 0.1, 0.3, 1.0])
    sizes = np.array([(a, b) for a in hang for b in turn])
    prior = []
    for values, scale in ((hang, np.radians(0.1)), (turn, np.radians(0.2))):
        edges = [0.0, values[1] / 2.0, *np.sqrt(values[1:-1] * values[2:]), math.inf]
        prior.append(np.diff(stats.halfnorm(scale=scale).cdf(edges)))
    logs = []
    for size in sizes:
        spread = total_of(problem, size)[np.ix_(rows, rows)]
        spread = spread + (design * problem.prior_std[LINEAR] ** 2) @ design.T
        logs.append(
            stats.multivariate_normal(offset, spread).logpdf(seen - design @ problem.prior_mean[LINEAR])
        )
    share = np.exp(np.array(logs) - max(logs)) * np.outer(*prior).ravel()
    share[share < 2e-3 * share.max()] = 0.0
    return sizes, share / share.sum()


def test_the_wander_is_averaged_over_what_the_glides_allow():
    problem = straight()
    sizes, share = evidence(problem)
    found = fit_problem(problem, draws=2000, seed=5)
    assert found.widening == 1.0 and found.left_out == ()
    assert found.hang_walk == pytest.approx(share @ sizes[:, 0], rel=1e-3)
    assert found.turn_walk == pytest.approx(share @ sizes[:, 1], rel=1e-3)
    best = sizes[int(np.argmax(share))]
    np.testing.assert_allclose(
        found.walk, best[0] ** 2 * problem.hang_walk + best[1] ** 2 * problem.turn_walk, atol=1e-18
    )
    (point,) = solved(problem, best[None, :])
    np.testing.assert_allclose(found.best[LINEAR], point.x[LINEAR], rtol=1e-5)
    assert (found.chi2, found.dof) == (pytest.approx(point.chi2, rel=1e-5), 10)
    assert found.draws.shape == (2000, problem.size)


def test_channels_that_are_missing_do_not_wander():
    problem = straight()
    for offset, missing in ((0, "hang_walk"), (1, "turn_walk")):
        observations = problem.observations.copy()
        observations[offset::2] = np.nan
        found = fit_problem(replace(problem, observations=observations), draws=200, seed=5)
        assert getattr(found, missing) == 0.0
        assert max(found.hang_walk, found.turn_walk) > 0.0


def test_glides_that_scatter_widen_the_noise_of_all():
    """A fifth of the noise stated, and no wander that could explain the rest."""
    still = np.zeros((2 * K, 2 * K))
    problem = replace(straight(), hang_walk=still, turn_walk=still)
    problem = replace(problem, noise=problem.noise / 25.0)
    found = fit_problem(problem, draws=200, seed=5)
    assert found.widening > 2.0
    assert found.widening == pytest.approx(math.sqrt(found.chi2 / found.dof), rel=1e-12)
    np.testing.assert_allclose(found.noise, problem.noise * found.widening**2, rtol=1e-12)
    # what is known afterwards is that much wider
    (point,) = solved(replace(problem, noise=found.noise, left_out=found.left_out), np.zeros((1, 2)))
    np.testing.assert_allclose(found.covariance, point.covariance, rtol=1e-6, atol=1e-18)


def test_a_turn_that_stands_apart_is_left_out_and_a_hang_roll_is_not():
    problem = straight()
    for row, gone in ((7, (7,)), (6, ())):
        observations = problem.observations.copy()
        observations[row] += 0.03
        assert fit_problem(replace(problem, observations=observations), draws=200, seed=5).left_out == gone
