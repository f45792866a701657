import numpy as np
import pytest

from flightproc.sortie.phases import airborne_stretches, mask_of, still_stretches

pytestmark = pytest.mark.synthetic

RATE = 10.0


def day(seed=0):
    """A minute on the ground, ten minutes in the air, half a minute on the ground."""
    rng = np.random.default_rng(seed)
    n = 6900
    time = np.arange(n) / RATE
    air = (time >= 60.0) & (time < 660.0)
    rates = tuple(np.where(air, 0.1, 0.003) * rng.standard_normal(n) + 0.005 for _ in range(3))
    forces = tuple(np.where(air, 0.6, 0.03) * rng.standard_normal(n) + f for f in (0.0, 0.1, -9.8))
    speed = np.where(air, 9.0 + 4.0 * np.sin(time / 30.0), 0.1)
    height = 300.0 + np.where(air, np.minimum(time - 60.0, 660.0 - time) * 1.5, 0.0)
    return time, rates, forces, speed, height


def test_ground_and_flight_are_told_apart():
    time, rates, forces, speed, height = day()
    still = still_stretches(rates, forces, speed, RATE)
    assert len(still) == 2
    assert still[0][0] < 2 and 57 < still[0][1] < 61
    assert 659 < still[1][0] < 663
    flight, words = airborne_stretches(
        time.size, RATE, ground_speed=speed, height=height, rates=rates, still=still
    )
    assert len(flight) == 1
    assert flight[0][0] == pytest.approx(64.0, abs=2.0)
    assert flight[0][1] == pytest.approx(656.0, abs=2.0)
    assert words == "speed over ground and height"


@pytest.mark.parametrize("what", ["height", "nothing"])
def test_flight_is_found_without_satellites(what):
    time, rates, forces, _, height = day(1)
    still = still_stretches(rates, forces, None, RATE)
    flight, words = airborne_stretches(
        time.size,
        RATE,
        ground_speed=None,
        height=height if what == "height" else None,
        rates=rates,
        still=still,
    )
    assert len(flight) == 1
    assert flight[0][0] == pytest.approx(70.0, abs=12.0)
    assert flight[0][1] == pytest.approx(650.0, abs=12.0)
    assert words == ("height" if what == "height" else "liveliness of the body rates")


def test_slow_flight_into_the_wind_is_flight():
    time, rates, forces, speed, _height = day(2)
    speed = np.where((time > 300) & (time < 320), 1.5, speed)
    still = still_stretches(rates, forces, speed, RATE)
    flight, _ = airborne_stretches(time.size, RATE, ground_speed=speed, height=None, rates=rates, still=still)
    assert len(flight) == 1


def test_mask_of_nothing_is_empty():
    assert not mask_of((), np.arange(5.0)).any()


def test_a_quiet_glide_is_not_the_ground_even_without_satellites():
    time, rates, forces, _, _ = day()
    air = (time >= 60.0) & (time < 660.0)
    # half the flight as quiet as the ground: only height tells
    quiet = (time >= 360.0) & (time < 660.0)
    rates = tuple(np.where(quiet, 0.003 * np.sin(7 * time) + 0.005, r) for r in rates)
    forces = tuple(np.where(quiet, 0.02 * np.sin(9 * time) + np.mean(f), f) for f in forces)
    height = 300.0 + np.where(air, np.minimum(time - 60.0, 660.0 - time) * 1.3, 0.0)
    still = still_stretches(rates, forces, None, RATE, height)
    assert not any(start < 640.0 and end > 70.0 for start, end in still)
    flight, _ = airborne_stretches(
        time.size, RATE, ground_speed=None, height=height, rates=rates, still=still
    )
    assert len(flight) == 1
    assert flight[0][0] < 90.0 and flight[0][1] > 630.0
