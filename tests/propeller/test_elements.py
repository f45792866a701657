"""Blade element momentum theory: balances, the limit at rest, convergence."""

import math

import numpy as np
import pytest

from flightproc.errors import FlightprocError
from flightproc.propeller import AnalyticPolar, Blade, LinearPolar, geometric_alpha, solve_elements
from flightproc.rig import ideal_power

RPM = 2500.0


def blade(**more):
    return Blade.helical(**({"diameter": 1.25, "pitch": 0.6, "blades": 2} | more))


def textbook():
    radius = np.linspace(0.08, 0.8, 11)
    twist = np.arctan2(1.0, 2.0 * math.pi * radius)
    flat = Blade(1.6, 2, radius, np.full(11, 0.072), np.full(11, 0.10), twist)
    return flat, LinearPolar(6.2, 0.0, (0.008, -0.003, 0.01))


def prandtl(run):
    b = run.blade
    half = 0.5 * b.blades / np.abs(np.sin(run.phi))
    tip = 2.0 / math.pi * np.arccos(np.exp(-half * (b.tip_radius - b.radius) / b.radius))
    if b.hub_radius is None:
        return tip
    return tip * 2.0 / math.pi * np.arccos(np.exp(-half * (b.radius - b.hub_radius) / b.hub_radius))


@pytest.mark.analytic
@pytest.mark.parametrize("tip_loss", [True, False])
def test_blade_and_momentum_loads_agree(tip_loss):
    run = solve_elements(
        blade(), AnalyticPolar(), RPM, [0.0, 5.0, 11.0, 16.0], 1.2, tip_loss=tip_loss, hub_loss=tip_loss
    )
    loss = prandtl(run) if tip_loss else 1.0
    axial = run.airspeed[:, None] + run.induced_axial
    ring = 4.0 * math.pi * run.blade.radius * 1.2 * loss * axial
    np.testing.assert_allclose(ring * run.induced_axial, run.thrust_per_span, rtol=1e-8, atol=1e-8)
    np.testing.assert_allclose(
        ring * run.induced_swirl * run.blade.radius, run.torque_per_span, rtol=1e-8, atol=1e-8
    )
    np.testing.assert_allclose(run.relative_speed * np.sin(run.phi), axial, rtol=1e-10)


@pytest.mark.analytic
def test_power_of_a_section_without_drag_goes_into_the_air():
    run = solve_elements(blade(), LinearPolar(5.9, -0.05, (0.0, 0.0, 0.0)), RPM, [0.0, 8.0], 1.2)
    omega = RPM * 2.0 * math.pi / 60.0
    axial = run.airspeed[:, None] + run.induced_axial
    given = run.thrust_per_span * axial + run.torque_per_span / run.blade.radius * run.induced_swirl
    np.testing.assert_allclose(run.torque * omega, given @ run.blade.width, rtol=1e-9)
    assert np.all(
        run.torque * omega > ideal_power(run.thrust, diameter=1.25, density=1.2, airspeed=run.airspeed)
    )


@pytest.mark.analytic
@pytest.mark.parametrize("case", ["textbook", "stalled"])
def test_no_step_at_rest(case):
    shape, polar = textbook() if case == "textbook" else (blade(pitch=0.9), AnalyticPolar())
    speeds = np.concatenate([[0.0], np.geomspace(1e-9, 1e-1, 17)])
    run = solve_elements(shape, polar, 2100.0, speeds, 1.225, tip_loss=case != "textbook")
    for load in (run.torque, run.thrust):
        # At most 6 % of the static load for each m/s, and nothing left over at V = 0.
        assert np.all(np.abs(load - load[0]) <= 0.06 * speeds * load[0] + 1e-9 * load[0])
    assert np.all(run.induced_swirl[0] > 0.0)


@pytest.mark.analytic
def test_a_hover_branch_without_swirl_would_step():
    """Torque with swirl lies 4.6 % below that without: the step that the test above would catch."""
    shape, polar = textbook()
    run = solve_elements(shape, polar, 2100.0, [0.0], 1.225, tip_loss=False)
    rotation = 2100.0 * 2.0 * math.pi / 60.0 * shape.radius
    without = run.torque_per_span[0] * (rotation / np.cos(run.phi[0]) / run.relative_speed[0]) ** 2
    assert 1.0 - run.torque[0] / float(without @ shape.width) == pytest.approx(0.046, abs=0.0005)


@pytest.mark.analytic
def test_every_element_converges_whatever_the_case():
    random = np.random.default_rng(5)
    for _ in range(60):
        shape = Blade.helical(
            diameter=random.uniform(0.2, 1.6),
            pitch=random.uniform(0.05, 2.0),
            blades=int(random.integers(1, 7)),
            chord_075=random.uniform(0.01, 0.2),
        )
        count = 20
        offset = random.uniform(-0.3, 0.3, count)
        run = solve_elements(
            shape,
            AnalyticPolar(max_lift=random.uniform(0.7, 1.7), stall_delay=random.choice([0.0, 3.0])),
            random.uniform(50.0, 9000.0, count),
            np.append(random.uniform(0.0, 80.0, count - 1), 0.0),
            random.uniform(0.6, 1.4, count),
            pitch_offset=offset,
            tip_loss=bool(random.integers(2)),
            speed_of_sound=340.0,
        )
        blade_like = shape.twist + offset[:, None] < math.radians(85.0)
        assert run.converged[blade_like].all()
        for values in (run.alpha, run.induced_axial, run.reynolds):
            assert np.all(np.isfinite(values[blade_like]))
        assert np.all(np.isfinite(run.thrust) & np.isfinite(run.torque))


@pytest.mark.analytic
def test_windmilling_is_continuous_and_brakes():
    run = solve_elements(blade(), AnalyticPolar(), 1200.0, np.linspace(0.0, 60.0, 1201), 1.2)
    assert run.thrust[0] > 0.0 > run.thrust[-1]
    assert run.torque.min() < 0.0  # it drives the engine
    steps = np.abs(np.diff(run.thrust))
    assert steps.max() < 0.02 * np.ptp(run.thrust)
    assert np.all(run.airspeed[:, None] + run.induced_axial >= -1e-9)


@pytest.mark.analytic
def test_hub_loss_takes_load_off_the_root_only():
    full = solve_elements(blade(), AnalyticPolar(), RPM, [0.0, 11.0], 1.2)
    bare = solve_elements(blade(), AnalyticPolar(), RPM, [0.0, 11.0], 1.2, hub_loss=False)
    ratio = full.thrust_per_span / bare.thrust_per_span
    assert np.all(ratio[:, 0] < 0.8)
    np.testing.assert_allclose(ratio[:, full.blade.radius > 0.5 * full.blade.tip_radius], 1.0, atol=1e-4)
    assert np.all((full.thrust / bare.thrust > 0.985) & (full.thrust < bare.thrust))


@pytest.mark.analytic
def test_scales_with_density_and_speed_at_constant_coefficients():
    polar = AnalyticPolar(reynolds_exponent=0.0, lift_exponent=0.0)
    one = solve_elements(blade(), polar, 2000.0, [0.0, 8.0], 1.2)
    two = solve_elements(blade(), polar, 3000.0, [0.0, 12.0], 0.9)
    np.testing.assert_allclose(one.thrust_coefficient, two.thrust_coefficient, rtol=1e-9)
    np.testing.assert_allclose(one.power_coefficient, two.power_coefficient, rtol=1e-9)
    np.testing.assert_allclose(one.advance_ratio, two.advance_ratio, rtol=1e-12)
    np.testing.assert_allclose(one.power_coefficient, 2.0 * math.pi * one.torque_coefficient, rtol=1e-12)


@pytest.mark.analytic
def test_operating_points_do_not_touch_each_other():
    speeds = np.array([0.0, 4.0, 11.0])
    together = solve_elements(blade(), AnalyticPolar(), [2000.0, 2400.0, 2800.0], speeds, [1.2, 1.1, 1.0])
    for k, (rpm, rho) in enumerate(((2000.0, 1.2), (2400.0, 1.1), (2800.0, 1.0))):
        alone = solve_elements(blade(), AnalyticPolar(), rpm, speeds[k], rho)
        np.testing.assert_allclose(alone.alpha[0], together.alpha[k], atol=1e-10)


@pytest.mark.analytic
def test_static_angle_is_far_below_the_geometric_one():
    run = solve_elements(blade(), AnalyticPolar(), RPM, [0.0, 11.0], 1.2)
    naive = geometric_alpha(blade(), RPM, [0.0, 11.0])
    assert np.all(naive > run.alpha)
    # The induced flow at rest makes the true angle fall far less with airspeed than the geometric one.
    outer = blade().radius > 0.5 * blade().tip_radius
    assert np.all((run.alpha[0] - run.alpha[1])[outer] < 0.75 * (naive[0] - naive[1])[outer])


@pytest.mark.analytic
def test_element_count_hardly_matters():
    coarse, fine = (
        solve_elements(blade(elements=n), AnalyticPolar(), RPM, [0.0, 11.0], 1.2).torque for n in (30, 120)
    )
    np.testing.assert_allclose(coarse, fine, rtol=3e-3)


@pytest.mark.analytic
def test_bad_operating_points_are_refused():
    for rpm, speed, rho, words in (
        (0.0, 5.0, 1.2, "propeller speed"),
        (2000.0, -1.0, 1.2, "axial airspeed"),
        (2000.0, 5.0, 0.0, "air density"),
        (2000.0, math.nan, 1.2, "axial airspeed"),
    ):
        with pytest.raises(FlightprocError, match=words):
            solve_elements(blade(), AnalyticPolar(), rpm, speed, rho)


@pytest.mark.reference
def test_inflow_angle_against_brentq():
    """The same equations, one element at a time, by scipy's Brent method on induction factors."""
    from scipy.optimize import brentq

    shape, polar = textbook()
    run = solve_elements(shape, polar, 2100.0, [7.0], 1.225, tip_loss=False)
    omega, speed = 2100.0 * 2.0 * math.pi / 60.0, 7.0
    for r, beta, sigma, phi in zip(shape.radius, shape.twist, shape.solidity, run.phi[0], strict=True):

        def gap(x, r=r, beta=beta, sigma=sigma):
            alpha = beta - x
            cl = 6.2 * alpha
            cd = 0.008 - 0.003 * cl + 0.01 * cl * cl
            cn, ct = cl * math.cos(x) - cd * math.sin(x), cl * math.sin(x) + cd * math.cos(x)
            kx, ky = sigma * cn / (4.0 * math.sin(x) ** 2), sigma * ct / (4.0 * math.sin(x) * math.cos(x))
            a, b = kx / (1.0 - kx), ky / (1.0 + ky)
            return math.tan(x) - speed * (1.0 + a) / (omega * r * (1.0 - b))

        low = phi * 0.9
        assert brentq(gap, low, phi * 1.1, xtol=1e-13) == pytest.approx(phi, abs=1e-9)
