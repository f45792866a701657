"""GPS airspeed and wind.

Three legs: D. Gray, "Using GPS to accurately establish True Airspeed (TAS)", 1998: worked example;
airspeed [read], wind and headings [computed].
Four legs: the worked example of the four-leg method as taught at a test-pilot school [read]; circle through
all four [computed].
Ground speeds on four headings in a wind of a fifth of the airspeed: their mean is not the airspeed [read].
Speeds are in the sources' units; the methods do not depend on them.
"""

from itertools import combinations

import numpy as np
import pytest

from flightproc.sortie.wind import fit_wind_circle

pytestmark = pytest.mark.published


def velocities(speed, track_deg):
    track = np.radians(np.asarray(track_deg, dtype=float))
    return np.asarray(speed) * np.cos(track), np.asarray(speed) * np.sin(track)


def test_three_legs():
    north, east = velocities([140, 112, 120], [192, 283, 20])
    fit = fit_wind_circle(north, east)
    assert fit.airspeed == pytest.approx(130.0, abs=0.05)
    assert fit.wind_speed == pytest.approx(20.633, abs=0.0005)
    assert np.degrees(fit.wind_from) == pytest.approx(314.76, abs=0.005)
    headings = np.degrees(np.arctan2(east - fit.east, north - fit.north)) % 360
    assert headings == pytest.approx(np.array([199.67, 287.79, 11.71]), abs=0.005)
    assert fit.residuals == pytest.approx(np.zeros(3), abs=1e-9)


SPEED, TRACK = [178, 185, 188, 184], [178, 82, 355, 265]
TRIPLE_WINDS = {(5.2608, 194.517), (3.5824, 181.522), (5.1495, 162.698), (6.4437, 177.948)}


def test_four_legs_by_triples():
    north, east = velocities(SPEED, TRACK)
    fits = [fit_wind_circle(north[list(c)], east[list(c)]) for c in combinations(range(4), 3)]
    airspeeds = [fit.airspeed for fit in fits]
    assert np.mean(airspeeds) == pytest.approx(183.72669557, abs=1e-8)
    assert np.std(airspeeds, ddof=1) == pytest.approx(0.827096347, abs=1e-9)
    found = sorted((fit.wind_speed, float(np.degrees(fit.wind_from))) for fit in fits)
    for (speed, direction), (speed_told, direction_told) in zip(found, sorted(TRIPLE_WINDS), strict=True):
        assert speed == pytest.approx(speed_told, abs=0.00006)
        assert direction == pytest.approx(direction_told, abs=0.0006)


def test_four_legs_by_one_circle():
    fit = fit_wind_circle(*velocities(SPEED, TRACK))
    assert fit.airspeed == pytest.approx(183.7219, abs=0.00006)
    assert fit.wind_speed == pytest.approx(5.007, abs=0.0006)
    assert np.degrees(fit.wind_from) == pytest.approx(179.46, abs=0.006)
    assert fit.rms == pytest.approx(0.715, abs=0.0006)


def test_mean_ground_speed_is_not_the_airspeed():
    north, east = np.array([100.0, 0.0, -100.0, 0.0]), np.array([20.0, 120.0, 20.0, -80.0])
    speed = np.hypot(north, east)
    assert np.rint(speed).tolist() == [102, 120, 102, 80]
    assert np.mean(speed) == pytest.approx(101, abs=0.5)
    assert fit_wind_circle(north, east).airspeed == pytest.approx(100.0, abs=1e-9)
