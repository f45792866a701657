"""Section polars over the whole circle."""

import math

import numpy as np
import pytest

from flightproc.propeller import AnalyticPolar, LinearPolar, SectionFlow

pytestmark = pytest.mark.analytic


def flow(chord_to_radius=0.0, reynolds=5e5, mach=0.0):
    return SectionFlow(*(np.array([x]) for x in (chord_to_radius, reynolds, mach)))


def test_linear_polar():
    cl, cd = LinearPolar(6.2, 0.05, (0.008, -0.003, 0.01)).coefficients(np.array([0.15]), flow())
    assert cl[0] == pytest.approx(0.62)
    assert cd[0] == pytest.approx(0.008 - 0.003 * 0.62 + 0.01 * 0.62**2)


def test_attached_flow_has_the_stated_slope_and_zero():
    polar = AnalyticPolar()
    step = 1e-5
    low, high = polar.coefficients(np.array([polar.zero_lift - step, polar.zero_lift + step]), flow())[0]
    assert (high - low) / (2.0 * step) == pytest.approx(polar.lift_slope, rel=1e-6)
    assert high + low == pytest.approx(0.0, abs=1e-9)


def test_lift_peaks_below_the_stated_maximum_and_drag_rises_past_stall():
    polar = AnalyticPolar()
    alpha = np.radians(np.linspace(-3.0, 40.0, 400))
    cl, cd = polar.coefficients(alpha, flow())
    assert 0.85 * polar.max_lift < cl.max() <= polar.max_lift
    assert 8.0 < math.degrees(alpha[np.argmax(cl)]) < 18.0
    assert np.all(np.diff(cd[alpha > math.radians(10.0)]) > 0.0)


def test_flat_plate_beyond_stall():
    polar = AnalyticPolar()
    for degrees in (60.0, 90.0, 120.0):
        alpha = math.radians(degrees)
        cl, cd = polar.coefficients(np.array([alpha]), flow())
        assert cl[0] == pytest.approx(polar.broadside_drag * math.sin(alpha) * math.cos(alpha), abs=1e-12)
        assert cd[0] == pytest.approx(polar.profile_drag + polar.broadside_drag * math.sin(alpha) ** 2)


def test_whole_circle_is_continuous_and_periodic():
    polar = AnalyticPolar()
    alpha = np.linspace(-math.pi, math.pi, 20_001)
    for c_r in (0.0, 0.3, 0.7):
        cl, cd = polar.coefficients(alpha, flow(c_r))
        assert np.abs(np.diff(cl)).max() < 12.0 * (alpha[1] - alpha[0])
        assert np.abs(np.diff(cd)).max() < 12.0 * (alpha[1] - alpha[0])
        assert cl[0] == pytest.approx(cl[-1], abs=1e-9)
        assert np.all(cd > 0.0)


def test_rotation_delays_stall_inboard_only():
    polar = AnalyticPolar()
    alpha = np.array([math.radians(20.0)])
    still, none = (polar.coefficients(alpha, flow(c))[0][0] for c in (0.0, 0.05))
    inner, hub = (polar.coefficients(alpha, flow(c))[0][0] for c in (0.35, 0.8))
    potential = polar.lift_slope * math.sin(alpha[0] - polar.zero_lift)
    assert none == pytest.approx(still + polar.stall_delay * 0.05**2 * (potential - still), rel=1e-9)
    assert inner == pytest.approx(still + polar.stall_delay * 0.35**2 * (potential - still), rel=1e-9)
    assert hub == pytest.approx(potential, rel=1e-9)


def test_regained_force_stands_on_the_chord():
    polar, alpha = AnalyticPolar(), np.array([math.radians(20.0)])
    cl0, cd0 = polar.coefficients(alpha, flow(0.0))
    cl1, cd1 = polar.coefficients(alpha, flow(0.35))
    assert (cd1 - cd0)[0] == pytest.approx((cl1 - cl0)[0] * math.tan(alpha[0]), rel=1e-9)


def test_attached_flow_does_not_feel_rotation():
    polar, alpha = AnalyticPolar(), np.radians([2.0])
    np.testing.assert_allclose(
        polar.coefficients(alpha, flow(0.8))[0], polar.coefficients(alpha, flow(0.0))[0], rtol=2e-3
    )


def test_reynolds_and_mach():
    polar, alpha = AnalyticPolar(), np.array([0.0])
    _, low = polar.coefficients(alpha, flow(reynolds=2.5e5))
    _, high = polar.coefficients(alpha, flow(reynolds=5e5))
    # 2e-6 of it comes from the largest lift, which bends the lift curve a little even far below stall
    assert (low - high)[0] == pytest.approx(polar.profile_drag * (2.0**0.4 - 1.0), rel=1e-5)
    slow, fast = (polar.coefficients(alpha, flow(mach=m))[0][0] for m in (0.0, 0.5))
    assert fast / slow == pytest.approx(1.0 / math.sqrt(0.75), rel=1e-2)


def test_largest_lift_grows_with_reynolds_number():
    polar, alpha = AnalyticPolar(), np.radians(np.linspace(5.0, 20.0, 300))
    most = [polar.coefficients(alpha, flow(reynolds=re))[0].max() for re in (1e5, 5e5, 1e6)]
    assert most[0] / most[1] == pytest.approx(0.2**0.1, rel=0.02)
    assert most[2] / most[1] == pytest.approx(2.0**0.1, rel=0.02)


def test_parameters_may_vary_by_operating_point():
    alpha = np.full((3, 4), 0.2)
    lift = np.array([[0.9], [1.1], [1.3]])
    cl, _ = AnalyticPolar(max_lift=lift).coefficients(alpha, flow())
    assert cl.shape == (3, 4)
    for row, most in zip(cl, lift[:, 0], strict=True):
        one, _ = AnalyticPolar(max_lift=float(most)).coefficients(alpha[:1], flow())
        np.testing.assert_allclose(row, one[0], rtol=1e-12)
