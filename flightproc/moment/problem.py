r"""The equations of all holds of one or more sorties, in arrays.

With ``eta`` the hang roll, ``r_hat = psi_dot b / (2 V)`` the reduced turn and ``L`` the roll moment on the
hung unit, every hold ``i`` of sortie ``s`` gives

.. math::
    \eta_i &= \eta_{0s} + \dot\eta_{0s} t_i + w_s(t_i) + L_i / K_i + \epsilon_s \theta_i
        + \lambda \frac{k_r}{K} \frac{V_i \omega_i}{g} \\
    \hat r_i &= c_{0s} + \dot c_{0s} t_i + u_s(t_i) + c_L L_i / (q_i S b) + x_i \\
    K_i &= W f_i / g + k_r, \qquad c_L = c_W k_r / K

``L_i`` is known in glides (0, or what an idling propeller gives) and in ballast glides, and free under power;
so is the excess turn ``x_i``, zero without power, with ``\omega_i = 2 V x_i / b`` its rate. ``\theta_i`` is
the unit's pitch to apparent gravity, which thrust changes by degrees, and ``\epsilon`` the yaw error of the
sensor that lets it show up as hang roll. ``w`` and ``u`` are random walks of the zeros, of a size that the
glides tell. ``\lambda`` says how far a turn by yaw is from coordinated: it hangs the unit a little askew.
Under power ``K`` and ``c_L`` may differ from the glide by a few percent and some tens of percent.

What all holds share is fitted to the holds without power; the power holds follow from it one by one, as two
equations each for ``L_i`` and ``x_i``. (A joint fit with flat priors on ``L_i`` would not be neutral: it
would
favour a large ``K``, by one factor of ``K`` for each power hold.) Parameters with a prior are scaled so that
they are standard normal before the flight.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..channels import GRAVITY
from ..display import displayed
from ..holds.model import Hold, HoldKind
from .calibrate import SWING_RISER, Frame, Priors, Wing
from .observe import Observations

__all__ = ["Problem", "Session", "build_problem"]

Array = NDArray[np.float64]

_WEIGHT, _BALLAST, _IDLE, _TURN_MODEL, _STIFFNESS_MODEL, _YAW_HANG = range(6)
_SHARED = 6
_PER_WING = 2  # riser, turn
_PER_SESSION = 5  # hang zero, its drift, turn zero, its drift, yaw of the sensor
_FREE = 1.0  # prior of a zero that glides tell: none to speak of [rad], and in r_hat
_YAW_MOMENT = 3.0  # of the frame and thrust line, where only one of the two channels was logged [N m]
_MOUNT_YAW = np.radians(3.0)  # standard uncertainty of a sensor strapped on by eye [rad]


@displayed
@dataclass(frozen=True)
class Session:
    """One sortie as the solver sees it.

    Attributes
    ----------
    observed : Observations
        Levels of its k holds; NaN in hang roll or turn rate where that channel is missing.
    holds : tuple of Hold, length k
        In the same order.
    wing : Wing
        Its glider.
    wing_index : int
        Sorties with one index share riser stiffness and turn coefficient.
    mass : float
        Hung mass [kg].
    idle_moment : ndarray, shape (k,)
        Moment of an idling propeller in holds without power [N m], nominal.
    idle_relative_std : float
        Its relative standard uncertainty.
    airspeed, airspeed_std : ndarray, shape (k,)
        True airspeed used, and what of its uncertainty is each hold's own [m/s].
    airspeed_common_std : float
        What all its holds share [m/s].
    density_relative_std : float
        Relative standard uncertainty of density.
    mount_yaw_std : float
        Standard uncertainty of the sensor's yaw [rad]; NaN takes that of a sensor strapped on by eye.
    """

    observed: Observations
    holds: tuple[Hold, ...]
    wing: Wing
    wing_index: int
    mass: float
    idle_moment: Array
    idle_relative_std: float
    airspeed: Array
    airspeed_std: Array
    airspeed_common_std: float
    density_relative_std: float
    mount_yaw_std: float


@dataclass(frozen=True)
class Problem:
    """All holds of all sorties in arrays of length k, and the parameter layout.

    Attributes
    ----------
    observations : ndarray, shape (2 k,)
        Hang roll and reduced turn, interleaved; NaN where missing.
    noise : ndarray, shape (2 k, 2 k)
        Their covariance, without wander of the zeros.
    hang_walk, turn_walk : ndarray, shape (2 k, 2 k)
        Covariance of a wander of the zeros of 1 rad and 1 rad/s in 1000 s.
    power : ndarray of int
        Indices of power holds.
    yaw_turn : ndarray, shape (number of power holds,)
        Prior standard deviation of the excess turn, in r_hat, where only one channel was logged.
    prior_mean, prior_std : ndarray, shape (size,)
        Of every parameter.
    labels : tuple of str, length size
        Source of each parameter's prior, as budgets name it.
    left_out : tuple of int
        Observations that are not fitted because they stand apart from all others.
    """

    priors: Priors
    observations: Array
    noise: Array
    hang_walk: Array
    turn_walk: Array
    session: NDArray[np.intp]
    wing: NDArray[np.intp]
    wings: int
    sessions: int
    since: Array
    mass_ratio: Array
    load_ratio: Array
    known: Array
    known_relative_std: float
    idle: Array
    idle_relative_std: float
    gain: Array
    pitch: Array
    lean: Array
    power: NDArray[np.intp]
    yaw_turn: Array
    prior_mean: Array
    prior_std: Array
    labels: tuple[str, ...]
    inertia: tuple[float, float] | None
    left_out: tuple[int, ...] = ()

    @property
    def count(self) -> int:
        """Number of holds."""
        return len(self.since)

    @property
    def size(self) -> int:
        """Number of parameters."""
        return len(self.prior_mean)

    @property
    def _zeros(self) -> int:
        return _SHARED + _PER_WING * self.wings

    @cached_property
    def rows(self) -> NDArray[np.intp]:
        """Indices of the observations that exist in holds without power: those that are fitted."""
        fitted = np.isfinite(self.observations) & ~np.isin(np.arange(2 * self.count) // 2, self.power)
        fitted[list(self.left_out)] = False
        return np.flatnonzero(fitted).astype(np.intp)

    @cached_property
    def power_rows(self) -> NDArray[np.intp]:
        """Indices of the observations of power holds, hang roll and turn interleaved, missing ones too."""
        return np.asarray((2 * self.power[:, None] + np.array([0, 1])).ravel(), dtype=np.intp)

    def zero(self, x: Array, session: int, what: int) -> Array:
        """Return hang zero (0), its drift (1), turn zero (2), its drift (3) or sensor yaw (4)."""
        out: Array = x[..., self._zeros + _PER_SESSION * session + what]
        return out

    def weight(self, x: Array) -> Array:
        """Return W of the reference mass [N m/rad], shape (...)."""
        out: Array = np.maximum(
            self.priors.weight + self.priors.weight_std * x[..., _WEIGHT], 0.1 * self.priors.weight
        )
        return out

    def riser(self, x: Array) -> Array:
        """Return k_r of each wing group [N m/rad], shape (..., wings)."""
        from scipy.special import ndtr

        z = x[..., _SHARED : self._zeros : _PER_WING]
        first, second = self.priors.riser
        if self.priors.riser_stated:
            out: Array = first * np.exp(second * z)
        else:
            out = first + (second - first) * ndtr(z)
        return out

    def stiffness(self, x: Array) -> Array:
        """Return K at one g of each hold [N m/rad], shape (..., k)."""
        out: Array = self.weight(x)[..., None] * self.mass_ratio + self.riser(x)[..., self.wing]
        return out

    def turn_coefficient(self, x: Array) -> Array:
        """Return c_L of each hold in a glide, shape (..., k)."""
        z = x[..., _SHARED + 1 : self._zeros : _PER_WING]
        out: Array = (self.priors.wing_turn * np.exp(self.priors.wing_turn_spread * z))[..., self.wing]
        if not self.priors.turn_stated:
            out = out * self.riser(x)[..., self.wing] / self.stiffness(x)
        return out

    def turn_in_hold(self, x: Array) -> Array:
        """Return c_L of each hold as flown, shape (..., k)."""
        out = self.turn_coefficient(x)
        change = np.exp(self.priors.turn_model * x[..., _TURN_MODEL : _TURN_MODEL + 1])
        out[..., self.power] *= change
        return out

    def known_moments(self, x: Array) -> Array:
        """Return the known moment on the unit in each hold [N m], 0 under power, shape (..., k)."""
        out: Array = self.known * (1.0 + self.known_relative_std * x[..., _BALLAST, None])
        return out + self.idle * (1.0 + self.idle_relative_std * x[..., _IDLE, None])

    def stiffness_in_hold(self, x: Array) -> Array:
        """Return K of each hold as flown, load and power included [N m/rad], shape (..., k)."""
        weight = self.weight(x)[..., None] * self.mass_ratio
        out: Array = weight * self.load_ratio + self.riser(x)[..., self.wing]
        out[..., self.power] *= 1.0 + self.priors.stiffness_model * x[..., _STIFFNESS_MODEL, None]
        return out

    def predict(self, x: Array) -> Array:
        """Return every observation without what the power does, shape (..., 2 k)."""
        total = self.known_moments(x)
        zeros = x[..., self._zeros :].reshape((*x.shape[:-1], self.sessions, _PER_SESSION))
        zeros = zeros[..., self.session, :]
        eta = zeros[..., 0] + zeros[..., 1] * self.since + zeros[..., 4] * self.pitch
        turn = zeros[..., 2] + zeros[..., 3] * self.since
        out = np.empty((*x.shape[:-1], 2 * self.count))
        out[..., 0::2] = eta + total / self.stiffness_in_hold(x)
        out[..., 1::2] = turn + self.turn_in_hold(x) * total * self.gain
        return out

    def solve_power(self, x: Array, noise: Array, yaw: Array) -> tuple[Array, Array]:
        """Return roll moments [N m] and excess turns [r_hat] of the power holds.

        Parameters
        ----------
        x : ndarray, shape (..., size)
            Parameters.
        noise : ndarray, shape (..., 2 * number of power holds)
            Errors of their observations, interleaved.
        yaw : ndarray, shape (..., number of power holds)
            Standard normal draws of the excess turn, used where one of the two channels is missing.

        Returns
        -------
        moment, excess : ndarray, shape (..., number of power holds)
        """
        rest = (self.observations - self.predict(x))[..., self.power_rows] - noise
        eta, turn = rest[..., 0::2], rest[..., 1::2]
        stiffness = self.stiffness_in_hold(x)[..., self.power]
        gain = self.turn_in_hold(x)[..., self.power] * self.gain[self.power]
        share = (self.riser(x)[..., self.wing] / self.stiffness(x))[..., self.power]
        askew = self.priors.yaw_hang * x[..., _YAW_HANG, None] * share * self.lean[self.power]
        guess = self.yaw_turn * yaw
        # hang roll = L / K + askew * excess, turn = gain * L + excess
        both = stiffness * (eta - askew * turn) / (1.0 - stiffness * askew * gain)
        by_turn, by_hang = (turn - guess) / gain, stiffness * (eta - askew * guess)
        moment = np.where(np.isnan(eta), by_turn, np.where(np.isnan(turn), by_hang, both))
        excess = np.where(np.isnan(eta) | np.isnan(turn), guess, turn - gain * moment)
        return moment, excess

    def beside(self, x: Array) -> Array:
        """Return the whitened residuals that are no hold: priors, and inertia with frequency."""
        rest: Array = (x - self.prior_mean) / self.prior_std
        if self.inertia is None:
            return rest
        seen, spread = self.inertia
        felt = self.weight(x) + SWING_RISER * self.riser(x)[..., 0]
        gap = (np.log(seen) - np.log(felt)) / spread
        return np.concatenate([rest, gap[..., None]], axis=-1)

    def beside_labels(self) -> list[str]:
        """Return the source of each of those residuals."""
        return list(self.labels) if self.inertia is None else [*self.labels, "inertia"]


def build_problem(
    sessions: Sequence[Session], frame: Frame, priors: Priors, inertia: tuple[float, float] | None = None
) -> Problem:
    """Put sorties into arrays.

    Parameters
    ----------
    sessions : sequence of Session
        At least one.
    frame, priors
        What they share; ``priors`` refer to ``frame.mass``.
    inertia : tuple of float, optional
        K from inertia and roll frequency [N m/rad], and its log-normal spread.
    """
    parts = [_arrays(s) for s in sessions]

    def joined(name: str) -> Array:
        return np.concatenate([p[name] for p in parts])

    def blocks(name: str) -> Array:
        from scipy.linalg import block_diag

        return np.asarray(block_diag(*[p[name] for p in parts]))

    holds = [h for s in sessions for h in s.holds]
    power = np.flatnonzero([h.kind is HoldKind.POWER for h in holds]).astype(np.intp)
    session = np.repeat(np.arange(len(sessions)), [len(s.holds) for s in sessions]).astype(np.intp)
    wing = np.array([sessions[i].wing_index for i in session.tolist()], dtype=np.intp)
    wings = int(wing.max()) + 1
    observations, gain = joined("observations"), joined("gain")
    size = _SHARED + _PER_WING * wings + _PER_SESSION * len(sessions)
    mean, std = np.zeros(size), np.ones(size)
    labels = ["weight and hang arm", "ballast mass and arm", "idle torque", "turn coefficient"]
    if priors.tilt_share > 0.5:
        labels[0] = "tilt test"
    labels += ["change of K under power", "turn by yaw"]
    labels += ["riser stiffness", "turn coefficient"] * wings
    at = _SHARED + _PER_WING * wings
    for index, s in enumerate(sessions):
        mine = [h for h in s.holds if h.kind is not HoldKind.POWER]
        speed = float(np.mean(s.airspeed))
        std[at : at + _PER_SESSION] = [
            _FREE if mine else priors.level_std,
            priors.hang_zero_drift,
            _FREE if mine else 3.0 * s.wing.span / (2.0 * speed) * np.radians(1.0),
            priors.turn_zero_drift * s.wing.span / (2.0 * speed),
            s.mount_yaw_std if np.isfinite(s.mount_yaw_std) else _MOUNT_YAW,
        ]
        labels += ["hang zero", "drift of the zeros", "turn zero", "drift of the zeros", "yaw of the sensor"]
        at += _PER_SESSION
        eta = observations[0::2][session == index]
        if np.isfinite(eta).any():
            mean[at - _PER_SESSION] = float(np.nanmedian(eta)) if mine else 0.0
    loaded = [h for h in holds if h.ballast_moment != 0.0]
    relative = max((h.ballast_moment_std / abs(h.ballast_moment) for h in loaded), default=0.01)
    return Problem(
        priors=priors,
        observations=observations,
        noise=blocks("noise"),
        hang_walk=blocks("hang_walk"),
        turn_walk=blocks("turn_walk"),
        session=session,
        wing=wing,
        wings=wings,
        sessions=len(sessions),
        since=joined("since"),
        mass_ratio=np.array([sessions[i].mass / frame.mass for i in session.tolist()]),
        load_ratio=joined("load_ratio"),
        known=joined("known"),
        known_relative_std=max(relative, 1e-4),
        idle=joined("idle"),
        idle_relative_std=max((s.idle_relative_std for s in sessions), default=0.5),
        gain=gain,
        pitch=joined("pitch"),
        lean=joined("lean"),
        power=power,
        yaw_turn=_YAW_MOMENT * priors.yaw_over_roll * priors.wing_turn * gain[power],
        prior_mean=mean,
        prior_std=std,
        labels=tuple(labels),
        inertia=inertia,
    )


def _arrays(s: Session) -> dict[str, Array]:
    """Return one sortie's arrays."""
    seen, k = s.observed, len(s.holds)
    power = np.array([h.kind is HoldKind.POWER for h in s.holds])
    load = np.where(np.isfinite(seen.load), seen.load, GRAVITY)
    density = np.where(np.isfinite(seen.density), seen.density, 1.2)
    to_hat = s.wing.span / (2.0 * s.airspeed)
    observations = np.empty(2 * k)
    observations[0::2], observations[1::2] = seen.hang_roll, seen.turn_rate * to_hat
    scale = np.ones(2 * k)
    scale[1::2] = to_hat
    since = seen.middle - float(np.mean(seen.middle))
    # a random walk pinned in the middle of the sortie, where the zeros are
    walk = np.where(
        np.sign(since)[:, None] == np.sign(since)[None, :],
        np.minimum(np.abs(since)[:, None], np.abs(since)[None, :]),
        0.0,
    )
    even, odd = np.zeros((2, 2)), np.zeros((2, 2))
    even[0, 0] = odd[1, 1] = 1.0 / 1000.0
    rest = seen.hang_pitch[~power] if (~power).any() else seen.hang_pitch
    middle = float(np.nanmean(rest)) if np.isfinite(rest).any() else 0.0
    arrays: dict[str, Any] = {
        "observations": observations,
        "noise": np.nan_to_num(seen.covariance) * scale[:, None] * scale[None, :],
        "hang_walk": np.kron(walk, even),
        "turn_walk": np.kron(walk, odd) * scale[:, None] * scale[None, :],
        "since": since,
        "load_ratio": load / GRAVITY,
        "known": np.array([h.ballast_moment for h in s.holds]) * load / GRAVITY,
        "idle": np.where(power, 0.0, s.idle_moment),
        "gain": 1.0 / (0.5 * density * s.airspeed**2 * s.wing.area * s.wing.span),
        "pitch": np.nan_to_num(seen.hang_pitch - middle),
        "lean": s.airspeed / GRAVITY * 2.0 * s.airspeed / s.wing.span,
    }
    return arrays
