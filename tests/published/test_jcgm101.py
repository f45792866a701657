"""JCGM 101:2008 (supplement 1 to the GUM), examples 9.2 to 9.4.

From memory [M]; what closed forms give is computed [C]. 9.2: sum of four quantities, Tables 2 to 4: normal, u
2.00, 95 % +-3.92; rectangular of standard deviation 1, u 2.00, +-3.88; the fourth ten times as wide, u 10.1,
+-17.0. 9.3: mass calibration, Table 6: 1.2341 mg, u 0.0754 mg, shortest 95 % [1.0834, 1.3825] mg, from draws
to a numerical tolerance of 0.0005 mg for two digits of u (7.9.2); first order gives u 0.0539 mg; exact
moments of the inputs 1.2340 mg, u 0.07548 mg [C]. 9.4: comparison loss of a power meter, x1 = x2 = 0, u
0.005, uncorrelated: mean 50e-6, u 50e-6, shortest 95 % [0, 150]e-6 [M; C], where first order gives 0.

The draws are scrambled Sobol points, so that a million of them suffice for the digits given.
"""

import math

import numpy as np
import pytest
from scipy.stats import norm, qmc

from flightproc.quantity import Quantity
from flightproc.statistics.propagate import propagate

pytestmark = pytest.mark.published


def points(dimension):
    return qmc.Sobol(dimension, rng=np.random.default_rng(101)).random_base2(20)


def rectangle(u, std):
    """Return draws of a rectangular distribution about 0."""
    return math.sqrt(3.0) * std * (2.0 * u - 1.0)


@pytest.mark.parametrize("shortest", [False, True])
def test_9_2_2_four_normal_quantities(shortest):
    found = Quantity.from_samples(norm.ppf(points(4)).sum(axis=1), shortest=shortest)
    assert found.std == pytest.approx(2.0, abs=0.005)
    assert (found.low95, found.high95) == pytest.approx((-3.92, 3.92), abs=0.06 if shortest else 0.005)


def test_9_2_3_four_rectangular_quantities():
    found = Quantity.from_samples(rectangle(points(4), 1.0).sum(axis=1))
    assert found.std == pytest.approx(2.0, abs=0.005)
    assert (found.low95, found.high95) == pytest.approx((-3.88, 3.88), abs=0.005)


def test_9_2_4_one_rectangle_ten_times_as_wide():
    found = Quantity.from_samples(rectangle(points(4), np.array([1.0, 1.0, 1.0, 10.0])).sum(axis=1))
    assert found.std == pytest.approx(10.1, abs=0.06)
    assert (found.low95, found.high95) == pytest.approx((-17.0, 17.0), abs=0.05)


def mass(x):
    """Return the deviation from 100 g [mg]."""
    reference, correction, air, weight, standard = x
    return (reference + correction) * (1.0 + (air - 1.2) * (1.0 / weight - 1.0 / standard)) - 100_000.0


def test_9_3_mass_calibration_by_draws():
    u = points(5).T
    inputs = (
        100_000.0 + 0.050 * norm.ppf(u[0]),
        1.234 + 0.020 * norm.ppf(u[1]),
        1.1 + 0.2 * u[2],
        7000.0 + 2000.0 * u[3],
        7950.0 + 100.0 * u[4],
    )
    found = Quantity.from_samples(mass(inputs), "mg", shortest=True)
    assert found.value == pytest.approx(1.2341, abs=0.0005)
    assert found.std == pytest.approx(0.0754, abs=0.0005)
    # ends move a few 1e-3 for hardly any change of the length, which is what is sought
    assert (found.low95, found.high95) == pytest.approx((1.0834, 1.3825), abs=0.003)
    assert found.high95 - found.low95 == pytest.approx(1.3825 - 1.0834, abs=0.0005)
    mean = math.log(9.0 / 7.0) / 2000.0, math.log(8050.0 / 7950.0) / 100.0
    square = 1.0 / (7000.0 * 9000.0) - 2.0 * mean[0] * mean[1] + 1.0 / (7950.0 * 8050.0)
    exact = math.sqrt(0.050**2 + 0.020**2 + 100_001.234**2 * 0.2**2 / 12.0 * square)
    assert found.value == pytest.approx(1.2340, abs=2e-5)
    assert found.std == pytest.approx(exact, abs=1e-5)


def test_9_3_mass_calibration_to_first_order():
    std = np.array([0.050, 0.020, 0.2 / math.sqrt(12.0), 2000.0 / math.sqrt(12.0), 100.0 / math.sqrt(12.0)])
    value, covariance = propagate(mass, [100_000.0, 1.234, 1.2, 8000.0, 8000.0], np.diag(std**2))
    assert value[0] == pytest.approx(1.2340, abs=0.00005)
    assert math.sqrt(covariance[0, 0]) == pytest.approx(0.0539, abs=0.00005)


def test_9_4_comparison_loss_at_zero():
    draws = 1e6 * np.sum((0.005 * norm.ppf(points(2))) ** 2, axis=1)
    short = Quantity.from_samples(draws, "1e-6", shortest=True)
    assert short.value == pytest.approx(50.0, abs=0.5)
    assert short.std == pytest.approx(50.0, abs=0.5)
    assert (short.low95, short.high95) == pytest.approx((0.0, 150.0), abs=0.5)
    even = Quantity.from_samples(draws, "1e-6")  # exponential: -50 ln(0.975), -50 ln(0.025)
    assert (even.low95, even.high95) == pytest.approx((1.266, 184.44), abs=0.05)


def test_9_4_comparison_loss_to_first_order():
    value, covariance = propagate(lambda x: x[0] ** 2 + x[1] ** 2, [0.0, 0.0], 0.005**2 * np.eye(2))
    assert value[0] == 0.0
    assert covariance[0, 0] == pytest.approx(0.0, abs=1e-12)
