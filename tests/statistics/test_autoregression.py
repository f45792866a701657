"""Levels of autocorrelated stretches: their scatter against what is promised."""

from __future__ import annotations

import numpy as np
import pytest

from flightproc.statistics.autoregression import fit_levels


def coloured(
    rng: np.random.Generator, stretches: int, samples: int, time_constant: float, transient: float
) -> list[np.ndarray]:
    """Two channels of first-order noise with white noise on top, and a transient of the same decay."""
    rho = np.exp(-1.0 / time_constant)
    out = []
    for _ in range(stretches):
        shocks = rng.normal(size=(samples + 200, 2))
        shocks[:, 1] += 0.5 * shocks[:, 0]
        state = np.zeros(2)
        path = np.empty((samples + 200, 2))
        for t, shock in enumerate(shocks):
            state = rho * state + shock
            path[t] = state
        decay = transient * np.exp(-np.arange(samples) / time_constant)
        out.append(path[200:] + 0.5 * rng.normal(size=(samples, 2)) + decay[:, None])
    return out


@pytest.mark.synthetic
@pytest.mark.parametrize(("time_constant", "transient"), [(2.0, 0.0), (6.0, 5.0), (12.0, 0.0), (12.0, 5.0)])
def test_levels_scatter_as_promised_and_carry_no_transient(time_constant: float, transient: float) -> None:
    rng = np.random.default_rng(7)
    z, plain = [], []
    for seed in range(40):
        data = coloured(rng, 14, 70, time_constant, transient)
        fit = fit_levels(data, 1.0, replicates=200, seed=seed)
        z.append(fit.levels / fit.std())
        plain.append([record.mean(axis=0) for record in data])
    scores = np.array(z)
    # 1120 scores, those of one sortie nearly independent: standard error of the spread about 0.03
    assert 0.90 < scores.std() < 1.10
    assert abs(scores.mean()) < 0.15
    if transient:
        promised = 0.3 * transient * time_constant / 70.0
        assert np.mean(plain) > promised  # what a plain mean would have carried along


@pytest.mark.analytic
def test_white_noise_gives_the_standard_error_of_a_mean() -> None:
    rng = np.random.default_rng(1)
    fit = fit_levels([rng.normal(0.0, 2.0, size=(400, 1)) for _ in range(10)], 1.0, max_order=2)
    assert fit.std()[:, 0] == pytest.approx(2.0 / 20.0, rel=0.15)
    assert fit.mean_std(400.0)[0] == pytest.approx(0.1, rel=0.15)


@pytest.mark.analytic
def test_first_order_noise_gives_its_spectrum_at_zero() -> None:
    # sigma_e^2 / (1 - rho)^2, rho = 0.8
    rng = np.random.default_rng(2)
    records = []
    for _ in range(12):
        x = np.zeros(400)
        for t in range(1, 400):
            x[t] = 0.8 * x[t - 1] + rng.normal()
        records.append(x[50:, None])
    fit = fit_levels(records, 0.5)
    assert fit.spectrum_at_zero()[0, 0] == pytest.approx(25.0, rel=0.2)
    assert fit.slowest_time_constant() == pytest.approx(-0.5 / np.log(0.8), rel=0.2)


@pytest.mark.analytic
def test_scaling_a_channel_scales_its_levels_and_nothing_else() -> None:
    data = coloured(np.random.default_rng(3), 6, 60, 4.0, 0.0)
    base = fit_levels(data, 1.0, replicates=50)
    scaled = fit_levels([record * [1e-4, 1e3] for record in data], 1.0, replicates=50)
    assert scaled.order == base.order
    np.testing.assert_allclose(scaled.levels, base.levels * [1e-4, 1e3], rtol=1e-8)
    np.testing.assert_allclose(scaled.std(), base.std() * [1e-4, 1e3], rtol=1e-6)


@pytest.mark.analytic
def test_too_little_is_refused() -> None:
    with pytest.raises(ValueError, match="no stretch"):
        fit_levels([], 1.0)
    with pytest.raises(ValueError, match="3 samples"):
        fit_levels([np.zeros((3, 1))], 1.0)
