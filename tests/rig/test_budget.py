"""Effective degrees of freedom and intervals, where they are known exactly."""

import math

import numpy as np
import pytest
from scipy import integrate, stats

from flightproc.rig.budget import torque_interval, welch_satterthwaite

pytestmark = pytest.mark.analytic


def test_two_equal_parts_have_twice_the_degrees_of_freedom():
    assert welch_satterthwaite([0.3, 0.3], [5.0, 5.0]) == pytest.approx(10.0, rel=1e-12)
    assert welch_satterthwaite([2.0], [7.0]) == pytest.approx(7.0, rel=1e-12)


def test_a_judged_part_as_large_makes_it_four_times():
    assert welch_satterthwaite([0.3, 0.3], [5.0, math.inf]) == pytest.approx(20.0, rel=1e-12)
    assert welch_satterthwaite([0.3, 0.3], [math.inf, math.inf]) == math.inf
    assert welch_satterthwaite([0.0, 0.3], [5.0, math.inf]) == math.inf


def test_normal_parts_add_in_squares():
    low, high = torque_interval(7.0, 3.0, 4.0, math.inf)
    assert (low, high) == (pytest.approx(7.0 - 5.0 * 1.959964), pytest.approx(7.0 + 5.0 * 1.959964))


@pytest.mark.parametrize(("normal", "scatter", "dof"), [(2.0, 0.0, 4.0), (0.0, 2.0, 4.0), (1.5, 1.0, 3.0)])
def test_normal_and_scatter_are_convolved(normal, scatter, dof):
    low, high = torque_interval(-1.0, normal, scatter, dof)
    half = high + 1.0
    assert low == pytest.approx(-1.0 - half, rel=1e-12)
    if scatter == 0.0:
        inside = math.erf(half / normal / math.sqrt(2.0))
    elif normal == 0.0:
        inside = 1.0 - 2.0 * stats.t.sf(half / scatter, dof)
    else:

        def held(t: float) -> float:
            ends = stats.norm.cdf((np.array([-half, half]) - scatter * t) / normal)
            return float(np.diff(ends)[0] * stats.t.pdf(t, dof))

        inside = integrate.quad(held, -60.0, 60.0, limit=200)[0]
    assert inside == pytest.approx(0.95, abs=0.003)  # 40,000 draws: 0.0011


def test_fewer_than_one_degree_of_freedom_counts_as_one():
    assert torque_interval(0.0, 0.0, 1.0, 0.4) == torque_interval(0.0, 0.0, 1.0, 1.0)
