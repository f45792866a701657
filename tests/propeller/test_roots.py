"""Roots of many elements at once, in a bracket and near a guess, and where guesses come from."""

import math

import numpy as np
import pytest

from flightproc.propeller import AnalyticPolar, Blade, LinearPolar, TablePolar, solve_elements
from flightproc.propeller import elements as module
from flightproc.propeller.roots import bracketed_root, nearby_root


class Cubic:
    """x^3 + x less a number, each element its own, and how often it was asked for."""

    def __init__(self, target, asked=None):
        self.target = target
        self.asked = [] if asked is None else asked

    def residual(self, unknown):
        self.asked.append(unknown.size)
        return unknown**3 + unknown - self.target

    def taken(self, places):
        return Cubic(self.target.ravel()[places], self.asked)


TRUTH = np.linspace(-0.9, 0.9, 240).reshape(8, 30)


@pytest.mark.analytic
def test_bracketed_roots_are_found_and_closed_elements_left_alone():
    function = Cubic(TRUTH**3 + TRUTH)
    low, high = np.full(TRUTH.shape, -1.0), np.full(TRUTH.shape, 1.0)
    root, found = bracketed_root(function, low, high, function.residual(low), function.residual(high))
    assert found.all()
    np.testing.assert_allclose(root, TRUTH, atol=1e-12)
    assert function.asked[-1] < TRUTH.size  # the last elements are looked at alone


@pytest.mark.analytic
def test_without_a_change_of_sign_there_is_no_root():
    function = Cubic(np.array([0.5, 9.0]))
    low, high = np.full(2, -1.0), np.full(2, 1.0)
    root, found = bracketed_root(function, low, high, function.residual(low), function.residual(high))
    assert found.tolist() == [True, False]
    assert root[0] ** 3 + root[0] == pytest.approx(0.5, abs=1e-12)
    assert math.isnan(root[1])


@pytest.mark.analytic
def test_near_a_good_guess_three_looks_do():
    function = Cubic(TRUTH**3 + TRUTH)
    root, found = nearby_root(function, TRUTH + 1e-4, 1.02 * (3.0 * TRUTH**2 + 1.0))
    assert found.all()
    np.testing.assert_allclose(root, TRUTH, atol=1e-12)
    assert function.asked == [TRUTH.size] * 3


@pytest.mark.analytic
def test_near_a_poor_guess_more_steps_do_and_none_at_all_is_told():
    function = Cubic(TRUTH**3 + TRUTH)
    guess = TRUTH + 0.05
    guess[0, 0], guess[1, 1] = np.nan, 0.9  # no guess; another place altogether
    root, found = nearby_root(function, guess, np.full(TRUTH.shape, 2.0))
    assert not found[0, 0]
    assert found.sum() > 230
    np.testing.assert_allclose(root[found], TRUTH[found], atol=1e-12)


@pytest.mark.analytic
def test_a_root_at_which_the_residual_falls_is_not_taken():
    class Falling(Cubic):
        def residual(self, unknown):
            return -super().residual(unknown)

        def taken(self, places):
            return Falling(self.target.ravel()[places])

    _, found = nearby_root(Falling(np.array([0.3])), np.array([0.28]), np.array([-1.2]))
    assert not found.any()


def table():
    angles = np.radians(np.arange(-10.0, 16.0, 1.0))
    lift = np.minimum(5.7 * (angles + 0.04), 1.2)
    return TablePolar.from_rows(angles, 5e5, lift, 0.01 + 0.01 * lift**2)


@pytest.mark.analytic
@pytest.mark.parametrize(
    "polar", [AnalyticPolar(), AnalyticPolar(stall_delay=0.0), table(), LinearPolar(5.7, -0.04)]
)
def test_guessed_solution_is_that_of_the_bracket(polar, monkeypatch):
    """Whole posteriors at rest and in flight, loads to 1e-9 and angles to 1e-9 rad of the slow way."""
    random = np.random.default_rng(11)
    count = 900
    scaled = polar.scaled(
        np.exp(random.normal(0.0, 0.4, (count, 1))), np.exp(random.normal(0.0, 0.1, (count, 1)))
    )
    blade = Blade.helical(diameter=1.25, pitch=0.62, blades=2)
    case = (blade, scaled, 2400.0, np.maximum(random.uniform(-4.0, 14.0, count), 0.0))
    more = {
        "density": random.normal(1.15, 0.02, count),
        "pitch_offset": random.normal(0.0, math.radians(1.5), count),
        "chord_factor": np.exp(random.normal(0.0, 0.05, count)),
        "speed_of_sound": 340.3,
    }
    quick = solve_elements(*case, **more)
    asked = []
    with monkeypatch.context() as patched:
        patched.setattr(module, "guess_roots", lambda *_: asked.append(1))
        slow = solve_elements(*case, **more)
    assert asked
    assert quick.converged.all()
    np.testing.assert_allclose(quick.phi, slow.phi, atol=1e-9)
    np.testing.assert_allclose(quick.torque, slow.torque, rtol=1e-9)
    np.testing.assert_allclose(quick.thrust, slow.thrust, rtol=1e-9, atol=1e-9)


@pytest.mark.analytic
def test_guesses_save_more_than_half_of_the_work(monkeypatch):
    """Elements looked at for 2,000 points: what the guess is for."""
    looked = [0]
    plain = module.Stations.loads

    def counting(self, unknown):
        looked[0] += unknown.size
        return plain(self, unknown)

    monkeypatch.setattr(module.Stations, "loads", counting)
    blade = Blade.helical(diameter=1.25, pitch=0.62, blades=2)
    speed = np.linspace(0.0, 12.0, 2000)
    run = solve_elements(blade, AnalyticPolar(), 2400.0, speed, 1.2)
    quick, looked[0] = looked[0], 0
    monkeypatch.setattr(module, "guess_roots", lambda *_: None)
    solve_elements(blade, AnalyticPolar(), 2400.0, speed, 1.2)
    assert quick < 6 * run.phi.size
    assert quick < 0.45 * looked[0]


@pytest.mark.analytic
def test_a_polar_of_ones_own_needs_only_coefficients():
    class Own:
        def coefficients(self, alpha, flow):
            return LinearPolar(5.7, -0.04).coefficients(alpha, flow)

        def scaled(self, drag, max_lift):
            raise NotImplementedError

    blade = Blade.helical(diameter=1.25, pitch=0.62, blades=2)
    speed = np.linspace(0.0, 12.0, 300)
    own, ours = (solve_elements(blade, p, 2400.0, speed) for p in (Own(), LinearPolar(5.7, -0.04)))
    np.testing.assert_allclose(own.torque, ours.torque, rtol=1e-10)


@pytest.mark.analytic
def test_some_points_of_a_solution():
    blade = Blade.helical(diameter=1.25, pitch=0.62, blades=2)
    run = solve_elements(blade, AnalyticPolar(), 2400.0, [0.0, 5.0, 10.0])
    part = run.points(slice(1, 3))
    np.testing.assert_array_equal(part.torque, run.torque[1:])
    np.testing.assert_array_equal(part.alpha, run.alpha[1:])
    assert part.blade is run.blade
