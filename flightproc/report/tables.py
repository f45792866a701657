"""results.json and holds.csv as text."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Mapping
from datetime import date, datetime
from enum import Enum
from pathlib import PurePath
from typing import Any

import numpy as np

from ..results import Results

__all__ = ["holds_csv", "json_text", "plain", "results_json"]


def plain(value: Any) -> Any:
    """Return a value as JSON can hold it: numbers that are not finite become null, other objects their text.

    Examples
    --------
    >>> plain({"a": (1, float("inf")), "b": np.float64(2.5)})
    {'a': [1, None], 'b': 2.5}
    """
    if value is None or (isinstance(value, str | bool) and not isinstance(value, Enum)):
        return value
    if isinstance(value, Enum):
        return plain(value.value)
    if isinstance(value, np.generic | np.ndarray):
        return plain(value.tolist())
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return value + 0.0 if math.isfinite(value) else None  # + 0.0 turns -0.0 into 0.0
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(item) for item in value]
    if isinstance(value, date | datetime):
        return value.isoformat()
    if isinstance(value, PurePath):
        return value.name
    return str(value)


def json_text(document: Mapping[str, Any]) -> str:
    r"""Return a document as strict JSON, ending with a line feed.

    Examples
    --------
    >>> json_text({"torque": float("nan")})
    '{\n "torque": null\n}\n'
    """
    return json.dumps(plain(document), allow_nan=False, ensure_ascii=False, indent=1) + "\n"


def results_json(results: Results) -> str:
    r"""Return results.json: strict JSON, no NaN, ending with a line feed.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> results_json(results)[:37]
    '{\n "schema": "flightproc-results/1",\n'
    """
    return json_text(results.to_json())


def _significant(value: float, digits: int) -> str:
    if value == 0.0:
        return "0"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    return f"{value:.{max(places, 0)}f}"


def _cell(value: Any, std: float | None) -> str:
    """Return one cell: by three digits of the standard uncertainty, else by six digits of the value."""
    if value is None:
        return ""
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    if isinstance(value, int | np.integer | str):
        return str(value)
    number = float(value)
    if not math.isfinite(number):
        return ""
    if std is not None and math.isfinite(std) and std > 0.0:
        places = min(9, max(0, 2 - math.floor(math.log10(std))))
        text = f"{number:.{places}f}"
    else:
        text = _significant(number, 6)
    return text.removeprefix("-") if float(text) == 0.0 else text


def holds_csv(results: Results) -> str:
    """Return holds.csv: one row a hold, units in the column names, empty where unknown (RFC 4180).

    Values and bounds are rounded to three digits of their standard uncertainty, times to 0.01 s.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> holds_csv(results).splitlines()[0][:24]
    'hold,start_s,end_s,kind,'
    """
    rows = results.holds_rows()
    buffer = io.StringIO()
    writer = csv.writer(buffer)
    names = list(dict.fromkeys(name for row in rows for name in row)) or _columns()
    writer.writerow(names)
    for row in rows:
        cells = []
        for name in names:
            stem = name
            for ending in ("_std", "_low95", "_high95"):
                stem = stem.removesuffix(ending)
            value = row.get(name)
            if name in ("start_s", "end_s"):
                cells.append(f"{float(row[name]):.2f}")
            else:
                cells.append(_cell(value, row.get(f"{stem}_std")))
        writer.writerow(cells)
    return buffer.getvalue()


def _columns() -> list[str]:
    """Return the table's columns for a sortie without holds."""
    import dataclasses

    from ..holds.model import HoldKind
    from ..quantity import Quantity
    from ..results import HoldResult

    nothing = Quantity.unknown("", "no hold")
    fields: dict[str, Any] = {item.name: nothing for item in dataclasses.fields(HoldResult)}
    fields |= {
        "start": 0.0,
        "end": 0.0,
        "kind": HoldKind.GLIDE,
        "straight": True,
        "origin": "",
        "hands_off": None,
    }
    columns = ["hold"]
    for key, entry in HoldResult(**fields).to_json().items():
        columns.append(key)
        if isinstance(entry, dict):
            columns += [f"{key}_std", f"{key}_low95", f"{key}_high95"]
    return columns
