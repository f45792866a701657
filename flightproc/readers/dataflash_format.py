"""How DataFlash logs describe themselves: format characters, FMT records, unit and multiplier tables.

References
----------
ArduPilot project, "Logger Notes" (format characters, units, multipliers) and "Onboard Message Log Messages"
(message reference).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

__all__ = [
    "CODES",
    "FMT_COLUMNS",
    "FMT_ID",
    "FMT_LENGTH",
    "SCALES",
    "TEXT_CODES",
    "Format",
    "UnitTable",
    "find_fault",
    "layout",
    "parse_record",
]

FMT_ID = 128
"""Id of the records that define all others; the one thing that must be known before a log is read."""

FMT_LENGTH = 89
"""Length of such a record [bytes], its header of three bytes included."""

FMT_COLUMNS = ("Type", "Length", "Name", "Format", "Columns")

CODES: Mapping[str, str] = {
    "a": "(32,)<i2",
    "b": "<i1",
    "B": "<u1",
    "h": "<i2",
    "H": "<u2",
    "i": "<i4",
    "I": "<u4",
    "f": "<f4",
    "d": "<f8",
    "g": "<f2",
    "n": "S4",
    "N": "S16",
    "Z": "S64",
    "c": "<i2",
    "C": "<u2",
    "e": "<i4",
    "E": "<u4",
    "L": "<i4",
    "M": "<u1",
    "q": "<i8",
    "Q": "<u8",
}
"""Format character to numpy type."""

SCALES: Mapping[str, float] = {"c": 100.0, "C": 100.0, "e": 100.0, "E": 100.0, "L": 1e7}
"""Format characters whose values are logged times a power of ten, whatever multiplier the log states."""

TEXT_CODES = frozenset("anNZ")
"""Format characters that hold no single number."""

_NAME = re.compile(r"^[A-Za-z][A-Za-z0-9_]{0,3}$")
_HEADER = 3


@dataclass(frozen=True)
class Format:
    """One message type as an FMT record defines it.

    Attributes
    ----------
    number : int
        Id in the record's header.
    length : int
        Length of a record [bytes], header included.
    name : str
        Message name.
    codes : str
        Format characters, one a column.
    columns : tuple of str
        Column names.
    """

    number: int
    length: int
    name: str
    codes: str
    columns: tuple[str, ...]

    @property
    def size(self) -> int:
        """Length that the format characters add up to [bytes], header included."""
        return _HEADER + sum(np.dtype(CODES[code]).itemsize for code in self.codes)


def _text(raw: bytes) -> str:
    return raw.split(b"\0", 1)[0].decode("latin-1").strip()


def find_fault(form: Format) -> str:
    """Return what is wrong with a definition, or an empty string.

    Examples
    --------
    >>> find_fault(Format(1, 12, "RPM", "Qx", ("TimeUS", "rpm1")))
    "format character 'x' is not known"
    """
    if not _NAME.match(form.name):
        return "the name is no name"
    unknown = [code for code in form.codes if code not in CODES]
    if unknown:
        return f"format character {unknown[0]!r} is not known"
    if len(form.columns) != len(form.codes):
        return f"{len(form.codes)} format characters for {len(form.columns)} columns"
    if not form.codes or len(set(form.columns)) != len(form.columns):
        return "columns are missing or named twice"
    return ""


def parse_record(record: bytes) -> Format:
    """Read the 89 bytes of an FMT record; whether it makes sense is for :func:`find_fault` to say."""
    columns = _text(record[25:89])
    return Format(
        number=record[3],
        length=record[4],
        name=_text(record[5:9]),
        codes=_text(record[9:25]),
        columns=tuple(name.strip() for name in columns.split(",")) if columns else (),
    )


def layout(form: Format) -> dict[str, tuple[str, int, str]]:
    """Return each column's numpy type, byte offset in the record and format character.

    Columns that would reach beyond the record's length are left out.
    """
    out: dict[str, tuple[str, int, str]] = {}
    offset = _HEADER
    for code, name in zip(form.codes, form.columns, strict=True):
        size = np.dtype(CODES[code]).itemsize
        if offset + size > form.length:
            break
        out[name] = (CODES[code], offset, code)
        offset += size
    return out


@dataclass
class UnitTable:
    """Units and multipliers as the log's own UNIT, MULT and FMTU records state them.

    Attributes
    ----------
    labels : dict of str to str
        Unit character to unit.
    factors : dict of str to float
        Multiplier character to factor; 0 stands for "none".
    uses : dict of int to tuple of (str, str)
        Message id to its unit characters and multiplier characters, one a column.
    """

    labels: dict[str, str] = field(default_factory=dict)
    factors: dict[str, float] = field(default_factory=dict)
    uses: dict[int, tuple[str, str]] = field(default_factory=dict)

    def find(self, form: Format, column: str) -> tuple[str, float]:
        """Return a column's unit (empty where not stated) and its factor (1 where not stated).

        A format character with a factor of its own goes before the multiplier: the writers of these logs
        always scale by it, while some firmware states another multiplier beside it.
        """
        place = form.columns.index(column)
        units, multipliers = self.uses.get(form.number, ("", ""))
        label = self.labels.get(units[place], "") if place < len(units) else ""
        factor = self.factors.get(multipliers[place], 0.0) if place < len(multipliers) else 0.0
        if form.codes[place] in SCALES or form.codes[place] in TEXT_CODES:
            factor = 1.0
        return label, factor if factor > 0 and np.isfinite(factor) else 1.0
