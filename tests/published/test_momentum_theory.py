"""Momentum theory of the actuator disc.

Source: closed-form relations as in H. Glauert, Airplane Propellers, in W. F. Durand (ed.), Aerodynamic
Theory, vol. IV, 1935, division L. The numbers were computed [C] from v = -V/2 + sqrt(V^2/4 + T/(2 rho
A)), P = T (V + v), rho = 1.225 kg/m^3, and are given to the last digit shown.
"""

import math

import numpy as np
import pytest

from flightproc.rig import figure_of_merit, ideal_power, induced_velocity, thrust_ceiling

pytestmark = pytest.mark.published


@pytest.mark.parametrize(
    ("thrust", "diameter", "airspeed", "velocity", "power"),
    [
        (600.0, 1.30, 0.0, 13.5833, 8149.96),
        (600.0, 1.30, 11.0, 9.1545, 12092.72),
        (1000.0, 1.25, 0.0, 18.2374, 18237.36),
        (1000.0, 1.25, 11.0, 13.5487, 24548.66),
    ],
)
def test_induced_velocity_and_power(thrust, diameter, airspeed, velocity, power):
    assert float(induced_velocity(thrust, diameter=diameter, airspeed=airspeed)) == pytest.approx(
        velocity, abs=6e-5
    )
    assert float(ideal_power(thrust, diameter=diameter, airspeed=airspeed)) == pytest.approx(power, abs=6e-3)


def test_figure_of_merit_from_coefficients():
    """FM = C_T^1.5 / C_P sqrt(2 / pi), for any speed and size."""
    ct, cp = np.array([0.10, 0.15]), np.array([0.045, 0.075])
    density, n, diameter = 1.1, 41.0, 1.3
    thrust, power = ct * density * n**2 * diameter**4, cp * density * n**3 * diameter**5
    merit = figure_of_merit(thrust, power, diameter=diameter, density=density)
    np.testing.assert_allclose(merit, ct**1.5 / cp * math.sqrt(2.0 / math.pi), rtol=1e-12)


def test_thrust_ceiling_is_where_merit_is_one():
    power = np.array([2000.0, 8000.0])
    most = thrust_ceiling(power, diameter=1.25, density=1.2)
    np.testing.assert_allclose(figure_of_merit(most, power, diameter=1.25, density=1.2), 1.0, rtol=1e-12)
