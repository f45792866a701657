"""Linear Gaussian state space: exact likelihood, steady gain, maximum likelihood."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from flightproc.statistics.statespace import (
    StateSpace,
    _recur,
    fit_state_space,
    innovations,
    log_likelihood,
    steady_gain,
)

Array = NDArray[np.float64]


def first_order(parameters: Array) -> StateSpace:
    """x' = a x + b u + w, y = x + v; parameters a, b, log var w, log var v."""
    a, b, process, noise = parameters
    return StateSpace(
        np.array([[a]]),
        np.array([[b]]),
        np.ones(1),
        np.zeros(1),
        np.array([[math.exp(process)]]),
        math.exp(noise),
    )


TRUTH = np.array([0.85, 0.5, math.log(0.2), math.log(0.3)])


def record(seed: int = 3, count: int = 400) -> tuple[Array, Array]:
    rng = np.random.default_rng(seed)
    a, b = TRUTH[:2]
    process, noise = np.exp(TRUTH[2:])
    u = np.repeat(rng.standard_normal(count // 20), 20)
    u[:20] = 0.0
    x = math.sqrt(process / (1 - a * a)) * rng.standard_normal()
    y = np.empty(count)
    for t in range(count):
        y[t] = x + math.sqrt(noise) * rng.standard_normal()
        x = a * x + b * u[t] + math.sqrt(process) * rng.standard_normal()
    return y, u[:, None]


def second_order() -> StateSpace:
    return StateSpace(
        np.array([[1.6, -0.7], [1.0, 0.0]]),
        np.array([[0.4, 0.1], [0.0, -0.3]]),
        np.array([0.5, 0.2]),
        np.array([0.1, -0.2]),
        np.array([[0.3, 0.05], [0.05, 0.1]]),
        0.4,
    )


@pytest.mark.analytic
def test_likelihood_is_that_of_the_joint_normal_law() -> None:
    model = second_order()
    rng = np.random.default_rng(8)
    n = 90
    y, u = rng.standard_normal(n), rng.standard_normal((n, 2))
    mean, states = np.zeros(n), np.zeros(2)
    for t in range(n):
        mean[t] = model.output @ states + model.feedthrough @ u[t]
        states = model.transition @ states + model.inputs @ u[t]
    start = model.stationary()
    covariance = np.empty((n, n))
    power = np.eye(2)
    for lag in range(n):
        value = float(model.output @ power @ start @ model.output)
        for t in range(n - lag):
            covariance[t, t + lag] = covariance[t + lag, t] = value
        power = model.transition @ power
    covariance[np.diag_indices(n)] += model.measurement
    gap = y - mean
    sign, log_det = np.linalg.slogdet(covariance)
    expected = -0.5 * (gap @ np.linalg.solve(covariance, gap) + log_det + n * math.log(2 * math.pi))
    assert sign > 0
    assert log_likelihood(model, [y], [u]) == pytest.approx(expected, abs=1e-8)


@pytest.mark.analytic
def test_settled_filter_is_the_filter_that_loops() -> None:
    # the first innovations settle the gain; a record cut later must continue in the same way
    model = second_order()
    rng = np.random.default_rng(9)
    y, u = rng.standard_normal(3000), rng.standard_normal((3000, 2))
    found = innovations(model, y, u)
    gain, variance = steady_gain(model)
    state = np.zeros(2)
    looped = np.empty(3000)
    for t in range(3000):
        looped[t] = y[t] - model.output @ state - model.feedthrough @ u[t]
        state = model.transition @ state + model.inputs @ u[t] + gain * looped[t]
    assert np.max(np.abs(found.values[500:] - looped[500:])) < 1e-9
    assert found.variance[-1] == pytest.approx(variance, rel=1e-9)


@pytest.mark.analytic
def test_an_unstable_model_has_no_stationary_state() -> None:
    with pytest.raises(ValueError, match="unstable"):
        first_order(np.array([1.01, 0.0, 0.0, 0.0])).stationary()


@pytest.mark.synthetic
def test_a_first_order_system_is_recovered_with_its_uncertainty() -> None:
    z = []
    for seed in range(12):
        y, u = record(100 + seed)
        fit = fit_state_space(first_order, [0.7, 0.3, -1.0, -1.0], [y], [u])
        assert fit.converged
        z.append((fit.parameters[:2] - TRUTH[:2]) / fit.std[:2])
    spread = np.array(z).std(axis=0)
    assert np.all(np.abs(np.mean(z, axis=0)) < 0.9)  # 3 / sqrt(12)
    assert np.all((spread > 0.5) & (spread < 1.6))


@pytest.mark.reference
def test_first_order_system_agrees_with_statsmodels() -> None:
    mlemodel = pytest.importorskip("statsmodels.tsa.statespace.mlemodel")
    y, u = record()

    class Reference(mlemodel.MLEModel):  # type: ignore[misc]
        def __init__(self) -> None:
            super().__init__(y, k_states=1, k_posdef=1)
            self["design", 0, 0] = 1.0
            self["selection", 0, 0] = 1.0
            self["state_intercept"] = np.zeros((1, y.size))
            self.initialize_stationary()

        @property
        def start_params(self) -> Array:
            return TRUTH

        @property
        def param_names(self) -> list[str]:
            return ["a", "b", "log_process", "log_noise"]

        def update(self, params: Any, **kwargs: Any) -> None:
            params = super().update(params, **kwargs)
            self["transition", 0, 0] = params[0]
            self["state_intercept"] = (params[1] * u[:, 0])[None, :]
            self["state_cov", 0, 0] = np.exp(params[2])
            self["obs_cov", 0, 0] = np.exp(params[3])

    fit = fit_state_space(first_order, TRUTH, [y], [u])
    reference = Reference()
    for parameters in (TRUTH, fit.parameters, np.array([0.5, -0.2, -2.0, 0.5])):
        ours = log_likelihood(first_order(parameters), [y], [u])
        assert ours == pytest.approx(reference.loglike(parameters), abs=1e-6)
    theirs = reference.fit(disp=0, method="bfgs", gtol=1e-8, maxiter=500, cov_type="approx")
    assert fit.log_likelihood == pytest.approx(theirs.llf, abs=1e-6)
    assert fit.parameters == pytest.approx(theirs.params, abs=2e-4)
    assert fit.std == pytest.approx(theirs.bse, rel=5e-3)


@pytest.mark.reference
@pytest.mark.parametrize("roots", [[0.9, 0.8], [0.99, 0.7 + 0.54j, 0.7 - 0.54j, 0.5], [0.2]])
def test_recursion_is_that_of_a_filter(roots: list[complex]) -> None:
    from scipy.signal import lfilter

    poles = np.real(np.poly(roots))
    x = np.random.default_rng(2).standard_normal(5000)
    expected = lfilter([1.0], poles, x)
    np.testing.assert_allclose(_recur(poles, x), expected, atol=1e-12 * np.abs(expected).max())
