"""Calibration on static loads, and the blade carried into flight."""

import math
from dataclasses import replace

import numpy as np
import pytest

from flightproc.errors import FlightprocError
from flightproc.propeller import (
    AnalyticPolar,
    Blade,
    alpha_at,
    calibrate_blade,
    compare_blade,
    fit_blade,
    geometric_alpha,
    solve_elements,
)
from flightproc.quantity import Quantity
from flightproc.rig import reduce_rig
from flightproc.sheets import RigSheet

RADIUS = np.linspace(0.10, 0.625, 8)
BLADE = Blade.from_table(
    RADIUS,
    np.array([0.06, 0.08, 0.09, 0.088, 0.08, 0.07, 0.055, 0.03]),
    np.arctan2(0.6, 2.0 * math.pi * RADIUS),
    diameter=1.25,
    blades=2,
    elements=14,
)
RPM = np.array([1900.0, 2300.0, 2700.0])


def static(offset=0.0, drag=1.0, lift=1.0, blade=BLADE):
    polar = AnalyticPolar()
    polar = replace(polar, drag_factor=drag, max_lift=polar.max_lift * lift)
    return solve_elements(blade, polar, RPM, 0.0, 1.2, pitch_offset=offset, speed_of_sound=340.3)


def fitted(run, *, with_thrust=True, model_std=0.005, blade=BLADE):
    return fit_blade(
        blade,
        RPM,
        run.torque,
        0.005 * run.torque,
        density=1.2,
        thrust=run.thrust if with_thrust else None,
        thrust_std=0.005 * run.thrust,
        model_std=model_std,
    )


@pytest.mark.synthetic
def test_a_blade_that_is_as_assumed_needs_no_correction():
    case = fitted(static())
    np.testing.assert_allclose(case.values, 0.0, atol=1e-6)
    assert case.chi2 == pytest.approx(0.0, abs=1e-6)
    assert case.measurements == 6


@pytest.mark.synthetic
def test_pitch_offset_is_found():
    case = fitted(static(offset=math.radians(1.5)))
    offset = case.pitch_offset
    assert offset.value == pytest.approx(math.radians(1.5), abs=2.0 * offset.std)
    assert offset.std < 0.5 * case.prior_std[0]
    np.testing.assert_allclose(
        case.solve(RPM, 0.0, 1.2).torque, static(offset=math.radians(1.5)).torque, rtol=0.01
    )


@pytest.mark.synthetic
def test_without_thrust_drag_and_lift_stay_near_their_priors():
    """A torque alone takes less than a third off what the priors leave open."""
    case = fitted(static(), with_thrust=False, model_std=0.05)
    left = np.sqrt(np.diag(case.covariance)) / case.prior_std
    assert np.all(left[1:3] > 2.0 / 3.0)
    assert left[0] < 0.9
    assert any("no thrust was measured" in w for w in case.words)


@pytest.mark.analytic
def test_data_never_widen_the_prior():
    """Up to the noise of 800 weighted proposals: 3.5 % of a standard deviation, three times that allowed."""
    for with_thrust in (True, False):
        case = fitted(static(), with_thrust=with_thrust)
        assert np.all(np.sqrt(np.diag(case.covariance)) <= case.prior_std * 1.1)
        assert np.all(np.linalg.eigvalsh(case.covariance) > 0.0)


@pytest.mark.synthetic
def test_points_that_do_not_follow_the_blade_are_told():
    run = static()
    case = fit_blade(BLADE, RPM, run.torque * (RPM / 2300.0), 0.005 * run.torque, density=1.2)
    assert any("do not follow the blade" in w for w in case.words)
    assert case.pitch_offset.std > fitted(run, with_thrust=False).pitch_offset.std


@pytest.mark.synthetic
def test_calibration_covers_the_truth():
    """Truth drawn from the priors, data with the stated errors: 95 % intervals of alpha at 0.75 R.

    Fewer than 21 of 25 would happen once in 500 times. A longer run (200) gave 94 %, z-scores of spread 0.98.
    """
    random = np.random.default_rng(2)
    prior = fitted(static()).prior_std
    inside, trials = 0, 25
    for _ in range(trials):
        offset, drag, lift, chord = prior * random.standard_normal(4)
        polar = AnalyticPolar()
        polar = replace(polar, drag_factor=math.exp(drag), max_lift=polar.max_lift * math.exp(lift))
        truth = solve_elements(
            BLADE,
            polar,
            RPM,
            0.0,
            1.2,
            pitch_offset=offset,
            chord_factor=math.exp(chord),
            speed_of_sound=340.3,
        )
        common = np.exp(0.05 * random.standard_normal(2))
        torque = truth.torque * common[0] * (1.0 + 0.01 * random.standard_normal(3))
        thrust = truth.thrust * common[1] * (1.0 + 0.02 * random.standard_normal(3))
        case = fit_blade(
            BLADE, RPM, torque, 0.01 * torque, density=1.2, thrust=thrust, thrust_std=0.02 * thrust
        )
        q = compare_blade(case, rpm_propeller=2300.0, airspeed=11.0, draws=400).alpha_075_static
        inside += bool(q.low95 <= alpha_at(truth)[1] <= q.high95)
    assert inside >= 21


@pytest.mark.analytic
def test_alpha_at_lies_between_its_elements():
    run = static()
    at = alpha_at(run, 0.75)
    right = int(np.searchsorted(BLADE.radius, 0.75 * BLADE.tip_radius))
    assert np.all((at - run.alpha[:, right - 1]) * (at - run.alpha[:, right]) <= 0.0)
    np.testing.assert_allclose(alpha_at(run, BLADE.radius[7] / BLADE.tip_radius), run.alpha[:, 7], rtol=1e-12)


@pytest.mark.analytic
def test_geometric_alpha():
    alpha = geometric_alpha(BLADE, 2400.0, [0.0, 11.0], pitch_offset=0.01)
    np.testing.assert_allclose(alpha[0], BLADE.twist + 0.01)
    omega = 2400.0 * 2.0 * math.pi / 60.0
    np.testing.assert_allclose(alpha[1], BLADE.twist + 0.01 - np.arctan(11.0 / (omega * BLADE.radius)))


@pytest.mark.synthetic
def test_comparison_at_rest_changes_nothing():
    out = compare_blade(fitted(static()), rpm_propeller=2300.0, airspeed=0.0, density=1.2)
    assert out.alpha_075_change.value == pytest.approx(0.0, abs=1e-12)
    assert (out.torque_ratio.value, out.thrust_ratio.value) == (1.0, 1.0)
    assert out.torque_ratio.std == pytest.approx(0.0, abs=1e-12)


@pytest.mark.synthetic
def test_comparison_in_flight():
    case = fitted(static())
    speed = Quantity.of(11.0, 0.3, "m/s")
    out = compare_blade(case, rpm_propeller=2300.0, airspeed=speed, density=1.15, density_std=0.01)
    assert out.airspeed is speed
    assert out.advance_ratio.value == pytest.approx(11.0 / (2300.0 / 60.0 * 1.25))
    assert out.alpha_075_flight.high95 < out.alpha_075_static.value
    # The blade's own errors are shared by rest and flight and nearly drop out of the change.
    assert out.alpha_075_change.budget["blade"] < 0.5 * out.alpha_075_static.budget["blade"]
    # Leaving the induced flow out puts the angle too high.
    assert out.alpha_075_naive.value > out.alpha_075_flight.value
    assert out.radius_ratio.shape == out.alpha_static.shape == out.alpha_flight_std.shape == (14,)
    assert np.all(out.alpha_flight < out.alpha_static)
    assert 0.6 < out.thrust_ratio.value < 0.95 < out.torque_ratio.high95
    assert set(out.torque_ratio.budget) >= {"blade", "airspeed", "wake", "model"}
    budget = math.hypot(*out.torque_ratio.budget.values())
    assert budget == pytest.approx(out.torque_ratio.std, rel=0.15)


@pytest.mark.synthetic
def test_comparison_repeats_and_follows_the_wake():
    case = fitted(static())
    one, two = (compare_blade(case, rpm_propeller=2300.0, airspeed=11.0, seed=3) for _ in range(2))
    assert one.torque_ratio == two.torque_ratio
    free = compare_blade(case, rpm_propeller=2300.0, airspeed=11.0, wake_fraction=(0.0, 0.0))
    slow = compare_blade(case, rpm_propeller=2300.0, airspeed=11.0, wake_fraction=(0.3, 0.3))
    assert free.alpha_075_change.value < slow.alpha_075_change.value < 0.0


@pytest.mark.analytic
def test_bad_input_is_refused():
    case = fitted(static())
    with pytest.raises(FlightprocError, match="no rig point has a positive torque"):
        fit_blade(BLADE, [2000.0], [-1.0], [0.1], density=1.2)
    with pytest.raises(FlightprocError, match="airspeed is unknown"):
        compare_blade(case, rpm_propeller=2300.0, airspeed=Quantity.unknown("m/s", "no wind"))
    with pytest.raises(FlightprocError, match="wake fraction"):
        compare_blade(case, rpm_propeller=2300.0, airspeed=11.0, wake_fraction=(0.4, 0.2))


def rig_day(thrust):
    """A rig day made from the blade itself, swing and zero included."""
    run = static()
    rows = [{"rpm": 0.0, "left_kg": 58.0, "right_kg": 58.0}] * 2
    for n, q, t in zip(RPM * 2.8, run.torque, run.thrust * thrust, strict=True):
        half = q / (9.80665 * 0.40)
        row = {"rpm": n, "left_kg": 58.0 - half, "right_kg": 58.0 + half, "thrust_N": t, "thrust_std_N": 10.0}
        for side, mean in (("left", 58.0 - half), ("right", 58.0 + half)):
            row |= {f"{side}_low_kg": mean - 0.4, f"{side}_high_kg": mean + 0.4}
        rows.append(row)
    entries = {"kind": "two_point", "spacing_m": 0.40, "air": {"density_kg_m3": 1.2}, "readings": rows}
    return reduce_rig(RigSheet.model_validate(entries), gear_ratio=2.8, diameter=1.25)


@pytest.mark.synthetic
def test_calibration_on_a_rig_curve():
    curve = rig_day(1.0)
    case = calibrate_blade(BLADE, curve, gear_ratio=2.8)
    assert case.measurements == 6
    assert abs(case.pitch_offset.value) < 2.0 * case.pitch_offset.std
    run = case.solve(RPM, 0.0, 1.2)
    measured = np.array([(p.torque.value, p.torque.std) for p in curve.points])
    assert np.all(np.abs(run.torque - measured[:, 0]) < 2.0 * measured[:, 1])


@pytest.mark.synthetic
def test_the_rig_brings_its_own_gear_and_diameter():
    curve = rig_day(1.0)
    same = calibrate_blade(BLADE, curve, gear_ratio=3.1)
    np.testing.assert_allclose(same.values, calibrate_blade(BLADE, curve, gear_ratio=2.8).values)
    other = calibrate_blade(BLADE, replace(curve, diameter=1.30), gear_ratio=2.8)
    assert any("mixes two propellers" in w for w in other.words)
    assert not any("mixes" in w for w in same.words)


@pytest.mark.synthetic
def test_a_thrust_the_torque_cannot_pay_for_is_left_out():
    case = calibrate_blade(BLADE, rig_day(1.8), gear_ratio=2.8)
    assert case.measurements == 3
    assert any("cannot pay for" in w for w in case.words)
