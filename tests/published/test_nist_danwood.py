"""NIST Statistical Reference Datasets, nonlinear regression, DanWood.

Model y = b1 x^b2 (E. S. Keeping, Introduction to Statistical Inference, 1962, p. 354, after Daniel and
Wood). Certified values read [R]: b1 0.76886226176 (standard deviation 0.018281973860), b2 3.8604055871
(0.051726610913). The six data are from memory [M]; they reproduce the certified values to all digits
given.
"""

import numpy as np
import pytest

from flightproc.rig import fit_torque

pytestmark = pytest.mark.published


def test_power_law():
    x = np.array([1.309, 1.471, 1.490, 1.565, 1.611, 1.680])
    y = np.array([2.138, 3.421, 3.597, 4.340, 4.882, 5.660])
    # An uncertainty far below the scatter: the covariance is then scaled by chi^2 / dof, as NIST does.
    power = fit_torque(1000.0 * x, y, 1e-4)[1]
    np.testing.assert_allclose(power.coefficients, [0.76886226176, 3.8604055871], rtol=1e-8)
    np.testing.assert_allclose(
        np.sqrt(np.diag(power.covariance)), [0.018281973860, 0.051726610913], rtol=1e-6
    )
