"""Inflow and angle of attack from torque ratios: what the data decide, and that intervals hold the truth."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from flightproc.errors import FlightprocError
from flightproc.propeller import Blade, FlightPoint, fit_blade, infer_inflow, solve_elements
from flightproc.propeller.polar import AnalyticPolar

pytestmark = pytest.mark.synthetic

PLACE = Path(__file__).parents[1] / "benchmarks" / "inflow_round_trip.py"
SPEC = importlib.util.spec_from_file_location("inflow_round_trip", PLACE)
trip = importlib.util.module_from_spec(SPEC)
sys.modules[SPEC.name] = trip
SPEC.loader.exec_module(trip)


@pytest.fixture(scope="module")
def blade():
    return trip.known_blade()


def points(speeds=(10.0, 11.0, 12.0)):
    return [
        FlightPoint(2.8 * n, n, v, 0.1, 1.15) for n, v in zip((1900.0, 2300.0, 2700.0), speeds, strict=True)
    ]


def ratios(case, w, speeds=(10.0, 11.0, 12.0)):
    here = points(speeds)
    rpm, v = np.array([p.rpm_propeller for p in here]), np.array(speeds)
    return case.solve(rpm, (1.0 - w) * v, 1.15).torque / case.solve(rpm, 0.0, 1.15).torque


def test_flat_ratios_leave_the_prior(blade):
    """With 10 % of common error on the ratios the wake fraction stays where it was, and that is said."""
    out = infer_inflow(blade, points(), ratios(blade, 0.1), np.full((3, 3), 0.01) + 1e-4 * np.eye(3))
    assert not out.decides
    assert "does not decide" in out.words[0]
    assert out.wake.std == pytest.approx(out.wake_prior.std, rel=0.1)
    assert out.points[1].alpha_075.std == pytest.approx(out.points[1].alpha_075_prior.std, rel=0.2)


def test_the_posterior_is_a_density_and_lies_in_its_bounds(blade):
    out = infer_inflow(blade, points(), ratios(blade, 0.1), 1e-3 * np.eye(3))
    width = np.diff(out.wake_grid)[0]
    assert out.wake_density.sum() * width == pytest.approx(1.0, rel=1e-6)
    assert out.wake_prior_density.sum() * width == pytest.approx(1.0, rel=1e-6)
    assert 0.0 <= out.wake.low95 < out.wake.high95 <= 0.3


def test_a_known_wake_fraction_and_exact_ratios_narrow_nothing_else(blade):
    """Inflow is then (1 - w) V with the spread of the airspeed alone."""
    out = infer_inflow(blade, points(), ratios(blade, 0.2), 1e-2 * np.eye(3), wake_bounds=(0.2, 0.2))
    for p in out.points:
        assert p.inflow.value == pytest.approx(0.8 * p.airspeed, rel=0.005)
        assert p.inflow.std == pytest.approx(0.8 * 0.1, rel=0.1)


def test_flight_lowers_the_angle_and_bands_go_along_the_blade(blade):
    out = infer_inflow(blade, points(), ratios(blade, 0.15), 4e-3 * np.eye(3))
    for p in out.points:
        assert p.alpha_075_change.high95 < 0.0
        assert p.alpha.shape == p.alpha_static.shape == p.induced.shape == (3, p.radius_ratio.size)
        assert np.all(p.alpha[1] <= p.alpha[0]) and np.all(p.alpha[0] <= p.alpha[2])
        assert p.induced_075.value > 0.0


def test_disagreement_is_told(blade):
    out = infer_inflow(blade, points(), [0.5, 0.5, 0.5], 1e-3 * np.eye(3))
    assert any("disagree" in w for w in out.words)


def test_strong_data_move_the_wake_fraction():
    """At a high advance ratio the torque does tell the inflow, if blade and flight are good."""
    case = trip.known_blade()
    fast = [FlightPoint(4500.0, 1500.0, v, 0.02, 1.15) for v in (14.0, 16.0, 18.0)]
    rpm, speeds = np.full(3, 1500.0), np.array([14.0, 16.0, 18.0])
    rest = case.solve(rpm, 0.0, 1.15).torque
    found = []
    for w in (0.03, 0.27):
        kappa = case.solve(rpm, (1.0 - w) * speeds, 1.15).torque / rest
        found.append(infer_inflow(case, fast, kappa, 1e-4 * np.eye(3)).wake.value)
    assert found[1] - found[0] > 0.08


def test_bad_input_is_refused(blade):
    for kappa, covariance in (([1.0], np.eye(3)), ([1.0, 1.0, np.nan], np.eye(3)), ([], np.eye(0))):
        with pytest.raises(FlightprocError):
            infer_inflow(blade, points()[: len(kappa)], kappa, covariance)
    with pytest.raises(FlightprocError, match="wake fraction"):
        infer_inflow(blade, points(), [1.0, 1.0, 1.0], np.eye(3), wake_bounds=(0.4, 0.2))


def test_round_trip():
    """Truth back within 95 % intervals: fewer than 21 of 25 would happen once in 500 times.

    The benchmark of the same name runs 200.
    """
    z = trip.run(25)
    assert sum(item.inside for item in z) >= 21


def test_the_benchmark_draws_what_it_says():
    random = np.random.default_rng(1)
    truth = trip.draw_truth(random)
    assert 0.0 <= truth.wake <= 0.3
    rest = solve_elements(trip.BLADE, AnalyticPolar(), trip.RPM, 0.0, 1.2, speed_of_sound=340.3)
    assert rest.converged.all()
    assert isinstance(trip.BLADE, Blade)
    assert callable(fit_blade)
