"""Levels of autocorrelated stretches: their scatter against what is promised."""

from __future__ import annotations

import numpy as np
import pytest

from flightproc.statistics import autoregression as module
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


@pytest.mark.analytic
@pytest.mark.parametrize("order", [1, 3])
def test_moments_are_those_of_the_lagged_samples(order: int) -> None:
    """Against regressors laid out in full, for stretches of unlike length far from zero."""
    rng = np.random.default_rng(4)
    data = [300.0 + rng.normal(size=(n, 2)).cumsum(axis=0) for n in (9, 20, 14)]
    found = module._moments(*module._packed(data), order)
    xx, xy, yy = np.zeros((2 * order, 2 * order)), np.zeros((2 * order, 2)), np.zeros((2, 2))
    for i, record in enumerate(data):
        lags = [record[order - lag : len(record) - lag] for lag in range(order + 1)]
        np.testing.assert_allclose(found.means[:, :, 0, i], [lag.mean(axis=0) for lag in lags], rtol=1e-12)
        y, *x = (lag - lag.mean(axis=0) for lag in lags)
        both = np.hstack(x)
        xx, xy, yy = xx + both.T @ both, xy + both.T @ y, yy + y.T @ y
    np.testing.assert_allclose(found.xx[0], xx, rtol=1e-10, atol=1e-9)
    np.testing.assert_allclose(found.xy[0], xy, rtol=1e-10, atol=1e-9)
    np.testing.assert_allclose(found.yy[0], yy, rtol=1e-10, atol=1e-9)
    assert found.count == sum(len(record) - order for record in data)


@pytest.mark.analytic
def test_simulated_paths_follow_the_model_from_their_own_first_samples() -> None:
    """Without noise to speak of each path is the recursion itself, and zero beyond its end."""
    rng = np.random.default_rng(5)
    data = [rng.normal(size=(n, 2)) for n in (6, 9)]
    model, level = 0.3 * rng.normal(size=(2, 2, 2)), rng.normal(size=(2, 2))
    paths, lengths = module._simulate(data, model, level, 1e-20 * np.eye(2), 3, rng)
    assert lengths.tolist() == [6, 9]
    for i, record in enumerate(data):
        path = list(record[:2])
        while len(path) < len(record):
            path.append(level[i] + model[0] @ path[-1] + model[1] @ path[-2])
        for b in range(3):
            np.testing.assert_allclose(paths[: len(record), :, b, i], path, atol=1e-8)
            assert not paths[len(record) :, :, b, i].any()


@pytest.mark.analytic
def test_only_models_near_instability_are_drawn_back() -> None:
    rng = np.random.default_rng(6)
    models = 0.45 * rng.normal(size=(200, 3, 2, 2))
    radius = np.array([module._radius(model) for model in models])
    assert 20 < np.sum(radius >= 0.985) < 180
    after = module._drawn_back(models)
    calm = radius < 0.985
    np.testing.assert_array_equal(after[calm], models[calm])
    np.testing.assert_allclose([module._radius(model) for model in after[~calm]], 0.985, rtol=1e-9)
