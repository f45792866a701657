"""Attitude by gyros and ground velocity, and the clocks that follow from it, against exact motion."""

from types import SimpleNamespace

import numpy as np
import pytest

from flightproc.errors import ClockError
from flightproc.sortie.attitude import aided_attitude, vertical_rate
from flightproc.sortie.clocks import OffsetFound
from flightproc.sortie.refine import Felt, refine_offset
from flightproc.sortie.strapdown import integrate_rates, smooth_both_ways, strapdown_attitude

G = 9.80665
RATE = 10.0


def manoeuvre(kind, *, seconds=600.0, seed=0, sideslip_time=0.5, bias=(0.001, -0.001, 0.001)):
    """Exact rates, forces and velocity of a hung unit; the nose follows the track late, as under a wing."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(seconds * RATE)) / RATE
    speed, swing = 10.5, 0.0 * t
    lean = {
        "straight": 0.0 * t,
        "steady turn": np.radians(25.0) * np.clip((t - 60) / 3, 0, 1) * np.clip((400 - t) / 3, 0, 1),
        "S-turns": np.radians(20.0) * np.sin(2 * np.pi * t / 24.0) * np.clip((t - 60) / 20, 0, 1),
        "rolls": np.radians(8.0) * np.sin(2 * np.pi * t / 6.0) * np.clip((t - 60) / 20, 0, 1),
    }[kind]
    if kind == "rolls":
        swing = np.radians(6.0) * np.sin(2 * np.pi * t / 2.2) * np.clip((t - 60) / 20, 0, 1)
    track = 0.4 + np.cumsum(G * np.tan(lean) / speed) / RATE
    keep = np.exp(-1 / (RATE * sideslip_time))
    heading = np.empty_like(track)
    heading[0] = track[0]
    for i in range(1, t.size):
        heading[i] = keep * heading[i - 1] + (1 - keep) * track[i]
    bank, pitch = lean + np.radians(2.5) + swing, np.radians(3.0) + 0.0 * t
    north, east = speed * np.cos(track), speed * np.sin(track)
    a = np.stack([np.gradient(north) * RATE, np.gradient(east) * RATE, np.full(t.size, -G)])
    turn, roll, nose = np.gradient(heading) * RATE, np.gradient(bank) * RATE, np.gradient(pitch) * RATE
    rates = (
        roll - turn * np.sin(pitch),
        nose * np.cos(bank) + turn * np.sin(bank) * np.cos(pitch),
        -nose * np.sin(bank) + turn * np.cos(bank) * np.cos(pitch),
    )
    ahead = a[0] * np.cos(heading) + a[1] * np.sin(heading)
    right = -a[0] * np.sin(heading) + a[1] * np.cos(heading)
    level = ahead * np.sin(pitch) + a[2] * np.cos(pitch)
    forces = (
        ahead * np.cos(pitch) - a[2] * np.sin(pitch),
        right * np.cos(bank) + level * np.sin(bank),
        -right * np.sin(bank) + level * np.cos(bank),
    )
    rates = tuple(x + b + 0.003 * rng.standard_normal(t.size) for x, b in zip(rates, bias, strict=True))
    forces = tuple(x + 0.05 * rng.standard_normal(t.size) for x in forces)
    fixes = np.arange(0.0, t[-1], 1.0)
    seen = [np.interp(fixes, t, v) + 0.05 * rng.standard_normal(fixes.size) for v in (north, east)]
    return SimpleNamespace(
        t=t, rates=rates, forces=forces, bank=bank, pitch=pitch, turn=turn, heading=heading, speed=speed,
        fixes=fixes, north=seen[0], east=seen[1],
    )  # fmt: skip


def solved(m, *, velocity=None):
    aided = aided_attitude(m.rates, m.forces, np.full(m.t.size, m.speed), smoothing=11)
    north, east = velocity or (np.interp(m.t, m.fixes, m.north), np.interp(m.t, m.fixes, m.east))
    found = strapdown_attitude(
        m.rates, m.forces, (aided.bank, aided.pitch, aided.turn_rate), (north, east),
        np.arctan2(east, north), rate=RATE,
    )  # fmt: skip
    return aided, found


def rms_deg(x):
    return float(np.degrees(np.sqrt(np.mean(np.square(x)))))


@pytest.mark.synthetic
@pytest.mark.parametrize("kind", ["straight", "steady turn", "S-turns", "rolls"])
def test_bank_and_turn_rate_through_every_manoeuvre(kind):
    m = manoeuvre(kind)
    aided, found = solved(m)
    inside = (m.t > 30) & (m.t < m.t[-1] - 30)
    assert rms_deg((found.bank - m.bank)[inside]) < 0.35
    assert rms_deg((found.pitch - m.pitch)[inside]) < 0.6  # heading is less sure, and pitch with it
    turn = vertical_rate(*m.rates, found.bank, found.pitch)
    assert rms_deg((turn - m.turn)[inside]) < 0.35  # noise of 0.17 and bias of 0.08 deg/s are in it
    assert abs(np.degrees(np.mean((turn - m.turn)[inside]))) < 0.1
    if kind in ("S-turns", "rolls"):
        assert rms_deg((aided.bank - m.bank)[inside]) > 1.0  # the nose is late, and the lean with it


@pytest.mark.synthetic
def test_a_bias_of_a_cheap_gyro_does_no_harm_and_gaps_stay_gaps():
    m = manoeuvre("S-turns", bias=(0.01, -0.01, 0.01))
    north, east = np.interp(m.t, m.fixes, m.north), np.interp(m.t, m.fixes, m.east)
    hole = (m.t > 300) & (m.t < 312)
    lost = (m.t > 400) & (m.t < 500)
    for v in (north, east):
        v[hole | lost] = np.nan
    _, found = solved(m, velocity=(north, east))
    inside = (m.t > 60) & (m.t < 385)
    assert rms_deg((found.bank - m.bank)[inside]) < 0.8
    assert np.isfinite(found.bank[hole]).all()
    assert np.isnan(found.bank[(m.t > 440) & (m.t < 460)]).all()
    assert np.isfinite(found.bank[m.t > 510]).all()


@pytest.mark.reference
def test_integration_against_scipy():
    from scipy.spatial.transform import Rotation

    rng = np.random.default_rng(3)
    rates = tuple(np.cumsum(0.05 * rng.standard_normal(500)) for _ in range(3))
    step = 0.5 * (np.array(rates).T[1:] + np.array(rates).T[:-1]) / RATE
    theirs = Rotation.identity()
    for one in step:
        theirs = theirs * Rotation.from_rotvec(one)
    ours = integrate_rates(rates, RATE)[-1]
    assert Rotation.from_quat(np.roll(ours, -1)).as_matrix() == pytest.approx(theirs.as_matrix(), abs=1e-9)


@pytest.mark.analytic
def test_smoothing_moves_nothing_in_time():
    x = np.zeros(401)
    x[200] = 1.0
    smooth, share = smooth_both_ways(x, np.ones(401), 10.0, 2.0)
    assert smooth[150:200] == pytest.approx(smooth[201:251][::-1])
    assert smooth.sum() == pytest.approx(1.0, abs=1e-3)
    assert share[200] == pytest.approx(1.0, abs=1e-4)
    ramp, _ = smooth_both_ways(np.arange(401.0), np.ones(401), 10.0, 2.0)
    assert ramp[200] == pytest.approx(200.0, abs=1e-3)


@pytest.mark.analytic
@pytest.mark.parametrize("n", [1, 2, 57])
def test_smoothing_is_the_two_sided_exponential_with_the_weights_of_its_samples(n):
    rng = np.random.default_rng(4)
    x, weight = rng.standard_normal((n, 2)), (rng.random(n) < 0.7) + 0.1
    keep = np.exp(-1.0 / (10.0 * 0.8))
    kernel = (1 - keep) / (1 + keep) * keep ** np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    smooth, share = smooth_both_ways(x, weight, 10.0, 0.8)
    assert share == pytest.approx(kernel @ weight, rel=1e-12)
    assert smooth == pytest.approx(kernel @ (weight[:, None] * x) / (kernel @ weight)[:, None], abs=1e-12)


@pytest.mark.analytic
@pytest.mark.parametrize("n", [2, 3, 8, 100])
def test_every_product_on_the_way_is_that_of_single_steps(n):
    from scipy.spatial.transform import Rotation

    rates = tuple(np.random.default_rng(n).standard_normal((3, n)))
    step = 0.5 * (np.array(rates).T[1:] + np.array(rates).T[:-1]) / RATE
    whole = [Rotation.identity()]
    for one in step:
        whole.append(whole[-1] * Rotation.from_rotvec(one))
    ours = Rotation.from_quat(np.roll(integrate_rates(rates, RATE), -1, axis=1))
    apart = [(a.inv() * b).magnitude() for a, b in zip(whole, ours, strict=True)]
    assert max(apart) < 1e-12


def felt_by(m):
    _, found = solved(m)
    return Felt(m.t, found.acceleration_north, found.acceleration_east, found.heading)


def begin(offset):
    return OffsetFound(offset, 0.1, 1.0, 0.0, 600.0)


@pytest.mark.synthetic
@pytest.mark.parametrize("off", [-0.4, 0.0, 0.7])
def test_an_offset_is_refined(off):
    m = manoeuvre("S-turns")
    found = refine_offset(felt_by(m), m.fixes - 100.0, m.north, m.east, begin(100.0 + off), floor=0.01)
    assert found.offset == pytest.approx(100.0, abs=max(3 * found.std, 0.03))
    assert found.std < 0.05
    assert found.correlation > 0.9
    assert found.drift == 0.0


@pytest.mark.synthetic
def test_a_drift_is_found():
    m = manoeuvre("S-turns", seconds=1200.0)
    own = (m.fixes - 50.0) / (1.0 + 5e-4)
    found = refine_offset(felt_by(m), own, m.north, m.east, begin(50.3), floor=0.01)
    assert found.drift == pytest.approx(5e-4, rel=0.2)
    assert found.apply(own)[[100, 600, 1100]] == pytest.approx(m.fixes[[100, 600, 1100]], abs=0.06)


@pytest.mark.synthetic
def test_velocities_of_another_flight_are_refused_with_the_correlation():
    m, other = manoeuvre("S-turns"), manoeuvre("rolls", seed=1)
    with pytest.raises(ClockError, match=r"agree too weakly.*correlation -?0\.\d\d"):
        refine_offset(felt_by(m), other.fixes, other.north, other.east, begin(0.0))
    with pytest.raises(ClockError, match="share too little"):
        refine_offset(felt_by(m), m.fixes, m.north, m.east, begin(5000.0))
    with pytest.raises(ClockError, match="hold too little"):
        refine_offset(felt_by(m), m.fixes[:20], m.north[:20], m.east[:20], begin(0.0))
