import numpy as np
import pytest

from flightproc.sortie.attitude import (
    aided_attitude,
    check_logged_bank,
    coordinated_bank,
    coordinated_turn_rate,
    hang_angles,
    load_factor,
    vertical_rate,
)

G = 9.80665


def steady_turn(bank_deg, hang_deg, pitch_deg, speed, n=200):
    """A hung unit in a steady turn: exact body rates and forces."""
    lean, hang, pitch = np.radians([bank_deg, hang_deg, pitch_deg])
    turn = G * np.tan(lean) / speed
    bank = lean + hang
    rates = (
        np.full(n, -turn * np.sin(pitch)),
        np.full(n, turn * np.sin(bank) * np.cos(pitch)),
        np.full(n, turn * np.cos(bank) * np.cos(pitch)),
    )
    load = G / np.cos(lean)
    forces = (
        np.full(n, load * np.sin(pitch)),
        np.full(n, -load * np.sin(hang) * np.cos(pitch)),
        np.full(n, -load * np.cos(hang) * np.cos(pitch)),
    )
    return rates, forces, turn, bank


@pytest.mark.analytic
@pytest.mark.parametrize(("lean", "hang", "pitch"), [(20.0, 3.0, 5.0), (-30.0, 3.0, -4.0), (0.0, -2.0, 0.0)])
def test_steady_turn_is_given_back(lean, hang, pitch):
    rates, forces, turn, bank = steady_turn(lean, hang, pitch, 10.5)
    found = aided_attitude(rates, forces, np.full(200, 10.5), rounds=8)
    assert found.hang_roll == pytest.approx(np.full(200, np.radians(hang)), abs=1e-12)
    assert found.hang_pitch == pytest.approx(np.full(200, np.radians(pitch)), abs=1e-12)
    assert found.turn_rate == pytest.approx(np.full(200, turn), abs=2e-4)
    assert found.bank == pytest.approx(np.full(200, bank), abs=3e-4)


@pytest.mark.analytic
def test_without_airspeed_the_bank_is_the_hang_roll():
    rates, forces, turn, _ = steady_turn(20.0, 3.0, 0.0, 10.0)
    found = aided_attitude(rates, forces, None)
    assert found.bank == pytest.approx(found.hang_roll)
    assert abs(found.turn_rate[0] - turn) > 0.01  # the trap: the turn is seen too slow


@pytest.mark.analytic
def test_small_functions_agree_with_one_another():
    assert coordinated_bank(11.0, coordinated_turn_rate(11.0, 0.3)) == pytest.approx(0.3)
    assert float(load_factor(11.0, coordinated_turn_rate(11.0, 0.3))) == pytest.approx(1 / np.cos(0.3))
    roll, pitch = hang_angles(np.array([0.0]), np.array([0.0]), np.array([-G]))
    assert (float(roll[0]), float(pitch[0])) == (0.0, 0.0)
    zero = np.zeros(1)
    assert vertical_rate(zero, zero, np.array([0.2]), zero, zero)[0] == pytest.approx(0.2)


def weaving(seed, n=3000):
    rng = np.random.default_rng(seed)
    turn = np.radians(12) * np.sin(2 * np.pi * np.arange(n) / 400)
    hang = np.radians(3.0) + np.radians(0.5) * rng.standard_normal(n)
    return hang, np.full(n, 10.5), turn, np.ones(n, dtype=bool)


@pytest.mark.synthetic
def test_a_levelled_filter_is_told_from_a_navigation_filter():
    hang, speed, turn, use = weaving(1)
    lean = coordinated_bank(speed, turn)
    good = check_logged_bank(hang + lean, hang, speed, turn, use, rate=10.0)
    assert good.usable
    assert good.slope == pytest.approx(1.0, abs=0.02)
    trap = check_logged_bank(hang, hang, speed, turn, use, rate=10.0)
    assert not trap.usable
    assert "levelled on the accelerometer" in trap.words
    half = check_logged_bank(hang + 0.5 * lean, hang, speed, turn, use, rate=10.0)
    assert not half.usable
    assert "in part" in half.words


@pytest.mark.analytic
def test_an_attitude_that_cannot_be_tested_is_not_used():
    hang, speed, turn, use = weaving(2)
    straight = check_logged_bank(hang, hang, speed, turn * 0.1, use, rate=10.0)
    assert not straight.usable
    assert "too few turns" in straight.words
    assert not check_logged_bank(hang, hang, None, turn, use, rate=10.0).usable
