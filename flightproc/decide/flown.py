"""What results.json tells of a frame that was flown, as far as a change of it needs that."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeGuard

import numpy as np
from numpy.typing import NDArray

from ..display import displayed
from ..errors import Fault, SheetError
from ..json_read import parse_json

__all__ = ["Flown", "flown_from_results", "read_flown", "results_faults"]

Array = NDArray[np.float64]

_SCHEMA = "flightproc-results/1"
_SIZES = (1e-100, 1e12)  # between which every number lies that is not 0
_AGAIN = "analyse the sortie again with this version"


@displayed
@dataclass(frozen=True)
class Flown:
    """A frame as flown.

    Attributes
    ----------
    title, aircraft, glider : str
        Names.
    sign : int
        +1 where the torque reaction rolls right.
    rpm, moment, airspeed, density : ndarray, shape (n,)
        Of the groups of power holds: [1/min], power-on roll moment [N m], [m/s], [kg/m^3].
    covariance : ndarray, shape (n, n)
        Of the moments [(N m)^2].
    thrust, thrust_std : ndarray, shape (n,)
        In flight [N]; NaN where unknown.
    thrust_source : str
        Where the thrust is from.
    turn, turn_std : ndarray, shape (n,)
        Hands-off turn rate of each group with the noise of its holds [rad/s].
    turn_coefficient, turn_coefficient_spread : float
        c_L: median and standard deviation of its logarithm.
    turn_zero, turn_zero_std : float
        Reduced turn without power [1].
    gear, diameter : float
        Engine revolutions per propeller revolution; of the propeller [m].
    idle_rpm : float or None
        [1/min].
    idle_turns : bool
        Whether the propeller turns at idle.
    compensation : str
        What the frame has now: ``none``, ``hang_offset``, ``thrust_tilt`` or ``slipstream_surface``.
    hang_offset : float or None
        Present offset of the hang points [m].
    fitted, fitted_std, fitted_rpm : float or None
        What the present compensation takes off the reaction, and where [N m], [N m], [1/min].
    hung_mass, all_up_mass : float
        [kg].
    area, span : float
        Of the glider, flat [m^2], [m].
    advance, thrust_ratio : ndarray
        Thrust over thrust at rest against advance ratio; empty where no blade was described.
    cautions : tuple of str
        Of the results.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> flown = fp.flown_from_results(results.to_json())
    >>> flown.aircraft, flown.compensation
    ('training frame A', 'none')
    """

    title: str
    aircraft: str
    glider: str
    sign: int
    rpm: Array
    moment: Array
    covariance: Array
    airspeed: Array
    density: Array
    thrust: Array
    thrust_std: Array
    thrust_source: str
    turn: Array
    turn_std: Array
    turn_coefficient: float
    turn_coefficient_spread: float
    turn_zero: float
    turn_zero_std: float
    gear: float
    diameter: float
    idle_rpm: float | None
    idle_turns: bool
    compensation: str
    hang_offset: float | None
    fitted: float | None
    fitted_std: float | None
    fitted_rpm: float | None
    hung_mass: float
    all_up_mass: float
    area: float
    span: float
    advance: Array
    thrust_ratio: Array
    cautions: tuple[str, ...] = ()


class _Reader:
    """Takes values out of nested JSON and notes every one that is missing or unfit."""

    def __init__(self, data: Mapping[str, Any], file: str) -> None:
        self.data, self.file = data, file
        self.faults: list[Fault] = []

    def fault(self, table: str, field: str, value: object, allowed: str) -> None:
        shown = "(missing)" if value is None else repr(value)[:60]
        self.faults.append(Fault(self.file, table, field, shown, allowed))

    def table(self, name: str) -> Mapping[str, Any]:
        found = self.data.get(name)
        if not isinstance(found, Mapping):
            self.fault("", name, found, f"an object; {_AGAIN}")
            return {}
        return found

    def number(self, table: str, holder: Mapping[str, Any], field: str, *, least: float = -math.inf) -> float:
        """Return a number, or the value of a quantity; NaN with a fault where there is none."""
        if not holder:
            return math.nan  # told already
        found = holder.get(field)
        if isinstance(found, Mapping):
            found = found.get("value")
        if not _is_known(found):
            self.fault(table, field, found, "a known number")
            return math.nan
        if found <= least:
            self.fault(table, field, found, f"more than {least:g}")
            return math.nan
        return float(found)

    def number_or_none(self, table: str, holder: Mapping[str, Any], field: str) -> float | None:
        """Return a number, or None where the field is null or not there."""
        found = holder.get(field)
        if found is None or _is_known(found):
            return None if found is None else float(found)
        self.fault(table, field, found, "a known number or null")
        return None

    def numbers(self, table: str, holder: Mapping[str, Any], field: str, count: int | None) -> Array:
        found = holder.get(field)
        sound = isinstance(found, list) and all(_is_known(x) for x in found)
        if holder and (not isinstance(found, list) or not sound or (count or len(found)) != len(found)):
            self.fault(table, field, found, "a list of known numbers, one for each rpm group")
            return np.zeros(count or 0)
        return np.array(found if isinstance(found, list) else [], dtype=float)


def _is_known(value: object) -> TypeGuard[int | float]:
    """Return whether a value is a number whose square and inverse are numbers too."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return value == 0 or _SIZES[0] <= abs(value) <= _SIZES[1]


def read_flown(path: str | os.PathLike[str]) -> Flown:
    """Read results.json; raises SheetError with every fault found in it.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> from flightproc.report import results_json
    >>> import tempfile
    >>> from pathlib import Path
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "results.json")
    ...     _ = path.write_text(results_json(results))
    ...     flown = fp.read_flown(path)
    >>> flown.rpm.round(-1)
    array([5200., 6000., 6800., 7600.])
    """
    data, faults = _load(Path(path))
    if data is None:
        raise SheetError(faults)
    return flown_from_results(data, str(path))


def results_faults(path: str | os.PathLike[str]) -> list[Fault]:
    """Return what keeps a results file from being used, to be told beside the faults of sheets."""
    data, faults = _load(Path(path))
    return faults if data is None else _take(data, str(path))[1]


def _load(path: Path) -> tuple[dict[str, Any] | None, list[Fault]]:
    file = str(path)
    where = path / "results.json" if path.is_dir() else path
    try:
        data = parse_json(where.read_bytes())
    except OSError as error:
        reason = error.strerror or str(error)
        return None, [Fault(file, "", "(file)", reason, "a results.json that can be read")]
    except ValueError as error:  # bad JSON or bad UTF-8
        return None, [Fault(file, "", "(file)", f"not JSON: {error}", "results.json of flightproc report")]
    if not isinstance(data, dict) or data.get("schema") != _SCHEMA:
        found = data.get("schema") if isinstance(data, dict) else type(data).__name__
        return None, [Fault(file, "", "schema", repr(found), f'"{_SCHEMA}"')]
    return data, []


def flown_from_results(data: Mapping[str, Any], file: str = "results.json") -> Flown:
    """Return what a results document tells; raises SheetError with every fault found in it.

    Parameters
    ----------
    data : mapping
        As read from results.json.
    file : str
        Its name, for faults.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> flown = fp.flown_from_results(results.to_json())
    >>> flown.moment.round()
    array([18., 24., 30., 37.])
    """
    flown, faults = _take(data, file)
    if faults or flown is None:
        raise SheetError(faults)
    return flown


def _take(data: Mapping[str, Any], file: str) -> tuple[Flown | None, list[Fault]]:
    read = _Reader(data, file)
    curve, loading, calibration = (read.table(n) for n in ("moment_curve", "loading", "calibration"))
    rpm = read.numbers("moment_curve", curve, "rpm", None)
    count = rpm.size
    if curve and not count and not read.faults:
        read.fault("moment_curve", "rpm", [], "one rpm group of power holds or more")
    moment, airspeed, density = (
        read.numbers("moment_curve", curve, name, count)
        for name in ("roll_moment_N_m", "airspeed_m_s", "density_kg_m3")
    )
    covariance = _covariance(read, curve, count)
    thrust = _quantities(read, curve, count)
    turn, turn_std = _turns(read, count)
    coefficient, spread = _turn_coefficient(read, calibration)
    zero = calibration.get("turn_zero")
    zero_std = zero.get("std") if isinstance(zero, Mapping) else None
    advance, thrust_ratio = _thrust_law(read)
    now = {
        "idle_rpm": "idle_rpm",
        "hang_offset": "hang_offset_m",
        "fitted": "compensation_moment_N_m",
        "fitted_std": "compensation_moment_std_N_m",
        "fitted_rpm": "compensation_rpm",
    }
    present: dict[str, Any] = {
        name: read.number_or_none("moment_curve", curve, field) for name, field in now.items()
    }
    cautions = data.get("cautions") or []
    if not isinstance(cautions, list) or not all(isinstance(words, str) for words in cautions):
        read.fault("", "cautions", cautions, "a list of texts")
    sign = data.get("reaction_sign")
    if sign not in (1, -1):
        read.fault("", "reaction_sign", sign, "1 or -1")
    values: dict[str, Any] = {
        "turn_zero": read.number("calibration", calibration, "turn_zero"),
        "gear": read.number("moment_curve", curve, "gear_ratio", least=0.0),
        "diameter": read.number("moment_curve", curve, "diameter_m", least=0.0),
        "hung_mass": read.number("loading", loading, "hung_mass_kg", least=0.0),
        "all_up_mass": read.number("loading", loading, "all_up_mass_kg", least=0.0),
        "area": read.number("loading", loading, "flat_area_m2", least=0.0),
        "span": read.number("loading", loading, "flat_span_m", least=0.0),
    }
    if read.faults:
        return None, read.faults
    return (
        Flown(
            title=str(data.get("title", "")),
            aircraft=str(data.get("aircraft", "")),
            glider=str(data.get("glider", "")),
            sign=int(sign or 1),
            rpm=rpm,
            moment=moment,
            covariance=covariance,
            airspeed=airspeed,
            density=density,
            thrust=np.array([_or_nan(q.get("value")) for q in thrust]),
            thrust_std=np.array([_or_nan(q.get("std")) for q in thrust]),
            thrust_source=str(curve.get("thrust_source") or ""),
            turn=turn,
            turn_std=turn_std,
            turn_coefficient=coefficient,
            turn_coefficient_spread=spread,
            turn_zero_std=float(zero_std) if _is_known(zero_std) else 0.0,
            idle_turns=bool(curve.get("idle_turns_propeller")),
            compensation=str(curve.get("compensation") or "none"),
            advance=advance,
            thrust_ratio=thrust_ratio,
            cautions=tuple(cautions),
            **present,
            **values,
        ),
        [],
    )


def _or_nan(value: object) -> float:
    return float(value) if isinstance(value, int | float) and _is_known(value) else math.nan


def _quantities(read: _Reader, curve: Mapping[str, Any], count: int) -> list[Mapping[str, Any]]:
    """Return the thrust of each rpm group, an empty object where there is none."""
    found = curve.get("thrust_N") or [{}] * count
    if not isinstance(found, list) or len(found) != count:
        read.fault("moment_curve", "thrust_N", found, "a list of objects, one for each rpm group")
        return [{}] * count
    return [q if isinstance(q, Mapping) else {} for q in found]


def _thrust_law(read: _Reader) -> tuple[Array, Array]:
    """Return advance ratios and thrust over thrust at rest, the best estimate; empty without a blade."""
    found = read.data.get("ratio_curve")
    ratio = found if isinstance(found, Mapping) else {}
    if not ratio.get("advance_ratio") or not ratio.get("thrust_ratio"):
        return np.empty(0), np.empty(0)
    rows = ratio["thrust_ratio"]
    best = {"thrust_ratio": rows[0] if isinstance(rows, list) else rows}
    advance = read.numbers("ratio_curve", ratio, "advance_ratio", None)
    return advance, read.numbers("ratio_curve", best, "thrust_ratio", advance.size)


def _covariance(read: _Reader, curve: Mapping[str, Any], count: int) -> Array:
    rows = curve.get("covariance_N2_m2")
    try:
        matrix = np.array(rows, dtype=float)
    except (TypeError, ValueError, OverflowError):
        matrix = np.zeros(0)
    if matrix.shape != (count, count) or not np.all(np.isfinite(matrix)) or np.any(np.diag(matrix) <= 0.0):
        if curve:
            read.fault("moment_curve", "covariance_N2_m2", rows, "a row of known numbers for each rpm group")
        return np.eye(count)
    return matrix


def _turns(read: _Reader, count: int) -> tuple[Array, Array]:
    """Return the turn rate of each group of holds, and the standard uncertainty of its noise [rad/s]."""
    rows, holds = read.data.get("comparison"), read.data.get("holds")
    if not isinstance(rows, list) or not isinstance(holds, list) or len(rows) != count:
        if count:
            read.fault("", "comparison", None, "the rpm groups of moment_curve, with their holds")
        return np.zeros(count), np.ones(count)
    turn, std = np.zeros(count), np.ones(count)
    for i, row in enumerate(rows):
        places = row.get("holds", []) if isinstance(row, Mapping) else []
        mine = [
            holds[k]
            for k in (places if isinstance(places, list) else [])
            if isinstance(k, int) and 0 <= k < len(holds) and isinstance(holds[k], Mapping)
        ]
        found: Sequence[Any] = [hold.get("turn_rate_deg_s") for hold in mine]
        known = [
            q
            for q in found
            if isinstance(q, Mapping) and _is_known(q.get("value")) and _is_known(q.get("std")) and q["std"]
        ]
        if not known:
            std[i] = math.inf  # tells nothing
            continue
        weight = np.array([1.0 / float(q["std"]) ** 2 for q in known])
        turn[i] = math.radians(float(weight @ [float(q["value"]) for q in known] / weight.sum()))
        std[i] = math.radians(float(weight.sum() ** -0.5))
    return turn, std


def _turn_coefficient(read: _Reader, calibration: Mapping[str, Any]) -> tuple[float, float]:
    value = read.number("calibration", calibration, "turn_coefficient", least=0.0)
    found = calibration.get("turn_coefficient")
    if not isinstance(found, Mapping) or not math.isfinite(value):
        return value, 0.0
    low, high, std = (_or_nan(found.get(name)) for name in ("low95", "high95", "std"))
    if low > 0.0 and high > low:
        return math.sqrt(low * high), math.log(high / low) / (2.0 * 1.959964)
    return value, math.sqrt(math.log1p((std / value) ** 2)) if math.isfinite(std) else 0.5
