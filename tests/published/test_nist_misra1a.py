"""NIST Statistical Reference Datasets, nonlinear regression, Misra1a (lower level of difficulty).

D. Misra, Dental Research Monomolecular Adsorption Study, NBS, 1978. Model y = b1 (1 - exp(-b2 x)). Data and
certified values read [R]: b1 238.94212918 (standard deviation 2.7070075241), b2 5.5015643181e-4
(7.2668688436e-6), residual sum of squares 0.12455138894. The two starts, (500, 1e-4) and (250, 5e-4), are
from memory [M].
"""

import numpy as np
import pytest

from flightproc.statistics.fit import fit_curve

pytestmark = pytest.mark.published

Y = [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78]
X = [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0]


def curve(x, b):
    return b[0] * (1.0 - np.exp(-b[1] * x))


def slope(x, b):
    return np.column_stack([1.0 - np.exp(-b[1] * x), b[0] * x * np.exp(-b[1] * x)])


@pytest.mark.parametrize("start", [(500.0, 1e-4), (250.0, 5e-4)])
@pytest.mark.parametrize("derivatives", [None, slope])
def test_values_and_standard_errors(start, derivatives):
    fit = fit_curve(curve, X, Y, start, derivatives=derivatives)
    np.testing.assert_allclose(fit.parameters, [238.94212918, 5.5015643181e-4], rtol=1e-8)
    np.testing.assert_allclose(fit.std, [2.7070075241, 7.2668688436e-6], rtol=1e-8)
    assert fit.chi2 == pytest.approx(0.12455138894, rel=1e-9)
    assert fit.dof == 12
