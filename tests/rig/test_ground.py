"""The free roll period that tilt test and pendulum give, by hand."""

import math

import pytest

from flightproc.channels import GRAVITY
from flightproc.quantity import Quantity
from flightproc.rig.ground import _free_period
from flightproc.rig.inertia import RollInertia

pytestmark = pytest.mark.analytic


def swing(value, std):
    return RollInertia(
        inertia=Quantity.of(value, std, "kg m^2"),
        words=(),
        period=Quantity.unknown("s", "not needed here"),
        large_angle=1.0,
        damping=1.0,
        mass=110.0,
        mass_std=1.0,
    )


def period(i, m, h):
    return 2.0 * math.pi * math.sqrt((i + m * h * h) / (m * GRAVITY * h))


def test_a_point_mass_swings_as_a_plain_pendulum():
    found = _free_period(110.0, 0.0, Quantity.of(0.35, 0.0, "m"), swing(1e-12, 0.0))
    assert found.value == pytest.approx(2.0 * math.pi * math.sqrt(0.35 / GRAVITY), rel=1e-9)
    assert found.unit == "s"


@pytest.mark.parametrize("source", ["inertia", "arm", "mass", "all"])
def test_period_and_its_uncertainty_by_first_order(source):
    i, m, h = 6.0, 110.0, 0.35
    std = {"inertia": 0.06, "arm": 0.004, "mass": 1.5}
    std = {name: value if source in (name, "all") else 0.0 for name, value in std.items()}
    found = _free_period(m, std["mass"], Quantity.of(h, std["arm"], "m"), swing(i, std["inertia"]))
    assert found.value == pytest.approx(period(i, m, h), rel=1e-12)
    # d ln T = d(I + m h^2) / 2 (I + m h^2) - d ln m / 2 - d ln h / 2
    whole = 2.0 * (i + m * h * h)
    parts = (
        std["inertia"] / whole,
        std["arm"] * (2.0 * m * h / whole - 0.5 / h),
        std["mass"] * (h * h / whole - 0.5 / m),
    )
    assert found.std == pytest.approx(found.value * math.hypot(*parts), rel=0.02)


def test_without_a_pendulum_the_period_is_unknown():
    unknown = _free_period(110.0, 1.0, Quantity.of(0.35, 0.01, "m"), None)
    assert unknown.value is None and unknown.reason == "there is no pendulum in the sheet"
    unknown = _free_period(110.0, 1.0, Quantity.unknown("m", "no arm"), swing(6.0, 0.1))
    assert unknown.value is None and unknown.unit == "s"
