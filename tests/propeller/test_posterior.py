"""Posteriors with one peak and with two."""

import numpy as np
import pytest

from flightproc.propeller.posterior import explore_posterior

pytestmark = pytest.mark.analytic


def test_normal_posterior():
    root = np.linalg.inv(np.linalg.cholesky(np.array([[4.0, 1.0], [1.0, 1.0]])))
    centre = np.array([1.0, -2.0])
    found = explore_posterior(
        lambda x: (x - centre) @ root.T, [np.zeros(2)], np.array([2.0, 1.0]), draws=4000, proposals=8000
    )
    np.testing.assert_allclose(found.peak, centre, atol=1e-6)
    np.testing.assert_allclose(found.covariance, [[4.0, 1.0], [1.0, 1.0]], rtol=0.1, atol=0.1)
    np.testing.assert_allclose(np.cov(found.draws.T), found.covariance, rtol=0.05, atol=0.05)
    np.testing.assert_allclose(found.draws.mean(axis=0), centre, atol=0.1)
    assert found.peaks == 1
    assert found.effective > 4000.0


def test_two_peaks_keep_their_shares():
    """exp(-(x^2 - 4)^2 / 2) has two equal peaks at +2 and -2."""
    found = explore_posterior(
        lambda x: x**2 - 4.0, [np.array([1.0]), np.array([-1.0])], np.array([1.0]), draws=2000, proposals=6000
    )
    assert found.peaks == 2
    assert abs(found.peak[0]) == pytest.approx(2.0, abs=1e-6)
    assert np.mean(found.draws > 0.0) == pytest.approx(0.5, abs=0.04)
    grid = np.linspace(-4.0, 4.0, 4001)
    weight = np.exp(-0.5 * (grid**2 - 4.0) ** 2)
    assert found.covariance[0, 0] == pytest.approx(np.sum(weight * grid**2) / np.sum(weight), rel=0.05)


def test_a_peak_far_below_the_best_is_forgotten():
    """Peaks at 0 and 10, the second with a cost of 50 more."""

    def residuals(x):
        return np.hstack([x * (x - 10.0) / 10.0, x])

    found = explore_posterior(residuals, [np.array([9.9]), np.array([0.1])], np.array([1.0]))
    assert found.peaks == 1
    assert abs(found.peak[0]) < 1e-6


def test_the_same_seed_gives_the_same_draws():
    one, two = (explore_posterior(lambda x: x, [np.ones(1)], np.ones(1), seed=4).draws for _ in range(2))
    np.testing.assert_array_equal(one, two)
