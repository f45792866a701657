"""The tilt test against exact statics, against its own budget, and over many simulated tests."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from flightproc.channels import GRAVITY
from flightproc.errors import RigError
from flightproc.rig import reduce_tilt
from flightproc.sheets import TiltTestEntry

MASS, ARM = 118.0, 0.35


def hang(side, ballast=4.0, arm=0.25, drop=0.0, pivot=0.0, beside=0.0, mass=MASS, height=ARM):
    """Return the roll at which the unit hangs [deg], from the place of its centre of gravity in space."""

    def lever(roll):
        """Return the horizontal distance of the common centre of gravity from the pivot, times the mass."""
        y = (mass * beside + side * ballast * arm) / mass
        z = pivot + height + (abs(side) * ballast * drop) / mass
        # body axes turned right side down by the roll: y goes down, z goes left
        return y * math.cos(roll) - z * math.sin(roll)

    return math.degrees(brentq(lever, -1.5, 1.5, xtol=1e-15))


def entry(sides=(1, -1, 1, -1), **how):
    place = {key: how.pop(key) for key in ("drop", "pivot", "beside", "ballast", "arm") if key in how}
    names = tuple("right" if side > 0 else "left" for side in sides)
    angles = tuple(hang(side, **place) for side in sides)
    given = {
        "ballast_kg": place.get("ballast", 4.0),
        "arm_m": place.get("arm", 0.25),
        "drop_m": place.get("drop", 0.0),
        "pivot_height_m": place.get("pivot", 0.0),
    }
    return TiltTestEntry(**{"side": names, "angle_deg": angles, **given, **how})


@pytest.mark.analytic
@pytest.mark.parametrize(
    "place",
    [
        {},
        {"beside": 0.03},
        {"beside": -0.02, "drop": 0.2, "pivot": 0.04},
        {"ballast": 20.0, "arm": 0.9},  # 23 degrees
        {"pivot": 0.8, "drop": -0.1},
    ],
)
def test_exact_statics_are_recovered(place):
    found = reduce_tilt(entry(**place), MASS, 1.0)
    assert found.weight_stiffness.value == pytest.approx(MASS * GRAVITY * ARM, rel=1e-9)
    assert found.hang_arm.value == pytest.approx(ARM, rel=1e-9)
    np.testing.assert_allclose(found.residual, 0.0, atol=1e-12)
    assert found.weight_stiffness.unit == "N m/rad" and found.hang_arm.unit == "m"


@pytest.mark.analytic
def test_the_moment_is_weight_times_arm_with_the_sign_of_its_side():
    found = reduce_tilt(entry(sides=(1, -1), zero_deg=(0.0,)), MASS, 1.0)
    np.testing.assert_allclose(found.moment, [9.80665, -9.80665, 0.0])
    assert found.zero.value == pytest.approx(0.0, abs=1e-12)
    assert found.dof == 1


@pytest.mark.analytic
def test_a_misaligned_inclinometer_drops_out():
    angles = tuple(hang(side) + 1.5 for side in (1, -1))
    test = TiltTestEntry(side=("right", "left"), angle_deg=angles, ballast_kg=4.0, arm_m=0.25)
    found = reduce_tilt(test, MASS, 1.0)
    assert found.weight_stiffness.value == pytest.approx(MASS * GRAVITY * ARM, rel=1e-3)
    assert found.zero.degrees().value == pytest.approx(1.5, abs=1e-3)
    assert any("1.50 ± 0.14 deg to the right" in word for word in found.words)


@pytest.mark.analytic
def test_standard_uncertainty_by_hand():
    test = entry(
        sides=(1, -1),
        angle_std_deg=0.02,
        ballast_std_kg=0.04,
        arm_std_m=0.0025,
        drop_std_m=0.0,
        pivot_height_std_m=0.0,
    )
    found = reduce_tilt(test, MASS, 0.0)
    tilt = math.radians(hang(1))
    relative = math.hypot(0.01, 0.01, math.radians(0.02) / math.sqrt(2.0) / tilt)
    assert found.weight_stiffness.std == pytest.approx(relative * MASS * GRAVITY * ARM, rel=0.01)
    assert set(found.weight_stiffness.budget) == {"angle", "ballast mass", "ballast arm"}


@pytest.mark.analytic
def test_budget_adds_up_where_all_is_near_linear():
    found = reduce_tilt(entry(angle_std_deg=0.03, pivot=0.1), MASS, 1.0)
    for quantity in (found.weight_stiffness, found.hang_arm):
        assert math.hypot(*quantity.budget.values()) == pytest.approx(quantity.std, rel=0.01)
    assert "hung mass" in found.hang_arm.budget


@pytest.mark.analytic
def test_an_uncertain_tilt_makes_a_lopsided_interval():
    found = reduce_tilt(entry(sides=(1, -1), angle_std_deg=0.4), MASS, 1.0).weight_stiffness
    assert found.high95 - found.value > 1.5 * (found.value - found.low95)


@pytest.mark.analytic
def test_readings_that_scatter_widen_the_interval():
    sides = (1, -1) * 3
    off = np.array([0.5, -0.6, -0.4, 0.5, -0.3, 0.4])
    angles = tuple(hang(side) + x for side, x in zip(sides, off, strict=True))
    names = tuple("right" if side > 0 else "left" for side in sides)
    test = TiltTestEntry(side=names, angle_deg=angles, ballast_kg=4.0, arm_m=0.25, angle_std_deg=0.05)
    found = reduce_tilt(test, MASS, 1.0)
    assert found.dof == 4 and found.chi2 > 100
    assert any("times as much as stated" in word for word in found.words)
    calm = reduce_tilt(entry(sides=sides, angle_std_deg=0.05), MASS, 1.0)
    assert found.weight_stiffness.std > 3.0 * calm.weight_stiffness.std
    assert "most of the uncertainty comes from: angle" in found.words


@pytest.mark.analytic
def test_no_tilt_is_refused():
    test = TiltTestEntry(side=("right", "left"), angle_deg=(0.1, -0.1), ballast_kg=4.0, arm_m=0.25)
    with pytest.raises(RigError, match="does not tell a tilt from none"):
        reduce_tilt(test, MASS, 1.0)
    far = entry(pivot_height_m=0.5)
    with pytest.raises(RigError, match="no hang arm is left"):
        reduce_tilt(far, MASS, 1.0)


@pytest.mark.synthetic
def test_intervals_hold_the_truth():
    rng = np.random.default_rng(20261125)
    held, scores = 0, []
    n = 250
    for _ in range(n):
        ballast, arm = rng.uniform(3, 6), rng.uniform(0.2, 0.4)
        drop, pivot = rng.uniform(0.0, 0.2), rng.uniform(0.0, 0.02)
        height, mass = rng.uniform(0.25, 0.45), rng.uniform(90, 150)
        place = {"ballast": ballast, "arm": arm, "drop": drop, "pivot": pivot, "height": height}
        sides = (1, -1, 1, -1)
        angles = [hang(s, beside=0.01, mass=mass, **place) + rng.normal(0, 0.15) for s in sides]
        test = TiltTestEntry(
            side=tuple("right" if s > 0 else "left" for s in sides),
            angle_deg=tuple(angles),
            angle_std_deg=0.15,
            ballast_kg=ballast + rng.normal(0, 0.05),
            arm_m=arm + rng.normal(0, 0.005),
            drop_m=drop + rng.normal(0, 0.03),
            pivot_height_m=pivot + rng.normal(0, 0.005),
        )
        found = reduce_tilt(test, mass + rng.normal(0, 1.0), 1.0).weight_stiffness
        truth = mass * GRAVITY * height
        held += found.low95 <= truth <= found.high95
        scores.append((found.value - truth) / found.std)
    # 99 % binomial band of 250 at 0.95
    assert 228 <= held <= 246
    assert abs(np.mean(scores)) < 2.6 / math.sqrt(n)
    assert 0.85 < np.std(scores) < 1.15


STDS = {
    "ballast mass": ("ballast_kg", "ballast_std_kg", 0.02),
    "ballast arm": ("arm_m", "arm_std_m", 0.002),
    "drop of the ballast": ("drop_m", "drop_std_m", 0.01),
    "pivot": ("pivot_height_m", "pivot_height_std_m", 0.002),
}


@pytest.mark.analytic
@pytest.mark.parametrize("name", [*STDS, "hung mass"])
def test_each_part_of_the_budget_is_what_its_error_changes(name):
    """Against differences, and against the spread of the draws where the part stands alone."""
    none = {entry_std: 0.0 for _, entry_std, _ in STDS.values()}
    base = {"drop": 0.15, "pivot": 0.04, "ballast": 5.0, "arm": 0.3}
    mass_std = 1.5 if name == "hung mass" else 0.0
    if name != "hung mass":
        none[STDS[name][1]] = STDS[name][2]
    test = entry(**base, angle_std_deg=0.001, **none)
    found = reduce_tilt(test, MASS, mass_std)

    def changed(sign):
        if name == "hung mass":
            return reduce_tilt(test, MASS + sign * mass_std, 0.0)
        field, _, std = STDS[name]
        moved = test.model_copy(update={field: getattr(test, field) + sign * std})
        return reduce_tilt(moved, MASS, 0.0)

    up, down = changed(1.0), changed(-1.0)
    for which in ("weight_stiffness", "hang_arm"):
        ends = [getattr(each, which).value for each in (up, down)]
        part = abs(ends[0] - ends[1]) / 2.0
        quantity = getattr(found, which)
        assert quantity.budget[name] == pytest.approx(part, rel=2e-3)
        assert quantity.std == pytest.approx(math.hypot(part, quantity.budget["angle"]), rel=0.02)


@pytest.mark.analytic
def test_an_angle_error_counts_by_the_steepness_of_the_tangent():
    """At 23 degrees an error of the angle changes the tangent by 1 / cos^2."""
    sides = (1, -1)
    test = entry(
        sides,
        ballast=20.0,
        arm=0.9,
        angle_std_deg=0.05,
        ballast_std_kg=0.0,
        arm_std_m=0.0,
        drop_std_m=0.0,
        pivot_height_std_m=0.0,
    )
    found = reduce_tilt(test, MASS, 0.0)
    angle = math.radians(hang(1, ballast=20.0, arm=0.9))
    relative = math.radians(0.05) / math.cos(angle) ** 2 / math.sqrt(2.0) / math.tan(angle)
    assert found.weight_stiffness.std / found.weight_stiffness.value == pytest.approx(relative, rel=0.02)
    assert any("beyond 10 deg" in word for word in found.words)


@pytest.mark.analytic
def test_zero_and_residual_are_angles_not_tangents():
    """A unit that hangs far off: both come back as angles."""
    zero = 20.0
    test = TiltTestEntry(
        side=("right", "left"),
        angle_deg=tuple(math.degrees(math.atan(math.tan(math.radians(zero)) + x)) for x in (0.03, -0.03)),
        zero_deg=(zero + 0.02, zero - 0.02),
        ballast_kg=4.0,
        arm_m=0.25,
        angle_std_deg=0.05,
    )
    found = reduce_tilt(test, MASS, 1.0)
    assert found.zero.value == pytest.approx(math.radians(zero), abs=1e-5)
    assert found.zero.std == pytest.approx(math.radians(0.05) / 2.0, rel=0.01)
    np.testing.assert_allclose(np.degrees(found.residual[2:]), [0.02, -0.02], atol=3e-4)


@pytest.mark.analytic
def test_zero_follows_t_only_where_the_scatter_refutes_what_is_stated():
    calm = entry((1, -1, 1, -1))
    assert reduce_tilt(calm, MASS, 1.0).zero.high95 == pytest.approx(
        1.959964 * reduce_tilt(calm, MASS, 1.0).zero.std, abs=1e-9
    )
    off = (0.5, -0.6, -0.4, 0.5)
    wild = calm.model_copy(
        update={"angle_deg": tuple(a + b for a, b in zip(calm.angle_deg, off, strict=True))}
    )
    zero = reduce_tilt(wild, MASS, 1.0).zero
    # three degrees of freedom at least
    assert zero.high95 - zero.value == pytest.approx(3.182446 * zero.std, rel=1e-5)


@pytest.mark.analytic
def test_a_pivot_well_above_the_hang_points_is_told():
    words = " ".join(reduce_tilt(entry(pivot=0.3), MASS, 1.0).words)
    assert "pivot lies well above" in words and "beyond 10 deg" not in words
    assert "pivot lies well above" not in " ".join(reduce_tilt(entry(pivot=0.05), MASS, 1.0).words)
