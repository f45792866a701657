"""Mean of a first-order autoregression: n (1 - rho) / (1 + rho) and the exact finite sum [computed].

G. E. P. Box, G. M. Jenkins, G. C. Reinsel, Time Series Analysis, 3rd ed., 1994, section 2.1.
"""

import pytest

from flightproc.statistics.autocorrelation import effective_size

pytestmark = pytest.mark.published


def test_asymptotic_and_exact_effective_size():
    assert effective_size(1000, 0.9, exact=False) == pytest.approx(52.63, abs=0.005)
    assert effective_size(1000, 0.9) == pytest.approx(53.13, abs=0.005)
