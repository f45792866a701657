"""Partial pooling and pairs: closed forms, limits, and truth held by intervals."""

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import binom

from flightproc.statistics.hierarchy import pair_differences, pool_groups, separate_groups

analytic = pytest.mark.analytic
synthetic = pytest.mark.synthetic


@analytic
def test_groups_alone_are_generalised_least_squares():
    covariance = np.array([[1.0, 0.4, 0.1], [0.4, 2.0, 0.1], [0.1, 0.1, 0.5]])
    found = separate_groups([1.0, 2.0, 5.0], covariance, [0, 0, 1])
    member = np.array([[1, 0], [1, 0], [0, 1.0]])
    weight = np.linalg.inv(covariance)
    posterior = np.linalg.inv(member.T @ weight @ member)
    assert found.covariance == pytest.approx(posterior, rel=1e-12)
    assert found.mean == pytest.approx(posterior @ member.T @ weight @ [1, 2, 5], rel=1e-12)
    assert np.cov(found.draws.T) == pytest.approx(posterior, rel=0.05)


@analytic
def test_a_shared_error_stays_in_the_level_and_leaves_the_difference():
    own, shared = 0.1, 0.3
    covariance = own**2 * np.eye(2) + shared**2
    found = separate_groups([1.0, 1.5], covariance, [0, 1])
    assert found.std == pytest.approx([math.hypot(own, shared)] * 2)
    (pair,) = pair_differences(found.draws)
    assert pair.difference == pytest.approx(-0.5, abs=0.003)
    assert pair.std == pytest.approx(own * math.sqrt(2), rel=0.02)
    assert pair.significant


@analytic
@pytest.mark.parametrize("scale", [0.3, 2.0, math.inf])
def test_pooled_mean_and_variance_by_another_integral(scale):
    """The classic conditional formulas, integrated by an adaptive rule over the spread."""
    y, std = np.array([1.0, 2.5, 2.2, 0.4, 3.0]), np.array([0.4, 0.7, 0.3, 0.5, 1.1])

    def at(tau):
        weight = 1.0 / (std**2 + tau**2)
        mean = float(weight @ y / weight.sum())
        log = 0.5 * np.sum(np.log(weight)) - 0.5 * math.log(weight.sum()) - 0.5 * weight @ (y - mean) ** 2
        prior = 0.0 if math.isinf(scale) else -0.5 * (tau / scale) ** 2
        keep = tau**2 / (tau**2 + std[0] ** 2)
        first = keep * y[0] + (1 - keep) * mean
        variance = keep * std[0] ** 2 + (1 - keep) ** 2 / weight.sum()
        return math.exp(log + prior), first, variance

    def integral(pick):
        return sum(quad(pick, a, b, epsabs=1e-13, limit=200)[0] for a, b in ((0, 2), (2, 20), (20, 4000)))

    total = integral(lambda t: at(t)[0])
    mean = integral(lambda t: at(t)[0] * at(t)[1]) / total
    square = integral(lambda t: at(t)[0] * (at(t)[2] + at(t)[1] ** 2)) / total
    found = pool_groups(y, std**2, range(5), spread_scale=scale)
    assert found.mean[0] == pytest.approx(mean, rel=1e-4)
    assert found.covariance[0, 0] == pytest.approx(square - mean**2, rel=1e-3)
    assert found.draws[:, 0].mean() == pytest.approx(mean, abs=4 * found.std[0] / math.sqrt(20_000))
    assert found.draws[:, 0].std() == pytest.approx(found.std[0], rel=0.03)


@analytic
def test_limits_of_full_pooling_and_of_none():
    y, variance = np.array([0.0, 1.0, 4.0, 9.0]), np.full(4, 0.01)
    one = pool_groups(y, variance, range(4), spread_scale=1e-4)
    assert one.mean == pytest.approx(np.full(4, y.mean()), abs=1e-3)
    apart = pool_groups(y, variance, range(4), spread_scale=50.0)
    assert apart.mean == pytest.approx(y, abs=0.02)
    assert apart.std == pytest.approx(np.full(4, 0.1), rel=0.02)


@analytic
def test_a_family_that_follows_a_line_is_drawn_to_the_line():
    x = np.linspace(-1, 1, 8)
    design = np.column_stack([np.ones(8), x])
    found = pool_groups(2.0 - 0.5 * x, np.full(8, 0.04), range(8), design=design, spread_scale=0.5)
    assert found.coefficients == pytest.approx([2.0, -0.5], abs=1e-9)
    assert found.mean == pytest.approx(2.0 - 0.5 * x, abs=1e-9)


@analytic
def test_bad_input_is_refused():
    with pytest.raises(ValueError, match="too few"):
        pool_groups([1.0, 2.0], [1.0, 1.0], [0, 1])
    with pytest.raises(ValueError, match="no measurement"):
        separate_groups([1.0, 2.0], [1.0, 1.0], [0, 2])
    with pytest.raises(ValueError, match="fit each other"):
        separate_groups([1.0, 2.0], [1.0], [0, 1])
    assert pair_differences(np.zeros((10, 1))) == ()


@synthetic
def test_the_same_input_gives_the_same_figures():
    first, second = (pool_groups([1.0, 2, 3, 4], [1.0, 1, 1, 1], range(4), seed=3) for _ in range(2))
    assert np.array_equal(first.draws, second.draws)


@synthetic
def test_intervals_hold_the_truth_and_pooling_comes_nearer_to_it():
    rng = np.random.default_rng(41)
    inside = total = 0
    pooled_error, plain_error = [], []
    for _ in range(80):
        tau = abs(rng.normal(0, 0.5))
        truth = rng.normal(0, 1) + tau * rng.standard_normal(6)
        std = rng.uniform(0.1, 0.4, 6)
        shared = 0.05
        covariance = np.diag(std**2) + shared**2
        y = truth + std * rng.standard_normal(6) + shared * rng.standard_normal()
        found = pool_groups(y, covariance, range(6), spread_scale=0.5, draws=2000)
        low, high = np.quantile(found.draws, [0.025, 0.975], axis=0)
        inside += int(np.sum((low <= truth) & (truth <= high)))
        total += 6
        pooled_error.append(found.mean - truth)
        plain_error.append(y - truth)
    # intervals of one family hang together: count as a third of their number
    low, high = binom.ppf([0.005, 0.995], total // 3, 0.95) / (total // 3)
    assert low <= inside / total <= high
    assert np.std(pooled_error) < 0.85 * np.std(plain_error)


@synthetic
def test_pairs_of_equal_groups_are_seldom_called_different():
    rng = np.random.default_rng(7)
    false = 0
    for _ in range(400):
        y = 0.2 * rng.standard_normal(5)
        found = separate_groups(y, np.full(5, 0.04), range(5), draws=3000)
        false += any(pair.significant for pair in pair_differences(found.draws))
    low, high = binom.ppf([0.005, 0.995], 400, 0.05)
    assert low <= false <= high


@synthetic
def test_without_correction_it_would_be_far_more():
    rng = np.random.default_rng(7)
    false = 0
    for _ in range(400):
        y = 0.2 * rng.standard_normal(5)
        gap = np.abs(y[:, None] - y[None, :]) / (0.2 * math.sqrt(2))
        false += bool(np.any(gap > 1.96))
    assert false > 80
