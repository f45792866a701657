"""Least squares, curves and lengths that need no further library, held against scipy's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.fft import next_fast_len
from scipy.interpolate import PchipInterpolator
from scipy.optimize import least_squares

from flightproc.statistics.light import fast_length, least_squares_near, monotone_curve

pytestmark = pytest.mark.reference


@pytest.mark.parametrize("seed", range(8))
def test_least_squares_are_those_of_scipy(seed: int) -> None:
    rng = np.random.default_rng(seed)
    t = np.linspace(0.0, 4.0, 30)
    true = np.array([2.0, 0.8, 0.3]) * rng.uniform(0.5, 2.0, 3)
    y = true[0] * np.exp(-true[1] * t) + true[2] + 0.05 * rng.standard_normal(t.size)

    def misfit(p: np.ndarray) -> np.ndarray:
        return np.asarray(p[0] * np.exp(-p[1] * t) + p[2] - y)

    def slope(p: np.ndarray) -> np.ndarray:
        fall = np.exp(-p[1] * t)
        return np.column_stack([fall, -p[0] * t * fall, np.ones_like(t)])

    expected = least_squares(
        misfit, [1.0, 1.0, 0.0], jac=slope, method="lm", xtol=1e-15, ftol=1e-15, gtol=1e-15
    ).x
    found = least_squares_near(misfit, slope, np.array([1.0, 1.0, 0.0]))
    assert found is not None
    np.testing.assert_allclose(found, expected, rtol=1e-8)


def test_a_start_without_a_way_down_is_given_back_to_the_caller() -> None:
    bad = least_squares_near(lambda p: np.array([np.inf, p[0]]), lambda p: np.ones((2, 1)), np.array([1.0]))
    endless = least_squares_near(lambda p: np.exp(-p), lambda p: np.diag(-np.exp(-p)), np.array([0.0]))
    assert bad is None and endless is None


@pytest.mark.parametrize("count", [2, 3, 4, 9, 40])
def test_monotone_curve_is_that_of_scipy(count: int) -> None:
    rng = np.random.default_rng(count)
    for _ in range(20):
        x = np.cumsum(rng.uniform(0.1, 2.0, count))
        y = np.round(rng.standard_normal(count), 1)
        at = np.concatenate([x, rng.uniform(x[0], x[-1], 50)])
        np.testing.assert_allclose(monotone_curve(x, y, at), PchipInterpolator(x, y)(at), atol=1e-13)


def test_fast_lengths_are_those_of_scipy() -> None:
    for least in [*range(1, 3000), 100_003, 1_234_567]:
        assert fast_length(least) == next_fast_len(least, real=True)
