"""Rig days made by hand, compared and joined: every number by the formulas."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from flightproc.quantity import Quantity
from flightproc.rig import RigCurve, RigPoint, between_variance, choose_fit, compare_days, fit_torque

pytestmark = pytest.mark.analytic

NONE = Quantity.unknown("", "not needed here")
RPM = np.array([5000.0, 6000.0, 7000.0, 8000.0])


def day(k, *, relative=0.01, density=1.2, density_std=0.0, scale=0.0, rpm=RPM, law=2.0, **how):
    """A day whose points lie on k n^law and have one relative uncertainty."""
    torque = k * (rpm / 1000.0) ** law
    own = relative * torque
    common = np.array([np.full(rpm.size, how.pop("offset"))]) if "offset" in how else np.zeros((0, rpm.size))
    fits = fit_torque(rpm, torque, own, common=common, scale_std=scale)
    points = tuple(
        RigPoint(n, Quantity.of(q, u, "N m"), NONE, NONE, NONE, NONE, NONE, NONE, rpm_std=0.002 * n)
        for n, q, u in zip(rpm, torque, own, strict=True)
    )
    return RigCurve(
        points,
        fits,
        choose_fit(fits)[0],
        density,
        density_std,
        own_std=own,
        common=common,
        scale_std=scale,
        **{"kind": "two_point", "gear_ratio": 2.8, "diameter": 1.3, **how},
    )


def test_ratio_of_two_days_and_its_chance():
    """One coefficient each, known to 1 % over root four points; density 2 % and spacing 0.5 % on top."""
    a = day(0.40, density_std=0.024, scale=0.005, name="May")
    b = day(0.44, density=1.1, scale=0.005, name="June")
    found = compare_days([a, b])
    own = 0.01 / math.sqrt(4.0)
    std = math.sqrt(2.0 * own**2 + 0.02**2 + 2.0 * 0.005**2)
    ratio = 0.44 / 1.1 / (0.40 / 1.2)
    (pair,) = found.pairs
    assert (pair.first, pair.second) == ("May", "June")
    assert pair.ratio.value == pytest.approx(ratio, rel=1e-9)
    assert pair.ratio.std == pytest.approx(ratio * std, rel=1e-6)
    assert pair.ratio.high95 == pytest.approx(ratio * math.exp(1.959964 * std), rel=1e-6)
    assert pair.ratio.low95 == pytest.approx(ratio * math.exp(-1.959964 * std), rel=1e-6)
    z = math.log(ratio) / std
    assert pair.probability == pytest.approx(2.0 * stats.norm.sf(z), rel=1e-5)
    assert found.chi2 == pytest.approx(z**2, rel=1e-6)
    assert found.probability == pytest.approx(stats.chi2.sf(z**2, 1), rel=1e-5)
    assert found.density == pytest.approx(1.15) and found.dof == 1
    assert (found.rpm_low, found.rpm_high) == (5000.0, 8000.0)


def test_spacing_of_one_rig_cancels():
    own = 0.01 / math.sqrt(4.0)
    same = [day(k, scale=0.005, rig="club") for k in (0.40, 0.42)]
    assert compare_days(same).pairs[0].ratio.std == pytest.approx(1.05 * own * math.sqrt(2.0), rel=1e-6)
    other = replace(same[1], kind="lever_arm")
    expected = 1.05 * math.sqrt(2.0 * own**2 + 2.0 * 0.005**2)
    assert compare_days([same[0], other]).pairs[0].ratio.std == pytest.approx(expected, rel=1e-6)


def test_exponents_are_those_of_the_power_law_of_the_same_points():
    days = [day(0.40), day(0.40 * 7.0**-0.3, law=2.3, relative=0.02)]
    found = compare_days(days)
    log = np.log(RPM)
    spread = math.sqrt(float(np.sum((log - log.mean()) ** 2)))
    for level, law, relative in zip(found.days, (2.0, 2.3), (0.01, 0.02), strict=True):
        assert level.exponent.value == pytest.approx(law, rel=1e-6)
        assert level.exponent.std == pytest.approx(relative / spread, rel=1e-4)
    std = math.hypot(0.01, 0.02) / spread
    assert found.shape_chi2 == pytest.approx((0.3 / std) ** 2, rel=1e-3)
    assert found.shape_probability == pytest.approx(stats.chi2.sf(found.shape_chi2, 1), rel=1e-9)


def test_two_points_leave_the_exponent_of_the_square_law_open():
    """As many points as the power law has coefficients: 2, give or take 0.1."""
    found = compare_days([day(0.40, rpm=RPM[:2]), day(0.41, rpm=RPM[:2])])
    for level in found.days:
        assert level.exponent.value == pytest.approx(2.0, rel=1e-9)
        assert level.exponent.std == pytest.approx(0.1, rel=1e-9)


def test_joined_points_carry_what_each_day_shares():
    a = day(0.40, density_std=0.024, scale=0.005, offset=0.3, name="May")
    b = day(0.40 * 1.0 / 1.2, density=1.0, density_std=0.01, scale=0.004, rpm=RPM + 500.0, name="June")
    found = compare_days([a, b]).combined
    assert found is not None
    order = np.argsort([*RPM, *(RPM + 500.0)])
    torque = 0.40 * 1.1 / 1.2 * (np.concatenate([RPM, RPM + 500.0]) / 1000.0) ** 2
    ratio = np.array([1.1 / 1.2] * 4 + [1.1] * 4)
    np.testing.assert_allclose([p.rpm for p in found.points], np.sort([*RPM, *(RPM + 500.0)]))
    np.testing.assert_allclose([p.torque.value for p in found.points], torque[order], rtol=1e-9)
    np.testing.assert_allclose(found.own_std, 0.01 * torque[order], rtol=1e-9)
    np.testing.assert_allclose([p.rpm_std for p in found.points], [0.002 * p.rpm for p in found.points])
    first = np.arange(8) < 4
    rows = [
        np.where(first, 0.3 * ratio, 0.0),
        np.where(first, 0.02 * torque, 0.0),
        np.where(first, 0.005 * torque, 0.0),
        np.where(first, 0.0, 0.01 * torque),
        np.where(first, 0.0, 0.004 * torque),
    ]
    expected = np.array(rows)[:, order]
    np.testing.assert_allclose(found.common.T @ found.common, expected.T @ expected, rtol=1e-9, atol=1e-12)
    assert len(found.common) == 5
    assert (found.density, found.density_std, found.scale_std) == (pytest.approx(1.1), 0.0, 0.0)
    assert found.name == "May + June" and found.gear_ratio == 2.8


def test_joined_days_of_one_rig_keep_the_spacing_as_one_factor():
    days = [day(0.40, scale=0.005, rig="club"), day(0.40, scale=0.005, rig="club")]
    found = compare_days(days).combined
    assert found is not None
    assert found.scale_std == 0.005 and found.common.shape == (0, 8)
    std = math.sqrt(float(found.chosen.covariance[0, 0])) / 0.40
    # of each point 1 % and twice the 0.2 % of its engine speed
    assert std == pytest.approx(math.hypot(0.005, math.hypot(0.01, 0.004) / math.sqrt(8.0)), rel=1e-6)


def test_days_that_differ_carry_the_difference_into_each_point():
    days = [day(0.40, name="May"), day(0.48, name="June")]
    found = compare_days(days)
    assert found.differ and found.combined is not None
    apart = math.log(1.2)
    own = 0.01**2 / 4.0
    # two values: the excess of their variance over their own
    assert found.between_std == pytest.approx(math.sqrt(apart**2 / 2.0 - own), rel=1e-6)
    assert found.between_std_moments == pytest.approx(found.between_std, rel=1e-6)
    torque = np.array([p.torque.value for p in found.combined.points])
    total = np.sum(found.combined.common**2, axis=0)
    np.testing.assert_allclose(np.sqrt(total), found.between_std * torque, rtol=1e-9)
    # mean of both in logarithms, with one degree of freedom
    std = apart / 2.0
    assert found.level.value == pytest.approx(math.sqrt(1.2), rel=1e-9)
    assert found.level.std == pytest.approx(found.level.value * std, rel=1e-6)
    t = stats.t.ppf(0.975, 1)
    assert math.log(found.level.high95 / found.level.value) == pytest.approx(t * std, rel=1e-4)
    assert any("2 days tell little of how days differ" in word for word in found.words)
    four = compare_days([day(k) for k in (0.40, 0.48, 0.41, 0.49)])
    assert four.differ and not any("tell little" in word for word in four.words)


def test_one_day_without_a_split_leaves_no_joined_curve():
    bare = replace(day(0.41), own_std=np.zeros(0))
    assert compare_days([day(0.40), bare]).combined is None
    assert compare_days([bare, day(0.40)]).combined is None


def test_between_variance_of_unequal_days_solves_its_equation():
    values, variances = np.array([0.0, 0.3, 0.5]), np.array([0.01, 0.02, 0.005])
    chi2, paule_mandel, moments, mean = between_variance(values, np.diag(variances))
    weight = 1.0 / variances
    centre = float(weight @ values / weight.sum())
    assert mean == pytest.approx(centre, rel=1e-12)
    assert chi2 == pytest.approx(float(weight @ (values - centre) ** 2), rel=1e-12)
    assert moments == pytest.approx((chi2 - 2.0) / (weight.sum() - weight @ weight / weight.sum()), rel=1e-12)
    weight = 1.0 / (variances + paule_mandel)
    centre = float(weight @ values / weight.sum())
    assert weight @ (values - centre) ** 2 == pytest.approx(2.0, rel=1e-9)
