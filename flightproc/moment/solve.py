r"""Solve all holds of a sortie together for moments, zeros and calibration.

With ``eta`` the hang roll, ``r_hat = psi_dot b / (2 V)`` the reduced turn and ``L`` the roll moment on the
hung unit, every hold ``i`` gives

.. math::
    \eta_i &= \eta_0 + \dot\eta_0 (t_i - t_m) + L_i / K_i + \epsilon (\theta_i - \bar\theta), \qquad
        K_i = K + m_b (f_i - g) h \\
    \hat r_i &= c_0 + \dot c_0 (t_i - t_m) + c_L L_i / (q_i S b) + x_i

with ``m_b`` the hung mass, ballast included (it rides along and is only moved sideways), and ``L_i`` known in
glides (0, or what an idling propeller gives) and in ballast glides, and free under power; the excess ``x_i``
is zero without power and free under power. ``theta_i`` is the unit's pitch to apparent gravity, which thrust
changes by degrees, and ``epsilon`` the yaw error of the sensor that lets it show up as hang roll. ``K``,
``c_L``, the drifts and ``epsilon`` carry priors. The system is linear
in everything but ``K`` and is solved by least squares on the whitened residuals; intervals come from draws of
the joint posterior, so that what all holds share (``K``, the ballast's arm, the zeros) stays shared.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..channels import GRAVITY
from ..errors import EstimateError
from ..holds.model import Hold, HoldKind
from ..quantity import Quantity
from .calibrate import Frame, Priors, Wing
from .observe import Observations

__all__ = ["MomentSolution", "solve_moments"]

Array = NDArray[np.float64]

_SHARED = 9  # parameters that all holds share, see _Problem
_MOUNT_YAW_STD = np.radians(3.0)  # of a sensor strapped on by eye [rad]
_AIRSPEED_GUESS = 0.08  # relative uncertainty of trim speed where no airspeed was found


@dataclass(frozen=True)
class MomentSolution:
    """Moments of all holds with what they share.

    Attributes
    ----------
    roll_moment, excess_turn, yaw_moment, residual : tuple of Quantity
        One per hold: [N m], [rad/s], [N m], [N m]. Roll moment and excess turn are unknown, with the reason,
        for holds without power.
    roll_draws : ndarray, shape (draws, k)
        Joint draws of the roll moment [N m]; NaN for holds without power.
    stiffness, hang_zero, hang_drift, turn_coefficient, turn_zero : Quantity
        K [N m/rad], eta_0 [rad], its drift [rad/s], c_L, c_0.
    airspeed : ndarray, shape (k,)
        True airspeed used [m/s].
    airspeed_std : ndarray, shape (k,)
        Its standard uncertainty, common part included [m/s].
    chi2, dof : float, int
        Of the holds without power against the model, before any widening.
    widening : float
        Factor by which the observation uncertainties were widened because those holds disagree; 1 if not.
    used_ballast : bool
        Whether ballast holds took part.
    words : tuple of str
        What was assumed, found inconsistent or is missing.
    """

    roll_moment: tuple[Quantity, ...]
    excess_turn: tuple[Quantity, ...]
    yaw_moment: tuple[Quantity, ...]
    residual: tuple[Quantity, ...]
    roll_draws: Array
    stiffness: Quantity
    hang_zero: Quantity
    hang_drift: Quantity
    turn_coefficient: Quantity
    turn_zero: Quantity
    airspeed: Array
    airspeed_std: Array
    chi2: float
    dof: int
    widening: float
    used_ballast: bool
    words: tuple[str, ...]


@dataclass(frozen=True)
class _Problem:
    """The whole system in arrays; ``x`` is the parameter vector.

    ``x`` holds: 0 eta0, 1 eta drift, 2 log(K / K0), 3 ballast factor, 4 idle factor, 5 c0, 6 c0 drift,
    7 log(c_L / c_L0), 8 yaw error of the sensor, then the free roll moments [10 N m], then the free excess
    turns [r_hat / 0.01].
    """

    eta: Array
    r_hat: Array
    since: Array  # time from the middle of the sortie [s]
    reference: float  # K0 [N m/rad]
    extra: Array  # K_i - K [N m/rad]
    known: Array  # known ballast moment [N m]
    idle: Array  # moment of an idling propeller, nominal [N m]
    gain: Array  # c_L0 / (q S b) [1/(N m)]
    pitch: Array  # pitch to apparent gravity, from its mean over holds without power [rad]
    power: NDArray[np.intp]  # indices of power holds
    prior_mean: Array
    prior_std: Array
    root: Array  # lower Cholesky factor of the observation covariance

    @property
    def size(self) -> int:
        return _SHARED + 2 * len(self.power)

    def moments(self, x: Array) -> Array:
        """Return the whole moment on the unit in each hold [N m], for x of shape (..., size)."""
        total = self.known * (1.0 + x[..., 3:4]) + self.idle * (1.0 + x[..., 4:5])
        total = np.array(np.broadcast_to(total, (*x.shape[:-1], len(self.eta))))
        free = x[..., _SHARED : _SHARED + len(self.power)] * 10.0
        total[..., self.power] += free
        return total

    def residuals(self, x: Array) -> Array:
        total = self.moments(x)
        stiffness = self.reference * np.exp(x[2]) + self.extra
        eta = x[0] + x[1] * self.since + total / stiffness + x[8] * self.pitch
        r_hat = x[5] + x[6] * self.since + np.exp(x[7]) * total * self.gain
        r_hat[self.power] += x[_SHARED + len(self.power) :] * 0.01
        from scipy.linalg import solve_triangular

        gap = np.column_stack([self.eta - eta, self.r_hat - r_hat]).ravel()
        white = solve_triangular(self.root, gap, lower=True)
        prior = (x[:_SHARED] - self.prior_mean) / self.prior_std
        return np.concatenate([white, prior])


def solve_moments(
    observed: Observations,
    holds: Sequence[Hold],
    frame: Frame,
    wing: Wing,
    priors: Priors,
    *,
    idle_moment: Array | None = None,
    idle_relative_std: float = 0.5,
    airspeed_common_std: float = 0.0,
    density_relative_std: float = 0.01,
    mount_yaw_std: float = float("nan"),
    draws: int = 20_000,
    seed: int = 1,
) -> MomentSolution:
    """Solve all holds together.

    Parameters
    ----------
    observed : Observations
        Levels of the k holds.
    holds : sequence of Hold, length k
        In the same order.
    frame, wing, priors
        Geometry and what is known before the flight.
    idle_moment : ndarray, shape (k,), optional
        Moment of an idling propeller in holds without power [N m], with its sign; zeros where not given.
    idle_relative_std : float
        Its relative standard uncertainty, common to all.
    airspeed_common_std : float
        Standard uncertainty that all airspeeds share [m/s].
    density_relative_std : float
        Relative standard uncertainty of density.
    mount_yaw_std : float
        Standard uncertainty of the sensor's yaw in the unit [rad]; NaN takes that of a sensor strapped on by
        eye, 3 deg.
    draws, seed : int
        Draws of the posterior.

    Returns
    -------
    MomentSolution

    Raises
    ------
    EstimateError
        When there is no power hold, or no glide to take the zeros from.
    """
    kinds = np.array([h.kind for h in holds])
    power = np.flatnonzero(kinds == HoldKind.POWER)
    if not power.size:
        raise EstimateError(
            "no power hold was found",
            where="sortie",
            hint="fly 60 s straight at a steady throttle, hands off",
        )
    if power.size == len(holds):
        raise EstimateError(
            "no glide was found, so the zeros are unknown",
            where="sortie",
            hint="fly straight 60 s glides before, between and after the power holds",
        )
    words = list(priors.words)
    airspeed, own_std = _airspeeds(observed, wing, words)
    idle = np.zeros(len(holds)) if idle_moment is None else np.asarray(idle_moment, dtype=float)
    problem = _build(observed, holds, frame, wing, priors, airspeed, idle, idle_relative_std, mount_yaw_std)
    best, posterior = _fit(problem)
    chi2, dof, widening = _test_fit(problem, best, words)
    if widening > 1.0:
        problem = replace(problem, root=problem.root * widening)
        best, posterior = _fit(problem)
    rng = np.random.default_rng((seed, 1))  # a stream of its own
    root = np.linalg.cholesky(posterior + 1e-15 * np.trace(posterior) * np.eye(len(posterior)))
    x = best + rng.standard_normal((draws, problem.size)) @ root.T

    speed = airspeed * (
        1.0
        + rng.standard_normal((draws, 1)) * airspeed_common_std / airspeed
        + rng.standard_normal((draws, len(holds))) * own_std / airspeed
    )
    speed = np.maximum(speed, 2.0)
    density = observed.density * (1.0 + density_relative_std * rng.standard_normal((draws, 1)))
    per_hold = _per_hold(problem, holds, wing, priors, best, posterior, x, speed, density, rng, words)
    reference = problem.reference
    return MomentSolution(
        **per_hold,
        stiffness=Quantity.from_samples(
            reference * np.exp(x[:, 2]), "N m/rad", value=float(reference * np.exp(best[2]))
        ),
        hang_zero=Quantity.from_samples(x[:, 0], "rad", value=float(best[0])),
        hang_drift=Quantity.from_samples(x[:, 1], "rad/s", value=float(best[1])),
        turn_coefficient=Quantity.from_samples(
            priors.turn_coefficient * np.exp(x[:, 7]),
            "",
            value=float(priors.turn_coefficient * np.exp(best[7])),
        ),
        turn_zero=Quantity.from_samples(x[:, 5], "", value=float(best[5])),
        airspeed=airspeed,
        airspeed_std=np.hypot(own_std, airspeed_common_std),
        chi2=chi2,
        dof=dof,
        widening=widening,
        used_ballast=bool(np.any(kinds == HoldKind.BALLAST)),
        words=tuple(words),
    )


def _airspeeds(observed: Observations, wing: Wing, words: list[str]) -> tuple[Array, Array]:
    missing = ~np.isfinite(observed.airspeed)
    if not missing.any():
        return observed.airspeed, observed.airspeed_std
    words.append(
        f"no airspeed in {int(missing.sum())} of {missing.size} holds: the glider's trim speed of "
        f"{wing.trim_speed:.1f} m/s ± {100 * _AIRSPEED_GUESS:.0f} % was used there"
    )
    speed = np.where(missing, wing.trim_speed, observed.airspeed)
    std = np.where(missing, _AIRSPEED_GUESS * wing.trim_speed, observed.airspeed_std)
    return speed, std


def _to_reduced(observed: Observations, airspeed: Array, wing: Wing) -> Array:
    """Return the covariance of (eta, r_hat), interleaved hold by hold."""
    scale = np.ones(2 * len(airspeed))
    scale[1::2] = wing.span / (2.0 * airspeed)
    out: Array = observed.covariance * scale[:, None] * scale[None, :]
    return out


def _build(
    observed: Observations,
    holds: Sequence[Hold],
    frame: Frame,
    wing: Wing,
    priors: Priors,
    airspeed: Array,
    idle_moment: Array,
    idle_relative_std: float,
    mount_yaw_std: float,
) -> _Problem:
    k = len(holds)
    power = np.array([h.kind is HoldKind.POWER for h in holds])
    load = np.where(np.isfinite(observed.load), observed.load, GRAVITY)
    extra = frame.mass * (load - GRAVITY) * frame.hang_arm
    known = np.array([h.ballast_moment for h in holds]) * load / GRAVITY
    loaded = [h for h in holds if h.ballast_moment != 0.0]
    ballast_std = max((h.ballast_moment_std / abs(h.ballast_moment) for h in loaded), default=0.01)
    covariance = _to_reduced(observed, airspeed, wing)
    density = np.where(np.isfinite(observed.density), observed.density, 1.2)
    dynamic = 0.5 * density * airspeed**2
    jitter = 1e-16 * np.trace(covariance) * np.eye(2 * k)
    return _Problem(
        eta=observed.hang_roll,
        r_hat=observed.turn_rate * wing.span / (2.0 * airspeed),
        since=observed.middle - float(np.mean(observed.middle)),
        reference=priors.stiffness,
        extra=extra,
        known=known,
        idle=np.where(power, 0.0, idle_moment),
        gain=priors.turn_coefficient / (dynamic * wing.area * wing.span),
        pitch=np.nan_to_num(observed.hang_pitch - np.nanmean(observed.hang_pitch[~power])),
        power=np.flatnonzero(power).astype(np.intp),
        prior_mean=np.array([0, 0, 0, 0, 0, 0, 0, 0, 0], dtype=float),
        prior_std=np.array(
            [
                1.0,
                priors.hang_zero_drift,
                _log_std(priors.stiffness, priors.stiffness_std),
                max(ballast_std, 1e-4),
                max(idle_relative_std, 1e-4),
                1.0,
                priors.turn_zero_drift * wing.span / (2.0 * float(np.mean(airspeed))),
                _log_std(priors.turn_coefficient, priors.turn_coefficient_std),
                mount_yaw_std if np.isfinite(mount_yaw_std) else _MOUNT_YAW_STD,
            ]
        ),
        root=np.linalg.cholesky(covariance + jitter),
    )


def _fit(problem: _Problem) -> tuple[Array, Array]:
    """Return the best parameters and their covariance."""
    from scipy.optimize import least_squares

    start = np.concatenate([problem.prior_mean, np.zeros(2 * len(problem.power))])
    start[0] = float(np.median(problem.eta))
    scale = np.concatenate([problem.prior_std, np.ones(2 * len(problem.power))])
    found = least_squares(problem.residuals, start, x_scale=scale, method="trf", xtol=1e-12, ftol=1e-12)
    jacobian = np.asarray(found.jac, dtype=float)
    covariance = np.linalg.inv(jacobian.T @ jacobian)
    return np.asarray(found.x, dtype=float), (covariance + covariance.T) / 2


def _test_fit(problem: _Problem, best: Array, words: list[str]) -> tuple[float, int, float]:
    """Return chi2 of the holds without power, its degrees of freedom, and the widening (Birge ratio)."""
    from scipy.special import chdtrc

    chi2 = float(np.sum(problem.residuals(best) ** 2))
    # power holds fit exactly; the priors stand for all shared parameters but the two zeros
    dof = 2 * (len(problem.eta) - len(problem.power)) - 2
    if dof < 1:
        words.append("too few glides to test whether they agree with each other")
        return chi2, dof, 1.0
    if float(chdtrc(dof, chi2)) >= 0.05:
        return chi2, dof, 1.0
    ratio = float(np.sqrt(chi2 / dof))
    words.append(
        f"glides and ballast glides scatter {ratio:.1f} times as much as their noise explains "
        f"(chi2 {chi2:.0f} at {dof} degrees of freedom): all uncertainties were widened by that"
    )
    return chi2, dof, ratio


def _per_hold(
    problem: _Problem,
    holds: Sequence[Hold],
    wing: Wing,
    priors: Priors,
    best: Array,
    posterior: Array,
    x: Array,
    speed: Array,
    density: Array,
    rng: np.random.Generator,
    words: list[str],
) -> dict[str, Any]:
    """Return what :class:`MomentSolution` keeps per hold, from draws ``x``, ``speed`` and ``density``."""
    k, power, draws = len(holds), problem.power, len(x)
    coefficient = priors.turn_coefficient * np.exp(x[:, 7:8])
    spread = float(np.std(x[:, 7]))
    if spread > 0.4:
        words.append(
            f"the glider's turn per newton metre is known only within a factor of {np.exp(2 * spread):.1f} "
            "either "
            "way (95 %), and so are yaw and residual moments: gusts turn the wing more than the ballast does"
        )
    roll_draws = np.full((draws, k), np.nan)
    roll_draws[:, power] = x[:, _SHARED : _SHARED + len(power)] * 10.0
    roll_best = np.full(k, np.nan)
    roll_best[power] = best[_SHARED : _SHARED + len(power)] * 10.0

    # N m per unit of r_hat, and rad/s per unit of r_hat
    moment_scale = 0.5 * density * speed**2 * wing.area * wing.span / coefficient
    rate_scale = 2.0 * speed / wing.span
    excess = np.zeros((draws, k))
    excess[:, power] = x[:, _SHARED + len(power) :] * 0.01
    # c_L comes from glides; under power it may differ
    model = priors.turn_model * rng.standard_normal((draws, 1))
    excess = excess - model * np.exp(x[:, 7:8]) * problem.moments(x) * problem.gain
    ratio = priors.yaw_over_roll * np.exp(priors.yaw_over_roll_spread * rng.standard_normal((draws, 1)))
    yaw = excess * moment_scale / ratio
    excess = excess * rate_scale
    noise = np.sqrt(np.sum(problem.root**2, axis=1))[1::2]
    residual = (problem.r_hat + noise * rng.standard_normal((draws, k))) * moment_scale

    roll, excess_out, yaw_out, residual_out = [], [], [], []
    for i, hold in enumerate(holds):
        if hold.kind is HoldKind.POWER:
            roll.append(
                Quantity.from_samples(
                    roll_draws[:, i],
                    "N m",
                    value=float(roll_best[i]),
                    budget=_budget(problem, posterior, best, i),
                )
            )
            excess_out.append(Quantity.from_samples(excess[:, i], "rad/s"))
            yaw_out.append(Quantity.from_samples(yaw[:, i], "N m", value=float(np.nanmedian(yaw[:, i]))))
        else:
            why = "the zero is taken from holds without power"
            roll.append(Quantity.unknown("N m", why))
            excess_out.append(Quantity.unknown("rad/s", why))
            yaw_out.append(Quantity.unknown("N m", why))
        residual_out.append(
            Quantity.from_samples(residual[:, i], "N m", value=float(np.nanmedian(residual[:, i])))
        )
    return {
        "roll_moment": tuple(roll),
        "excess_turn": tuple(excess_out),
        "yaw_moment": tuple(yaw_out),
        "residual": tuple(residual_out),
        "roll_draws": roll_draws,
    }


def _log_std(median: float, std: float) -> float:
    """Return the standard deviation of the logarithm of a log-normal quantity with this relative spread."""
    return float(np.sqrt(np.log1p((std / median) ** 2)))


def _budget(problem: _Problem, posterior: Array, best: Array, hold: int) -> dict[str, float]:
    """Split the variance of one roll moment by source [N m].

    With ``L = K (eta - eta_0)``: scatter of the hold itself, the zero with its drift, K, and what a yaw error
    of the sensor makes of the unit's pitch.
    """
    stiffness = problem.reference * float(np.exp(best[2])) + float(problem.extra[hold])
    own = float(np.linalg.norm(problem.root[2 * hold])) * stiffness
    since = float(problem.since[hold])
    zero_variance = posterior[0, 0] + since**2 * posterior[1, 1] + 2 * since * posterior[0, 1]
    zero = float(np.sqrt(max(zero_variance, 0.0))) * stiffness
    index = _SHARED + int(np.flatnonzero(problem.power == hold)[0])
    moment = abs(float(best[index])) * 10.0
    return {
        "scatter in the hold": own,
        "zero from glides": zero,
        "calibration K": moment * float(np.sqrt(posterior[2, 2])),
        "yaw of the sensor": abs(float(problem.pitch[hold])) * stiffness * float(np.sqrt(posterior[8, 8])),
    }
