r"""The whole sortie as one record: hang roll, what is known to move it, and which samples count.

In the unit's own axes, with the rates measured,

.. math::
    K\,\eta = L - I_u\dot p - c\,p + k_r\,(\phi_w - \phi_a), \qquad K = m_b f h + k_r

where :math:`\phi_w - \phi_a`, wing bank against apparent gravity, is the side force on the wing. A wing's
yaw balance without brake, :math:`C_{n\beta}\beta + C_{nr}\hat r = I_z\dot r / (q S b)`, ties that side
force to the turn rate and its rate of change, whatever gust or moment caused the turn. So the measured turn
rate, roll rate and their derivatives enter as inputs with free coefficients; what remains of the gusts is
coloured noise. In turns flown with the brakes the balance is another one, and they are left out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..channels import GRAVITY
from ..holds.model import BallastWindow, Hold, HoldKind, PilotWindow
from ..sortie.model import Sortie
from .calibrate import Priors

__all__ = ["RigTorque", "TraceRecord", "make_record", "trace_stretches"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
RigTorque = Callable[[Array, Array], tuple[Array, Array]]
"""From engine speed [1/min] and density [kg/m^3], both shape (n,), to static torque [N m] and its relative
standard uncertainty."""

_PERIOD = 0.4  # averaging period [s]
_SMOOTHING = 4.0  # over which the turn rate is averaged to tell a turn flown by the pilot [s]
_TURN = np.radians(4.0)  # turn rate beyond which it is one [rad/s]
_AROUND_TURN = 3.0  # left out before and after it [s]
_AROUND_MOVE = 3.0  # left out about the stated times of ballast [s]
_AROUND_STEP = 3.0  # left out after a sudden change of throttle [s]
_SUDDEN = 200.0  # change of engine speed that counts as sudden [1/min per s]
_ENDS = 5.0  # left out after take-off and before landing [s]
_LEAST = 10.0  # shortest stretch used [s]


@dataclass(frozen=True)
class TraceRecord:
    """One sortie on an even grid of averages.

    Attributes
    ----------
    time : ndarray, shape (n,)
        Middle of each average [s].
    period : float
        Averaging period [s].
    hang_roll : ndarray, shape (n,)
        The response [rad].
    used : ndarray of bool, shape (n,)
        Samples that count.
    airborne, power : ndarray of bool, shape (n,)
        In flight; with power on the propeller.
    moment : ndarray, shape (n,)
        Known moment of ballast and idling propeller, brought to the stiffness at one g [N m].
    torque : ndarray, shape (n,)
        Rig torque at the same engine speed and density, with the sign of the reaction, likewise [N m].
    idle : ndarray, shape (n,)
        Rig torque of an idling propeller, with sign [N m]; zeros where it does not turn.
    advance_ratio : ndarray, shape (n,)
        J; zeros without power, NaN where there is no airspeed.
    rpm : ndarray, shape (n,)
        Engine speed [1/min].
    rig_std : float
        Relative standard uncertainty of the rig torque, mean over power.
    pitch : ndarray, shape (n,)
        Pitch of the unit to apparent gravity, from its mean without power [rad].
    turn_rate, roll_rate : ndarray, shape (n,)
        [rad/s].
    left_out : dict of str to float
        Seconds of flight left out, by reason.
    """

    time: Array
    period: float
    hang_roll: Array
    used: Flags
    airborne: Flags
    power: Flags
    moment: Array
    torque: Array
    idle: Array
    advance_ratio: Array
    rpm: Array
    rig_std: float
    pitch: Array
    turn_rate: Array
    roll_rate: Array
    left_out: dict[str, float]

    def seconds(self, which: Flags) -> float:
        """Return how long samples that count and are flagged last [s]."""
        return float(np.sum(self.used & which)) * self.period

    def rate_of(self, values: Array) -> Array:
        """Return the derivative by time of a series on the grid."""
        return np.asarray(np.gradient(values, self.period), dtype=float)


def make_record(
    sortie: Sortie,
    holds: Sequence[Hold],
    rig_torque: RigTorque,
    *,
    reaction_sign: int,
    gear_ratio: float,
    diameter: float,
    priors: Priors,
    ballast: Sequence[BallastWindow] = (),
    pilot: Sequence[PilotWindow] = (),
    idle_rpm: float | None = None,
    idle_turns_propeller: bool = False,
) -> TraceRecord | str:
    """Put a sortie into the form that the whole-sortie estimate takes.

    Parameters
    ----------
    sortie, holds
        The flight and its holds, which tell the engine speeds of power and glide.
    rig_torque : callable
        Static torque.
    reaction_sign, gear_ratio, diameter
        Of engine and propeller; diameter in [m].
    priors : Priors
        For how the stiffness grows with load.
    ballast, pilot : sequences of windows
        Ballast legs, and what the pilot noted.
    idle_rpm : float, optional
        Engine speed below which no power is on [1/min]; found from the holds where it is not given.
    idle_turns_propeller : bool
        Whether an idling engine turns the propeller.

    Returns
    -------
    TraceRecord, or str
        The reason in words where the sortie lacks what is needed.
    """
    names = ("hang_roll", "turn_rate", "roll_rate", "specific_force_x", "load", "rpm", "density")
    columns: dict[str, Array] = {}
    for name in names:
        column = sortie.column(name)
        if column is None or not np.isfinite(column).any():
            return f"the sortie has no {name.replace('_', ' ')}"
        columns[name] = column
    if sortie.rate < 1.0 / _PERIOD:
        return f"the grid of {sortie.rate:.1f} Hz is too slow; {1.0 / _PERIOD:.1f} Hz are needed"
    size = max(1, round(_PERIOD * sortie.rate))
    gaps = np.zeros(sortie.time.size, dtype=bool)
    for column in columns.values():
        gaps |= ~np.isfinite(column)
    columns["pitch"] = np.arctan2(columns["specific_force_x"], columns["load"])
    mean = {name: _average(_bridged(column), size) for name, column in columns.items()}
    time, period = _average(sortie.time, size), size / sortie.rate
    rpm, density, load = mean["rpm"], mean["density"], mean["load"]

    idle_limit, power_limit = _limits(holds, rpm, idle_rpm)
    power = rpm > idle_limit
    torque, relative = rig_torque(np.maximum(rpm, 1.0), density)
    growth = load / GRAVITY
    give = 1.0 / (1.0 + priors.weight / priors.stiffness * (growth - 1.0))
    carried = np.zeros(time.size)
    for window in ballast:
        carried[(time >= window.start) & (time <= window.end)] = window.moment
    idle = np.where(~power & (rpm > 300.0), torque, 0.0) if idle_turns_propeller else np.zeros(time.size)
    speed = sortie.column("airspeed")
    advance = np.full(time.size, np.nan)
    if speed is not None and np.isfinite(speed).any():
        turns = np.maximum(rpm, 1.0) / 60.0 / gear_ratio
        advance = np.where(power, _average(_bridged(speed), size) / (turns * diameter), 0.0)

    airborne = np.zeros(time.size, dtype=bool)
    inside = airborne.copy()
    for start, end in sortie.airborne:
        airborne |= (time > start) & (time < end)
        inside |= (time > start + _ENDS) & (time < end - _ENDS)
    reasons = {
        "gaps in the logs": _average(gaps.astype(float), size) > 0.0,
        "turns flown by the pilot": _turns(mean["turn_rate"], period),
        "brakes by the pilot's notes": _noted(time, pilot),
        "ballast being moved": _moves(time, ballast),
        "throttle being moved": _steps(rpm, period) | (power & (rpm < power_limit)),
    }
    used = inside.copy()
    left_out: dict[str, float] = {}
    for reason, flags in reasons.items():
        lost = float(np.sum(used & flags)) * period
        if lost > 0.0:
            left_out[reason] = lost
        used &= ~flags
    chosen = used & power
    weight = torque[chosen]
    still = used & ~power
    return TraceRecord(
        time=time,
        period=period,
        hang_roll=mean["hang_roll"],
        used=used,
        airborne=airborne,
        power=power,
        moment=carried * growth * give,
        torque=reaction_sign * np.where(power, torque, 0.0) * give,
        idle=reaction_sign * idle * give,
        advance_ratio=advance,
        rpm=rpm,
        rig_std=float(np.average(relative[chosen], weights=weight)) if weight.sum() > 0 else float("nan"),
        pitch=mean["pitch"] - (float(mean["pitch"][still].mean()) if still.any() else 0.0),
        turn_rate=mean["turn_rate"],
        roll_rate=mean["roll_rate"],
        left_out=left_out,
    )


def trace_stretches(record: TraceRecord, least: float = _LEAST) -> list[tuple[int, int, int]]:
    """Return stretches (start, end, group) without a gap, group 0 without power and 1 with it.

    Parameters
    ----------
    record : TraceRecord
        The sortie.
    least : float
        Shortest stretch [s].
    """
    state = np.where(record.used, 1 + record.power.astype(int), 0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], state, [0]])))
    out = []
    for start, end in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        kind = int(state[start]) if start < state.size else 0
        if kind and (end - start) * record.period >= least:
            out.append((start, end, kind - 1))
    return out


def _average(values: Array, size: int) -> Array:
    count = values.size // size
    return np.asarray(values[: count * size].reshape(count, size).mean(axis=1), dtype=float)


def _bridged(values: Array) -> Array:
    good = np.isfinite(values)
    if good.all():
        return values
    index = np.arange(values.size)
    return np.asarray(np.interp(index, index[good], values[good]), dtype=float)


def _limits(holds: Sequence[Hold], rpm: Array, idle_rpm: float | None) -> tuple[float, float]:
    """Return the engine speed above which power is on, and that above which the rig's curve holds."""
    power = [h.rpm for h in holds if h.kind is HoldKind.POWER]
    glide = [h.rpm for h in holds if h.kind is not HoldKind.POWER]
    if idle_rpm is None:
        top = float(np.nanmax(rpm)) if rpm.size else 0.0
        idle_rpm = max(1.1 * max(glide, default=0.0), 0.3 * top)
    lowest = 0.85 * min(power) if power else 1.4 * idle_rpm
    return idle_rpm, max(lowest, idle_rpm)


def _widen(flags: Flags, before: int, after: int) -> Flags:
    """Return flags set also some samples before and after."""
    out = flags.copy()
    for k in range(1, before + 1):
        out[:-k] |= flags[k:]
    for k in range(1, after + 1):
        out[k:] |= flags[:-k]
    return out


def _turns(turn_rate: Array, period: float) -> Flags:
    size = max(1, round(_SMOOTHING / period))
    slow = np.convolve(turn_rate, np.ones(size) / size, "same")
    around = round(_AROUND_TURN / period)
    return _widen(np.abs(slow) > _TURN, around, around)


def _noted(time: Array, pilot: Sequence[PilotWindow]) -> Flags:
    out = np.zeros(time.size, dtype=bool)
    for window in pilot:
        if window.hands_off is False:
            out |= (time >= window.start) & (time <= window.end)
    return out


def _moves(time: Array, ballast: Sequence[BallastWindow]) -> Flags:
    out = np.zeros(time.size, dtype=bool)
    for window in ballast:
        for edge in (window.start, window.end):
            out |= np.abs(time - edge) < _AROUND_MOVE
    return out


def _steps(rpm: Array, period: float) -> Flags:
    sudden = np.abs(np.gradient(rpm, period)) > _SUDDEN
    return _widen(sudden, round(1.0 / period), round(_AROUND_STEP / period))
