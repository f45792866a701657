"""Mean of a first-order autoregression: n (1 - rho) / (1 + rho) and the exact finite sum [computed].

G. E. P. Box, G. M. Jenkins, G. C. Reinsel, Time Series Analysis, 3rd ed., 1994, section 2.1.
"""

import numpy as np
import pytest

from flightproc.statistics.autocorrelation import effective_size, variance_of_mean

pytestmark = pytest.mark.published


def test_asymptotic_and_exact_effective_size():
    assert effective_size(1000, 0.9, exact=False) == pytest.approx(52.63, abs=0.005)
    assert effective_size(1000, 0.9) == pytest.approx(53.13, abs=0.005)


def test_variance_of_the_mean_from_the_autocovariance():
    assert 1.0 / variance_of_mean(0.9 ** np.arange(1000), 1000) == pytest.approx(53.13, abs=0.005)
