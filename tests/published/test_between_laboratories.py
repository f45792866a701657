"""Between-group variance: three groups with equal uncertainties, worked by hand [C].

R. C. Paule, J. Mandel, J. Res. NBS 87 (1982) 377 and R. DerSimonian, N. Laird, Control. Clin. Trials 7 (1986)
177 agree with the one-way analysis of variance there: values 0, 1, 2 with u 0.5 each have sample variance 1,
less 0.25. With unequal uncertainties (0.2, 0.5, 1.0) Paule and Mandel's defining equation is checked itself.
"""

import numpy as np
import pytest

from flightproc.rig import between_variance

pytestmark = pytest.mark.published


def test_equal_uncertainties():
    chi2, paule_mandel, moments, mean = between_variance(np.array([0.0, 1.0, 2.0]), 0.25 * np.eye(3))
    assert chi2 == pytest.approx(8.0)
    assert paule_mandel == pytest.approx(0.75)
    assert moments == pytest.approx(0.75)
    assert mean == pytest.approx(1.0)


def test_the_defining_equation_with_unequal_uncertainties():
    values, variances = np.array([0.0, 1.0, 2.0]), np.array([0.2, 0.5, 1.0]) ** 2
    _, tau2, moments, _ = between_variance(values, np.diag(variances))
    weight = 1.0 / (variances + tau2)
    mean = np.sum(weight * values) / weight.sum()
    assert np.sum(weight * (values - mean) ** 2) == pytest.approx(2.0, rel=1e-9)
    weight = 1.0 / variances
    q = np.sum(weight * (values - np.sum(weight * values) / weight.sum()) ** 2)
    expected = (q - 2.0) / (weight.sum() - np.sum(weight**2) / weight.sum())
    assert moments == pytest.approx(expected, rel=1e-12)
