import numpy as np
import pytest
from scipy.signal import lfilter

from flightproc.statistics.autocorrelation import autocovariance, effective_size, variance_of_mean


@pytest.mark.analytic
@pytest.mark.parametrize(("n", "rho"), [(1, 0.5), (7, 0.8), (50, -0.4), (200, 0.99)])
def test_exact_size_is_the_sum_over_the_full_covariance(n, rho):
    matrix = rho ** np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    assert effective_size(n, rho) == pytest.approx(n * n / matrix.sum(), rel=1e-10)


@pytest.mark.analytic
def test_variance_of_mean_agrees_with_the_ar1_form():
    rho, n = 0.7, 40
    assert variance_of_mean(2.0 * rho ** np.arange(n), n) == pytest.approx(
        2.0 / effective_size(n, rho), rel=1e-12
    )


@pytest.mark.analytic
def test_autocovariance_against_the_plain_sum():
    x = np.random.default_rng(1).standard_normal(60)
    c = x - x.mean()
    expected = [np.sum(c[: 60 - k] * c[k:]) / 60 for k in range(6)]
    assert autocovariance(x, 5) == pytest.approx(np.array(expected), abs=1e-12)


@pytest.mark.analytic
def test_missing_samples_are_left_out_of_the_pairs():
    x = np.array([1.0, np.nan, -1.0, 2.0, -2.0])
    assert autocovariance(x, 1, mean=0.0) == pytest.approx(np.array([10 / 4, (-2.0 - 4.0) / 4]), abs=1e-12)


@pytest.mark.synthetic
def test_variance_of_mean_covers_simulated_means():
    rng = np.random.default_rng(2)
    means = lfilter([1.0], [1.0, -0.9], rng.standard_normal((4000, 700)))[:, 500:].mean(axis=1)
    expected = 1 / (1 - 0.81) / effective_size(200, 0.9)
    assert np.var(means) == pytest.approx(expected, rel=4 * np.sqrt(2 / 4000))


@pytest.mark.analytic
def test_nonsense_is_refused():
    with pytest.raises(ValueError, match="between -1 and 1"):
        effective_size(10, 1.0)
    with pytest.raises(ValueError, match="at least 1"):
        effective_size(0, 0.1)
    with pytest.raises(ValueError, match="lags"):
        autocovariance([1.0, 2.0], 2)
    with pytest.raises(ValueError, match="no finite"):
        autocovariance([np.nan, np.nan], 1)
