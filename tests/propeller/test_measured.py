"""A blade from three to five stations taken with a protractor and a ruler."""

import math

import numpy as np
import pytest

from flightproc.errors import FlightprocError
from flightproc.propeller import blade_from_few_stations

pytestmark = pytest.mark.analytic

DIAMETER = 1.28
# a measured wooden blade, ten stations, as truth: r / R, chord / R, angle [deg]
RATIO = np.array([0.20, 0.30, 0.40, 0.50, 0.60, 0.70, 0.80, 0.90])
CHORD = np.array([0.148, 0.155, 0.153, 0.145, 0.136, 0.120, 0.098, 0.072]) * 0.5 * DIAMETER
TWIST = np.radians([27.0, 21.0, 17.0, 14.5, 12.5, 11.0, 9.9, 9.1])


def at(pick, twist=TWIST, chord=CHORD, **more):
    pick = list(pick)
    return blade_from_few_stations(
        RATIO[pick] * 0.5 * DIAMETER, chord[pick], twist[pick], diameter=DIAMETER, blades=2, **more
    )


@pytest.mark.parametrize("pick", [(1, 3, 6), (0, 2, 4, 6), (0, 2, 4, 6, 7)])
def test_the_other_stations_are_met_within_the_stated_uncertainty(pick):
    blade = at(pick)
    for ratio, twist, chord in zip(RATIO, TWIST, CHORD, strict=True):
        std = float(np.interp(ratio * 0.5 * DIAMETER, blade.radius, blade.twist_std))
        assert abs(blade.twist_at(ratio) - twist) < 2.0 * std + 1e-4
        assert blade.chord_at(ratio) == pytest.approx(chord, rel=0.1)


def test_a_helix_stays_a_helix():
    helix = np.arctan2(0.6, math.pi * DIAMETER * RATIO)
    blade = at((1, 4, 7), twist=helix)
    np.testing.assert_allclose(blade.twist, np.arctan2(0.6, 2.0 * math.pi * blade.radius), atol=1e-9)


def test_uncertainty_covers_the_truth():
    """Protractor errors of 1 deg on five stations: the 95 % band at 0.75 R holds the truth in 200 cases."""
    random = np.random.default_rng(4)
    truth = float(np.interp(0.75, RATIO, TWIST))
    z = []
    for _ in range(200):
        blade = at((0, 2, 4, 6, 7), twist=TWIST + np.radians(random.standard_normal(TWIST.size)))
        std = float(np.interp(0.75 * 0.5 * DIAMETER, blade.radius, blade.twist_std))
        z.append((blade.twist_at(0.75) - truth) / std)
    assert 0.91 <= np.mean(np.abs(z) < 1.96) <= 0.99
    assert abs(np.mean(z)) < 0.3


def test_more_stations_are_known_better_and_the_prior_of_the_pitch_says_so():
    few, many = at((1, 3, 6)), at((1, 2, 3, 4, 6))
    assert many.pitch_std < few.pitch_std
    assert few.pitch_std > math.radians(2.0)
    assert "3 measured stations" in few.words


def test_wild_readings_are_told_and_widen():
    wild = TWIST + np.radians([0, 5, 0, -5, 0, 5, 0, -5])
    blade = at((1, 3, 5, 7), twist=wild)
    assert "measure again" in blade.words
    assert blade.pitch_std > at((1, 3, 5, 7)).pitch_std


def test_bad_stations_are_refused():
    with pytest.raises(FlightprocError, match="three stations"):
        at((1, 3))
    with pytest.raises(FlightprocError, match="increase"):
        at((3, 1, 5))
