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
Counts = NDArray[np.int_]

_MAX_RADIUS = 0.985  # spectral radius above which a bias-corrected model is drawn back
_SQUARINGS = 7  # of a model's matrix, to tell those that are stable for sure
_GROWN = 1e9  # norm beyond which that is not asked any more


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


def _packed(data: Sequence[Array]) -> tuple[Array, Counts]:
    """Return stretches side by side, shape (longest, m, 1, k), zero beyond their ends, and their lengths."""
    lengths = np.array([len(record) for record in data])
    paths = np.zeros((int(lengths.max()), data[0].shape[-1], 1, len(data)))
    for i, record in enumerate(data):
        paths[: len(record), :, 0, i] = record
    return paths, lengths


@dataclass(frozen=True)
class _Moments:
    """Within-stretch moments of the samples from the ``order``-th on and of those before them.

    Attributes
    ----------
    xx, xy, yy : ndarray, shapes (r, p m, p m), (r, p m, m), (r, m, m)
        Of regressors (lag by lag) and targets, about the mean of each stretch, summed over stretches.
    means : ndarray, shape (p + 1, m, r, k)
        Of the samples at lags 0 to p.
    count : int
        Samples that went in.
    """

    xx: Array
    xy: Array
    yy: Array
    means: Array
    count: int


def _moments(paths: Array, lengths: Counts, order: int) -> _Moments:
    """Work out the moments of paths of shape (longest, m, r, k), zero beyond the ends of the stretches.

    The products at lags i and j follow from those at lags i - 1 and j - 1: one product comes in at the head
    of a stretch, and one drops out at its tail.
    """
    longest, m, replicates, k = paths.shape
    centre = paths.sum(axis=0) / lengths
    centred = paths - centre
    for i, n in enumerate(lengths):
        centred[n:, :, :, i] = 0.0
    flat = centred.reshape(longest, m, replicates * k)
    at = np.arange(k)
    tail = [
        np.moveaxis(centred[lengths - 1 - q, :, :, at], 0, -1).reshape(m, replicates * k)
        for q in range(order)
    ]
    sums = [flat[order:].sum(axis=0)]
    for i in range(order):
        sums.append(sums[i] + flat[order - 1 - i] - tail[i])
    used = np.tile(lengths - order, replicates)

    whole = np.empty((replicates, order + 1, m, order + 1, m))
    for apart in range(order + 1):
        product = np.einsum("tin,tjn->ijn", flat[order:], flat[order - apart : longest - apart])
        for i in range(order + 1 - apart):
            j = i + apart
            if i:
                head = flat[order - i][:, None] * flat[order - j][None]
                product = product + head - tail[i - 1][:, None] * tail[j - 1][None]
            about = product - sums[i][:, None] * sums[j][None] / used
            block = np.moveaxis(about.reshape(m, m, replicates, k).sum(axis=-1), -1, 0)
            whole[:, i, :, j, :] = block
            whole[:, j, :, i, :] = np.swapaxes(block, -1, -2)
    size = order * m
    return _Moments(
        xx=whole[:, 1:, :, 1:, :].reshape(replicates, size, size),
        xy=whole[:, 1:, :, 0, :].reshape(replicates, size, m),
        yy=whole[:, 0, :, 0, :],
        means=(np.array(sums) / used).reshape(order + 1, m, replicates, k) + centre,
        count=int(np.sum(lengths - order)),
    )


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
    whole = _moments(*_packed(data), top)  # all orders are tried on the same samples
    for order in range(1, top + 1):
        xx, xy = whole.xx[0, : order * m, : order * m], whole.xy[0, : order * m]
        beta = np.linalg.solve(xx + 1e-10 * np.trace(xx) * np.eye(order * m), xy)
        rest = (whole.yy[0] - xy.T @ beta) / whole.count
        sign, logdet = np.linalg.slogdet(rest)
        if sign <= 0:
            continue
        used = order * m + len(data)  # per channel
        room = whole.count - used - m - 1
        if room <= 0:
            continue
        score = whole.count * logdet + 2 * m * used * whole.count / room
        if score < best_score:
            best, best_score = order, score
    return best


def _fit(data: Sequence[Array], order: int) -> tuple[Array, Array, Array, list[Array]]:
    found = _moments(*_packed(data), order)
    coefficients = _solve(found.xx, found.xy, order)[0]
    intercepts, residuals = _intercepts(data, coefficients)
    m = data[0].shape[-1]
    dof = max(1, found.count - len(data) - order * m)
    innovation = sum((e.T @ e for e in residuals), start=np.zeros((m, m))) / dof
    return coefficients, intercepts, innovation, residuals


def _intercepts(data: Sequence[Array], coefficients: Array) -> tuple[Array, list[Array]]:
    order = coefficients.shape[0]
    rows, residuals = [], []
    for record in data:
        n = record.shape[0]
        rest = record[order:].copy()
        for k in range(1, order + 1):
            rest -= record[order - k : n - k] @ coefficients[k - 1].T
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


def _companion(coefficients: Array) -> Array:
    """Return the matrices of shape (..., p m, p m) that carry p samples one step on."""
    *lead, order, m, _ = coefficients.shape
    companion = np.zeros((*lead, order * m, order * m))
    companion[..., :m, :] = np.concatenate([coefficients[..., k, :, :] for k in range(order)], axis=-1)
    companion[..., m:, :-m] = np.eye((order - 1) * m)
    return companion


def _radius(coefficients: Array) -> float:
    return float(np.max(np.abs(np.linalg.eigvals(_companion(coefficients)))))


def _drawn_back(coefficients: Array) -> Array:
    """Return models of shape (r, p, m, m), those that are nearly unstable drawn back to the largest radius.

    A model is stable for sure where a power of its matrix is small; eigenvalues are worked out for the rest.
    """
    power = _companion(coefficients) / _MAX_RADIUS
    stable = np.zeros(len(coefficients), bool)
    for _ in range(_SQUARINGS):
        power = power @ power
        norm = np.abs(power).sum(axis=-1).max(axis=-1)
        stable |= norm < 1.0
        power[stable | (norm > _GROWN)] = np.eye(power.shape[-1])  # told apart, and kept from overflow
    doubtful = np.flatnonzero(~stable)
    out = coefficients.copy()
    if doubtful.size:
        radius = np.abs(np.linalg.eigvals(_companion(coefficients[doubtful]))).max(axis=-1)
        far = radius >= _MAX_RADIUS
        lags = np.arange(1, coefficients.shape[1] + 1)
        shrink = (_MAX_RADIUS / radius[far])[:, None] ** lags
        out[doubtful[far]] *= shrink[:, :, None, None]
    return out


def _correct(coefficients: Array, bias: Array) -> Array:
    """Take the bias off, by less where that would leave the model unstable (Kilian 1998, step 1b)."""
    if _radius(coefficients) >= _MAX_RADIUS:
        out: Array = _drawn_back(coefficients[None])[0]
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
) -> tuple[Array, Counts]:
    """Simulate every stretch from its own first samples: paths as `_packed` gives them, and their lengths."""
    order, m, _ = coefficients.shape
    root = np.linalg.cholesky(innovation + 1e-14 * np.trace(innovation) * np.eye(m))
    start, lengths = _packed(data)
    longest, k = len(start), len(data)
    paths = np.empty((longest, m, replicates, k))
    paths[:order] = start[:order]
    flat = paths.reshape(longest * m, replicates * k)
    onward = np.concatenate(list(coefficients[::-1]), axis=1)  # the oldest sample first, as they lie
    shift = np.tile(intercepts.T, replicates)
    for t in range(order, longest):
        shocks = rng.standard_normal((replicates * k, m))
        now = flat[t * m : (t + 1) * m]
        np.matmul(onward, flat[(t - order) * m : t * m], out=now)
        now += shift
        now += root @ shocks.T
    for i, n in enumerate(lengths):
        paths[n:, :, :, i] = 0.0
    return paths, lengths


def _bootstrap(
    data: Sequence[Array],
    coefficients: Array,
    intercepts: Array,
    innovation: Array,
    replicates: int,
    rng: np.random.Generator,
) -> Array:
    order = len(coefficients)
    stable = _drawn_back(coefficients[None])[0]
    found = _moments(*_simulate(data, stable, intercepts, innovation, replicates, rng), order)
    return _solve(found.xx, found.xy, order)


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
    found = _moments(*_simulate(data, coefficients, intercepts, innovation, replicates, rng), order)
    drawn = _drawn_back(_solve(found.xx, found.xy, order) - bias[None])
    gain = np.linalg.inv(np.eye(m)[None] - drawn.sum(axis=1))
    means = np.moveaxis(found.means, 1, -1)  # lag, replicate, stretch, channel
    rest = means[0] - sum(means[lag] @ np.swapaxes(drawn[:, lag - 1], -1, -2) for lag in range(1, order + 1))
    out: Array = rest @ np.swapaxes(gain, -1, -2)
    return out


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
