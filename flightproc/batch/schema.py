"""The table of a batch: one row a sortie, one a hold, one a throttle setting.

Its columns stand here once; docs/batch.md, the Parquet file and the CSV files follow.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

__all__ = ["COLUMNS", "ENDINGS", "TABLE", "Column", "result_rows", "sortie_row"]

ENDINGS = ("", "_std", "_low95", "_high95")
"""Endings of the four columns of a measured quantity."""

ALL = ("sortie", "hold", "setting")


@dataclass(frozen=True)
class Column:
    """One column of the table, or four for a measured quantity.

    Attributes
    ----------
    name : str
        Its name, with the unit at the end.
    kind : str
        ``text``, ``whole``, ``number``, ``flag``, ``time`` or ``quantity``.
    rows : tuple of str
        The rows that fill it: ``sortie``, ``hold``, ``setting``.
    words : str
        What it holds.
    """

    name: str
    kind: str
    rows: tuple[str, ...]
    words: str

    def parts(self) -> tuple[tuple[str, str], ...]:
        """Return name and kind of each column of the table that it stands for."""
        if self.kind != "quantity":
            return ((self.name, self.kind),)
        return tuple((self.name + ending, "number") for ending in ENDINGS)


def _column(name: str, kind: str, rows: str, words: str) -> Column:
    return Column(name, kind, ALL if rows == "all" else tuple(rows.split()), words)


COLUMNS = tuple(
    _column(*entry)
    for entry in (
        ("row", "text", "all", "what the row is: `sortie`, `hold` or `setting`"),
        ("sortie", "text", "all", "the sortie sheet, as it was found"),
        ("key", "text", "all", "hash of sheets, logs and version: the name of the stored result"),
        ("title", "text", "all", "title of the sortie"),
        ("aircraft", "text", "all", "name of the aircraft"),
        ("glider", "text", "all", "name of the glider"),
        ("start_utc", "time", "all", "first sample of the sortie; empty where no log carries UTC"),
        ("number", "whole", "hold setting", "of the hold or setting in its sortie, from 1"),
        # of a sortie
        ("state", "text", "sortie", "`done`, `failed`, or `stopped` where the batch ended before it"),
        ("failure", "text", "sortie", "what went wrong, where, and what to try; empty where nothing did"),
        ("failure_kind", "text", "sortie", "name of the error's class; `WorkerDied`, `Unforeseen`"),
        ("answer", "text", "sortie", "the answer in words, first sentence"),
        ("length_s", "number", "sortie", "length of the sortie's time base"),
        ("power_holds", "whole", "sortie", "how many power holds were found"),
        ("glide_holds", "whole", "sortie", "how many glides"),
        ("ballast_holds", "whole", "sortie", "how many ballast glides"),
        ("not_holds", "whole", "sortie", "how many stretches were turned down"),
        ("reaction_sign", "whole", "sortie", "1: the torque reaction rolls right; -1: left"),
        ("hung_mass_kg", "quantity", "sortie", "everything below the hang points"),
        ("all_up_mass_kg", "quantity", "sortie", "that and the glider"),
        ("flat_area_m2", "number", "sortie", "area of the glider laid out flat"),
        ("wind_speed_m_s", "number", "sortie", "mean wind speed"),
        ("wind_from_deg", "number", "sortie", "direction it blows from, clockwise from true north"),
        ("wind_method", "text", "sortie", "`gps_circle`, `stated` or `none`"),
        ("calibration_method", "text", "sortie", "`ballast` or `prior`"),
        ("hang_stiffness_N_m_rad", "quantity", "sortie", "K, roll moment for each radian of hang roll"),
        ("hang_zero_deg", "quantity", "sortie", "hang roll without power or ballast"),
        ("turn_coefficient", "quantity", "sortie", "c_L, reduced turn for each roll-moment coefficient"),
        ("wake_fraction", "quantity", "sortie", "w, with the flight's ratios"),
        ("sortie_torque_ratio_accepted", "flag", "sortie", "whether the whole-sortie ratio is to be used"),
        ("sortie_torque_ratio", "quantity", "sortie", "torque ratio from the whole sortie"),
        ("sortie_advance_ratio", "number", "sortie", "J that it holds for"),
        ("warnings", "text", "sortie", "warnings of the analysis, one a line"),
        ("version", "text", "sortie", "version of flightproc"),
        ("created_utc", "time", "sortie", "when it was analysed"),
        ("cpu_s", "number", "sortie", "processor time that the analysis took"),
        ("memory_MB", "number", "sortie", "most memory that its process held meanwhile"),
        ("input_MB", "number", "sortie", "size of its sheets and logs"),
        # of a hold
        ("start_s", "number", "hold", "begin of the hold"),
        ("end_s", "number", "hold", "its end"),
        ("kind", "text", "hold", "`power`, `glide` or `ballast`"),
        ("straight", "flag", "hold", "whether it was flown straight"),
        ("origin", "text", "hold", "`found` or `sheet`"),
        ("hands_off", "flag", "hold", "what the pilot's notes say"),
        ("density_kg_m3", "quantity", "hold", "air density"),
        ("turn_rate_deg_s", "quantity", "hold", "turn rate, nose right positive"),
        ("bank_deg", "quantity", "hold", "bank of the unit, counted from its hang in glides"),
        ("hang_roll_deg", "quantity", "hold", "angle of the unit to apparent gravity"),
        ("excess_turn_deg_s", "quantity", "hold", "turn that zero and roll moment do not explain"),
        ("yaw_moment_N_m", "quantity", "hold", "yaw moment that would give the excess turn"),
        ("residual_turning_moment_N_m", "quantity", "hold", "roll moment that would give all the turn"),
        ("ballast_moment_N_m", "quantity", "hold", "roll moment of the ballast by mass and arm"),
        # of holds and settings
        ("rpm", "quantity", "hold setting", "engine speed [1/min]"),
        ("airspeed_m_s", "quantity", "hold setting", "true airspeed"),
        ("roll_moment_N_m", "quantity", "hold setting", "power-on roll moment, right side down positive"),
        # of a setting
        ("advance_ratio", "quantity", "setting", "J = V / (n D)"),
        ("static_torque_N_m", "quantity", "setting", "torque at rest at this rpm, by the rig"),
        ("torque_ratio", "quantity", "setting", "torque in flight over static torque"),
        ("alpha_075_static_deg", "quantity", "setting", "angle of attack at 0.75 R at rest"),
        ("alpha_075_flight_deg", "quantity", "setting", "the same in flight"),
        ("alpha_075_naive_deg", "quantity", "setting", "the same in flight, induced flow left out"),
        ("holds", "text", "setting", "numbers of its holds, with blanks between"),
    )
)
"""Every column, in order."""

TABLE = tuple(part for column in COLUMNS for part in column.parts())
"""Name and kind of every column of the table, quantities taken apart."""

_KINDS = {column.name: column.kind for column in COLUMNS}


def _put(row: dict[str, Any], name: str, value: Any) -> None:
    """Put an entry of results.json into a row."""
    kind = _KINDS[name]
    if kind == "quantity":
        entry = value if isinstance(value, Mapping) else {}
        for ending in ENDINGS:
            row[name + ending] = entry.get(ending.lstrip("_") or "value")
    elif kind == "time":
        row[name] = None if not value else datetime.fromisoformat(str(value)).astimezone(UTC)
    else:
        row[name] = value


def _at(document: Mapping[str, Any], *path: str) -> Any:
    """Return what stands at a place in results.json, or None."""
    found: Any = document
    for name in path:
        found = found.get(name) if isinstance(found, Mapping) else None
    return found


def _head(kind: str, sortie: str, key: str, document: Mapping[str, Any]) -> dict[str, Any]:
    row: dict[str, Any] = {"row": kind, "sortie": sortie, "key": key}
    for name in ("title", "aircraft", "glider"):
        row[name] = document.get(name)
    _put(row, "start_utc", _at(document, "time_base", "start_utc"))
    return row


def sortie_row(sortie: str, key: str, document: Mapping[str, Any], made: Mapping[str, Any]) -> dict[str, Any]:
    """Return the row of a sortie that was analysed.

    Parameters
    ----------
    sortie : str
        The sortie sheet, as shown.
    key : str
        Of the stored result.
    document : mapping
        Its results.json.
    made : mapping
        What its analysis took: ``cpu_s``, ``memory_MB``, ``input_MB``.
    """
    row = _head("sortie", sortie, key, document)
    holds = document.get("holds") or []
    counts = {
        f"{kind}_holds": sum(h.get("kind") == kind for h in holds) for kind in ("power", "glide", "ballast")
    }
    trace = document.get("trace") or {}
    row |= {"state": "done", **counts, "not_holds": len(document.get("not_holds") or [])}
    row["answer"] = next(iter(document.get("answer") or []), None)
    row["warnings"] = "\n".join(document.get("warnings") or []) or None
    for name, place in {
        "length_s": ("time_base", "end_s"),
        "reaction_sign": ("reaction_sign",),
        "hung_mass_kg": ("loading", "hung_mass_kg"),
        "all_up_mass_kg": ("loading", "all_up_mass_kg"),
        "flat_area_m2": ("loading", "flat_area_m2"),
        "wind_speed_m_s": ("wind", "speed_m_s"),
        "wind_from_deg": ("wind", "from_deg"),
        "wind_method": ("wind", "method"),
        "calibration_method": ("calibration", "method"),
        "hang_stiffness_N_m_rad": ("calibration", "hang_stiffness_N_m_rad"),
        "hang_zero_deg": ("calibration", "hang_zero_deg"),
        "turn_coefficient": ("calibration", "turn_coefficient"),
        "wake_fraction": ("inflow", "wake_fraction"),
        "version": ("provenance", "version"),
        "created_utc": ("provenance", "created_utc"),
    }.items():
        _put(row, name, _at(document, *place))
    _put(row, "sortie_torque_ratio_accepted", trace.get("accepted"))
    _put(row, "sortie_torque_ratio", trace.get("torque_ratio"))
    _put(row, "sortie_advance_ratio", trace.get("advance_ratio"))
    for name in ("cpu_s", "memory_MB", "input_MB"):
        row[name] = made.get(name)
    return row


def result_rows(
    sortie: str, key: str, document: Mapping[str, Any], made: Mapping[str, Any]
) -> Iterator[dict[str, Any]]:
    """Yield every row of a sortie that was analysed: the sortie, its holds, its settings."""
    yield sortie_row(sortie, key, document, made)
    yield from _rows("hold", "holds", sortie, key, document)
    yield from _rows("setting", "comparison", sortie, key, document)


def _rows(
    kind: str, name: str, sortie: str, key: str, document: Mapping[str, Any]
) -> Iterator[dict[str, Any]]:
    entries: Sequence[Mapping[str, Any]] = document.get(name) or []
    for number, entry in enumerate(entries, start=1):
        row = _head(kind, sortie, key, document)
        row["number"] = number
        for field, value in entry.items():
            if field == "holds":
                row[field] = " ".join(str(index + 1) for index in value)
            elif field in _KINDS:
                _put(row, field, value)
        yield row
