r"""Linear Gaussian state space with inputs: exact likelihood, innovations, maximum likelihood.

.. math::
    x_{t+1} = A x_t + B u_t + w_t, \qquad y_t = C x_t + D u_t + v_t, \qquad
    \mathrm{cov}(w) = Q, \quad \mathrm{var}(v) = R

with one output. The Kalman filter's covariance settles to the solution of a discrete algebraic Riccati
equation (DARE) within some tens of samples; from there on the filter is a fixed linear filter from ``y`` and
``u`` to the innovations, which runs without a loop over samples. So the likelihood is exact and still cheap.

References
----------
.. [1] B. D. O. Anderson, J. B. Moore, "Optimal Filtering", Prentice-Hall 1979, sections 3.1 and 4.4.
.. [2] L. Ljung, "System Identification: Theory for the User", 2nd ed., Prentice Hall 1999, section 4.3 and
   eq. (7.75) (innovations form and likelihood).
.. [3] A. C. Harvey, "Forecasting, Structural Time Series Models and the Kalman Filter", Cambridge 1989,
   section 3.4 (prediction error decomposition).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "Innovations",
    "StateSpace",
    "StateSpaceFit",
    "fit_state_space",
    "innovations",
    "log_likelihood",
    "steady_gain",
]

Array = NDArray[np.float64]

_SETTLED = 1e-13  # relative change of the covariance below which it counts as settled


@dataclass(frozen=True)
class StateSpace:
    """A linear model in discrete time with one output.

    Attributes
    ----------
    transition : ndarray, shape (n, n)
        A.
    inputs : ndarray, shape (n, m)
        B; m may be 0.
    output : ndarray, shape (n,)
        C.
    feedthrough : ndarray, shape (m,)
        D.
    process : ndarray, shape (n, n)
        Q, covariance of what drives the state from one sample to the next.
    measurement : float
        R, variance of the noise of one reading.
    """

    transition: Array
    inputs: Array
    output: Array
    feedthrough: Array
    process: Array
    measurement: float

    @property
    def stable(self) -> bool:
        """Whether the state forgets its start."""
        return bool(np.max(np.abs(np.linalg.eigvals(self.transition))) < 1.0)

    def stationary(self) -> Array:
        """Return the covariance of the state long after the start, inputs apart, shape (n, n).

        Raises
        ------
        ValueError
            When the model is not stable.
        """
        if not self.stable:
            raise ValueError("an unstable model has no stationary state")
        from scipy.linalg import solve_discrete_lyapunov

        return np.asarray(solve_discrete_lyapunov(self.transition, self.process), dtype=float)


@dataclass(frozen=True)
class Innovations:
    """What a record tells that its past did not.

    Attributes
    ----------
    values : ndarray, shape (n,)
        y less its prediction one step ahead.
    variance : ndarray, shape (n,)
        Of each.
    log_likelihood : float
        Of the record.
    """

    values: Array
    variance: Array
    log_likelihood: float


@dataclass(frozen=True)
class StateSpaceFit:
    """A model fitted by maximum likelihood.

    Attributes
    ----------
    parameters : ndarray, shape (p,)
        Estimates.
    covariance : ndarray, shape (p, p)
        Inverse of the observed information.
    log_likelihood : float
        At the estimates, all records together.
    model : StateSpace
        Built from the estimates.
    innovations : tuple of Innovations
        One per record.
    converged : bool
        Whether the search ended at a maximum with a proper curvature.
    """

    parameters: Array
    covariance: Array
    log_likelihood: float
    model: StateSpace
    innovations: tuple[Innovations, ...]
    converged: bool

    @property
    def std(self) -> Array:
        """Standard uncertainties of the parameters, shape (p,)."""
        out: Array = np.sqrt(np.diag(self.covariance))
        return out


def steady_gain(model: StateSpace) -> tuple[Array, float]:
    """Return the steady Kalman gain (predictor form), shape (n,), and the variance of the innovations.

    Raises
    ------
    ValueError
        When the Riccati equation has no stabilising solution.

    Examples
    --------
    A random walk with steps and readings of unit variance: the gain is the golden ratio less one.

    >>> one = np.eye(1)
    >>> walk = StateSpace(one, np.zeros((1, 0)), np.ones(1), np.zeros(0), one, 1.0)
    >>> gain, variance = steady_gain(walk)
    >>> round(float(gain[0]), 6), round(variance, 6)
    (0.618034, 2.618034)
    """
    from scipy.linalg import solve_discrete_are

    column = model.output[:, None]
    try:
        covariance = solve_discrete_are(
            model.transition.T, column, model.process, np.array([[model.measurement]])
        )
    except np.linalg.LinAlgError as error:
        raise ValueError(f"no steady Kalman gain: {error}") from error
    variance = float(model.output @ covariance @ model.output) + model.measurement
    return np.asarray(model.transition @ covariance @ model.output / variance, dtype=float), variance


def innovations(
    model: StateSpace, record: ArrayLike, inputs: ArrayLike | None = None, *, start: Array | None = None
) -> Innovations:
    """Run the Kalman filter over one record.

    Parameters
    ----------
    model : StateSpace
        The model.
    record : array_like, shape (n,)
        y, without gaps.
    inputs : array_like, shape (n, m), optional
        u; may be left out where the model has none.
    start : ndarray, shape (n, n), optional
        Covariance of the state at the first sample, about zero; the stationary one where it is not given.

    Returns
    -------
    Innovations
    """
    y = np.asarray(record, dtype=float)
    width = model.inputs.shape[1]
    u = np.zeros((y.size, width)) if inputs is None else np.asarray(inputs, dtype=float)
    if u.shape != (y.size, width):
        raise ValueError(f"inputs have shape {u.shape}, ({y.size}, {width}) is needed")
    covariance = model.stationary() if start is None else np.asarray(start, dtype=float)
    transition, output = model.transition, model.output
    state = np.zeros(output.size)
    values, variance = np.empty(y.size), np.empty(y.size)
    done = y.size
    gain = np.zeros(output.size)
    for t in range(y.size):
        seen = covariance @ output
        variance[t] = float(output @ seen) + model.measurement
        gain = transition @ seen / variance[t]
        values[t] = y[t] - float(output @ state) - float(model.feedthrough @ u[t])
        state = transition @ state + model.inputs @ u[t] + gain * values[t]
        following = transition @ covariance @ transition.T + model.process
        following -= np.outer(gain, gain) * variance[t]
        change = float(np.max(np.abs(following - covariance)))
        covariance = (following + following.T) / 2
        if change <= _SETTLED * float(np.max(np.abs(covariance))):
            done = t + 1
            break
    if done < y.size:
        variance[done:] = float(output @ covariance @ output) + model.measurement
        values[done:] = _steady(model, gain, state, y[done:], u[done:])
    total = -0.5 * float(np.sum(np.log(2 * math.pi * variance) + values**2 / variance))
    return Innovations(values, variance, total)


def _steady(model: StateSpace, gain: Array, state: Array, y: Array, u: Array) -> Array:
    """Return the innovations of the settled filter from a given state, shape (n,)."""
    size = state.size
    closed = model.transition - np.outer(gain, model.output)
    poles = np.asarray(np.real(np.poly(closed)), dtype=np.float64)
    # e = y - C (zI - F)^-1 (G y + (B - G D) u) - D u, with the start as an impulse one sample before
    drive = np.column_stack([gain[:, None], model.inputs - np.outer(gain, model.feedthrough)])
    signals = [y, *u.T]
    out: Array = y - u @ model.feedthrough
    driven = np.zeros(y.size)
    response = np.empty((size, drive.shape[1] + 1))  # C F^k [drive, state], k = 0 ... size - 1
    row = model.output.copy()
    for k in range(size):
        response[k, :-1] = row @ drive
        response[k, -1] = row @ state
        row = row @ closed
    for j, signal in enumerate(signals):
        zeros = np.concatenate([[0.0], np.convolve(poles, response[:, j])[:size]])
        driven += np.convolve(signal, zeros)[: y.size]
    free = np.convolve(poles, response[:, -1])[:size]
    driven[: free.size] += free[: y.size]
    out -= _recur(poles, driven)
    return out


def _recur(poles: Array, x: Array) -> Array:
    """Return y with ``poles[0] y[t] + poles[1] y[t-1] + ... = x[t]`` from rest, where ``poles[0]`` is 1.

    It is a triangular system with few diagonals, solved by one sweep.
    """
    from scipy.linalg.blas import dtbsv

    rows = np.asfortranarray(np.broadcast_to(poles[:, None], (poles.size, x.size)))
    return np.asarray(dtbsv(poles.size - 1, rows, x, lower=1, diag=1), dtype=float)


def log_likelihood(
    model: StateSpace, records: Sequence[Array], inputs: Sequence[Array] | None = None
) -> float:
    """Return the log-likelihood of independent records, each from the stationary state."""
    start = model.stationary()
    return sum(
        innovations(model, record, None if inputs is None else inputs[i], start=start).log_likelihood
        for i, record in enumerate(records)
    )


def fit_state_space(
    build: Callable[[Array], StateSpace],
    start: ArrayLike,
    records: Sequence[Array],
    inputs: Sequence[Array] | None = None,
    *,
    scale: ArrayLike | None = None,
    penalty: Callable[[Array], float] | None = None,
) -> StateSpaceFit:
    """Fit a model to independent records by maximum likelihood.

    Parameters
    ----------
    build : callable
        From parameters, shape (p,), to a model. Parameters that must be positive are best logarithms.
    start : array_like, shape (p,)
        Where the search begins.
    records : sequence of ndarray, shape (n_i,)
        y.
    inputs : sequence of ndarray, shape (n_i, m), optional
        u.
    scale : array_like, shape (p,), optional
        Size of a telling change of each parameter; 1 where it is not given.
    penalty : callable, optional
        Minus the log of a prior density, added to minus the log-likelihood.

    Returns
    -------
    StateSpaceFit

    Notes
    -----
    The search is quasi-Newton (BFGS) with central differences, ended by a Newton step on the observed
    information, which also gives the covariance.
    """
    from scipy.optimize import minimize

    first = np.asarray(start, dtype=float)
    unit = np.ones(first.size) if scale is None else np.asarray(scale, dtype=float)

    def cost(x: Array) -> float:
        parameters = first + unit * x
        try:
            model = build(parameters)
            value = -log_likelihood(model, records, inputs)
        except ValueError:
            return 1e12
        if penalty is not None:
            value += penalty(parameters)
        return value if math.isfinite(value) else 1e12

    found = minimize(cost, np.zeros(first.size), method="BFGS", jac="3-point", options={"gtol": 1e-4})
    x = np.asarray(found.x, dtype=float)
    information, slope = _curvature(cost, x)
    converged = bool(np.all(np.linalg.eigvalsh(information) > 0.0))
    if converged:
        trial = np.asarray(x - np.linalg.solve(information, slope), dtype=np.float64)
        if cost(trial) <= cost(x):
            x = trial
        covariance: Array = np.asarray(np.linalg.inv(information), dtype=float)
    else:
        covariance = np.full((first.size, first.size), np.nan)
    parameters = first + unit * x
    model = build(parameters)
    begin = model.stationary()
    parts = tuple(
        innovations(model, record, None if inputs is None else inputs[i], start=begin)
        for i, record in enumerate(records)
    )
    return StateSpaceFit(
        parameters=parameters,
        covariance=covariance * np.outer(unit, unit),
        log_likelihood=sum(part.log_likelihood for part in parts),
        model=model,
        innovations=parts,
        converged=converged,
    )


def _curvature(cost: Callable[[Array], float], x: Array, step: float = 1e-3) -> tuple[Array, Array]:
    """Return second and first derivatives of a function by central differences."""
    size = x.size
    moves = step * np.eye(size)
    middle = cost(x)
    up = np.array([cost(x + move) for move in moves])
    down = np.array([cost(x - move) for move in moves])
    out = np.diag((up - 2 * middle + down) / step**2)
    for i in range(size):
        for j in range(i):
            both = cost(x + moves[i] + moves[j]) + cost(x - moves[i] - moves[j])
            out[i, j] = out[j, i] = (both - up[i] - down[i] - up[j] - down[j] + 2 * middle) / (2 * step**2)
    return out, (up - down) / (2 * step)
