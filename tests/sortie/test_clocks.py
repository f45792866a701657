import numpy as np
import pytest

from flightproc.errors import ClockError
from flightproc.sortie.clocks import find_offset


def signal(rng, seconds, rate=10.0):
    """Bursts of turning between calm stretches, as in a flight."""
    n = int(seconds * rate)
    steps = np.repeat(
        rng.standard_normal(int(seconds / 15) + 1) * (rng.random(int(seconds / 15) + 1) < 0.5), 150
    )
    kernel = np.hanning(41)
    return np.arange(n) / rate, np.convolve(steps, kernel / kernel.sum(), mode="same")[:n]


def pair(seed, offset, *, noise=0.2, seconds=900.0, drift=0.0):
    rng = np.random.default_rng(seed)
    t, x = signal(rng, seconds)
    own = np.arange(0, seconds - offset * 0 - 40, 0.13)
    y = np.interp(own + offset + drift * own, t, x, left=np.nan, right=np.nan)
    y = y + noise * rng.standard_normal(own.size) * 0.5
    return t, x + noise * rng.standard_normal(t.size) * 0.5, own, y


@pytest.mark.synthetic
@pytest.mark.parametrize("offset", [0.0, 12.34, -271.9, 480.05])
def test_offsets_of_any_size_are_found(offset):
    found = find_offset(*pair(1, offset), floor=0.0)
    assert found.offset == pytest.approx(offset, abs=max(4 * found.std, 0.02))
    assert found.std < 0.1
    assert found.correlation > 0.8
    assert found.drift == 0.0


@pytest.mark.synthetic
def test_stated_uncertainty_covers_the_error():
    z = []
    for seed in range(40):
        found = find_offset(*pair(seed, 33.3, noise=0.6), floor=0.0, weakest=0.3)
        z.append((found.offset - 33.3) / found.std)
    assert 0.6 < np.sqrt(np.mean(np.square(z))) < 1.5


@pytest.mark.synthetic
def test_signals_without_anything_in_common_are_refused():
    """Bursts and calm agree by chance now and then; one in twenty may pass, not more."""
    refused = 0
    for seed in range(40):
        rng = np.random.default_rng(seed + 50)
        t, x = signal(rng, 900.0)
        _, y = signal(rng, 900.0)
        try:
            find_offset(t, x, t, y, what="the two signals")
        except ClockError as error:
            refused += 1
            assert "clock_offset_s" in str(error)
    assert refused >= 38


@pytest.mark.analytic
def test_a_repeating_signal_is_ambiguous():
    t = np.arange(0, 1000, 0.1)
    x = np.sign(np.sin(2 * np.pi * t / 100.0))
    with pytest.raises(ClockError, match="nearly as well at another offset"):
        find_offset(t, x, t, x)


@pytest.mark.analytic
def test_constants_and_short_logs_are_refused():
    t = np.arange(0, 100, 0.1)
    with pytest.raises(ClockError, match="hold too little"):
        find_offset(t, np.ones(t.size), t, np.sin(t))
    with pytest.raises(ClockError, match="hold too little"):
        find_offset(t, np.sin(t), t[:5], np.sin(t[:5]))
    with pytest.raises(ClockError, match="share too little time"):
        find_offset(t, np.sin(t), t, np.cos(t), search=(5000.0, 6000.0))


@pytest.mark.synthetic
def test_a_bent_relation_is_straightened():
    t, x, own, y = pair(2, 7.7, noise=0.05)
    found = find_offset(t, np.exp(1.5 * x), own, y, degree=3, floor=0.0)
    assert found.offset == pytest.approx(7.7, abs=max(4 * found.std, 0.03))


@pytest.mark.synthetic
def test_a_drift_is_found_over_a_long_time_and_not_imagined():
    long = find_offset(*pair(3, 20.0, seconds=3600.0, drift=3e-4), floor=0.0)
    assert long.drift == pytest.approx(3e-4, rel=0.15)
    middle = np.array([1800.0])
    assert long.apply(middle)[0] == pytest.approx(1800.0 + 20.0 + 3e-4 * 1800.0, abs=0.1)
    for seed in range(8):
        assert find_offset(*pair(seed, 20.0, seconds=3600.0), floor=0.0).drift == 0.0


@pytest.mark.synthetic
def test_gaps_do_no_harm():
    t, x, own, y = pair(4, -15.2)
    y[1000:1500] = np.nan
    x[6000:6400] = np.nan
    assert find_offset(t, x, own, y, floor=0.0).offset == pytest.approx(-15.2, abs=0.1)


@pytest.mark.analytic
@pytest.mark.parametrize(("period", "degree"), [(0.1, 1), (0.2, 2), (0.04, 1)])
def test_products_at_every_offset_are_those_of_signals_brought_there_one_by_one(period, degree):
    from flightproc.sortie.clocks import _fine_step, _moments

    rng = np.random.default_rng(7)
    t = 3.0 + period * np.arange(900)
    own = np.arange(0.0, 200.0, 0.13)
    x, y = rng.standard_normal(t.size), rng.standard_normal(own.size)
    x[300:340], y[200:210] = np.nan, np.nan
    fine = _fine_step(t)
    assert fine == pytest.approx(min(period, 0.05))
    offsets = -1.234 + fine * np.arange(-20, 21)
    moments, centres = _moments(t, x, own, y, offsets, degree)
    assert np.all(np.diff(centres) > 0)
    x = (x - np.nanmean(x)) / np.nanstd(x)
    scaled = np.clip((y - np.nanmean(y)) / np.nanstd(y), -4.0, 4.0)
    for offset, found in zip(offsets, moments.sum(axis=1), strict=True):
        there = np.interp(t, own + offset, scaled, left=np.nan, right=np.nan)
        good = np.isfinite(x) & np.isfinite(there)
        columns = np.stack([*(there[good] ** k for k in range(degree + 1)), x[good]])
        assert found == pytest.approx(columns @ columns.T, abs=1e-8)
