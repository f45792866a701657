"""Coordinated turn: rate g tan(bank) / V, radius V^2 / (g tan(bank)), load factor 1 / cos(bank) [computed].

Textbook relations (J. D. Anderson, Introduction to Flight, chapter 6); standard gravity 9.80665 m/s^2.
"""

import math

import pytest

from flightproc.sortie.attitude import coordinated_bank, coordinated_turn_rate, load_factor

pytestmark = pytest.mark.published

# V m/s, bank deg, turn rate deg/s, radius m
TURNS = [(10.0, 20.0, 20.4507, 28.02), (11.0, 3.0, 2.6770, 235.43), (12.0, 5.0, 4.0965, 167.84)]


@pytest.mark.parametrize(("speed", "bank", "rate", "radius"), TURNS)
def test_turn_rate_and_radius(speed, bank, rate, radius):
    turn = float(coordinated_turn_rate(speed, math.radians(bank)))
    assert math.degrees(turn) == pytest.approx(rate, abs=0.00006)
    assert speed / turn == pytest.approx(radius, abs=0.006)
    assert math.degrees(float(coordinated_bank(speed, turn))) == pytest.approx(bank, abs=1e-9)


def test_load_factor():
    turn = coordinated_turn_rate(10.0, math.radians(20.0))
    assert float(load_factor(10.0, turn)) == pytest.approx(1.0642, abs=0.00005)
