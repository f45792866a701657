"""Torque curves: coefficients, covariance, choice and the band."""

import numpy as np
import pytest

from flightproc.errors import RigError
from flightproc.quantity import Quantity
from flightproc.rig import (
    RigCurve,
    RigPoint,
    choose_fit,
    evaluate_fit,
    fit_torque,
    predict_band,
    predict_torque,
)

NONE = Quantity.unknown("", "not needed here")
RPM = np.array([4500.0, 5500.0, 6500.0, 7500.0, 8500.0])


def curve_of(rpm, torque, std, *, density=1.2, density_std=0.0, fits=None):
    fits = fit_torque(rpm, torque, std) if fits is None else fits
    std = np.broadcast_to(std, np.shape(torque))
    points = tuple(
        RigPoint(n, Quantity.of(q, u, "N m"), NONE, NONE, NONE, NONE, NONE, NONE)
        for n, q, u in zip(rpm, torque, std, strict=True)
    )
    return RigCurve(points, fits, choose_fit(fits)[0], density, density_std)


@pytest.mark.analytic
def test_exact_laws_are_recovered():
    n = RPM / 1000.0
    for law, p in ((0.4 * n**2, 0), (0.11 * n**2.6, 1), (1.0 - 0.5 * n + 0.45 * n**2, 2)):
        fit = fit_torque(RPM, law, 0.3)[p]
        np.testing.assert_allclose(evaluate_fit(fit.name, fit.coefficients, RPM), law, rtol=1e-9)
        assert fit.chi2 == pytest.approx(0.0, abs=1e-12)


@pytest.mark.analytic
def test_square_law_is_the_weighted_mean_of_its_points():
    n, torque, std = (
        RPM / 1000.0,
        np.array([8.0, 12.3, 17.0, 22.0, 29.5]),
        np.array([0.5, 0.6, 0.7, 0.9, 1.2]),
    )
    fit = fit_torque(RPM, torque, std)[0]
    weight = n**4 / std**2
    assert fit.coefficients[0] == pytest.approx(np.sum(weight * torque / n**2) / np.sum(weight), rel=1e-12)
    assert fit.covariance[0, 0] == pytest.approx(1.0 / np.sum(weight), rel=1e-12)
    assert fit.chi2 == pytest.approx(np.sum(((torque - fit.coefficients[0] * n**2) / std) ** 2), rel=1e-12)
    assert (fit.dof, fit.aicc) == (4, pytest.approx(fit.chi2 + 2.0 + 4.0 / 3.0))


@pytest.mark.analytic
def test_covariance_grows_with_reduced_chi2():
    torque = np.array([8.0, 13.0, 16.0, 24.0, 27.0])
    tight, loose = fit_torque(RPM, torque, 0.1)[0], fit_torque(RPM, torque, 10.0)[0]
    assert tight.covariance[0, 0] == pytest.approx(loose.covariance[0, 0] / 1e4 * tight.chi2 / 4.0, rel=1e-9)


@pytest.mark.analytic
def test_common_factor_widens_all_laws_alike():
    torque = 0.4 * (RPM / 1000.0) ** 2
    for fit in fit_torque(RPM, torque, 1e-6, scale_std=0.03):
        curve = RigCurve((), (fit,), fit, 1.2, 0.0)
        gradient = {
            "square": lambda n: np.array([n**2]),
            "power": lambda n: np.array([n**2, 0.4 * n**2 * np.log(n)]),
            "quadratic": lambda n: np.array([1.0, n, n**2]),
        }[fit.name](7.0)
        std = np.sqrt(gradient @ curve.chosen.covariance @ gradient)
        assert std == pytest.approx(0.03 * 0.4 * 49.0, rel=1e-4), fit.name


@pytest.mark.analytic
def test_common_offset_does_not_average_out():
    torque = 0.4 * (RPM / 1000.0) ** 2
    alone = fit_torque(RPM, torque, 0.5)[2].covariance[0, 0]
    shifted = fit_torque(RPM, torque, 0.5, common=[np.full(5, 2.0)])[2]
    # The constant term of the parabola takes up the whole common shift.
    assert shifted.covariance[0, 0] == pytest.approx(alone + 4.0, rel=1e-6)


@pytest.mark.regression
def test_large_common_error_leaves_the_curve_at_the_points():
    """A correlated weight matrix let the square law pass 10 N m below the last point."""
    torque = np.array([8.38, 14.35, 26.83])
    leak = np.array([0.75, 2.15, 4.30])
    square = fit_torque([5500, 6500, 8450], torque, [0.7, 0.7, 1.3], common=[leak])[0]
    miss = evaluate_fit("square", square.coefficients, [5500, 6500, 8450]) - torque
    assert np.any(miss > 0.0)
    assert np.any(miss < 0.0)


@pytest.mark.analytic
def test_effective_variance_of_rpm():
    torque = 0.4 * (RPM / 1000.0) ** 2
    fit = fit_torque(RPM, torque, 1e-9, rpm_std=50.0)[0]
    # Each point then has the same relative uncertainty per rpm: u(Q) = 2 Q u(n) / n.
    own = 2.0 * torque * 50.0 / RPM
    expected = 1.0 / np.sum((RPM / 1000.0) ** 4 / own**2)
    assert fit.covariance[0, 0] == pytest.approx(expected, rel=1e-6)


@pytest.mark.analytic
def test_number_of_points_limits_the_laws():
    assert [f.name for f in fit_torque([7000.0], [20.0], 0.5)] == ["square"]
    assert [f.dof for f in fit_torque([6000.0, 7000.0], [15.0, 20.0], 0.5)] == [1, 0]
    assert [f.name for f in fit_torque([6000.0, 7000.0, 7000.0], [15.0, 20.0, 20.5], 0.5)] == [
        "square",
        "power",
    ]
    chosen, words = choose_fit(fit_torque([7000.0], [20.0], 0.5))
    assert chosen.name == "square"
    assert any("0 degrees of freedom" in w for w in words)


@pytest.mark.analytic
def test_bad_points_are_refused():
    with pytest.raises(RigError, match="no rig point"):
        fit_torque([], [], [])
    with pytest.raises(RigError, match="uncertainty"):
        fit_torque([6000.0, 7000.0], [15.0, 20.0], 0.0)
    with pytest.raises(RigError, match="above 0"):
        fit_torque([0.0, 7000.0], [15.0, 20.0], 0.5)
    with pytest.raises(RigError, match="choose"):
        choose_fit([])


@pytest.mark.synthetic
def test_choice_follows_the_truth():
    random = np.random.default_rng(4)
    n, names = RPM / 1000.0, {2.0: [], 2.7: []}
    for p, found in names.items():
        for _ in range(60):
            torque = 24.0 * (n / 7.0) ** p + 0.5 * random.standard_normal(5)
            found.append(choose_fit(fit_torque(RPM, torque, 0.5))[0].name)
    assert names[2.0].count("square") >= 54
    assert names[2.7].count("square") == 0


@pytest.mark.synthetic
def test_band_covers_the_truth():
    """With common, spacing and rpm errors, 95 % intervals hold the truth in 93 to 99 %."""
    random = np.random.default_rng(7)
    n, inside, trials = RPM / 1000.0, 0, 400
    truth = 0.45 * 7.0**2
    for _ in range(trials):
        seen = (0.45 * (n + 0.03 * random.standard_normal(5)) ** 2) * (1.0 + 0.01 * random.standard_normal())
        seen += 0.5 * random.standard_normal(5) + 0.3 * random.standard_normal()
        fits = fit_torque(RPM, seen, 0.5, rpm_std=30.0, common=[np.full(5, 0.3)], scale_std=0.01)
        band = predict_band(curve_of(RPM, seen, 0.5, fits=fits), 7000.0)
        inside += bool(band.low95[0] <= truth <= band.high95[0])
    assert 0.93 <= inside / trials <= 0.99


@pytest.mark.analytic
def test_density_scales_the_curve_and_its_uncertainty():
    torque = 0.45 * (RPM / 1000.0) ** 2
    curve = curve_of(RPM, torque, 0.4, density=1.2, density_std=0.012)
    here, std = predict_torque(curve, 7000.0)
    there, wide = predict_torque(curve, 7000.0, 1.0)
    assert there[0] == pytest.approx(here[0] / 1.2, rel=1e-12)
    assert wide[0] == pytest.approx(np.hypot(std[0], 0.01 * here[0]) / 1.2, rel=1e-9)
    method, _ = curve.torque(np.array([7000.0]), 1.0)
    assert method[0] == there[0]


@pytest.mark.analytic
def test_extrapolation_widens_and_is_told():
    random = np.random.default_rng(3)
    torque = 0.45 * (RPM / 1000.0) ** 2 + 0.4 * random.standard_normal(5)
    curve = curve_of(RPM, torque, 0.4)
    band = predict_band(curve, [0.0, 2000.0, 4500.0, 7000.0, 8500.0, 10000.0])
    assert band.outside.tolist() == [False, True, False, False, False, True]
    assert "extrapolated" in band.words
    assert "4500 to 8500" in band.words
    assert (band.torque[0], band.std[0]) == (0.0, 0.0)
    assert band.std[5] > 2.0 * band.std[4]
    assert band.std[1] / band.torque[1] > 3.0 * band.std[3] / band.torque[3]
    assert 0.0 <= band.low95[1] < band.torque[1] < torque[0]
    assert predict_band(curve, 7000.0).words == ""


@pytest.mark.regression
def test_parabola_below_its_lowest_point_stays_between_zero_and_that_point():
    """A parabola through three points turns to -19 N m at low rpm."""
    curve = curve_of([5500.0, 6500.0, 8450.0], [8.38, 14.35, 26.83], 0.5)
    forced = RigCurve(curve.points, curve.fits, curve.fits[2], curve.density, curve.density_std)
    band = predict_band(forced, np.linspace(500.0, 5400.0, 20))
    assert np.all(band.torque >= 0.0)
    assert np.all(band.torque <= 8.38 + 1e-9)
    assert np.all(np.isfinite(band.std))


@pytest.mark.regression
def test_a_rig_without_torque_is_still_fitted():
    square, power = fit_torque([4000.0, 6000.0], [0.0, 0.0], 0.1)
    assert square.coefficients[0] == 0.0
    assert power.coefficients[0] == 0.0
    assert np.all(np.isfinite(power.covariance))
