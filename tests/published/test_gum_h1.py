"""JCGM 100:2008 (GUM), H.1: end-gauge calibration, effective degrees of freedom, Table H.1.

Read [R]: length 50.000 838 mm, combined 32 nm, 16 degrees of freedom, k 2.92, U99 93 nm. The inputs, the
parts and their degrees of freedom are from memory [M]: l_s 50.000 623 mm, u 25 nm, 18; d 215 nm, u 9.7 nm,
25.6; delta alpha 0, u 0.58e-6 per deg C, 50; delta theta 0, u 0.029 deg C, 2; alpha_s 11.5e-6 per deg C,
theta -0.1 deg C.
"""

import math

import numpy as np
import pytest

from flightproc.rig import welch_satterthwaite
from flightproc.statistics.propagate import propagate

pytestmark = pytest.mark.published

PARTS = (25.0, 9.7, 2.9, 16.6)
DOFS = (18.0, 25.6, 50.0, 2.0)


def length(x):
    standard, difference, delta_alpha, delta_theta = x  # [nm], [nm], [1/K], [K]
    return standard + difference - standard * (delta_alpha * -0.1 + 11.5e-6 * delta_theta)


def test_length_and_combined_uncertainty():
    std = np.array([25.0, 9.7, 0.58e-6, 0.029])
    value, covariance = propagate(length, [50.000623e6, 215.0, 0.0, 0.0], np.diag(std**2))
    assert value[0] / 1e6 == pytest.approx(50.000838, abs=5e-7)
    assert math.sqrt(covariance[0, 0]) == pytest.approx(32.0, abs=0.5)


def test_each_part_of_the_budget():
    for index, (std, part) in enumerate(zip((25.0, 9.7, 0.58e-6, 0.029), PARTS, strict=True)):
        only = np.zeros((4, 4))
        only[index, index] = std**2
        _, covariance = propagate(length, [50.000623e6, 215.0, 0.0, 0.0], only)
        assert math.sqrt(covariance[0, 0]) == pytest.approx(part, abs=0.1)


def test_effective_degrees_of_freedom_and_expanded_uncertainty():
    from scipy.special import stdtrit

    combined = math.hypot(*PARTS)
    dof = welch_satterthwaite(PARTS, DOFS)
    assert round(combined) == 32
    assert math.floor(dof) == 16  # truncated to the next lower integer, G.4.1
    factor = stdtrit(16, 0.995)
    assert factor == pytest.approx(2.92, abs=0.005)
    assert round(factor * combined) == 93


def test_rounding_before_the_formula_would_lose_a_degree_of_freedom():
    # 32 nm in place of 31.7 nm: 17; the note in checks of this example says not to round first
    dof = 32.0**4 / sum(u**4 / nu for u, nu in zip(PARTS, DOFS, strict=True))
    assert math.floor(dof) == 17
