import numpy as np
import pytest

from flightproc.statistics.fit import fit_curve, fit_line, huber, weighted_least_squares


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


def decay(x, p):
    return p[0] * np.exp(-x / p[1]) + p[2]


@pytest.mark.reference
@pytest.mark.parametrize("stated", [True, False])
def test_curve_against_scipy_curve_fit(stated):
    from scipy.optimize import curve_fit

    rng = np.random.default_rng(9)
    x = np.linspace(0, 6, 40)
    std = rng.uniform(0.02, 0.1, 40) if stated else None
    y = decay(x, [2.0, 1.5, 0.3]) + rng.standard_normal(40) * (0.05 if std is None else std)
    fit = fit_curve(decay, x, y, [1.0, 1.0, 0.0], std=std)
    values, covariance = curve_fit(
        lambda x, a, b, c: decay(x, (a, b, c)), x, y, [1.0, 1.0, 0.1], sigma=std, absolute_sigma=stated
    )
    assert fit.parameters == pytest.approx(values, rel=1e-6)
    assert fit.covariance == pytest.approx(covariance, rel=1e-4)
    assert fit.dof == 37
    assert y - fit.residuals == pytest.approx(decay(x, fit.parameters), rel=1e-12)


@pytest.mark.analytic
def test_curve_that_is_a_line_is_the_linear_fit():
    rng = np.random.default_rng(10)
    x = np.linspace(-1, 4, 15)
    std = rng.uniform(0.5, 2.0, 15)
    y = 3 - x + std * rng.standard_normal(15)
    linear = weighted_least_squares(np.column_stack([np.ones(15), x]), y, std)
    fit = fit_curve(lambda x, p: p[0] + p[1] * x, x, y, [0.0, 0.0], std=std)
    assert fit.parameters == pytest.approx(linear.coefficients, rel=1e-8)
    assert fit.covariance == pytest.approx(linear.covariance, rel=1e-8)
    assert fit.scale == pytest.approx(linear.scale, rel=1e-9)


@pytest.mark.analytic
def test_curve_stays_within_its_bounds():
    x = np.arange(6.0)
    fit = fit_curve(lambda x, p: p[0] * x, x, 2.0 * x, [0.5], bounds=([0.0], [1.5]))
    assert fit.parameters[0] == pytest.approx(1.5, abs=1e-6)


@pytest.mark.analytic
def test_curve_refuses_what_it_cannot_tell():
    with pytest.raises(ValueError, match="at least 4"):
        fit_curve(decay, [0.0, 1.0, 2.0], [2.0, 1.0, 0.5], [1.0, 1.0, 0.0])
    with pytest.raises(ValueError, match="does not determine"):
        fit_curve(lambda x, p: (p[0] + p[1]) * x, np.arange(5.0), np.arange(5.0), [1.0, 1.0])
    fit = fit_curve(decay, [0.0, 1.0, 2.0], [2.0, 1.0, 0.6], [1.0, 1.0, 0.0], std=0.1)
    assert fit.dof == 0 and np.isnan(fit.scale) and np.all(np.isfinite(fit.std))


@pytest.mark.synthetic
def test_curve_interval_covers():
    rng = np.random.default_rng(11)
    x = np.linspace(0, 6, 40)
    truth = np.array([2.0, 1.5, 0.3])
    z = []
    for _ in range(300):
        y = decay(x, truth) + 0.05 * rng.standard_normal(40)
        fit = fit_curve(decay, x, y, [1.0, 1.0, 0.0], std=0.05)
        z.append((fit.parameters - truth) / fit.std)
    assert np.all(np.abs(np.mean(z, axis=0)) < 4 / np.sqrt(300))
    spread = np.std(z, axis=0)
    assert np.all((spread > 0.85) & (spread < 1.15))
