import numpy as np
import pytest

from flightproc.sortie.mount import (
    MountYaw,
    _pass_bands,
    estimate_mount_yaw,
    levelling_angles,
    rotate,
    rotation_matrix,
    swing_sums,
    swing_yaw,
)

G = 9.80665


@pytest.mark.analytic
def test_rotation_is_a_rotation_in_the_order_yaw_pitch_roll():
    matrix = rotation_matrix(0.1, -0.2, 0.3)
    assert matrix @ matrix.T == pytest.approx(np.eye(3), abs=1e-12)
    assert np.linalg.det(matrix) == pytest.approx(1.0)
    steps = rotation_matrix(0, 0, 0.3) @ rotation_matrix(0, -0.2, 0) @ rotation_matrix(0.1, 0, 0)
    assert matrix == pytest.approx(steps, abs=1e-12)


@pytest.mark.reference
def test_rotation_against_scipy():
    from scipy.spatial.transform import Rotation

    theirs = Rotation.from_euler("ZYX", [0.3, -0.2, 0.1]).as_matrix()
    assert rotation_matrix(0.1, -0.2, 0.3) == pytest.approx(theirs, abs=1e-12)


@pytest.mark.analytic
def test_levelling_takes_the_rest_force_to_straight_up():
    roll, pitch, force = 0.4, -0.3, np.array([[0.0], [0.0], [-G]])
    sensed = rotation_matrix(roll, pitch, 0.0).T @ force
    found = levelling_angles(*sensed[:, 0])
    assert found == pytest.approx((roll, pitch), abs=1e-12)
    level = rotate(rotation_matrix(*found, 0.0), *sensed)
    assert np.array(level)[:, 0] == pytest.approx(force[:, 0], abs=1e-9)


def turning(seed, yaw, *, minutes=10.0, noise=0.03):
    """Body rates of a hung unit that weaves through turns, seen by a sensor turned by ``yaw``."""
    rng = np.random.default_rng(seed)
    n = int(minutes * 600)
    turn = np.repeat(rng.uniform(-0.25, 0.25, n // 150 + 1), 150)[:n]
    kernel = np.hanning(31)
    turn = np.convolve(turn, kernel / kernel.sum(), mode="same")
    lean = np.arctan(10.5 * turn / G)
    p = np.gradient(lean) * 10 - turn * np.sin(0.05) + noise * rng.standard_normal(n) + 0.004
    q = turn * np.sin(lean) * np.cos(0.05) + noise * rng.standard_normal(n) - 0.002
    seen = (p + 1j * q) * np.exp(-1j * yaw)
    return seen.real, seen.imag, turn, lean, np.ones(n, dtype=bool)


@pytest.mark.synthetic
@pytest.mark.parametrize("yaw_deg", [0.0, 4.0, -12.0, 90.0, 179.0])
def test_yaw_is_found_from_turns(yaw_deg):
    found = estimate_mount_yaw(*turning(1, np.radians(yaw_deg)), rate=10.0)
    error = np.degrees(np.angle(np.exp(1j * (found.yaw - np.radians(yaw_deg)))))
    assert abs(error) < 1.5
    assert np.degrees(found.std) == pytest.approx(3.5, abs=0.5)
    assert found.gain == pytest.approx(1.0, abs=0.1)


@pytest.mark.synthetic
def test_yaw_needs_turns_that_show_in_the_rates():
    p, q, turn, lean, use = turning(2, 0.0)
    straight = estimate_mount_yaw(p, q, turn * 0.05, lean * 0.05, use, rate=10.0)
    assert np.isnan(straight.yaw)
    assert "30 s are needed" in straight.words
    deaf = estimate_mount_yaw(0.1 * p, 0.1 * q, turn, lean, use, rate=10.0)
    assert np.isnan(deaf.yaw)
    assert "do not follow" in deaf.words


def swinging(seed, yaw, *, pitching=0.3, minutes=20.0):
    """Body rates of a unit that swings in roll, less so in pitch, seen by a sensor turned by ``yaw``."""
    from scipy.signal import lfilter

    rng = np.random.default_rng(seed)
    n = int(minutes * 600)
    pole = 0.98 * np.exp(2j * np.pi * 0.45 / 10.0)
    shape = [1.0, -2.0 * pole.real, abs(pole) ** 2]
    p, q = (lfilter([1.0], shape, size * rng.standard_normal(n)) for size in (0.005, 0.005 * pitching))
    seen = (p + 1j * q) * np.exp(-1j * yaw)
    return seen.real, seen.imag, np.ones(n, dtype=bool)


@pytest.mark.synthetic
@pytest.mark.parametrize("yaw_deg", [0.0, 3.0, -20.0])
def test_a_small_yaw_is_found_from_swinging(yaw_deg):
    found = swing_yaw(*swinging(2, np.radians(yaw_deg)), rate=10.0)
    assert np.degrees(found.yaw) == pytest.approx(yaw_deg, abs=2.0 * np.degrees(found.std))
    assert 0.6 <= np.degrees(found.std) < 1.2


@pytest.mark.synthetic
def test_swinging_that_has_no_axis_or_too_little_time_tells_nothing():
    assert not np.isfinite(swing_yaw(*swinging(3, 0.0, pitching=1.0), rate=10.0).yaw)
    assert not np.isfinite(swing_yaw(*swinging(3, 0.0, minutes=1.5), rate=10.0).yaw)
    assert not np.isfinite(swing_yaw(*swinging(3, 0.0), rate=1.0).yaw)


@pytest.mark.analytic
def test_sums_of_the_swing_turn_with_the_sensor():
    p, q, steady = swinging(6, np.radians(4.0))
    for turned in (-0.2, 0.1, 1.0):
        there = rotate(rotation_matrix(0.0, 0.0, turned), p, q, np.zeros_like(p))
        ours = swing_sums(p, q, steady, rate=10.0).yaw(turned)
        theirs = swing_yaw(there[0], there[1], steady, rate=10.0)
        assert ours.words == theirs.words
        if np.isfinite(theirs.yaw):
            assert (ours.yaw, ours.std) == pytest.approx((theirs.yaw, theirs.std), rel=1e-9)


@pytest.mark.synthetic
@pytest.mark.parametrize("gain", [1.45, float("nan")])
def test_turns_of_a_twisting_unit_do_not_overrule_its_swing(gain):
    from flightproc.sortie.motion import _with_swing

    p, q, steady = swinging(5, np.radians(2.5))
    misled = MountYaw(np.radians(44.0) if np.isfinite(gain) else float("nan"), np.radians(6.0), gain, "")
    found = _with_swing(misled, swing_sums(p, q, steady, rate=10.0))
    assert np.degrees(found.yaw) == pytest.approx(2.5, abs=2.0 * np.degrees(found.std))
    assert "turns do not tell" in found.words


@pytest.mark.synthetic
def test_a_sensor_put_on_sideways_keeps_the_yaw_of_its_turns():
    from flightproc.sortie.motion import _with_swing

    p, q, steady = swinging(5, np.radians(90.0))
    turned = MountYaw(np.radians(90.0), np.radians(3.0), 1.02, "")
    found = _with_swing(turned, swing_sums(p, q, steady, rate=10.0))
    assert np.degrees(found.yaw) == pytest.approx(90.0, abs=3.0)


@pytest.mark.reference
def test_bands_pass_what_a_butterworth_filter_passes_both_ways():
    from scipy.signal import butter, sosfiltfilt

    rate = 10.0
    x = np.random.default_rng(4).standard_normal((2, 6000)).cumsum(axis=1)
    bands = ((0.25, 0.5), (1.0, 1.6))
    for band, found in zip(bands, _pass_bands(x, bands, rate), strict=True):
        expected = sosfiltfilt(butter(3, band, "band", fs=rate, output="sos"), x, axis=1)
        inside = slice(600, -600)  # a minute from the ends, which are treated otherwise
        np.testing.assert_allclose(found[:, inside], expected[:, inside], atol=1e-6 * np.abs(expected).max())
