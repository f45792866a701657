import numpy as np
import pytest

from flightproc.statistics.fit import fit_line, huber, weighted_least_squares


@pytest.mark.reference
def test_unweighted_fit_against_numpy_polyfit():
    rng = np.random.default_rng(3)
    x = np.linspace(0, 5, 30)
    y = 2 - 0.4 * x + rng.standard_normal(30)
    fit = weighted_least_squares(np.column_stack([x, np.ones(30)]), y)
    coefficients, covariance = np.polyfit(x, y, 1, cov=True)
    assert fit.coefficients == pytest.approx(coefficients, rel=1e-9)
    assert fit.covariance == pytest.approx(covariance, rel=1e-9)


@pytest.mark.reference
def test_weighted_fit_against_numpy_polyfit():
    rng = np.random.default_rng(4)
    x = np.linspace(0, 5, 12)
    std = rng.uniform(0.1, 2.0, 12)
    y = 1 + x + std * rng.standard_normal(12)
    fit = weighted_least_squares(np.column_stack([x, np.ones(12)]), y, std)
    coefficients, covariance = np.polyfit(x, y, 1, w=1 / std, cov="unscaled")
    assert fit.coefficients == pytest.approx(coefficients, rel=1e-9)
    assert fit.covariance == pytest.approx(covariance, rel=1e-9)


@pytest.mark.analytic
def test_weighted_mean_has_the_closed_form():
    fit = weighted_least_squares(np.ones((2, 1)), [1.0, 4.0], [1.0, 2.0])
    assert fit.coefficients[0] == pytest.approx((1 + 4 / 4) / (1 + 1 / 4), rel=1e-12)
    assert fit.std[0] == pytest.approx(1 / np.sqrt(1 + 1 / 4), rel=1e-12)


@pytest.mark.analytic
def test_too_little_is_refused():
    with pytest.raises(ValueError, match="at least 3"):
        fit_line([0.0, 1.0], [0.0, 1.0])
    with pytest.raises(ValueError, match="does not determine"):
        weighted_least_squares(np.ones((5, 2)), np.arange(5.0))
    with pytest.raises(ValueError, match="at least 3"):
        huber(np.ones((2, 2)), [0.0, 1.0])


@pytest.mark.synthetic
def test_huber_shrugs_off_outliers_and_its_interval_covers():
    rng = np.random.default_rng(5)
    x = np.column_stack([np.ones(80), np.linspace(-1, 1, 80)])
    z = []
    for _ in range(600):
        y = x @ [1.0, 2.0] + rng.standard_normal(80)
        outliers = rng.random(80) < 0.05
        y[outliers] += rng.choice([-1, 1], outliers.sum()) * 15.0
        fit = huber(x, y)
        z.append((fit.coefficients - [1.0, 2.0]) / fit.std)
    spread = np.std(z, axis=0)
    assert np.all(np.abs(np.mean(z, axis=0)) < 4 / np.sqrt(600))
    assert np.all((spread > 0.9) & (spread < 1.1))


@pytest.mark.analytic
def test_huber_on_an_exact_line():
    x = np.column_stack([np.ones(9), np.arange(9.0)])
    fit = huber(x, x @ [1.0, -0.5])
    assert fit.coefficients == pytest.approx(np.array([1.0, -0.5]), abs=1e-12)
    assert fit.std == pytest.approx(np.zeros(2), abs=1e-12)
