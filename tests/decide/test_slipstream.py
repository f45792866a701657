"""The stream behind the propeller."""

from __future__ import annotations

import math

import numpy as np
import pytest

from flightproc.decide.slipstream import (
    lift_slope,
    stream_radius,
    stream_speed,
    surface_drag_coefficient,
    swirl_angle,
)

pytestmark = pytest.mark.analytic

AIR = {"diameter": 1.3, "density": 1.2, "airspeed": 10.0}


def test_mass_flow_and_momentum_are_those_of_the_thrust():
    """m' (V_far - V) = T with the flow through the disc (momentum theory)."""
    at_disc = float(stream_speed(500.0, distance=0.0, **AIR))
    far = float(stream_speed(500.0, distance=1e7, **AIR))
    flow = 1.2 * math.pi * 0.65**2 * at_disc
    assert flow * (far - 10.0) == pytest.approx(500.0, rel=1e-9)
    for distance in (-0.5, 0.0, 0.2, 1.0, 50.0):
        radius = float(stream_radius(500.0, distance=distance, **AIR))
        speed = float(stream_speed(500.0, distance=distance, **AIR))
        assert 1.2 * math.pi * radius**2 * speed == pytest.approx(flow, rel=1e-9)


def test_speed_grows_from_far_ahead_to_twice_far_behind():
    ahead, far = (float(stream_speed(500.0, distance=x, **AIR)) for x in (-1e7, 1e7))
    disc = float(stream_speed(500.0, distance=0.0, **AIR))
    assert ahead == pytest.approx(10.0, abs=1e-9)
    assert far - 10.0 == pytest.approx(2.0 * (disc - 10.0))


def test_without_thrust_the_stream_is_the_wind():
    np.testing.assert_allclose(stream_speed([0.0, -20.0], distance=0.3, **AIR), 10.0)
    assert float(swirl_angle(0.0, 0.0, distance=0.3, radius=0.3, **AIR)) == 0.0


def test_swirl_carries_the_torque():
    """Integral of rho V_x v_theta r dA over the stream is Q, for rigid rotation."""
    torque, thrust, distance = 24.0, 300.0, 0.2
    outer = float(stream_radius(thrust, distance=distance, **AIR))
    axial = float(stream_speed(thrust, distance=distance, **AIR))
    r = np.linspace(0.0, outer, 4001)
    swirl = axial * np.array(
        [math.tan(float(swirl_angle(torque, thrust, distance=distance, radius=x, **AIR))) for x in r[::40]]
    )
    moment = np.trapezoid(1.2 * axial * swirl * r[::40] * 2.0 * math.pi * r[::40], r[::40])
    assert float(moment) == pytest.approx(torque, rel=1e-3)


def test_lift_slope_has_its_limits():
    assert lift_slope(2.0 * math.pi, 1e9) == pytest.approx(2.0 * math.pi)
    assert lift_slope(2.0 * math.pi, 4.0) == pytest.approx(2.0 * math.pi / (1.0 + 2.0 / 4.0))


def test_drag_is_that_of_the_lift():
    value = surface_drag_coefficient(0.5, zero_lift=0.01, aspect_ratio=4.0, efficiency=0.8)
    assert float(value) == pytest.approx(0.01 + 0.25 / (math.pi * 0.8 * 4.0))
