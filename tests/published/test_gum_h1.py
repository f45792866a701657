"""JCGM 100:2008 (GUM), H.1: end-gauge calibration, effective degrees of freedom, Table H.1.

Read [R]: combined 32 nm, 16 degrees of freedom, k 2.92, U99 93 nm. The parts and their degrees of freedom
are from memory [M]: u(l_s) 25 nm, 18; u(d) 9.7 nm, 25.6; u(delta alpha) 2.9 nm, 50; u(delta theta) 16.6
nm, 2.
"""

import math

import pytest

from flightproc.rig import welch_satterthwaite

pytestmark = pytest.mark.published

PARTS = (25.0, 9.7, 2.9, 16.6)
DOFS = (18.0, 25.6, 50.0, 2.0)


def test_effective_degrees_of_freedom_and_expanded_uncertainty():
    from scipy.special import stdtrit

    combined = math.hypot(*PARTS)
    dof = welch_satterthwaite(PARTS, DOFS)
    assert round(combined) == 32
    assert math.floor(dof) == 16  # truncated to the next lower integer, G.4.1
    factor = stdtrit(16, 0.995)
    assert factor == pytest.approx(2.92, abs=0.005)
    assert round(factor * combined) == 93
