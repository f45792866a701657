"""What a comparison of gliders takes from a results file: read, checked, and freed of what was assumed."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeGuard

from ..display import displayed
from ..errors import Fault, ResultsError
from ..json_read import parse_json
from ..quantity import Quantity

__all__ = ["SortieFacts", "TurnPoint", "read_facts", "sortie_facts"]

_SCHEMA = "flightproc-results/1"
_SIZES = (1e-6, 1e9)  # between which every number lies that is above 0
_SPEED_GUESS = 0.08  # relative standard uncertainty of a sheet's trim speed


@displayed
@dataclass(frozen=True)
class TurnPoint:
    """The turn of one straight hold, hands off the brakes.

    Attributes
    ----------
    rpm : float
        Engine speed [1/min]; 0 where the engine was off.
    power : bool
        Under power, or a glide.
    turn_rate : float
        [rad/s], positive right.
    std : float
        Its standard uncertainty [rad/s].
    roll_moment : Quantity
        Power-on roll moment [N m]; unknown in glides.
    """

    rpm: float
    power: bool
    turn_rate: float
    std: float
    roll_moment: Quantity


@displayed
@dataclass(frozen=True)
class SortieFacts:
    """One sortie, as far as a comparison of gliders needs it.

    Attributes
    ----------
    source : str
        File it comes from.
    title, aircraft, glider : str
        From its sheets.
    mass, wing_loading : Quantity
        All-up mass [kg], mass over flat area [kg/m^2].
    area, span : float
        Flat [m^2], [m].
    wing_class : str or None
        As the glider sheet states it.
    lowest_mass, highest_mass : float or None
        Certified all-up masses [kg].
    trim_speed : Quantity
        True airspeed in straight glides [m/s].
    density : float
        Air density there [kg/m^3].
    turn_coefficient : Quantity
        c_L as the sortie's results state it, what was assumed included [1].
    turn : float
        Turn per roll moment [rad/s/(N m)] at the sortie's own speed and density, by its ballast glides alone;
        NaN where it was not measured, and below nothing where gusts drowned the ballast.
    turn_std : float
        Its standard uncertainty without the ballast's own.
    ballast_std : float
        Relative standard uncertainty of the ballast moment.
    ballast : tuple
        What tells one ballast set from another: aircraft and the moments hung out.
    reason : str
        Why the turn per roll moment was not measured.
    points : tuple of TurnPoint
        Straight holds.
    words : tuple of str
        Remarks.

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
    ...     facts, _ = fp.read_facts([path])
    >>> print(facts[0].mass)
    106.5 ± 1.0 kg
    """

    source: str
    title: str
    aircraft: str
    glider: str
    mass: Quantity
    wing_loading: Quantity
    area: float
    span: float
    wing_class: str | None
    lowest_mass: float | None
    highest_mass: float | None
    trim_speed: Quantity
    density: float
    turn_coefficient: Quantity
    turn: float
    turn_std: float
    ballast_std: float
    ballast: tuple[Any, ...]
    reason: str
    points: tuple[TurnPoint, ...]
    words: tuple[str, ...]

    @property
    def measured(self) -> bool:
        """Whether the turn per roll moment was measured."""
        return math.isfinite(self.turn)

    @property
    def aspect_ratio(self) -> float:
        """Flat span squared over flat area."""
        return self.span**2 / self.area


# ------------------------------------------------------------------------------------------------- files


def _find(paths: Iterable[Path | str], faults: list[Fault]) -> list[Path]:
    """Return results files: those named, those in folders (searched to the bottom), those in lists."""
    found: dict[Path, Path] = {}
    for path in map(Path, paths):
        for file in _expand(path, faults):
            found.setdefault(file.resolve(), file)
    return list(found.values())


def _expand(path: Path, faults: list[Fault], inside: bool = False) -> list[Path]:
    if path.is_dir():
        files = sorted(path.rglob("results.json"))
        if not files:
            faults.append(
                Fault(str(path), "", "folder", "no results.json", "a folder that holds reports at any depth")
            )
        return files
    if not path.is_file():
        faults.append(Fault(str(path), "", "path", "(missing)", "a results file, a folder or a list of them"))
        return []
    if path.suffix.lower() == ".json" or inside:
        return [path]
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError):
        faults.append(Fault(str(path), "", "file", "unreadable", "results.json, or a list of paths as text"))
        return []
    names = [line.split("#", 1)[0].strip() for line in lines]
    out: list[Path] = []
    for name in filter(None, names):
        out += _expand(path.parent / name, faults, inside=True)
    if not any(names):
        faults.append(Fault(str(path), "", "list", "(empty)", "one path a line"))
    return out


def read_facts(paths: Iterable[Path | str]) -> tuple[tuple[SortieFacts, ...], tuple[str, ...]]:
    """Read results files; the same sortie twice counts once.

    Parameters
    ----------
    paths : iterable of Path or str
        Each a ``.json`` file, a folder that is searched to the bottom for ``results.json``, or a text file
        with one path a line (``#`` starts a remark; paths count from the list's folder).

    Returns
    -------
    tuple of SortieFacts
        In the order given.
    tuple of str
        What was left out, and why.

    Raises
    ------
    ResultsError
        With every path that is not there, every folder without results and every fault of every file.

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
    ...     facts, remarks = fp.read_facts([path])
    >>> facts[0].glider, len(facts[0].points)
    ('school wing 28', 13)
    """
    faults: list[Fault] = []
    facts: list[SortieFacts] = []
    words: list[str] = []
    seen: dict[tuple[str, ...], str] = {}
    for file in _find(paths, faults):
        try:
            document = parse_json(file.read_bytes())
        except (OSError, UnicodeError) as error:
            faults.append(Fault(str(file), "", "file", "unreadable", f"a readable file ({error})"))
            continue
        except ValueError as error:
            line = str(getattr(error, "lineno", 1))
            faults.append(Fault(str(file), "", "line", line, f"JSON ({getattr(error, 'msg', error)})"))
            continue
        try:
            found = sortie_facts(document, str(file))
        except ResultsError as error:
            faults += error.faults
            continue
        key = _identity(document)
        if key and key in seen:
            words.append(f"{file} is the same sortie as {seen[key]}: it counts once")
            continue
        seen[key] = str(file)
        facts.append(found)
    if faults:
        raise ResultsError(faults)
    return tuple(facts), tuple(words)


def _identity(document: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the digests of a sortie's logs, empty where it names none."""
    provenance = document.get("provenance")
    inputs = provenance.get("inputs") if isinstance(provenance, Mapping) else None
    found = [item for item in inputs if isinstance(item, Mapping)] if isinstance(inputs, list) else []
    return tuple(sorted(str(item.get("sha256")) for item in found if item.get("role") != "sheet"))


# ---------------------------------------------------------------------------------------------- document


class _Reader:
    """Takes fields out of a document and keeps what is wrong with them."""

    def __init__(self, document: Mapping[str, Any], source: str) -> None:
        self.document = document
        self.source = source
        self.faults: list[Fault] = []

    def fault(self, table: str, field: str, value: object, allowed: str) -> None:
        self.faults.append(Fault(self.source, table, field, repr(value)[:40], allowed))

    def table(self, name: str) -> Mapping[str, Any]:
        value = self.document.get(name)
        if isinstance(value, Mapping):
            return value
        hint = "an object; run `flightproc report` again, the file is from an earlier version"
        self.fault("", name, value, hint)
        return {}

    def text(self, name: str) -> str:
        value = self.document.get(name)
        if isinstance(value, str) and value.strip():
            return value.strip()
        self.fault("", name, value, "text that is not empty")
        return ""

    def number(self, table: str, values: Mapping[str, Any], name: str) -> float:
        value = values.get(name)
        if _is_number(value) and _SIZES[0] <= value <= _SIZES[1]:
            return float(value)
        if values:
            self.fault(table, name, value, "a number above 0")
        return math.nan

    def number_or_none(self, table: str, values: Mapping[str, Any], name: str) -> float | None:
        value = values.get(name)
        if value is None or _is_number(value):
            return None if value is None else float(value)
        self.fault(table, name, value, "a number or null")
        return None

    def quantity(self, table: str, values: Mapping[str, Any], name: str, unit: str) -> Quantity:
        value = values.get(name)
        if not isinstance(value, Mapping) or "value" not in value:
            if values:
                self.fault(table, name, value, "an object with value, std, low95 and high95")
            return Quantity.unknown(unit, "missing in the file")
        parts: list[float | None] = []
        for key in ("value", "std", "low95", "high95"):
            part = value.get(key)
            if part is not None and not _is_number(part):
                self.fault(f"{table}.{name}" if table else name, key, part, "a number or null")
                part = None
            parts.append(part)
        reason = str(value.get("reason", ""))
        return Quantity(parts[0], parts[1], parts[2], parts[3], unit, reason)


def _is_number(value: object) -> TypeGuard[int | float]:
    """Return whether a value is a number of ordinary size."""
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= _SIZES[1]


def sortie_facts(document: Mapping[str, Any], source: str) -> SortieFacts:
    """Take what the comparison needs out of one results document.

    Parameters
    ----------
    document : mapping
        The content of results.json.
    source : str
        Its name, for messages.

    Raises
    ------
    ResultsError
        With every fault of the document.

    Notes
    -----
    The c_L of the joint solution holds what was assumed beforehand, the same in every sortie; what the
    ballast glides alone measured is taken instead, so that the assumption does not count once for each.
    """
    if not isinstance(document, Mapping):
        raise ResultsError([Fault(source, "", "file", "not an object", "results.json of a sortie")])
    read = _Reader(document, source)
    schema = document.get("schema")
    if schema != _SCHEMA:
        raise ResultsError([Fault(source, "", "schema", repr(schema), f"{_SCHEMA!r}: results.json")])
    title = str(document.get("title") or "")
    glider, aircraft = read.text("glider"), read.text("aircraft")
    loading, calibration = read.table("loading"), read.table("calibration")
    mass = read.quantity("loading", loading, "all_up_mass_kg", "kg")
    if loading and not (mass.value and mass.value >= _SIZES[0]):
        read.fault("loading", "all_up_mass_kg", mass.value, "a mass above 0")
    area = read.number("loading", loading, "flat_area_m2")
    span = read.number("loading", loading, "flat_span_m")
    coefficient = read.quantity("calibration", calibration, "turn_coefficient", "")
    measured = (
        read.quantity("calibration", calibration, "turn_coefficient_measured", "")
        if "turn_coefficient_measured" in calibration
        else Quantity.unknown("", "the results do not hold it: run `flightproc report` again")
    )
    holds = document.get("holds")
    if not isinstance(holds, list) or not all(isinstance(hold, Mapping) for hold in holds):
        read.fault("", "holds", holds, "a list of objects")
        holds = []
    for index, hold in enumerate(holds):
        if hold.get("kind") not in ("power", "glide", "ballast"):
            read.fault(f"holds[{index}]", "kind", hold.get("kind"), "power, glide or ballast")
    speed, density, words = _trim(read, holds, loading, document)
    points = _points(read, holds)
    moments = [
        (abs(q.value), (q.std or 0.0) / abs(q.value))
        for i, hold in enumerate(holds)
        if hold.get("kind") == "ballast"
        and (q := read.quantity(f"holds[{i}]", hold, "ballast_moment_N_m", "N m")).value
    ]
    lowest, highest = (
        read.number_or_none("loading", loading, name) for name in ("lowest_mass_kg", "highest_mass_kg")
    )
    if read.faults:
        raise ResultsError(read.faults)
    ballast_std = max((ratio for _, ratio in moments), default=0.0)
    assert mass.value is not None and speed.value is not None
    turn = turn_std = math.nan
    reason = measured.reason
    if measured.value is not None and measured.std:
        scale = 4.0 / (density * speed.value * area * span**2)
        turn, turn_std = scale * measured.value, scale * measured.std
    elif not reason:
        reason = "the results give no uncertainty of the turn coefficient"
    return SortieFacts(
        source=source,
        title=title,
        aircraft=aircraft,
        glider=glider,
        mass=mass,
        wing_loading=mass.scaled(1.0 / area, "kg/m^2"),
        area=area,
        span=span,
        wing_class=loading.get("wing_class") or None,
        lowest_mass=lowest,
        highest_mass=highest,
        trim_speed=speed,
        density=density,
        turn_coefficient=coefficient,
        turn=turn,
        turn_std=turn_std,
        ballast_std=ballast_std,
        ballast=(aircraft, *sorted({float(f"{size:.3g}") for size, _ in moments})),
        reason=reason,
        points=points,
        words=tuple(words),
    )


def _trim(
    read: _Reader, holds: Sequence[Mapping[str, Any]], loading: Mapping[str, Any], document: Mapping[str, Any]
) -> tuple[Quantity, float, list[str]]:
    """Return trim speed and density of the straight glides, ballast glides included."""
    words: list[str] = []
    common = document.get("airspeed_common_std_m_s")
    common = float(common) if _is_number(common) else 0.0
    speeds, weights, densities, guessed = [], [], [], 0
    for index, hold in enumerate(holds):
        if not hold.get("straight"):
            continue
        name = f"holds[{index}]"
        density = read.quantity(name, hold, "density_kg_m3", "kg/m^3")
        if density.value and density.value >= _SIZES[0]:
            densities.append((density.value, hold.get("kind") != "power"))
        speed = read.quantity(name, hold, "airspeed_m_s", "m/s")
        if hold.get("kind") == "power" or speed.value is None or speed.std is None:
            continue
        if speed.reason:
            guessed += 1
            continue
        if speed.value < _SIZES[0]:
            read.fault(name, "airspeed_m_s", speed.value, "a speed above 0")
            continue
        speeds.append(speed.value)
        weights.append(1.0 / max(speed.std**2 - common**2, 0.02**2))
    low = [value for value, glide in densities if glide] or [value for value, _ in densities]
    density_mean = sum(low) / len(low) if low else 1.2
    if not low:
        words.append("no density in its holds: 1.2 kg/m^3 was taken")
    if speeds:
        total = sum(weights)
        mean = sum(w * v for w, v in zip(weights, speeds, strict=True)) / total
        return Quantity.of(mean, math.hypot(common, total**-0.5), "m/s"), density_mean, words
    stated = read.number("loading", loading, "sheet_trim_speed_m_s")
    why = "no airspeed in a straight glide: the sheet's trim speed was taken"
    words.append(why)
    if not math.isfinite(stated):
        return Quantity.of(10.0, 1.0, "m/s"), density_mean, words
    return Quantity.of(stated, _SPEED_GUESS * stated, "m/s", reason=why), density_mean, words


def _points(read: _Reader, holds: Sequence[Mapping[str, Any]]) -> tuple[TurnPoint, ...]:
    out = []
    for index, hold in enumerate(holds):
        if not hold.get("straight") or hold.get("kind") == "ballast" or hold.get("hands_off") is False:
            continue
        name = f"holds[{index}]"
        turn = read.quantity(name, hold, "turn_rate_deg_s", "deg/s")
        rpm = read.quantity(name, hold, "rpm", "1/min")
        if turn.value is None or turn.std is None or turn.std <= 0.0:
            continue
        out.append(
            TurnPoint(
                rpm=rpm.value or 0.0,
                power=hold.get("kind") == "power",
                turn_rate=math.radians(turn.value),
                std=math.radians(turn.std),
                roll_moment=read.quantity(name, hold, "roll_moment_N_m", "N m"),
            )
        )
    return tuple(out)
