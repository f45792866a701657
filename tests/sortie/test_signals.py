import numpy as np
import pytest

from flightproc.sortie.signals import (
    climb_signal,
    ground_velocity,
    rpm_signal,
    track_change,
    turn_change,
    vibration_level,
)

pytestmark = pytest.mark.analytic

T = np.arange(0.0, 200.0, 0.5)


def test_velocity_comes_from_components_then_speed_and_track_then_positions(flights):
    north, east = 8.0 * np.cos(T / 30), 8.0 * np.sin(T / 30)
    by_parts = flights.recording("a", {"velocity_north": (T, north), "velocity_east": (T, east)})
    track = np.arctan2(east, north)
    by_track = flights.recording("b", {"ground_speed": (T, np.full(T.size, 8.0)), "track": (T, track)})
    lat = 0.8 + np.concatenate([[0.0], np.cumsum(0.25 * (north[1:] + north[:-1]))]) / 6_371_000.0
    lon = 0.2 + np.concatenate([[0.0], np.cumsum(0.25 * (east[1:] + east[:-1]))]) / 6_371_000.0 / np.cos(0.8)
    by_place = flights.recording("c", {"latitude": (T, lat), "longitude": (T, lon)})
    for one in (by_parts, by_track, by_place):
        time, v_north, v_east, source = ground_velocity(one)
        assert v_north == pytest.approx(8.0 * np.cos(time / 30), abs=0.02)
        assert v_east == pytest.approx(8.0 * np.sin(time / 30), abs=0.02)
        assert "raw." in source
    assert "differences of" in ground_velocity(by_place)[3]
    assert ground_velocity(flights.recording("d", {"height": (T, T)})) is None


def test_a_steady_turn_gives_the_same_change_to_both(flights):
    turn, tilt = 0.1, 0.3
    t = np.arange(0.0, 200.0, 0.02)
    one = np.ones(t.size)
    zero = 0.0 * t
    # a sensor that hangs tilted: force and rate along the same tilted line
    unit = flights.recording(
        "u",
        {
            "roll_rate": (t, zero),
            "pitch_rate": (t, turn * np.sin(tilt) * one),
            "yaw_rate": (t, turn * np.cos(tilt) * one),
            "specific_force_x": (t, zero),
            "specific_force_y": (t, -9.81 * np.sin(tilt) * one),
            "specific_force_z": (t, -9.81 * np.cos(tilt) * one),
        },
    )
    gps = flights.recording(
        "g", {"velocity_north": (T, 9 * np.cos(turn * T) + 3), "velocity_east": (T, 9 * np.sin(turn * T) - 2)}
    )
    for time, change in (turn_change(unit), track_change(gps, (3.0, -2.0))):
        good = np.isfinite(change)
        assert good.mean() > 0.9
        assert change[good] == pytest.approx(np.full(good.sum(), 4 * turn), abs=0.002)
        assert not good[0] and not good[-1]
        assert time[1] - time[0] == pytest.approx(0.1)


def test_no_track_below_walking_speed(flights):
    gps = flights.recording("g", {"velocity_north": (T, 0.1 * T**0), "velocity_east": (T, 0.1 * np.sin(T))})
    assert np.all(np.isnan(track_change(gps)[1]))


def test_vibration_level_is_the_root_mean_square_of_the_shaking(flights):
    t = np.arange(0.0, 60.0, 0.01)
    shake = np.where(t < 30.0, 1.0, 3.0) * np.sqrt(2.0) * np.sin(2 * np.pi * 31.0 * t)
    slow = 2.0 * np.sin(2 * np.pi * 0.2 * t)
    forces = {f"specific_force_{axis}": (t, (shake if axis == "z" else 0 * t) + slow) for axis in "xyz"}
    time, level = vibration_level(flights.recording("u", forces))
    assert np.median(level[time < 29]) == pytest.approx(1.0, abs=0.1)
    assert np.median(level[time > 31]) == pytest.approx(3.0, abs=0.3)
    step = time[np.argmax(level > 2.0)]
    assert step == pytest.approx(30.1, abs=0.11)
    coarse = {k: (t[::10], v[::10]) for k, (t, v) in forces.items()}
    assert vibration_level(flights.recording("u", coarse)) is None


def test_climb_comes_from_pressure_height_or_climb(flights):
    level = 500.0 + 2.0 * T
    pressure = 101325.0 * (1 - 0.0065 * level / 288.15) ** 5.25588
    both = flights.recording("a", {"pressure": (T, pressure), "height": (T, 500.0 + 1.0 * T)})
    assert np.nanmedian(climb_signal(both)[1]) == pytest.approx(2.0, abs=0.01)
    assert np.nanmedian(climb_signal(both, measured=True)[1]) == pytest.approx(1.0, abs=1e-6)
    rate = flights.recording("b", {"climb": (T, np.full(T.size, -1.5))})
    assert np.nanmedian(climb_signal(rate)[1]) == pytest.approx(-1.5)
    flat = flights.recording("c", {"height": (T, 0 * T)})
    assert climb_signal(flat) is None


def test_engine_speed_falls_back_on_the_propeller(flights):
    time, values = rpm_signal(flights.recording("e", {"propeller_rpm": (T, 2000.0 + T)}))
    assert values == pytest.approx(2000.0 + time)
    assert rpm_signal(flights.recording("e", {"height": (T, T)})) is None
