"""Solve all holds of a sortie, or of several sorties, together for moments, zeros and calibration.

The equations are those of :mod:`flightproc.moment.problem`. What all holds share (``K``, the ballast's arm,
the zeros) stays shared in the draws, and every result carries how much of its variance comes from which
source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from ..display import Card, displayed
from ..errors import EstimateError
from ..holds.model import Hold, HoldKind
from ..quantity import Quantity
from .calibrate import Frame, Priors, Wing
from .observe import Observations
from .posterior import Posterior, fit_problem
from .problem import Problem, Session, build_problem
from .shares import Shares

__all__ = ["MomentSolution", "make_session", "solve_moments", "solve_together"]

Array = NDArray[np.float64]

_AIRSPEED_GUESS = 0.08  # relative uncertainty of trim speed where no airspeed was found
_SLOWEST = 2.0  # airspeeds are not drawn below this [m/s]


@displayed
@dataclass(frozen=True)
class MomentSolution:
    """Moments of all holds with what they share.

    Attributes
    ----------
    roll_moment, excess_turn, yaw_moment, residual : tuple of Quantity
        One per hold: [N m], [rad/s], [N m], [N m]. Roll moment and excess turn are unknown, with the reason,
        for holds without power. The yaw moment and the residual have no mean (the turn coefficient may be
        near nothing): their value is the median and their ``std`` half the 68 % interval.
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
    hang_walk, turn_walk : float
        How far the zeros wander in 1000 s, by the glides [rad], [rad/s].
    method : str
        What ``K`` rests on: ``ballast``, ``inertia``, ``tilt test`` or ``prior``.
    words : tuple of str
        What was assumed, found inconsistent or is missing.
    stiffness_draws, turn_draws : ndarray, shape (draws,)
        Draws of ``K`` [N m/rad] and ``c_L`` that go with those of the roll moment, and with those of other
        sorties solved together.

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> prepared = fp.prepare_sortie(sheets, fp.read_recordings(sheets))
    >>> solution = fp.solve_sortie(prepared)
    >>> print(solution.stiffness)
    486 ± 12 N m/rad
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
    hang_walk: float
    turn_walk: float
    method: str
    words: tuple[str, ...]
    stiffness_draws: Array = field(default_factory=lambda: np.zeros(0))
    turn_draws: Array = field(default_factory=lambda: np.zeros(0))

    def _card(self) -> Card:
        facts = (
            ("hang stiffness K", self.stiffness.text(interval=True)),
            ("hang zero", self.hang_zero.degrees().text()),
            ("turn coefficient c_L", self.turn_coefficient.text(interval=True)),
            (
                "agreement",
                f"chi2 {self.chi2:.1f}, {self.dof} degrees of freedom, widening {self.widening:.2f}",
            ),
        )
        rows = tuple(
            (f"{i}", item.text(interval=True), turn.degrees("deg/s").text())
            for i, (item, turn) in enumerate(zip(self.roll_moment, self.excess_turn, strict=True))
            if item.known
        )
        title = f"{len(rows)} power holds of {len(self.roll_moment)}, K from {self.method}"
        return Card(title, facts, ("hold", "roll moment", "excess turn"), rows)


def make_session(
    observed: Observations,
    holds: Sequence[Hold],
    wing: Wing,
    mass: float,
    *,
    wing_index: int = 0,
    idle_moment: Array | None = None,
    idle_relative_std: float = 0.5,
    airspeed_common_std: float = 0.0,
    density_relative_std: float = 0.01,
    mount_yaw_std: float = float("nan"),
) -> tuple[Session, list[str]]:
    """Put one sortie into the form the solver takes, with words on what is missing.

    Parameters
    ----------
    observed : Observations
        Levels of the k holds.
    holds : sequence of Hold, length k
        In the same order.
    wing : Wing
        Its glider.
    mass : float
        Hung mass [kg].
    wing_index : int
        Sorties with one index share riser stiffness and turn coefficient.
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

    Raises
    ------
    EstimateError
        When there is no power hold.
    """
    kinds = [h.kind for h in holds]
    if HoldKind.POWER not in kinds:
        raise EstimateError(
            "no power hold was found",
            where="sortie",
            hint="fly 60 s straight at a steady throttle, hands off",
        )
    words = list(observed.words)
    if observed.agreement is not None:
        words.append(observed.agreement.words)
    if all(kind is HoldKind.POWER for kind in kinds):
        words.append(
            "no glide was found, so nothing tells the zeros: each roll moment is only as good as the guess "
            "that "
            "the unit hangs level within 3 degrees, but differences between settings are not touched by "
            "that; "
            "fly straight 60 s glides before, between and after the power holds"
        )
    if not np.isfinite(observed.hang_roll).any():
        words.append(
            "no hang roll: the moments come from the turn alone, with the wing's turn per newton metre as "
            "assumed, and cannot tell roll from yaw; log specific force on the hung unit"
        )
    if not np.isfinite(observed.turn_rate).any():
        words.append(
            "no turn rate: excess turn and residual turning moment are unknown; log body rates on the hung "
            "unit"
        )
    airspeed, own_std = _airspeeds(observed, wing, words)
    session = Session(
        observed=observed,
        holds=tuple(holds),
        wing=wing,
        wing_index=wing_index,
        mass=mass,
        idle_moment=np.zeros(len(holds)) if idle_moment is None else np.asarray(idle_moment, dtype=float),
        idle_relative_std=idle_relative_std,
        airspeed=airspeed,
        airspeed_std=own_std,
        airspeed_common_std=airspeed_common_std,
        density_relative_std=density_relative_std,
        mount_yaw_std=mount_yaw_std,
    )
    return session, words


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
    roll_frequency: Quantity | None = None,
    draws: int = 20_000,
    seed: int = 1,
) -> MomentSolution:
    """Solve all holds of one sortie together.

    Parameters
    ----------
    observed, holds, wing, idle_moment, idle_relative_std, airspeed_common_std, density_relative_std
        As for :func:`make_session`.
    mount_yaw_std : float
        As there.
    frame, priors
        Geometry and what is known before the flight.
    roll_frequency : Quantity, optional
        Undamped natural frequency of the unit's roll under its hang points [rad/s]; used where the frame's
        inertia is known.
    draws, seed : int
        Draws of the posterior.

    Raises
    ------
    EstimateError
        When there is no power hold.

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> prepared = fp.prepare_sortie(sheets, fp.read_recordings(sheets))
    >>> solution = fp.solve_moments(
    ...     prepared.observed,
    ...     prepared.search.holds,
    ...     prepared.frame,
    ...     prepared.wing,
    ...     prepared.priors,
    ...     draws=500,
    ... )
    >>> solution.method
    'ballast'
    """
    session, words = make_session(
        observed,
        holds,
        wing,
        frame.mass,
        idle_moment=idle_moment,
        idle_relative_std=idle_relative_std,
        airspeed_common_std=airspeed_common_std,
        density_relative_std=density_relative_std,
        mount_yaw_std=mount_yaw_std,
    )
    return solve_together(
        [session], frame, priors, roll_frequency=roll_frequency, draws=draws, seed=seed, words=[words]
    )[0]


def solve_together(
    sessions: Sequence[Session],
    frame: Frame,
    priors: Priors,
    *,
    roll_frequency: Quantity | None = None,
    draws: int = 20_000,
    seed: int = 1,
    words: Sequence[Sequence[str]] | None = None,
) -> tuple[MomentSolution, ...]:
    """Solve several sorties of one frame together.

    The frame's weight stiffness, the ballast and the changes under power are shared by all; riser stiffness
    and turn coefficient by sorties of one wing; zeros, drifts and the sensor's yaw are each sortie's own.

    Parameters
    ----------
    sessions : sequence of Session
        At least one.
    frame, priors, roll_frequency, draws, seed
        As for :func:`solve_moments`.
    words : sequence of sequence of str, optional
        What to say first of each sortie.
    """
    problem = build_problem(sessions, frame, priors, _inertia(frame, priors, roll_frequency))
    posterior = fit_problem(problem, draws=draws, seed=seed)
    problem = replace(problem, left_out=posterior.left_out)
    shared = list(priors.words) + _fit_words(problem, posterior, sessions)
    out, first = [], 0
    for number, session in enumerate(sessions):
        own = list(words[number]) if words is not None else []
        own += shared
        out.append(_solution(problem, posterior, session, number, first, own, seed))
        first += len(session.holds)
    return tuple(out)


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


def _inertia(frame: Frame, priors: Priors, frequency: Quantity | None) -> tuple[float, float] | None:
    """Return the stiffness that a swing feels, by inertia and frequency, with its log-normal spread."""
    from .calibrate import INERTIA_MODEL, SWING_RISER_STD

    if frame.inertia is None or frequency is None or frequency.value is None or not frequency.std:
        return None
    felt = frame.inertia * frequency.value**2
    risers = max(1.0 - priors.weight / felt, 0.0)
    relative = math.hypot(
        (frame.inertia_std or 0.1 * frame.inertia) / frame.inertia, 2.0 * frequency.std / frequency.value
    )
    return felt, math.hypot(relative, INERTIA_MODEL, SWING_RISER_STD * risers)


def _fit_words(problem: Problem, posterior: Posterior, sessions: Sequence[Session]) -> list[str]:
    words = []
    holds = [hold for session in sessions for hold in session.holds]
    for row in sorted(posterior.left_out):
        hold = holds[row // 2]
        words.append(
            f"the {hold.kind} hold from {hold.start:.0f} s turns as no other hold bears out, as with a "
            f"brake held: "
            "its turn was left out of the solution"
        )
    if posterior.dof < 1:
        words.append("too few glides to test whether they agree with each other")
    if posterior.widening > 1.0:
        words.append(
            f"glides and ballast glides scatter {posterior.widening:.1f} times as much as their noise and a "
            f"wander of the zeros explain (chi2 {posterior.chi2:.0f} at {posterior.dof} degrees of "
            f"freedom): all "
            "uncertainties were widened by that"
        )
    if posterior.hang_walk > math.radians(0.15):
        words.append(
            f"the hang zero wanders by about {math.degrees(posterior.hang_walk):.1f} deg in 1000 s, more "
            f"than "
            "sensors and a quiet pilot do: the zeros between the glides are the less certain for it"
        )
    spread = float(np.std(np.log(problem.turn_coefficient(posterior.draws)[:, 0])))
    if spread > 0.4:
        words.append(
            f"the glider's turn per newton metre is known only within a factor of {math.exp(2 * spread):.1f} "
            "either way (95 %), and so are yaw and residual moments: gusts turn the wing more than the "
            "ballast "
            "does"
        )
    if problem.rows.size and posterior.effective < 500:
        words.append(
            f"the draws of the posterior are thin (about {posterior.effective:.0f} effective): the ends of "
            f"the "
            "intervals are uncertain by several percent"
        )
    return words


def _solution(
    problem: Problem,
    posterior: Posterior,
    session: Session,
    number: int,
    first: int,
    words: list[str],
    seed: int,
) -> MomentSolution:
    """Return one sortie's part of the solution; its holds start at ``first`` in the problem."""
    x = posterior.draws
    k, draws = len(session.holds), len(posterior.draws)
    mine = np.arange(first, first + k)
    rng = np.random.default_rng((seed, 3, number))  # a stream of its own
    speed = session.airspeed * (
        1.0
        + rng.standard_normal((draws, 1)) * session.airspeed_common_std / session.airspeed
        + rng.standard_normal((draws, k)) * session.airspeed_std / session.airspeed
    )
    speed = np.maximum(speed, _SLOWEST)
    density = 1.0 + session.density_relative_std * rng.standard_normal((draws, 1))
    # what airspeed and density change of the dynamic pressure the solution was had with
    pressure = density * (speed / session.airspeed) ** 2
    scale = pressure / problem.gain[mine]
    to_rate = 2.0 * speed / session.wing.span

    places = {int(hold): i for i, hold in enumerate(problem.power)}
    yaw = rng.standard_normal((draws, len(problem.power)))
    moments, excess = problem.solve_power(x, posterior.noise_draws, yaw)
    turn_in_hold = problem.turn_in_hold(x)[:, mine]
    wing_turn = _wing_turn(problem, x)[:, mine]
    ratio = np.exp(problem.priors.yaw_over_roll_spread * rng.standard_normal((draws, 1)))
    ratio = problem.priors.yaw_over_roll * ratio
    rows = 2 * mine + 1
    noise = np.linalg.cholesky(
        posterior.noise[np.ix_(rows, rows)]
        + 1e-12 * np.trace(posterior.noise[np.ix_(rows, rows)]) * np.eye(k)
    )
    seen = problem.observations[rows] + rng.standard_normal((draws, k)) @ noise.T
    shares = Shares.make(problem, posterior)
    relative = {
        "airspeed": 2.0 * np.hypot(session.airspeed_std, session.airspeed_common_std) / session.airspeed,
        "density": np.full(k, session.density_relative_std),
    }

    roll_draws = np.full((draws, k), np.nan)
    roll, excess_out, yaw_out, residual_out = [], [], [], []
    no_turn = "no turn rate was logged"
    for i, hold in enumerate(session.holds):
        turn_seen = bool(np.isfinite(problem.observations[rows[i]]))
        if hold.kind is HoldKind.POWER:
            place = places[int(mine[i])]
            roll_draws[:, i] = moments[:, place]
            spread = float(np.std(roll_draws[:, i]))
            roll.append(Quantity.from_samples(roll_draws[:, i], "N m", budget=shares.moment(place, spread)))
            if turn_seen:
                rate = excess[:, place] * to_rate[:, i]
                excess_out.append(Quantity.from_samples(rate, "rad/s"))
                yaw_out.append(
                    Quantity.from_skewed(
                        excess[:, place] * scale[:, i] / (ratio[:, 0] * wing_turn[:, i]), "N m"
                    )
                )
            else:
                excess_out.append(Quantity.unknown("rad/s", no_turn))
                yaw_out.append(Quantity.unknown("N m", no_turn))
        else:
            why = "the zero is taken from holds without power"
            roll.append(Quantity.unknown("N m", why))
            excess_out.append(Quantity.unknown("rad/s", why))
            yaw_out.append(Quantity.unknown("N m", why))
        if turn_seen:
            values = seen[:, i] * scale[:, i] / turn_in_hold[:, i]
            parts = {name: float(part[i]) for name, part in relative.items()}
            left = Quantity.from_skewed(values, "N m")
            budget = shares.residual(int(mine[i]), values, left.std or 0.0, parts)
            residual_out.append(replace(left, budget=budget))
        else:
            residual_out.append(Quantity.unknown("N m", no_turn))

    reference = int(mine[0])
    stiffness = problem.stiffness(x)[:, reference]
    turn_draws = problem.turn_coefficient(x)[:, reference]
    ballast = any(h.kind is HoldKind.BALLAST for h in session.holds)
    method = "prior"
    if np.any(problem.known != 0.0):
        method = "ballast"
    elif problem.inertia is not None:
        method = "inertia"
    elif problem.priors.tilt_share > 0.5:
        method = "tilt test"
    if method == "ballast" and not ballast:
        words.append("the calibration comes from ballast glides of other sorties with the same frame")
    return MomentSolution(
        roll_moment=tuple(roll),
        excess_turn=tuple(excess_out),
        yaw_moment=tuple(yaw_out),
        residual=tuple(residual_out),
        roll_draws=roll_draws,
        stiffness=Quantity.from_samples(stiffness, "N m/rad"),
        hang_zero=Quantity.from_samples(problem.zero(x, number, 0), "rad"),
        hang_drift=Quantity.from_samples(problem.zero(x, number, 1), "rad/s"),
        turn_coefficient=Quantity.from_samples(turn_draws, ""),
        turn_zero=Quantity.from_samples(problem.zero(x, number, 2), ""),
        airspeed=session.airspeed,
        airspeed_std=np.hypot(session.airspeed_std, session.airspeed_common_std),
        chi2=posterior.chi2,
        dof=posterior.dof,
        widening=posterior.widening,
        hang_walk=posterior.hang_walk,
        turn_walk=posterior.turn_walk,
        method=method,
        words=tuple(words),
        stiffness_draws=stiffness,
        turn_draws=turn_draws,
    )


def _wing_turn(problem: Problem, x: Array) -> Array:
    """Return the turn by a roll moment on the wing itself, to which that by a yaw moment is set, (..., k)."""
    share = problem.riser(x)[..., problem.wing] / problem.stiffness(x)
    return np.asarray(problem.turn_in_hold(x) / share)
