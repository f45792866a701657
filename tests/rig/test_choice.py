"""Which torque law is chosen, from fits made by hand; covariance and band of a law by hand."""

import math

import numpy as np
import pytest
from scipy import stats

from flightproc.quantity import Quantity
from flightproc.rig import RigCurve, RigPoint, choose_fit, evaluate_fit, fit_torque, predict_band
from flightproc.rig.fits import fit_probability
from flightproc.rig.model import TorqueFit

pytestmark = pytest.mark.analytic

SIZES = {"square": 1, "power": 2, "quadratic": 3}
NONE = Quantity.unknown("", "not needed here")


def fit(name, chi2, points=6, aicc=0.0):
    size = SIZES[name]
    return TorqueFit(name, np.ones(size), np.eye(size), chi2, points - size, aicc, "by hand")


@pytest.mark.parametrize(
    ("square", "power", "quadratic", "chosen"),
    [
        (10.0, 6.1, 6.1, "square"),  # one more coefficient is worth 4
        (10.0, 5.9, 5.9, "power"),  # and the third nothing
        (10.0, 9.0, 2.1, "square"),  # two more are worth 8
        (10.0, 9.0, 1.9, "quadratic"),
        (10.0, 5.9, 1.8, "quadratic"),  # 4.1 over the power law
        (10.0, 5.9, 2.0, "power"),
    ],
)
def test_each_coefficient_must_lower_chi2_by_four(square, power, quadratic, chosen):
    fits = (
        fit("square", square, aicc=9.0),
        fit("power", power, aicc=8.0),
        fit("quadratic", quadratic, aicc=7.0),
    )
    assert choose_fit(fits)[0].name == chosen


@pytest.mark.parametrize(
    ("first", "second", "chosen"),
    [
        (9.0, 8.0, "power"),
        (9.0, 9.0, "square"),
        (8.0, 9.0, "square"),
        (None, 9.0, "power"),
        (9.0, None, "power"),
    ],
)
def test_a_criterion_that_both_have_must_agree(first, second, chosen):
    fits = (fit("square", 20.0, aicc=first), fit("power", 2.0, aicc=second))
    found, words = choose_fit(fits)
    assert found.name == chosen
    assert any("do not follow the square law" in each for each in words) == (chosen == "power")


def test_words_tell_what_was_refused_and_what_passes_by_construction():
    bare = {"points": 3, "aicc": None}
    fits = (fit("square", 30.0, **bare), fit("power", 11.0, **bare), fit("quadratic", 0.0, **bare))
    chosen, words = choose_fit(fits)
    assert chosen.name == "power"  # one degree of freedom; chi^2 of 11 has a chance of 0.0009
    assert sum("no curve with a degree of freedom left fits" in each for each in words) == 1
    assert any("a + b n + c n^2 through 3 points has no degree of freedom left" in each for each in words)
    chosen, words = choose_fit((fit("square", 0.0, points=1),))
    assert chosen.name == "square"
    assert any("no torque curve could be checked: 0 degrees" in each for each in words)
    assert choose_fit((fit("square", 5.0),))[1] == ()


def test_probability_is_the_tail_of_chi2():
    assert fit_probability(fit("square", 7.3)) == pytest.approx(stats.chi2.sf(7.3, 5), rel=1e-12)
    assert fit_probability(fit("power", 7.3, points=3)) == pytest.approx(stats.chi2.sf(7.3, 1), rel=1e-12)
    assert fit_probability(fit("square", 0.0, points=1)) is None


def test_covariance_of_the_power_law_is_that_of_a_straight_line_of_logarithms():
    """Points on the law with one relative uncertainty: ln q = ln k + p ln n."""
    rpm = np.array([4500.0, 5200.0, 6500.0, 8500.0])
    relative, log = 0.02, np.log(rpm / 1000.0)
    torque = 0.2 * (rpm / 1000.0) ** 2.4
    found = fit_torque(rpm, torque, relative * torque)[1]
    design = np.column_stack([np.ones(4), log])
    expected = relative**2 * np.linalg.inv(design.T @ design)
    to_k = np.diag([0.2, 1.0])
    np.testing.assert_allclose(found.covariance, to_k @ expected @ to_k, rtol=1e-6)


def test_words_name_the_largest_miss_and_its_sign():
    rpm, torque = np.array([4000.0, 5000.0, 6000.0]), np.array([8.0, 12.5, 18.0])
    off = fit_torque(rpm, torque * np.array([1.0, 1.0, 0.5]), 1.0)[0]
    missed = off.coefficients[0] * 36.0 / 9.0 - 1.0
    assert f"largest miss {100 * missed:+.0f} % at 6000 rpm" in off.words
    assert "2 degrees of freedom, the points refuse it" in off.words
    assert "the points allow it" in fit_torque(rpm, torque, 1.0)[0].words
    assert "1 degree of freedom" in fit_torque(rpm, torque, 1.0)[1].words


def curve_of(fits, density=1.2, density_std=0.0, scale_std=0.0):
    points = tuple(
        RigPoint(n, Quantity.of(1.0, 0.1, "N m"), NONE, NONE, NONE, NONE, NONE, NONE)
        for n in (5000.0, 8000.0)
    )
    return RigCurve(points, fits, fits[0], density, density_std, scale_std=scale_std)


def law(coefficients, covariance, name="square", chi2=0.0, dof=3):
    return TorqueFit(name, np.array(coefficients), np.array(covariance), chi2, dof, None, "")


def test_band_of_the_square_law_alone():
    """Its own coefficient, and the density of rig and flight, in squares."""
    curve = curve_of((law([0.4], [[0.008**2]]),), density=1.2, density_std=0.012)
    band = predict_band(curve, [6000.0, 0.0], density=1.0, density_std=0.02)
    torque = 0.4 * 36.0 / 1.2
    std = torque * math.hypot(0.02, 0.01, 0.02)
    np.testing.assert_allclose(band.torque, [torque, 0.0], rtol=1e-12)
    np.testing.assert_allclose(band.std, [std, 0.0], rtol=1e-12)
    np.testing.assert_allclose(band.low95, [torque - 1.959964 * std, 0.0], rtol=1e-6)
    np.testing.assert_allclose(band.high95, [torque + 1.959964 * std, 0.0], rtol=1e-6)
    assert not band.outside.any() and band.words == ""


def test_laws_that_the_points_allow_widen_the_band_by_their_mean_square():
    square = law([0.4], [[0.0]])
    allowed = law([0.45, 2.0], np.zeros((2, 2)), "power", chi2=1.0, dof=2)
    unchecked = law([0.0, 0.0, 0.43], np.zeros((3, 3)), "quadratic", dof=0)
    refused = law([0.9, 2.0], np.zeros((2, 2)), "power", chi2=60.0, dof=2)
    cases = (((square,), 0.0), ((square, allowed), 0.05), ((square, refused), 0.0))
    for fits, apart in (*cases, ((square, allowed, unchecked), math.sqrt((0.05**2 + 0.03**2) / 2.0))):
        band = predict_band(curve_of(fits), [6000.0])
        np.testing.assert_allclose(band.std, [apart * 36.0], rtol=1e-9, atol=1e-12)
        np.testing.assert_allclose(band.model_std, band.std, rtol=1e-12)


def test_outside_the_points_the_square_law_through_the_end_joins_in():
    chosen = law([0.1, 2.5], np.zeros((2, 2)), "power")
    curve = curve_of((chosen,))
    band = predict_band(curve, [10_000.0, 4000.0, 8030.0])
    own = 0.1 * np.array([10.0, 4.0, 8.03]) ** 2.5
    through = 0.1 * np.array([8.0**2.5 * (10.0 / 8.0) ** 2, 5.0**2.5 * (4.0 / 5.0) ** 2])
    np.testing.assert_allclose(band.torque, own, rtol=1e-12)
    np.testing.assert_allclose(band.std, [*np.abs(through - own[:2]), 0.0], rtol=1e-9, atol=1e-12)
    assert band.outside.tolist() == [True, True, False]
    assert "run from 5000 to 8000 rpm; the torque at 4000 to 10000 rpm is extrapolated" in band.words


def test_every_law_by_its_formula():
    rpm = np.array([3000.0, 7000.0])
    np.testing.assert_allclose(evaluate_fit("square", np.array([0.5]), rpm), [4.5, 24.5])
    np.testing.assert_allclose(evaluate_fit("power", np.array([0.5, 3.0]), rpm), [13.5, 171.5])
    np.testing.assert_allclose(evaluate_fit("quadratic", np.array([1.0, -2.0, 0.5]), rpm), [-0.5, 11.5])
