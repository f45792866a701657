"""NIST Statistical Reference Datasets, nonlinear regression, DanWood.

Model y = b1 x^b2 (E. S. Keeping, Introduction to Statistical Inference, 1962, p. 354, after Daniel and
Wood). Certified values read [R]: b1 0.76886226176 (standard deviation 0.018281973860), b2 3.8604055871
(0.051726610913). The six data and the start (1, 5) are from memory [M]; they reproduce the certified values
to all digits given.
"""

import numpy as np
import pytest

from flightproc.rig import fit_torque
from flightproc.statistics.fit import fit_curve

pytestmark = pytest.mark.published

X = np.array([1.309, 1.471, 1.490, 1.565, 1.611, 1.680])
Y = np.array([2.138, 3.421, 3.597, 4.340, 4.882, 5.660])
VALUES = [0.76886226176, 3.8604055871]
STD = [0.018281973860, 0.051726610913]


def test_power_law_of_a_rig_day():
    # An uncertainty far below the scatter: the covariance is then scaled by chi^2 / dof, as NIST does.
    power = fit_torque(1000.0 * X, Y, 1e-4)[1]
    np.testing.assert_allclose(power.coefficients, VALUES, rtol=1e-8)
    np.testing.assert_allclose(np.sqrt(np.diag(power.covariance)), STD, rtol=1e-6)


def test_general_curve():
    fit = fit_curve(lambda x, b: b[0] * x ** b[1], X, Y, [1.0, 5.0])
    np.testing.assert_allclose(fit.parameters, VALUES, rtol=1e-8)
    np.testing.assert_allclose(fit.std, STD, rtol=1e-8)
