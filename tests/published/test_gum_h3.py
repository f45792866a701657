"""JCGM 100:2008 (GUM), H.3: thermometer calibration by a least-squares line, Table H.6 [read]."""

import numpy as np
import pytest

from flightproc.statistics.fit import fit_line

pytestmark = pytest.mark.published

TEMPERATURE = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
CORRECTION = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def test_line_its_uncertainties_and_the_prediction():
    fit = fit_line(TEMPERATURE, CORRECTION, origin=20.0)
    y1, y2 = fit.coefficients
    assert y1 == pytest.approx(-0.1712, abs=0.00005)
    assert fit.std[0] == pytest.approx(0.0029, abs=0.00005)
    assert y2 == pytest.approx(0.00218, abs=0.000005)
    assert fit.std[1] == pytest.approx(0.00067, abs=0.000005)
    assert fit.correlation(0, 1) == pytest.approx(-0.930, abs=0.0005)
    assert fit.scale == pytest.approx(0.0035, abs=0.00005)
    value, std = fit.predict(np.array([1.0, 10.0]))
    assert value == pytest.approx(-0.1494, abs=0.00005)
    assert std == pytest.approx(0.0041, abs=0.00005)
