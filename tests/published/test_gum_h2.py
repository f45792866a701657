"""JCGM 100:2008 (GUM), H.2: resistance and reactance from five sets of V, I and phi, Tables H.2 to H.4.

Data and results from memory [M].
"""

import numpy as np
import pytest

from flightproc.statistics.propagate import propagate

pytestmark = pytest.mark.published

VOLTAGE = [5.007, 4.994, 5.005, 4.990, 4.999]
CURRENT = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3]
PHASE = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]


def impedance(x):
    v, i, phi = x
    return np.array([v / i * np.cos(phi), v / i * np.sin(phi), v / i])


def test_correlated_means_through_three_functions():
    data = np.array([VOLTAGE, CURRENT, PHASE])
    value, covariance = propagate(impedance, data.mean(axis=1), np.cov(data) / data.shape[1])
    std = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(std, std)
    np.testing.assert_allclose(value, [127.732, 219.847, 254.260], atol=0.0006)
    np.testing.assert_allclose(std, [0.071, 0.296, 0.236], atol=0.0006)
    np.testing.assert_allclose(
        [correlation[0, 1], correlation[0, 2], correlation[1, 2]], [-0.588, -0.485, 0.993], atol=0.0006
    )
