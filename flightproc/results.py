"""What an analysis gives, and its JSON form (``flightproc-results/1``).

:class:`Results` is the one thing that report, page, logbook and JSON share. Inside it is SI with radians;
:meth:`Results.to_json` and :meth:`Results.holds_table` speak the units of the trade, unit in the name.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from .holds.model import HoldKind, Rejected
from .moment.budget import BudgetEntry
from .moment.trace_model import SortieTrace
from .propeller.inflow import InflowEstimate
from .propeller.performance import RatioCurve
from .quantity import Quantity
from .rig.model import RigCurve
from .sheets.loading import Loading
from .sortie.model import ClockOffset, Sortie, Wind

if TYPE_CHECKING:
    import pandas as pd

    from .readers.recording import Recording

__all__ = [
    "SCHEMA",
    "BladeAngles",
    "Calibration",
    "ComparisonRow",
    "HoldResult",
    "InputFile",
    "MomentCurve",
    "Provenance",
    "Results",
]

SCHEMA = "flightproc-results/1"
"""Name and version of the JSON form."""


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
            "noise_hang_roll_60s_deg": _finite(math.degrees(self.noise_hang_roll_60s)),
            "noise_turn_rate_60s_deg_s": _finite(math.degrees(self.noise_turn_rate_60s)),
            "noise": self.noise_words,
            "ballast_holds": self.ballast_holds,
            "glide_holds": self.glide_holds,
            "remarks": list(self.words),
        }


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
            "radius_ratio": _rounded(self.radius_ratio, 4),
            "alpha_static_deg": _rounded(np.degrees(self.static), 3),
            "alpha_flight_deg": _rounded(np.degrees(self.flight), 3),
            "alpha_naive_deg": _rounded(np.degrees(self.naive), 3),
            "alpha_static_std_deg": _rounded(np.degrees(self.static_std), 3),
            "alpha_flight_std_deg": _rounded(np.degrees(self.flight_std), 3),
            "predicted_torque_ratio": self.predicted_torque_ratio.to_json(),
        }


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
            "rpm": _rounded(self.rpm, 3),
            "roll_moment_N_m": _rounded(self.roll_moment, 6),
            "covariance_N2_m2": [_rounded(row, 9) for row in self.covariance],
            "airspeed_m_s": _rounded(self.airspeed, 4),
            "density_kg_m3": _rounded(self.density, 5),
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
        Role of a log, or ``sheet``.
    sha256 : str
        SHA-256 of its bytes.
    size : int
        Size [bytes].
    """

    name: str
    role: str
    sha256: str
    size: int


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


@dataclass(frozen=True)
class Results:
    """Everything one analysis gives.

    Attributes
    ----------
    title, aircraft, glider : str
        From the sheets.
    reaction_sign : int
        Sign of the torque reaction's roll moment: +1 for a propeller turning left seen from behind.
    answer : tuple of str
        The answer in words, most important first.
    limits : tuple of str
        What limits it, most important first.
    holds : tuple of HoldResult
        In order of time.
    rejected : tuple of Rejected
        Stretches turned down.
    calibration : Calibration
        Zeros and coefficients.
    comparison : tuple of ComparisonRow
        By rpm group, rising.
    blade : tuple of BladeAngles
        Along the blade, one per rpm group.
    blade_words : tuple of str
        What the blade model assumed and how well it is pinned down.
    rig : RigCurve or None
        The static curve, where a rig sheet was given.
    sortie : Sortie
        The evidence: channels, clocks, wind.
    recordings : mapping of str to Recording
        The logs as read, by name.
    warnings : tuple of str
        What the user should know.
    cautions : tuple of str
        Safety cautions that go with every output.
    provenance : Provenance
        Where it comes from.
    inflow : InflowEstimate or None
        Inflow at the disc and angle of attack from all ratios together.
    ratio_curve : RatioCurve or None
        Torque ratio that the blade expects, against advance ratio.
    loading : Loading or None
        Masses and wing, from the sheets.
    moment_curve : MomentCurve or None
        Roll moment against engine speed with its covariance; None without power holds.
    budget : tuple of BudgetEntry
        What the uncertainty of each result is made of, by result and throttle setting.
    trace : SortieTrace or None
        Torque ratio from the whole sortie, where it was tried.
    """

    title: str
    aircraft: str
    glider: str
    reaction_sign: int
    answer: tuple[str, ...]
    limits: tuple[str, ...]
    holds: tuple[HoldResult, ...]
    rejected: tuple[Rejected, ...]
    calibration: Calibration
    comparison: tuple[ComparisonRow, ...]
    blade: tuple[BladeAngles, ...]
    blade_words: tuple[str, ...]
    rig: RigCurve | None
    sortie: Sortie
    recordings: Mapping[str, Recording]
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]
    provenance: Provenance
    inflow: InflowEstimate | None = None
    ratio_curve: RatioCurve | None = None
    loading: Loading | None = None
    moment_curve: MomentCurve | None = None
    budget: tuple[BudgetEntry, ...] = ()
    trace: SortieTrace | None = None

    @property
    def wind(self) -> Wind:
        """Mean wind of the sortie."""
        return self.sortie.wind

    def to_json(self) -> dict[str, Any]:
        """Return results.json as plain objects (see docs/results-json.md)."""
        start = self.sortie.start_utc
        wind = self.sortie.wind
        return {
            "schema": SCHEMA,
            "title": self.title,
            "aircraft": self.aircraft,
            "glider": self.glider,
            "reaction_sign": self.reaction_sign,
            "loading": None if self.loading is None else self.loading.to_json(),
            "time_base": {
                "start_utc": None if start is None else _iso(start),
                "end_s": float(self.sortie.time[-1]),
                "rate_hz": self.sortie.rate,
                "reason": "" if start is not None else "no log of the sortie carries UTC",
            },
            "answer": list(self.answer),
            "limits": list(self.limits),
            "holds": [hold.to_json() for hold in self.holds],
            "not_holds": [
                {"start_s": item.start, "end_s": item.end, "reason": item.code, "words": item.words}
                for item in self.rejected
            ],
            "calibration": self.calibration.to_json(),
            "wind": {
                "north_m_s": wind.north.to_json(),
                "east_m_s": wind.east.to_json(),
                "speed_m_s": _finite(wind.speed),
                "from_deg": _finite(math.degrees(wind.direction_from)),
                "covariance_m2_s2": [[_finite(x) for x in row] for row in wind.covariance.tolist()],
                "method": wind.method,
                "remarks": wind.words,
            },
            "airspeed_common_std_m_s": _finite(self.sortie.airspeed_std),
            "bank_source": self.sortie.bank_source,
            "clock_offsets_s": {item.log: _clock_json(item) for item in self.sortie.clock_offsets},
            "comparison": [row.to_json() for row in self.comparison],
            "moment_curve": None if self.moment_curve is None else self.moment_curve.to_json(),
            "budget": [entry.to_json() for entry in self.budget],
            "trace": None if self.trace is None else self.trace.to_json(),
            "blade": [angles.to_json() for angles in self.blade],
            "blade_remarks": list(self.blade_words),
            "inflow": None if self.inflow is None else self.inflow.to_json(),
            "ratio_curve": None if self.ratio_curve is None else self.ratio_curve.to_json(),
            "rig": None if self.rig is None else _rig_json(self.rig),
            "warnings": list(self.warnings),
            "cautions": list(self.cautions),
            "provenance": self.provenance.to_json(),
        }

    def holds_table(self) -> pd.DataFrame:
        """Return the holds as a table, one row each, units in the column names (holds.csv)."""
        import pandas as pd

        rows = []
        for number, hold in enumerate(self.holds, start=1):
            row: dict[str, Any] = {"hold": number}
            for key, entry in hold.to_json().items():
                if isinstance(entry, dict):
                    row[key] = entry["value"]
                    row[f"{key}_std"] = entry["std"]
                    row[f"{key}_low95"] = entry["low95"]
                    row[f"{key}_high95"] = entry["high95"]
                else:
                    row[key] = entry
            rows.append(row)
        return pd.DataFrame(rows)

    def __repr__(self) -> str:
        counts = {kind: sum(h.kind is kind for h in self.holds) for kind in HoldKind}
        inside = ", ".join(f"{count} {kind}" for kind, count in counts.items())
        return f"<Results {self.title!r}: {inside} holds>"


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _rounded(values: NDArray[np.float64], places: int) -> list[float | None]:
    return [_finite(round(float(v), places)) for v in values]


def _iso(posix: float) -> str:
    return datetime.fromtimestamp(posix, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _clock_json(item: ClockOffset) -> dict[str, Any]:
    out = item.offset.to_json()
    out.update(method=item.method, correlation=item.correlation, remarks=item.words)
    return out


def _rig_json(rig: RigCurve) -> dict[str, Any]:
    return {
        "points": [
            {
                "rpm": point.rpm,
                "torque_N_m": point.torque.to_json(),
                "power_W": point.power.to_json(),
                "thrust_N": point.thrust.to_json(),
                "figure_of_merit": point.figure_of_merit.to_json(),
                "thrust_ceiling_N": point.thrust_ceiling.to_json(),
                "torque_coefficient": point.torque_coefficient.to_json(),
                "sum_change_kg": point.sum_change.to_json(),
            }
            for point in rig.points
        ],
        "fits": [
            {
                "name": fit.name,
                "coefficients": fit.coefficients.tolist(),
                "covariance": [[_finite(x) for x in row] for row in fit.covariance.tolist()],
                "chi2": _finite(fit.chi2),
                "dof": fit.dof,
                "aicc": None if fit.aicc is None else _finite(fit.aicc),
                "chosen": fit.name == rig.chosen.name,
                "remarks": fit.words,
            }
            for fit in rig.fits
        ],
        "density_kg_m3": rig.density,
        "density_std_kg_m3": rig.density_std,
        "warnings": list(rig.warnings),
    }
