"""The precision a sortie will reach, by the equations that will evaluate it.

The holds of a schedule are put into the estimator's own equations (:mod:`flightproc.moment.problem`) with
observations free of noise and the covariance their noise will have; its linearised solution
(:mod:`flightproc.moment.shares`) then gives the variance of the roll moment at cruise by source, before any
flight. What the comparison with the rig adds is added as :mod:`flightproc.compare` does.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from ..channels import GRAVITY
from ..display import displayed
from ..holds.model import Hold, HoldKind
from ..moment.calibrate import Frame, Priors, Wing
from ..moment.observe import Observations
from ..moment.posterior import Posterior, jacobian_of, split_factor
from ..moment.problem import Problem, Session, build_problem
from ..moment.shares import Shares
from ..statistics.autoregression import LevelFit
from .plan_legs import Leg, Schedule
from .plan_noise import HoldNoise

__all__ = ["Forecast", "World", "forecast"]

Array = NDArray[np.float64]

SETTLING = 13.5
"""Of hands-off time before and in a hold, what the hold search leaves out: 12 s of settling and, in simulated
sorties, 1.5 s at the ends [s]."""
NOISE = ("noise of the power holds", "noise of the glides", "noise of the ballast legs", "drift of the zeros")
"""Sources that more or longer holds make smaller."""

_PITCH = 0.20  # pitch of the hung unit per thrust over weight in simulated sorties [rad]
_HANG_WALK, _TURN_WALK = np.radians(0.07), np.radians(0.1)  # wander of the zeros in 1000 s
_AIRSPEED_COMMON, _AIRSPEED_OWN = (
    0.065,
    0.04,
)  # of airspeed by GPS circles, tests/benchmarks/plan_noise.py [m/s]
_DENSITY = 0.0083  # relative, where pressure and temperature are logged; from the same command
_IDLE_RELATIVE_STD = 0.5


@displayed
@dataclass(frozen=True)
class World:
    """What is known before the flight.

    Attributes
    ----------
    frame, priors, wing
        As the estimator will have them.
    noise : HoldNoise
        Of a hold's levels.
    torque : callable
        Engine speed [1/min] to static torque at the flight's density and its standard uncertainty [N m].
    sign : int
        +1 where the reaction rolls right.
    stiffness : float
        K to expect [N m/rad].
    airspeed, density : float
        [m/s], [kg/m^3].
    sensor_yaw_std : float
        [rad].
    ballast_arm, ballast_arm_std, ballast_mass_std : float
        [m], [m], [kg].
    idle_moment : float
        Roll moment of an idling propeller, with its sign [N m].
    cruise_rpm : float
        [1/min].
    thrust_over_weight : callable
        Of the engine speed.
    inertia : tuple of float or None
        K from inertia and roll frequency [N m/rad], and its log-normal spread.
    """

    frame: Frame
    priors: Priors
    wing: Wing
    noise: HoldNoise
    torque: Callable[[float], tuple[float, float]]
    sign: int
    stiffness: float
    airspeed: float
    density: float
    sensor_yaw_std: float
    ballast_arm: float
    ballast_arm_std: float
    ballast_mass_std: float
    idle_moment: float
    cruise_rpm: float
    thrust_over_weight: Callable[[float], float]
    inertia: tuple[float, float] | None = None


@displayed
@dataclass(frozen=True)
class Forecast:
    """What a sortie will reach.

    Attributes
    ----------
    std : float
        Standard uncertainty of the torque at cruise over the rig's, or of its change between two sorties,
        relative to the torque.
    budget : mapping of str to float
        Its parts by source, relative; their squares sum to that of ``std``.
    torque : float
        Static torque at cruise [N m].
    """

    std: float
    budget: Mapping[str, float] = field(default_factory=dict)
    torque: float = math.nan

    @property
    def floor(self) -> float:
        """What is left of ``std`` however long the sortie."""
        return math.sqrt(sum(part**2 for name, part in self.budget.items() if name not in NOISE))


def forecast(plan: Schedule, ballast_mass: float, world: World, *, against: str = "rig") -> Forecast:
    """Return the precision of the torque at cruise.

    Parameters
    ----------
    plan : Schedule
        The sortie.
    ballast_mass : float
        Of its ballast legs [kg].
    world : World
        What is known before.
    against : str
        ``rig``, or ``sortie`` for the change between two sorties flown alike, whose shared errors fall out.
    """
    sessions = [_session(plan, ballast_mass, world)] * (1 if against == "rig" else 2)
    problem = build_problem(sessions, world.frame, world.priors, world.inertia)
    x = _truth(problem, world)
    problem = _without_noise(problem, x, plan, world)
    shares = Shares.make(problem, _posterior(problem, x))
    rpm = np.tile([leg.rpm for leg in plan.holds if leg.kind == "power"], len(sessions))
    cruise = np.abs(rpm - world.cruise_rpm) < 1.0
    weights = cruise / cruise[: len(rpm) // len(sessions)].sum()
    if against != "rig":
        weights[len(rpm) // 2 :] *= -1.0
    torque, torque_std = world.torque(world.cruise_rpm)
    parts = {name: v / torque**2 for name, v in shares.combined(weights).items() if v > 0.0}
    if against == "rig":
        parts["rig"] = (torque_std / torque) ** 2
        parts["density"] = parts.get("density", 0.0) + _DENSITY**2
    total = sum(parts.values())
    ranked = sorted(parts.items(), key=lambda item: -item[1])
    budget = {name: math.sqrt(v) for name, v in ranked if v > 1e-4 * total}
    return Forecast(math.sqrt(total), budget, torque)


def _session(plan: Schedule, ballast_mass: float, world: World) -> Session:
    holds = plan.holds
    k = len(holds)
    length = np.array([_usable(leg) for leg in holds])
    middle = np.array([leg.end - _usable(leg) / 2 for leg in holds])
    covariance = np.zeros((2 * k, 2 * k))
    for i, seconds in enumerate(length):
        hang, turn, both = world.noise.block(float(seconds))
        covariance[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] = [[hang, both], [both, turn]]
    pitch = np.array([_PITCH * world.thrust_over_weight(leg.rpm) if leg.rpm else 0.0 for leg in holds])
    rpm = np.array([leg.rpm for leg in holds])
    observed = Observations(
        middle=middle,
        hang_roll=np.zeros(k),
        turn_rate=np.zeros(k),
        covariance=covariance,
        airspeed=np.full(k, world.airspeed),
        airspeed_std=np.full(k, _AIRSPEED_OWN),
        bank=np.full(k, np.nan),
        bank_std=np.full(k, np.nan),
        rpm=rpm,
        rpm_std=np.full(k, 5.0),
        density=np.full(k, world.density),
        load=np.full(k, GRAVITY),
        hang_pitch=pitch,
        noise=LevelFit(np.zeros((k, 2)), covariance, 1, np.zeros((1, 2, 2)), np.eye(2), 1.0, 0.0),
    )
    return Session(
        observed=observed,
        holds=tuple(_hold(leg, float(n), ballast_mass, world) for leg, n in zip(holds, length, strict=True)),
        wing=world.wing,
        wing_index=0,
        mass=world.frame.mass,
        idle_moment=np.where(rpm > 0.0, 0.0, world.idle_moment),
        idle_relative_std=_IDLE_RELATIVE_STD,
        airspeed=np.full(k, world.airspeed),
        airspeed_std=np.full(k, _AIRSPEED_OWN),
        airspeed_common_std=_AIRSPEED_COMMON,
        density_relative_std=_DENSITY,
        mount_yaw_std=world.sensor_yaw_std,
    )


def _usable(leg: Leg) -> float:
    """Return how much of a leg the hold search will keep [s]: settling before the hold counts against it."""
    from .plan_legs import BALLAST_SECONDS, TURN_SECONDS

    settle = leg.before - TURN_SECONDS - (BALLAST_SECONDS if leg.side else 0.0)
    return leg.seconds + settle - SETTLING


def _hold(leg: Leg, seconds: float, mass: float, world: World) -> Hold:
    side = {"right": 1.0, "left": -1.0}.get(leg.side, 0.0)
    moment = side * mass * GRAVITY * world.ballast_arm
    std = (
        abs(side)
        * GRAVITY
        * math.hypot(world.ballast_mass_std * world.ballast_arm, mass * world.ballast_arm_std)
    )
    kind = HoldKind(leg.kind)
    return Hold(leg.end - seconds, leg.end, kind, True, leg.rpm, "sheet", moment, std, True)


def _truth(problem: Problem, world: World) -> Array:
    """Return the parameters to expect: priors, and the riser stiffness that K asks for."""
    from scipy.special import ndtri

    x = np.zeros(problem.size)
    priors = world.priors
    riser = world.stiffness - priors.weight
    if priors.riser_stated:
        z = math.log(max(riser, 1.0) / priors.riser[0]) / priors.riser[1]
    else:
        low, high = priors.riser
        z = float(ndtri(min(max((riser - low) / (high - low), 0.02), 0.98)))
    x[problem.labels.index("riser stiffness")] = min(max(z, -3.0), 3.0)
    return x


def _without_noise(problem: Problem, x: Array, plan: Schedule, world: World) -> Problem:
    """Return the problem with the observations that these parameters and the rig's torque give."""
    seen = problem.predict(x)
    rpm = np.array([leg.rpm for leg in plan.holds])
    moment = np.tile([world.sign * world.torque(n)[0] if n else 0.0 for n in rpm], problem.sessions)
    power = problem.power
    seen[2 * power] += moment[power] / problem.stiffness_in_hold(x)[power]
    seen[2 * power + 1] += problem.turn_in_hold(x)[power] * problem.gain[power] * moment[power]
    return replace(problem, observations=seen)


def _posterior(problem: Problem, x: Array) -> Posterior:
    """Return the normal law about parameters that fit without a residue."""
    walk = _HANG_WALK**2 * problem.hang_walk + _TURN_WALK**2 * problem.turn_walk
    posterior = Posterior(
        best=x,
        covariance=np.zeros((problem.size, problem.size)),
        draws=x[None],
        noise_draws=np.zeros((1, 2 * len(problem.power))),
        noise=problem.noise,
        walk=walk,
        hang_walk=float(_HANG_WALK),
        turn_walk=float(_TURN_WALK),
        chi2=0.0,
        dof=0,
        widening=1.0,
        effective=1.0,
    )
    jacobian = jacobian_of(problem, split_factor(problem, posterior), x)
    covariance = np.linalg.inv(jacobian.T @ jacobian)
    return replace(posterior, covariance=(covariance + covariance.T) / 2)
