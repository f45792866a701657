import numpy as np
import pytest

from flightproc.statistics.propagate import draw_normal, jacobian, propagate

COVARIANCE = np.array([[4.0, -1.2], [-1.2, 1.0]])


@pytest.mark.synthetic
def test_draws_have_the_mean_and_covariance_asked_for():
    draws = draw_normal([1.0, -2.0], COVARIANCE, 200_000, np.random.default_rng(6))
    assert draws.mean(axis=0) == pytest.approx(np.array([1.0, -2.0]), abs=5 * 2 / np.sqrt(200_000))
    assert np.cov(draws.T) == pytest.approx(COVARIANCE, abs=0.07)


@pytest.mark.analytic
def test_a_singular_covariance_is_drawn_within_its_plane():
    draws = draw_normal([0.0, 0.0], [[1.0, 2.0], [2.0, 4.0]], 100, np.random.default_rng(7))
    assert draws[:, 1] == pytest.approx(2 * draws[:, 0], abs=1e-7)


@pytest.mark.analytic
def test_a_covariance_that_is_none_is_refused():
    rng = np.random.default_rng(8)
    with pytest.raises(ValueError, match="negative eigenvalue"):
        draw_normal([0.0, 0.0], [[1.0, 2.0], [2.0, 1.0]], 10, rng)
    with pytest.raises(ValueError, match="not symmetric"):
        draw_normal([0.0, 0.0], [[1.0, 0.5], [0.0, 1.0]], 10, rng)
    with pytest.raises(ValueError, match="shape"):
        draw_normal([0.0, 0.0], [[1.0]], 10, rng)


@pytest.mark.analytic
def test_first_order_propagation_of_a_quotient():
    value, covariance = propagate(lambda x: x[0] / x[1], [10.0, 5.0], 1e-4 * COVARIANCE)
    slope = np.array([1 / 5, -10 / 25])
    assert value[0] == pytest.approx(2.0)
    assert covariance[0, 0] == pytest.approx(slope @ (1e-4 * COVARIANCE) @ slope, rel=1e-6)


@pytest.mark.analytic
def test_jacobian_of_a_vector_function_with_a_certain_input():
    slope = jacobian(lambda x: np.array([x[0] ** 2, x[0] * x[1]]), [3.0, 2.0], [0.1, 0.0])
    assert slope == pytest.approx(np.array([[6.0, 0.0], [2.0, 3.0]]), rel=1e-6, abs=1e-9)
