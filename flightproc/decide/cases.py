r"""What a change of the frame does to moment and turn, for each glider, draw by draw.

A change gives a roll moment L and a yaw moment N on the hung unit (T thrust, m hung mass, q dynamic pressure
of the slipstream, positive right):

.. math::
    L &= -m g y - z T (\sin\delta + N / k_\psi) - q A a \alpha\, \eta\, r \\
    N &= -T y_T - d\, T \sin\delta - q A a \alpha\, \eta\, l

with y the offset of the hang points, y_T that of the thrust line, delta its tilt (positive: the thrust points
right), z and d how far the propeller lies below and behind the hang points, A the area of the surfaces, a
their lift slope, alpha their angle, eta their effectiveness, r and l their arms. Every variable is positive
where it rolls or turns left, against a reaction that rolls right. A yaw moment twists the unit under its
risers by N / k_psi, and the thrust then points that way: below the hang points it rolls the other way, so
that with risers that resist little twist (k_psi) the yaw moment loses its effect or turns it round.

The turn is that of power and frame together, ``(2 V / b) c_L (L + R N) / (q S b)`` added to what was flown,
with R turn per yaw over turn per roll moment. The twist is left out of the roll moment on the unit itself,
which turns with its thrust.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..channels import GRAVITY
from ..display import displayed
from ..rig.power import thrust_ceiling
from ..sheets.balance import BalanceSheet, SurfaceEntry
from ..sheets.load import BalanceSheets
from .flown import Flown
from .laws import Law, ThrustLaw, fit_law
from .slipstream import lift_slope, stream_speed, surface_drag_coefficient

__all__ = ["Case", "Change", "Draws", "Response", "make_cases", "make_draws", "respond", "thrust_law"]

Array = NDArray[np.float64]

_POWER_MODEL = 0.2  # relative change of c_L from glide to power
_OTHER_WING = 0.4  # log-spread of c_L from one wing to another on the same frame
_MERIT = (0.62, 0.07)  # static figure of merit of a propeller of which only the torque is known
_RATIO = (
    np.array([0.0, 0.1, 0.2, 0.3]),
    np.array([1.0, 0.91, 0.81, 0.68]),
)  # usual thrust over static thrust
_RATIO_STD = 0.06
_ENOUGH = 0.02  # share of the draws that must be left where the turn in flight is taken in


@dataclass(frozen=True)
class Change:
    """A change of the frame, on top of what it had when it was flown.

    Attributes
    ----------
    hang_offset : float
        Hang points to the right [m].
    thrust_offset : float
        Thrust line to the right [m].
    thrust_tilt : float
        Thrust pointing to the right [rad].
    surface_area : float
        All surfaces together [m^2].
    surface_angle : float
        Their angle of attack in the stream [rad], positive where they roll the unit left.

    Examples
    --------
    >>> Change(hang_offset=0.012)
    Change(hang_offset=0.012, thrust_offset=0.0, thrust_tilt=0.0, surface_area=0.0, surface_angle=0.0)
    """

    hang_offset: float = 0.0
    thrust_offset: float = 0.0
    thrust_tilt: float = 0.0
    surface_area: float = 0.0
    surface_angle: float = 0.0

    @property
    def actions(self) -> Array:
        """What moments are linear in: y [m], y_T [m], sin delta [1], A alpha [m^2]."""
        return np.array(
            [
                self.hang_offset,
                self.thrust_offset,
                math.sin(self.thrust_tilt),
                self.surface_area * self.surface_angle,
            ]
        )


@displayed
@dataclass(frozen=True)
class Case:
    """A glider with its loading.

    Attributes
    ----------
    name : str
        As shown.
    hung_mass, all_up_mass : float
        [kg].
    area, span : float
        [m^2], [m].
    airspeed : float
        At trim [m/s].
    weight : float
        What it counts; all of them add up to 1.
    flown : bool
        Whether it is the glider that was flown.
    coefficient, spread : float
        c_L relative to that of the glider flown (own) or absolute, and the spread of its logarithm.
    relative : bool
        Whether ``coefficient`` is relative.
    bias, bias_std : float
        Turn of the glider itself in a glide [rad/s]; not used for the glider flown.
    """

    name: str
    hung_mass: float
    all_up_mass: float
    area: float
    span: float
    airspeed: float
    weight: float
    flown: bool
    coefficient: float = 1.0
    spread: float = 0.0
    relative: bool = True
    bias: float = 0.0
    bias_std: float = 0.0


@displayed
@dataclass(frozen=True)
class Draws:
    """Joint draws of all that is uncertain, equally weighted.

    Attributes
    ----------
    moment : ndarray, shape (n, 2)
        Coefficients of the law of the roll moment.
    yaw : ndarray, shape (n,)
        Yaw moment of power at the law's reference speed [N m].
    coefficient : ndarray, shape (n,)
        c_L of the glider flown, in glides.
    power : ndarray, shape (n,)
        Its factor under power.
    over : ndarray, shape (n,)
        Turn per yaw moment over turn per roll moment, of a unit that does not twist.
    twist : ndarray, shape (n,)
        Yaw stiffness of the risers [N m/rad].
    zero : ndarray, shape (n,)
        Reduced turn without power.
    thrust : ndarray, shape (n,)
        Factor on thrust.
    effect : ndarray, shape (n,)
        Effectiveness of a surface.
    glider, bias : ndarray, shape (n, g)
        For each case a standard normal for its c_L, and its own turn in a glide [rad/s].
    built : ndarray, shape (n, 5)
        Standard normals for what is built, in the order of `Change`.
    law, thrust_law : Law, ThrustLaw
        The curves.
    density : float
        [kg/m^3].
    kept : float
        Share of the draws that the turn in flight left in effect.
    yaw_prior : float
        Standard deviation of ``yaw`` before the turn in flight spoke [N m].
    words : tuple of str
        What was assumed or seen.
    """

    moment: Array
    yaw: Array
    coefficient: Array
    power: Array
    over: Array
    twist: Array
    zero: Array
    thrust: Array
    effect: Array
    glider: Array
    bias: Array
    built: Array
    law: Law
    thrust_law: ThrustLaw
    density: float
    kept: float
    yaw_prior: float
    words: tuple[str, ...]

    @property
    def size(self) -> int:
        """Number of draws."""
        return self.yaw.size


def make_cases(flown: Flown, sheets: BalanceSheets) -> tuple[Case, ...]:
    """Return the gliders and loadings that the balance sheet asks for, else the one flown."""
    speed = float(np.mean(flown.airspeed))
    entries = sheets.sheet.gliders
    total = sum(entry.weight for entry in entries)
    if not entries:
        mass = flown.all_up_mass
        return (Case(flown.glider, flown.hung_mass, mass, flown.area, flown.span, speed, 1.0, flown=True),)
    out = []
    for i, (entry, glider) in enumerate(zip(entries, sheets.gliders, strict=True), start=1):
        hung = flown.hung_mass if entry.hung_mass_kg is None else entry.hung_mass_kg
        wing = flown.all_up_mass - flown.hung_mass if entry.glider_mass_kg is None else entry.glider_mass_kg
        mass = hung + wing
        pace = math.sqrt(mass / flown.all_up_mass)  # speed at trim grows as the root of wing loading
        if glider is None:
            name = entry.name or f"{flown.glider}, {hung:g} kg hung"
            out.append(
                Case(name, hung, mass, flown.area, flown.span, speed * pace, entry.weight / total, flown=True)
            )
            continue
        stated = glider.turn_coefficient
        if stated is None:
            coefficient, spread = 1.0, _OTHER_WING
        else:
            std = 0.3 * stated if glider.turn_coefficient_std is None else glider.turn_coefficient_std
            coefficient, spread = stated, math.sqrt(math.log1p((std / stated) ** 2))
        out.append(
            Case(
                entry.name or glider.name or f"glider {i}",
                hung,
                mass,
                glider.flat_area_m2,
                glider.flat_span_m,
                glider.trim_speed_m_s * pace,
                entry.weight / total,
                flown=False,
                coefficient=coefficient,
                spread=spread,
                relative=stated is None,
                bias=math.radians(entry.bias_deg_s),
                bias_std=math.radians(entry.bias_std_deg_s),
            )
        )
    return tuple(out)


def thrust_law(flown: Flown, sheet: BalanceSheet, density: float) -> ThrustLaw:
    """Return thrust against engine speed and airspeed: from the sheet, the results, or the torque alone."""
    if flown.advance.size >= 2 and flown.advance.size == flown.thrust_ratio.size:
        advance, ratio, ratio_words = flown.advance, flown.thrust_ratio, "the blade model's thrust in flight"
    else:
        advance, ratio, ratio_words = *_RATIO, "a usual loss of thrust in flight"

    def law(constant: float, std: float, words: str) -> ThrustLaw:
        return ThrustLaw(constant, std, advance, ratio, flown.gear, flown.diameter, words)

    unit = law(1.0, 0.0, "")
    if sheet.thrust is not None:
        entry = sheet.thrust
        constant = entry.static_N / (density * entry.at_rpm**2)
        std = math.hypot(entry.static_std_N / entry.static_N, _RATIO_STD)
        return law(constant, std, f"static thrust of the balance sheet with {ratio_words}")
    known = np.isfinite(flown.thrust) & np.isfinite(flown.thrust_std)
    if known.any():
        each = flown.thrust[known] / unit.at(flown.rpm[known], flown.airspeed[known], flown.density[known])
        relative = float(np.mean(flown.thrust_std[known] / flown.thrust[known]))
        return law(float(np.mean(each)), relative, flown.thrust_source or "the results")
    torque = np.abs(flown.moment)
    power = 2.0 * math.pi * flown.rpm / flown.gear / 60.0 * torque
    ideal = thrust_ceiling(power, diameter=flown.diameter, density=flown.density)
    rest = ideal * _MERIT[0] ** (2.0 / 3.0)
    constant = float(np.mean(rest / (flown.density * flown.rpm**2)))
    share = float(np.mean(flown.covariance.diagonal() ** 0.5 / np.maximum(torque, 1e-9)))
    std = math.sqrt((2.0 / 3.0 * _MERIT[1] / _MERIT[0]) ** 2 + _RATIO_STD**2 + (2.0 / 3.0 * share) ** 2)
    return law(
        constant,
        std,
        f"the torque in flight alone, with a figure of merit of {_MERIT[0]} ± {_MERIT[1]} and {ratio_words}; "
        "neither rig nor blade gave thrust",
    )


def make_draws(flown: Flown, sheet: BalanceSheet, cases: Sequence[Case]) -> Draws:
    """Draw all that is uncertain, and keep what agrees with the turn seen under power.

    Notes
    -----
    Roll moments, c_L and the zero come from the results. The yaw moment of power, which follows thrust, has a
    prior (a thrust line that may lie off centre unseen). Its posterior given the turn rates of the power
    holds is normal for each draw of the rest; the rest is weighted by the marginal likelihood of those turn
    rates and drawn anew. So the turn seen in flight sharpens c_L and yaw moment together, and the turn of
    the frame as it is agrees with what was seen.
    """
    rng = np.random.default_rng((sheet.seed, 21))
    density = float(np.mean(flown.density))
    law = fit_law(
        flown.rpm,
        flown.moment * density / flown.density,
        flown.covariance * np.outer(density / flown.density, density / flown.density),
    )
    push = thrust_law(flown, sheet, density)
    words = []
    raw = max(8 * sheet.draws, 20_000)
    moment = law.draw(raw, rng)
    coefficient = flown.turn_coefficient * np.exp(flown.turn_coefficient_spread * rng.standard_normal(raw))
    power = np.exp(_POWER_MODEL * rng.standard_normal(raw))
    over = sheet.yaw_over_roll * np.exp(sheet.yaw_over_roll_spread * rng.standard_normal(raw))
    zero = flown.turn_zero + flown.turn_zero_std * rng.standard_normal(raw)
    thrust = np.exp(push.relative_std * rng.standard_normal(raw))
    twist = sheet.riser_yaw_stiffness_N_m_rad * np.exp(
        sheet.riser_yaw_stiffness_spread * rng.standard_normal(raw)
    )
    expected = sheet.unseen_thrust_offset_m * float(
        push.at(law.reference, float(np.mean(flown.airspeed)), density)
    )
    gains = [4.0 * coefficient * power / (density * v * flown.area * flown.span**2) for v in flown.airspeed]
    below = sheet.propeller_below_hang_m
    overs = [
        over - below * thrust * push.at(n, v, density) / twist
        for n, v in zip(flown.rpm, flown.airspeed, strict=True)
    ]
    for prior in (expected, 3.0 * expected, 10.0 * expected):
        yaw, weight = _take_in_turns(flown, law, moment, gains, overs, zero, prior, rng)
        kept = float(weight.sum() ** 2 / np.sum(weight**2)) / raw
        if kept > _ENOUGH:
            break
        words.append(
            f"the turn seen under power asks for a yaw moment beyond {prior:.1f} N m at "
            f"{law.reference:.0f} rpm, which was the most expected: the thrust line may lie further off "
            "centre than unseen_thrust_offset_m says; three times as much was allowed for"
        )
    # systematic resampling
    steps = (rng.random() + np.arange(sheet.draws)) / sheet.draws
    chosen = np.minimum(np.searchsorted(np.cumsum(weight / weight.sum()), steps), raw - 1)
    count = sheet.draws
    surface = sheet.surface or SurfaceEntry()
    bias = np.array([c.bias for c in cases]) + np.array([c.bias_std for c in cases]) * rng.standard_normal(
        (count, len(cases))
    )
    return Draws(
        moment=moment[chosen],
        yaw=yaw[chosen],
        coefficient=coefficient[chosen],
        power=power[chosen],
        over=over[chosen],
        twist=twist[chosen],
        zero=zero[chosen],
        thrust=thrust[chosen],
        effect=np.maximum(
            surface.effectiveness + surface.effectiveness_std * rng.standard_normal(count), 0.0
        ),
        glider=rng.standard_normal((count, len(cases))),
        bias=bias,
        built=rng.standard_normal((count, 5)),
        law=law,
        thrust_law=push,
        density=density,
        kept=kept,
        yaw_prior=prior,
        words=tuple(words),
    )


def _take_in_turns(
    flown: Flown,
    law: Law,
    moment: Array,
    gains: Sequence[Array],
    overs: Sequence[Array],
    zero: Array,
    prior: float,
    rng: np.random.Generator,
) -> tuple[Array, Array]:
    """Return draws of the yaw moment given the turn rates, and the weight of each draw of the rest."""
    precision = np.full(len(moment), 1.0 / prior**2)
    pull = np.zeros(len(moment))
    misfit = np.zeros(len(moment))
    for i, gain in enumerate(gains):
        if not math.isfinite(flown.turn_std[i]):
            continue
        roll = law.at(flown.rpm[i], moment)
        gap = flown.turn[i] - 2.0 * flown.airspeed[i] / flown.span * zero - gain * roll
        slope = gain * overs[i] * (flown.rpm[i] / law.reference) ** 2
        noise = flown.turn_std[i] ** 2
        precision += slope**2 / noise
        pull += slope * gap / noise
        misfit += gap**2 / noise
    mean = pull / precision
    log = -0.5 * misfit + 0.5 * mean * pull - 0.5 * np.log(precision * prior**2)
    yaw = mean + rng.standard_normal(len(moment)) / np.sqrt(precision)
    return yaw, np.exp(log - log.max())


@displayed
@dataclass(frozen=True)
class Response:
    """Moment and turn of one case at one engine speed, before a change and for each unit of one.

    Attributes
    ----------
    turn, moment : ndarray, shape (n,)
        Before the change: turn rate [rad/s], roll moment with that of a present hang offset [N m].
    turn_per, moment_per : ndarray, shape (4, n)
        For each unit of `Change.actions`.
    twist_per : ndarray, shape (4, n)
        Yaw of the unit under its risers for each of them [rad].
    thrust : ndarray, shape (n,)
        [N]; zero where the propeller stands or turns without load.
    pressure : ndarray, shape (n,)
        Dynamic pressure of the stream where the surfaces stand [Pa].
    """

    turn: Array
    moment: Array
    turn_per: Array
    moment_per: Array
    twist_per: Array
    thrust: Array
    pressure: Array


def respond(
    flown: Flown, sheet: BalanceSheet, draws: Draws, cases: Sequence[Case], number: int, rpm: float | None
) -> Response:
    """Return how case ``number`` answers at an engine speed, None for no power."""
    case, size = cases[number], draws.size
    speed, density = case.airspeed, draws.density
    offset = present_offset(flown)
    hang = -case.hung_mass * GRAVITY  # roll moment for each metre of hang offset
    wing = draws.coefficient if case.relative else np.full(size, 1.0)
    coefficient = wing * case.coefficient * np.exp(case.spread * draws.glider[:, number])
    gain = 4.0 * coefficient / (density * speed * case.area * case.span**2)  # [rad/s per N m]
    if case.flown:
        start = 2.0 * speed / case.span * draws.zero + gain * (hang + flown.hung_mass * GRAVITY) * offset
    else:
        start = draws.bias[:, number] + gain * hang * offset
    roll, yaw, thrust = np.zeros(size), np.zeros(size), np.zeros(size)
    if rpm is not None:
        gain_power = gain * draws.power
        roll = draws.law.at(rpm, draws.moment)
        yaw = draws.yaw * (rpm / draws.law.reference) ** 2
        thrust = draws.thrust * draws.thrust_law.at(rpm, speed, density)
        gain = gain_power
    surface = sheet.surface or SurfaceEntry()
    axial = stream_speed(
        thrust,
        diameter=flown.diameter,
        density=density,
        airspeed=speed,
        distance=surface.behind_propeller_m,
    )
    pressure = 0.5 * density * axial**2
    slope = lift_slope(surface.section_slope_per_rad, surface.aspect_ratio, surface.span_efficiency)
    lift = pressure * slope * draws.effect  # for each A alpha
    below, behind = sheet.propeller_below_hang_m, sheet.propeller_behind_hang_m
    over = draws.over - below * thrust / draws.twist
    none = np.zeros(size)
    rolls = np.vstack([np.full(size, hang), none, -below * thrust, -lift * surface.arm_m])
    yaws = np.vstack([none, -thrust, -behind * thrust, -lift * surface.yaw_arm_m])
    return Response(
        turn=start + gain * (roll + over * yaw),
        moment=roll + hang * offset,
        turn_per=gain * (rolls + over * yaws),
        moment_per=rolls,
        twist_per=yaws / draws.twist,
        thrust=thrust,
        pressure=pressure,
    )


def present_offset(flown: Flown) -> float:
    """Return the sideways offset that the hang points have now, where it is known, else 0 [m]."""
    if flown.compensation != "hang_offset":
        return 0.0
    if flown.hang_offset is not None:
        return flown.hang_offset
    if flown.fitted is not None:
        return flown.sign * flown.fitted / (flown.hung_mass * GRAVITY)
    return 0.0


def thrust_loss(sheet: BalanceSheet, change: Change, answer: Response) -> Array:
    """Return the thrust that a change takes [N]: drag of the surfaces, and what a tilt points sideways."""
    surface = sheet.surface or SurfaceEntry()
    slope = lift_slope(surface.section_slope_per_rad, surface.aspect_ratio, surface.span_efficiency)
    drag = surface_drag_coefficient(
        slope * change.surface_angle,
        zero_lift=surface.zero_lift_drag,
        aspect_ratio=surface.aspect_ratio,
        efficiency=surface.span_efficiency,
    )
    aside = 1.0 - math.cos(change.thrust_tilt)
    return np.asarray(answer.pressure * change.surface_area * drag + aside * answer.thrust)
