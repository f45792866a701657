r"""Means of autocorrelated stretches that share one noise model.

Several stretches of one sortie are records of the same noise around different means, each perhaps still
carrying a decaying transient of whatever went before. One vector autoregression describes them all,

.. math:: x_{i,t} = c_i + \sum_{k=1}^{p} A_k x_{i,t-k} + e_{i,t}, \qquad \mathrm{cov}(e) = \Sigma,

with shared :math:`A_k` and an intercept of its own for each stretch ``i``. The level each stretch tends to
is :math:`\mu_i = (I - \sum A_k)^{-1} c_i`. Because the likelihood is taken conditional on the first ``p``
samples, a transient that decays by the same dynamics is part of the model and does not bias the level; the
plain mean of the samples would carry it.

Free intercepts bias the autoregression towards too fast a decay (order ``(1 + rho) / n``, Nickell 1981),
which would make the uncertainty of the level too small. The bias is found by simulating the fitted model over
the same stretches and refitting, and is taken off (Kilian 1998); the same simulation gives the covariance of
the levels, with the uncertainty of the autoregression in it.

References
----------
S. Nickell, "Biases in dynamic models with fixed effects", Econometrica 49 (1981), 1417-1426.
L. Kilian, "Small-sample confidence intervals for impulse response functions", Review of Economics and
Statistics 80 (1998), 218-230.
C. M. Hurvich, C.-L. Tsai, "Regression and time series model selection in small samples", Biometrika 76
(1989), 297-307.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..display import displayed

__all__ = ["LevelFit", "fit_levels"]

Array = NDArray[np.float64]

_MAX_RADIUS = 0.985  # spectral radius above which a bias-corrected model is drawn back


@displayed
@dataclass(frozen=True)
class LevelFit:
    """Levels of several stretches and their covariance.

    Attributes
    ----------
    levels : ndarray, shape (k, m)
        The level that each of k stretches tends to, for m channels.
    covariance : ndarray, shape (k m, k m)
        Of the levels, flattened stretch by stretch.
    order : int
        Order p of the autoregression.
    coefficients : ndarray, shape (p, m, m)
        Bias-corrected A_1 ... A_p.
    innovation : ndarray, shape (m, m)
        Covariance of the innovations.
    period : float
        Sampling period [s].
    residual_correlation : float
        Largest absolute lag-1 correlation of the innovations over channels; near 0 when the model fits.
    """

    levels: Array
    covariance: Array
    order: int
    coefficients: Array
    innovation: Array
    period: float
    residual_correlation: float

    def std(self) -> Array:
        """Return the standard uncertainty of each level, shape (k, m)."""
        diagonal: Array = np.sqrt(np.diag(self.covariance)).reshape(self.levels.shape)
        return diagonal

    def spectrum_at_zero(self) -> Array:
        """Return the two-sided spectral density at zero frequency, shape (m, m), times the sampling rate."""
        m = self.levels.shape[1]
        gain = np.linalg.inv(np.eye(m) - self.coefficients.sum(axis=0))
        out: Array = gain @ self.innovation @ gain.T
        return out

    def mean_std(self, duration: float) -> Array:
        """Return the standard uncertainty of a mean over ``duration`` [s], shape (m,)."""
        out: Array = np.sqrt(np.diag(self.spectrum_at_zero()) * self.period / duration)
        return out

    def slowest_time_constant(self) -> float:
        """Return the time constant of the slowest root [s]."""
        radius = _radius(self.coefficients)
        return float(-self.period / np.log(radius)) if 0 < radius < 1 else 0.0


def fit_levels(
    stretches: Sequence[Array],
    period: float,
    *,
    max_order: int = 8,
    replicates: int = 400,
    seed: int = 1,
) -> LevelFit:
    """Fit one autoregression to all stretches and return the level each tends to.

    Parameters
    ----------
    stretches : sequence of ndarray, shape (n_i, m)
        Evenly sampled records without gaps; each needs more than ``3 * max_order`` samples or the order is
        lowered to suit the shortest.
    period : float
        Sampling period [s].
    max_order : int
        Highest order tried; the corrected Akaike criterion chooses.
    replicates : int
        Simulated records used for bias and covariance.
    seed : int
        Seed of the simulation.

    Returns
    -------
    LevelFit

    Raises
    ------
    ValueError
        When there is no stretch, or one is shorter than four samples.

    Examples
    --------
    >>> rng = np.random.default_rng(3)
    >>> noise = rng.normal(size=(4, 200, 1))
    >>> fit = fit_levels([record + level for record, level in zip(noise, (0.0, 1.0, 2.0, 3.0))], 1.0)
    >>> bool(np.all(np.abs(fit.levels[:, 0] - [0, 1, 2, 3]) < 4 * fit.std()[:, 0]))
    True
    """
    data = [np.asarray(s, dtype=float) for s in stretches]
    if not data:
        raise ValueError("no stretch to fit")
    shortest = min(len(s) for s in data)
    if shortest < 4:
        raise ValueError(f"a stretch has {shortest} samples; at least 4 are needed")
    # work in units of each channel's own scatter, so that channels of unlike size condition alike
    scale = np.sqrt(np.mean(np.concatenate([(s - s.mean(axis=0)) ** 2 for s in data]), axis=0))
    scale = np.where(scale > 0, scale, 1.0)
    data = [s / scale for s in data]

    top = max(1, min(max_order, shortest // 4))
    order = _choose_order(data, top)
    coefficients, intercepts, innovation, residuals = _fit(data, order)

    rng = np.random.default_rng(seed)
    raw = _bootstrap(data, coefficients, intercepts, innovation, replicates, rng)
    bias = raw.mean(axis=0) - coefficients
    corrected = _correct(coefficients, bias)
    applied = coefficients - corrected
    levels, innovation = _levels(data, corrected)

    # covariance of the levels: simulate the corrected model, refit with the same correction
    m = scale.size
    ar_total = np.eye(m) - corrected.sum(axis=0)
    again = _bootstrap_levels(data, corrected, levels @ ar_total.T, innovation, applied, replicates, rng)
    deviations = (again - levels[None]).reshape(replicates, -1)
    covariance = _robust_covariance(deviations)
    flat = np.tile(scale, len(data))
    return LevelFit(
        levels=levels * scale,
        covariance=covariance * flat[:, None] * flat[None, :],
        order=order,
        coefficients=corrected * scale[None, :, None] / scale[None, None, :],
        innovation=innovation * scale[:, None] * scale[None, :],
        period=period,
        residual_correlation=_lag_one(residuals),
    )


def _lags(record: Array, order: int) -> tuple[Array, Array]:
    """Return targets (..., n - p, m) and lagged regressors (..., n - p, p m) of records (..., n, m)."""
    n = record.shape[-2]
    target = record[..., order:, :]
    lagged = np.concatenate([record[..., order - k : n - k, :] for k in range(1, order + 1)], axis=-1)
    return target, lagged


def _moments(data: Sequence[Array], order: int, start: int) -> tuple[Array, Array, Array, int]:
    """Sum the within-stretch moments of targets and regressors, using samples from ``start`` on."""
    first = data[0]
    m = first.shape[-1]
    lead = first.shape[:-2]
    xx = np.zeros((*lead, order * m, order * m))
    xy = np.zeros((*lead, order * m, m))
    yy = np.zeros((*lead, m, m))
    count = 0
    for record in data:
        target, lagged = _lags(record, order)
        skip = start - order
        target, lagged = target[..., skip:, :], lagged[..., skip:, :]
        target = target - target.mean(axis=-2, keepdims=True)
        lagged = lagged - lagged.mean(axis=-2, keepdims=True)
        transposed = np.swapaxes(lagged, -1, -2)
        xx += transposed @ lagged
        xy += transposed @ target
        yy += np.swapaxes(target, -1, -2) @ target
        count += target.shape[-2]
    return xx, xy, yy, count


def _solve(xx: Array, xy: Array, order: int) -> Array:
    """Return A_1 ... A_p, shape (..., p, m, m), from the summed moments."""
    m = xy.shape[-1]
    ridge = 1e-10 * np.trace(xx, axis1=-2, axis2=-1)[..., None, None] * np.eye(order * m)
    beta = np.linalg.solve(xx + ridge, xy)  # rows: lag-channel, columns: target channel
    shaped = beta.reshape((*beta.shape[:-2], order, m, m))
    out: Array = np.swapaxes(shaped, -1, -2)
    return out


def _choose_order(data: Sequence[Array], top: int) -> int:
    best, best_score = 1, np.inf
    m = data[0].shape[-1]
    for order in range(1, top + 1):
        xx, xy, yy, count = _moments(data, order, top)
        beta = np.linalg.solve(xx + 1e-10 * np.trace(xx) * np.eye(order * m), xy)
        rest = (yy - xy.T @ beta) / count
        sign, logdet = np.linalg.slogdet(rest)
        if sign <= 0:
            continue
        used = order * m + len(data)  # per channel
        room = count - used - m - 1
        if room <= 0:
            continue
        score = count * logdet + 2 * m * used * count / room
        if score < best_score:
            best, best_score = order, score
    return best


def _fit(data: Sequence[Array], order: int) -> tuple[Array, Array, Array, list[Array]]:
    xx, xy, _, count = _moments(data, order, order)
    coefficients = _solve(xx, xy, order)
    intercepts, residuals = _intercepts(data, coefficients)
    m = data[0].shape[-1]
    dof = max(1, count - len(data) - order * m)
    innovation = sum((e.T @ e for e in residuals), start=np.zeros((m, m))) / dof
    return coefficients, intercepts, innovation, residuals


def _intercepts(data: Sequence[Array], coefficients: Array) -> tuple[Array, list[Array]]:
    order = coefficients.shape[0]
    rows, residuals = [], []
    for record in data:
        target, _ = _lags(record, order)
        n = record.shape[0]
        predicted = sum(
            (record[order - k : n - k] @ coefficients[k - 1].T for k in range(1, order + 1)),
            start=np.zeros_like(target),
        )
        rest = target - predicted
        rows.append(rest.mean(axis=0))
        residuals.append(rest - rest.mean(axis=0))
    return np.array(rows), residuals


def _levels(data: Sequence[Array], coefficients: Array) -> tuple[Array, Array]:
    intercepts, residuals = _intercepts(data, coefficients)
    m = coefficients.shape[-1]
    order = coefficients.shape[0]
    count = sum(len(e) for e in residuals)
    dof = max(1, count - len(residuals) - order * m)
    innovation = sum((e.T @ e for e in residuals), start=np.zeros((m, m))) / dof
    gain = np.linalg.inv(np.eye(m) - coefficients.sum(axis=0))
    return intercepts @ gain.T, innovation


def _radius(coefficients: Array) -> float:
    order, m, _ = coefficients.shape
    companion = np.zeros((order * m, order * m))
    companion[:m] = np.concatenate(list(coefficients), axis=1)
    companion[m:, :-m] = np.eye((order - 1) * m)
    return float(np.max(np.abs(np.linalg.eigvals(companion))))


def _correct(coefficients: Array, bias: Array) -> Array:
    """Take the bias off, by less where that would leave the model unstable (Kilian 1998, step 1b)."""
    if _radius(coefficients) >= _MAX_RADIUS:
        shrink = _MAX_RADIUS / _radius(coefficients)
        powers = shrink ** np.arange(1, len(coefficients) + 1)
        out: Array = coefficients * powers[:, None, None]
        return out
    share = 1.0
    while share > 0.0:
        trial: Array = coefficients - share * bias
        if _radius(trial) < _MAX_RADIUS:
            return trial
        share -= 0.05
    return coefficients


def _simulate(
    data: Sequence[Array],
    coefficients: Array,
    intercepts: Array,
    innovation: Array,
    replicates: int,
    rng: np.random.Generator,
) -> list[Array]:
    """Simulate every stretch from its own first samples, shape (replicates, n_i, m) each."""
    order, m, _ = coefficients.shape
    root = np.linalg.cholesky(innovation + 1e-14 * np.trace(innovation) * np.eye(m))
    longest = max(len(record) for record in data)
    k = len(data)
    state = np.zeros((replicates, k, longest, m))
    for i, record in enumerate(data):
        state[:, i, :order] = record[:order]
    shocks = rng.standard_normal((longest - order, replicates, k, m)) @ root.T
    for t in range(order, longest):
        step = intercepts[None] + shocks[t - order]
        for lag in range(1, order + 1):
            step = step + state[:, :, t - lag] @ coefficients[lag - 1].T
        state[:, :, t] = step
    return [state[:, i, : len(record)] for i, record in enumerate(data)]


def _bootstrap(
    data: Sequence[Array],
    coefficients: Array,
    intercepts: Array,
    innovation: Array,
    replicates: int,
    rng: np.random.Generator,
) -> Array:
    order = len(coefficients)
    stable = coefficients
    radius = _radius(coefficients)
    if radius >= _MAX_RADIUS:
        stable = coefficients * ((_MAX_RADIUS / radius) ** np.arange(1, order + 1))[:, None, None]
    simulated = _simulate(data, stable, intercepts, innovation, replicates, rng)
    xx, xy, _, _ = _moments(simulated, order, order)
    return _solve(xx, xy, order)


def _bootstrap_levels(
    data: Sequence[Array],
    coefficients: Array,
    intercepts: Array,
    innovation: Array,
    bias: Array,
    replicates: int,
    rng: np.random.Generator,
) -> Array:
    order, m, _ = coefficients.shape
    simulated = _simulate(data, coefficients, intercepts, innovation, replicates, rng)
    xx, xy, _, _ = _moments(simulated, order, order)
    drawn = _solve(xx, xy, order) - bias[None]
    for b in range(replicates):
        radius = _radius(drawn[b])
        if radius >= _MAX_RADIUS:
            drawn[b] *= ((_MAX_RADIUS / radius) ** np.arange(1, order + 1))[:, None, None]
    gain = np.linalg.inv(np.eye(m)[None] - drawn.sum(axis=1))
    rows = []
    for record in simulated:
        n = record.shape[1]
        rest = record[:, order:].mean(axis=1)
        for k in range(1, order + 1):
            rest = rest - np.einsum("bij,bj->bi", drawn[:, k - 1], record[:, order - k : n - k].mean(axis=1))
        rows.append(np.einsum("bij,bj->bi", gain, rest))
    return np.stack(rows, axis=1)


def _robust_covariance(deviations: Array) -> Array:
    """Return the covariance with single wild replicates drawn in to five robust standard deviations."""
    centre = np.median(deviations, axis=0)
    spread = 1.4826 * np.median(np.abs(deviations - centre), axis=0)
    spread = np.where(spread > 0, spread, np.inf)
    clipped = np.clip(deviations, centre - 5 * spread, centre + 5 * spread)
    # about zero: what bias is left in the levels is part of their uncertainty
    out: Array = clipped.T @ clipped / len(clipped)
    return out


def _lag_one(residuals: Sequence[Array]) -> float:
    num = sum((np.sum(e[1:] * e[:-1], axis=0) for e in residuals), start=np.zeros(residuals[0].shape[1]))
    den = sum((np.sum(e * e, axis=0) for e in residuals), start=np.zeros(residuals[0].shape[1]))
    return float(np.max(np.abs(num / np.where(den > 0, den, 1.0))))
