"""The mean of a reading over time on a rig that swings."""

import math

import numpy as np
import pytest

from flightproc.errors import RigError
from flightproc.rig import mean_through_swing
from flightproc.rig.swing import _jacobian, _wave, _whitened
from flightproc.statistics.autocorrelation import effective_size


def coloured(random, count, correlation, std):
    out = np.zeros(count + 200)
    kicks = random.standard_normal(out.size)
    for i in range(1, out.size):
        out[i] = correlation * out[i - 1] + kicks[i]
    return std * math.sqrt(1.0 - correlation**2) * out[200:]


@pytest.mark.analytic
def test_a_clean_swing_gives_its_mean_whatever_the_phase_and_length():
    t = np.arange(0.0, 6.7, 0.05)  # three and a half swings: a plain average is off
    for phase in (0.0, 1.0, 2.5, 4.0):
        y = 12.0 + 0.9 * np.cos(2.0 * np.pi * t / 1.9 + phase)
        found = mean_through_swing(t, y)
        assert found.mean == pytest.approx(12.0, abs=1e-5)
        assert found.period == pytest.approx(1.9, abs=1e-4)
        assert found.amplitude == pytest.approx(0.9, abs=1e-4)
    plain = 12.0 + 0.9 * np.sin(2.0 * np.pi * t / 1.9)
    assert abs(plain.mean() - 12.0) > 0.03


@pytest.mark.analytic
def test_a_swing_that_fades():
    t = np.arange(0.0, 20.0, 0.05)
    found = mean_through_swing(t, 3.0 + np.exp(-0.06 * t) * np.cos(2.0 * np.pi * t / 2.2), period=2.2)
    assert found.mean == pytest.approx(3.0, abs=1e-3)
    assert found.period == pytest.approx(2.2, abs=2e-3)


@pytest.mark.analytic
def test_a_stated_period_serves_where_less_than_two_swings_were_logged():
    t = np.arange(0.0, 6.0, 0.05)
    y = (
        3.0
        + 0.5 * np.sin(2.0 * np.pi * t / 4.3 + 0.7)
        + 0.002 * np.random.default_rng(2).standard_normal(t.size)
    )
    found = mean_through_swing(t, y, period=4.3, period_std=0.1)
    assert found.mean == pytest.approx(3.0, abs=0.005)
    assert abs(y.mean() - 3.0) > 0.05


@pytest.mark.synthetic
def test_slow_noise_does_not_pass_for_a_swing():
    random = np.random.default_rng(8)
    t = np.arange(0.0, 30.0, 0.1)
    shown = [mean_through_swing(t, coloured(random, t.size, 0.95, 0.2)).period is not None for _ in range(30)]
    assert sum(shown) <= 1


@pytest.mark.synthetic
def test_autocorrelation_is_owned_up_to():
    random = np.random.default_rng(4)
    t = np.arange(0.0, 60.0, 0.1)
    ratio = []
    for _ in range(20):
        found = mean_through_swing(t, coloured(random, t.size, 0.9, 0.3))
        ratio.append(found.std / (0.3 / math.sqrt(effective_size(t.size, 0.9))))
    assert np.median(ratio) == pytest.approx(1.0, abs=0.15)


@pytest.mark.synthetic
@pytest.mark.parametrize(
    ("amplitude", "period", "known", "correlation"),
    [(0.0, 1.0, False, 0.8), (0.6, 2.1, False, 0.8), (0.6, 7.3, True, 0.8)],
)
def test_intervals_hold_the_mean(amplitude, period, known, correlation):
    """95 % intervals hold the mean (80 stretches: 69 or more; the benchmark rig_coverage.py does many)."""
    from scipy.special import stdtrit

    random = np.random.default_rng(21)
    t = np.arange(0.0, 30.0, 0.1)
    inside = 0
    for _ in range(80):
        y = 5.0 + coloured(random, t.size, correlation, 0.15)
        y += amplitude * np.cos(2.0 * np.pi * t / period + random.uniform(0.0, 2.0 * np.pi))
        found = mean_through_swing(t, y, period=period if known else None)
        inside += abs(found.mean - 5.0) <= stdtrit(found.dof, 0.975) * found.std
    assert inside >= 69


@pytest.mark.analytic
def test_long_uneven_and_constant_series():
    random = np.random.default_rng(1)
    t = np.cumsum(random.uniform(0.005, 0.03, 5000))
    found = mean_through_swing(
        t, 4.0 + 0.5 * np.sin(2.0 * np.pi * t / 3.0) + 0.1 * random.standard_normal(t.size)
    )
    assert found.mean == pytest.approx(4.0, abs=4.0 * found.std)
    assert (found.samples, found.time.size <= 600) == (5000, True)
    gap = np.concatenate([np.arange(0.0, 10.0, 0.1), np.arange(14.0, 25.0, 0.1)])
    assert any("gaps of 4" in w for w in mean_through_swing(gap, np.sin(gap)).words)
    still = mean_through_swing(np.arange(20.0), np.full(20, 58.1))
    assert (still.mean, still.std, still.dof) == (58.1, 0.0, math.inf)
    assert "every sample is the same" in still.words[0]


@pytest.mark.analytic
def test_a_short_stretch_is_told():
    t = np.arange(0.0, 2.0, 0.1)
    words = mean_through_swing(t, coloured(np.random.default_rng(3), t.size, 0.9, 1.0)).words
    assert any("record for longer" in w for w in words)


@pytest.mark.analytic
def test_series_that_cannot_be_used():
    with pytest.raises(RigError, match="too few samples"):
        mean_through_swing(np.arange(5.0), np.arange(5.0))
    with pytest.raises(RigError, match="does not advance"):
        mean_through_swing(np.zeros(20), np.arange(20.0))
    with pytest.raises(RigError, match="sampled too seldom"):
        mean_through_swing(np.arange(20.0), np.arange(20.0) % 3, period=1.5)


@pytest.mark.analytic
def test_derivatives_of_the_wave_are_those_of_differences():
    t, x = np.linspace(-6.0, 6.0, 50), np.array([3.0, 0.7, -0.4, 2.1, 0.05])
    found = _jacobian(t, x[:3], (x[3], x[4]))
    for i in range(5):
        step = 1e-6 * (np.arange(5) == i)
        up, down = (_wave(t, y[:3], (y[3], y[4])) for y in (x + step, x - step))
        np.testing.assert_allclose(found[:, i], (up - down) / 2e-6, atol=1e-7)


@pytest.mark.analytic
@pytest.mark.parametrize("stated", [None, (2.05, 0.1)])
def test_whitening_is_generalised_least_squares(stated):
    """With autoregressive noise of known coefficients, and the stated frequency as one more observation."""
    random = np.random.default_rng(6)
    t, lags, omega = np.linspace(-6.0, 6.0, 120), np.array([0.6, 0.2]), 2.1
    design = _jacobian(t, np.array([0.0, 0.5, 0.3]), (omega, 0.0))[:, :4]
    left = 3.0 * random.standard_normal(120)
    change, covariance = _whitened(design, left, lags, stated, (omega, 0.0))
    filtered = np.eye(120)[2:]
    for k, lag in enumerate(lags, 1):
        filtered = filtered - lag * np.eye(120)[2 - k : 120 - k]
    variance = np.sum((filtered @ left) ** 2) / (118 - 4 - 2)
    rows, values = filtered @ design / math.sqrt(variance), filtered @ left / math.sqrt(variance)
    if stated is not None:
        rows = np.vstack([rows, [0.0, 0.0, 0.0, 1.0 / 0.1]])
        values = np.append(values, -(omega - 2.05) / 0.1)
    expected = np.linalg.inv(rows.T @ rows)
    np.testing.assert_allclose(covariance, expected, rtol=1e-8)
    assert change == pytest.approx((expected @ rows.T @ values)[0], rel=1e-8)
