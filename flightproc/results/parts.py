"""The parts of a result, each with its entry in results.json.

Inside it is SI with radians; ``to_json`` speaks the units of the trade, unit in the name.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..display import Card, displayed, time_text
from ..holds.model import HoldKind
from ..moment.observe import Agreement
from ..quantity import Quantity
from .plain import finite, rounded

__all__ = [
    "BladeAngles",
    "Calibration",
    "ComparisonRow",
    "HoldResult",
    "InputFile",
    "MomentCurve",
    "Provenance",
]


def _known(part: object) -> tuple[tuple[str, str], ...]:
    """Return names and values of the known quantities of a part, angles in degrees."""
    out = []
    for name, value in vars(part).items():
        if isinstance(value, Quantity) and value.known:
            turned = {"rad": "deg", "rad/s": "deg/s"}.get(value.unit)
            out.append(
                (name.replace("_", " "), (value.degrees(turned) if turned else value).text(interval=True))
            )
    return tuple(out)


@displayed
@dataclass(frozen=True)
class HoldResult:
    """What one hold gives.

    Attributes
    ----------
    start, end : float
        Bounds on the sortie's time base [s].
    kind : HoldKind
        Power, glide or ballast.
    straight : bool
        Mean turn rate below the straight-flight limit.
    origin : str
        ``found`` or ``sheet``.
    hands_off : bool or None
        What the pilot's notes say.
    rpm : Quantity
        Engine speed [1/min].
    airspeed : Quantity
        True airspeed [m/s].
    density : Quantity
        Air density [kg/m^3].
    turn_rate : Quantity
        About the vertical, positive right: the rate the hold tends to, gusts averaged out [rad/s].
    bank : Quantity
        Bank of the unit, counted from its hang in glides [rad].
    hang_roll : Quantity
        Angle of the unit to apparent gravity, as measured [rad].
    roll_moment : Quantity
        Power-on roll moment, zero taken from the glides [N m].
    excess_turn : Quantity
        Turn that neither the zero nor the roll moment explains [rad/s].
    yaw_moment : Quantity
        The yaw moment that would give the excess turn [N m].
    residual_turning_moment : Quantity
        The roll moment that would give the whole observed turn [N m].
    ballast_moment : Quantity
        Roll moment of the ballast by mass and arm, positive right side down [N m]; unknown without it.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> results.holds[2]
    HoldResult(power, 7:20 to 8:21 min, 7599 rpm, roll moment 37.4 ± 1.4 N m)
    >>> print(results.holds[2].turn_rate.degrees("deg/s"))
    0.32 ± 0.33 deg/s
    """

    start: float
    end: float
    kind: HoldKind
    straight: bool
    origin: str
    hands_off: bool | None
    rpm: Quantity
    airspeed: Quantity
    density: Quantity
    turn_rate: Quantity
    bank: Quantity
    hang_roll: Quantity
    roll_moment: Quantity
    excess_turn: Quantity
    yaw_moment: Quantity
    residual_turning_moment: Quantity
    ballast_moment: Quantity = field(default=Quantity.unknown("N m", "no ballast was carried"))

    def _card(self) -> Card:
        title = f"{self.kind.value}, {time_text(self.start)} to {time_text(self.end)} min"
        if self.rpm.value:
            title += f", {self.rpm.value:.0f} rpm"
        if self.roll_moment.known:
            title += f", roll moment {self.roll_moment}"
        return Card(title, _known(self), line=True)

    def to_json(self) -> dict[str, Any]:
        """Return the entry of ``holds`` in results.json."""
        return {
            "start_s": self.start,
            "end_s": self.end,
            "kind": str(self.kind),
            "straight": self.straight,
            "origin": self.origin,
            "hands_off": self.hands_off,
            "rpm": self.rpm.to_json(),
            "airspeed_m_s": self.airspeed.to_json(),
            "density_kg_m3": self.density.to_json(),
            "turn_rate_deg_s": self.turn_rate.degrees().to_json(),
            "bank_deg": self.bank.degrees().to_json(),
            "hang_roll_deg": self.hang_roll.degrees().to_json(),
            "roll_moment_N_m": self.roll_moment.to_json(),
            "excess_turn_deg_s": self.excess_turn.degrees().to_json(),
            "yaw_moment_N_m": self.yaw_moment.to_json(),
            "residual_turning_moment_N_m": self.residual_turning_moment.to_json(),
            "ballast_moment_N_m": self.ballast_moment.to_json(),
        }


@displayed
@dataclass(frozen=True)
class Calibration:
    """What turns angles into moments.

    Attributes
    ----------
    method : str
        ``ballast`` (with the prior), or ``prior`` alone.
    hang_stiffness : Quantity
        K, moment per hang roll [N m/rad].
    hang_stiffness_prior : Quantity
        What the sheet alone would have said [N m/rad].
    hang_zero : Quantity
        Hang roll without power or ballast, at the middle of the sortie [rad].
    zero_drift : Quantity
        Change of that zero with time [rad/s].
    turn_coefficient : Quantity
        c_L: reduced turn r_hat per roll-moment coefficient [1].
    turn_zero : Quantity
        r_hat without power or ballast [1].
    noise_hang_roll_60s, noise_turn_rate_60s : float
        Standard uncertainty of a 60 s mean from the sortie's noise model [rad], [rad/s].
    noise_words : str
        The noise model in words.
    ballast_holds, glide_holds : int
        How many holds of each kind took part.
    words : tuple of str
        Consistency checks and what limits the calibration.
    turn_coefficient_prior : Quantity
        What was assumed for c_L before the flight spoke [1].
    turn_coefficient_measured : Quantity
        c_L by the ballast glides alone, the error of the ballast itself left out [1].
    agreement : Agreement or None
        Hang roll by bank set against hang roll by specific force; None where one of them is missing.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> results.calibration.method, results.calibration.ballast_holds
    ('ballast', 4)
    """

    method: str
    hang_stiffness: Quantity
    hang_stiffness_prior: Quantity
    hang_zero: Quantity
    zero_drift: Quantity
    turn_coefficient: Quantity
    turn_zero: Quantity
    noise_hang_roll_60s: float
    noise_turn_rate_60s: float
    noise_words: str
    ballast_holds: int
    glide_holds: int
    words: tuple[str, ...] = ()
    turn_coefficient_prior: Quantity = field(default=Quantity.unknown("", "not recorded"))
    turn_coefficient_measured: Quantity = field(default=Quantity.unknown("", "not recorded"))
    agreement: Agreement | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the ``calibration`` object of results.json."""
        return {
            "method": self.method,
            "hang_stiffness_N_m_rad": self.hang_stiffness.to_json(),
            "hang_stiffness_prior_N_m_rad": self.hang_stiffness_prior.to_json(),
            "hang_zero_deg": self.hang_zero.degrees().to_json(),
            "zero_drift_deg_h": self.zero_drift.scaled(3600.0 * 180.0 / math.pi, "deg/h").to_json(),
            "turn_coefficient": self.turn_coefficient.to_json(),
            "turn_coefficient_prior": self.turn_coefficient_prior.to_json(),
            "turn_coefficient_measured": self.turn_coefficient_measured.to_json(),
            "turn_zero": self.turn_zero.to_json(),
            "noise_hang_roll_60s_deg": finite(math.degrees(self.noise_hang_roll_60s)),
            "noise_turn_rate_60s_deg_s": finite(math.degrees(self.noise_turn_rate_60s)),
            "noise": self.noise_words,
            "ballast_holds": self.ballast_holds,
            "glide_holds": self.glide_holds,
            "bank_against_force": None if self.agreement is None else _agreement(self.agreement),
            "remarks": list(self.words),
        }


def _agreement(found: Agreement) -> dict[str, Any]:
    return {
        "offset_deg": math.degrees(found.offset),
        "offset_std_deg": math.degrees(found.offset_std),
        "difference_deg": [finite(math.degrees(x)) for x in found.difference],
        "difference_std_deg": [finite(math.degrees(x)) for x in found.std],
        "chi2": found.chi2,
        "dof": found.dof,
        "chance": found.chance,
    }


@displayed
@dataclass(frozen=True)
class ComparisonRow:
    """One rpm group set against the rig and the blade.

    Attributes
    ----------
    rpm, airspeed : Quantity
        [1/min], [m/s].
    advance_ratio : Quantity
        J = V / (n_p D) [1].
    roll_moment : Quantity
        Mean power-on roll moment of the group, with its sign [N m].
    static_torque : Quantity
        Rig torque at this rpm and the flight's density, positive [N m].
    torque_ratio : Quantity
        In-flight torque reaction over static torque [1].
    alpha_075_static, alpha_075_flight, alpha_075_naive : Quantity
        Angle of attack at 0.75 R at rest, in flight, and by geometry alone [rad].
    holds : tuple of int
        Indices into ``Results.holds``.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> results.comparison[0]
    ComparisonRow(5200 rpm, roll moment 18.17 ± 0.75 N m, torque ratio 1.064 (95 %: 0.971 to 1.162))
    """

    rpm: Quantity
    airspeed: Quantity
    advance_ratio: Quantity
    roll_moment: Quantity
    static_torque: Quantity
    torque_ratio: Quantity
    alpha_075_static: Quantity
    alpha_075_flight: Quantity
    alpha_075_naive: Quantity
    holds: tuple[int, ...]

    def _card(self) -> Card:
        title = f"{self.rpm.value or 0.0:.0f} rpm, roll moment {self.roll_moment}"
        if self.torque_ratio.known:
            title += f", torque ratio {self.torque_ratio.text(interval=True)}"
        return Card(title, _known(self), line=True)

    def to_json(self) -> dict[str, Any]:
        """Return the entry of ``comparison`` in results.json."""
        return {
            "rpm": self.rpm.to_json(),
            "airspeed_m_s": self.airspeed.to_json(),
            "advance_ratio": self.advance_ratio.to_json(),
            "roll_moment_N_m": self.roll_moment.to_json(),
            "static_torque_N_m": self.static_torque.to_json(),
            "torque_ratio": self.torque_ratio.to_json(),
            "alpha_075_static_deg": self.alpha_075_static.degrees().to_json(),
            "alpha_075_flight_deg": self.alpha_075_flight.degrees().to_json(),
            "alpha_075_naive_deg": self.alpha_075_naive.degrees().to_json(),
            "holds": list(self.holds),
        }


@displayed
@dataclass(frozen=True)
class BladeAngles:
    """Angle of attack along the blade for one rpm group.

    Attributes
    ----------
    rpm, airspeed : float
        Engine speed [1/min] and airspeed [m/s] of the group.
    radius_ratio : ndarray, shape (n,)
        r / R.
    static, flight, naive : ndarray, shape (n,)
        Angle of attack at rest, in flight, and by geometry alone [rad].
    static_std, flight_std : ndarray, shape (n,)
        Standard uncertainty of the first two [rad].
    predicted_torque_ratio : Quantity
        Torque in flight over torque at rest that the calibrated blade predicts [1].

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> import numpy as np
    >>> angles = results.blade[0]
    >>> round(float(np.degrees(np.interp(0.75, angles.radius_ratio, angles.flight))), 1)
    3.6
    """

    rpm: float
    airspeed: float
    radius_ratio: NDArray[np.float64]
    static: NDArray[np.float64]
    flight: NDArray[np.float64]
    naive: NDArray[np.float64]
    static_std: NDArray[np.float64]
    flight_std: NDArray[np.float64]
    predicted_torque_ratio: Quantity

    def to_json(self) -> dict[str, Any]:
        """Return the entry of ``blade`` in results.json."""
        return {
            "rpm": self.rpm,
            "airspeed_m_s": self.airspeed,
            "radius_ratio": rounded(self.radius_ratio, 4),
            "alpha_static_deg": rounded(np.degrees(self.static), 3),
            "alpha_flight_deg": rounded(np.degrees(self.flight), 3),
            "alpha_naive_deg": rounded(np.degrees(self.naive), 3),
            "alpha_static_std_deg": rounded(np.degrees(self.static_std), 3),
            "alpha_flight_std_deg": rounded(np.degrees(self.flight_std), 3),
            "predicted_torque_ratio": self.predicted_torque_ratio.to_json(),
        }


@displayed
@dataclass(frozen=True)
class MomentCurve:
    """Roll moment against engine speed with its covariance, and what a change of the frame needs beside it.

    Attributes
    ----------
    rpm : ndarray, shape (n,)
        Engine speeds of the groups, rising [1/min].
    roll_moment : ndarray, shape (n,)
        Power-on roll moment of each, with its sign [N m].
    covariance : ndarray, shape (n, n)
        Of the roll moments, from their joint draws [(N m)^2].
    airspeed, density : ndarray, shape (n,)
        [m/s], [kg/m^3].
    thrust : tuple of Quantity
        In flight, one per group [N].
    thrust_source : str
        Where the thrust is from; empty where it is unknown.
    gear_ratio, diameter : float
        Engine revolutions per propeller revolution; of the propeller [m].
    idle_rpm : float or None
        [1/min].
    idle_turns_propeller : bool
        Whether the propeller turns at idle.
    compensation : str
        Kind of what the frame has now.
    hang_offset, compensation_moment, compensation_moment_std, compensation_rpm : float or None
        As the aircraft sheet states them [m], [N m], [N m], [1/min].

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> results.moment_curve.roll_moment.round()
    array([18., 24., 30., 37.])
    """

    rpm: NDArray[np.float64]
    roll_moment: NDArray[np.float64]
    covariance: NDArray[np.float64]
    airspeed: NDArray[np.float64]
    density: NDArray[np.float64]
    thrust: tuple[Quantity, ...]
    thrust_source: str
    gear_ratio: float
    diameter: float
    idle_rpm: float | None = None
    idle_turns_propeller: bool = False
    compensation: str = "none"
    hang_offset: float | None = None
    compensation_moment: float | None = None
    compensation_moment_std: float | None = None
    compensation_rpm: float | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the ``moment_curve`` object of results.json."""
        return {
            "rpm": rounded(self.rpm, 3),
            "roll_moment_N_m": rounded(self.roll_moment, 6),
            "covariance_N2_m2": [rounded(row, 9) for row in self.covariance],
            "airspeed_m_s": rounded(self.airspeed, 4),
            "density_kg_m3": rounded(self.density, 5),
            "thrust_N": [item.to_json() for item in self.thrust],
            "thrust_source": self.thrust_source,
            "gear_ratio": self.gear_ratio,
            "diameter_m": self.diameter,
            "idle_rpm": self.idle_rpm,
            "idle_turns_propeller": self.idle_turns_propeller,
            "compensation": self.compensation,
            "hang_offset_m": self.hang_offset,
            "compensation_moment_N_m": self.compensation_moment,
            "compensation_moment_std_N_m": self.compensation_moment_std,
            "compensation_rpm": self.compensation_rpm,
        }


@dataclass(frozen=True)
class InputFile:
    """One input of the analysis.

    Attributes
    ----------
    name : str
        File name without folders.
    role : str
        Role of a log, ``sheet``, or ``table`` for a polar or a rig series that a sheet names.
    sha256 : str
        SHA-256 of its bytes.
    size : int
        Size [bytes].

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> file = results.provenance.inputs[-1]
    >>> file.name, file.role, len(file.sha256)
    ('engine.csv', 'engine', 64)
    """

    name: str
    role: str
    sha256: str
    size: int


@displayed
@dataclass(frozen=True)
class Provenance:
    """Where the results come from.

    Attributes
    ----------
    version : str
        Version of the program.
    created_utc : str
        When, ISO 8601.
    python : str
        Version of Python.
    packages : mapping of str to str
        Versions of the libraries that compute.
    inputs : tuple of InputFile
        Every file read.
    settings : mapping of str to object
        Settings as used.
    steps : tuple of str
        What was done, in order.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> results.provenance.version == fp.__version__, len(results.provenance.inputs)
    (True, 7)
    """

    version: str
    created_utc: str
    python: str
    packages: Mapping[str, str]
    inputs: tuple[InputFile, ...]
    settings: Mapping[str, Any]
    steps: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return the ``provenance`` object of results.json."""
        return {
            "version": self.version,
            "created_utc": self.created_utc,
            "python": self.python,
            "packages": dict(self.packages),
            "inputs": [vars(item) for item in self.inputs],
            "settings": dict(self.settings),
            "steps": list(self.steps),
        }
