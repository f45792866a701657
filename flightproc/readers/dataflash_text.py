"""DataFlash as text: the same log, written out line by line by a ground station or a converter."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Collection, Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..errors import UnreadableLogError
from .build import RecordingBuilder
from .content import Content, load_content, refuse_columns
from .dataflash_fill import fill_recording
from .dataflash_format import FMT_COLUMNS, TEXT_CODES, Format, UnitTable, find_fault
from .recording import Recording
from .table import decode_text

__all__ = ["NAME", "read", "sniff"]

NAME = "Text DataFlash"

_DEFINITION = re.compile(r"^FMT, *\d+, *\d+, *[A-Za-z]\w{0,3}, *\w+, *[A-Za-z]", re.MULTILINE)
_CHUNK = 50_000  # lines parsed at a time
_BLOCK = 1 << 22  # bytes searched at a time
_COMMA = 0x2C
_FAULTS = 10  # faults among the definitions that are told one by one

Array = NDArray[np.float64]
Places = NDArray[np.int64]


def sniff(head: bytes) -> bool:
    r"""Return whether the content is a DataFlash log as text.

    Examples
    --------
    >>> line = b"FMT, 128, 89, FMT, BBnNZ, Type,Length,Name,Format,Columns\n"
    >>> sniff(line + b"FMT, 130, 19, RPM, Qff, TimeUS,rpm1,rpm2\n"), sniff(b"t,rpm\n0,2000\n")
    (True, False)
    """
    if len(_DEFINITION.findall(head.decode("latin-1"))) >= 2:
        return True
    wide = b"F\0M\0T\0" in head or b"\0F\0M\0T" in head
    return wide and len(_DEFINITION.findall(decode_text(head)[0])) >= 2


def read(
    path: str | Path, columns: Mapping[str, object] | None = None, *, content: Content | None = None
) -> Recording:
    """Read a DataFlash log that was written out as text.

    Parameters
    ----------
    path : str or Path
        File.
    columns : None
        The log names its own fields; a column map is an error.
    content : Content, optional
        The file's bytes, where they are already at hand.

    Raises
    ------
    LogError
        If a column map is given.
    UnreadableLogError
        If it holds no line beyond definitions.

    Notes
    -----
    Values whose format character carries a factor are written out scaled, so that none is applied. A line
    with the wrong number of fields is left out and told, and so is a last line without an end.
    """
    content = content or load_content(path)
    refuse_columns(columns, "a DataFlash log", content.path)
    builder = RecordingBuilder(content, NAME)
    data = content.data
    if data[:3] == b"\xef\xbb\xbf":
        data = data[3:]
    elif data[:2] in (b"\xff\xfe", b"\xfe\xff") or data[:64].count(0) > 16:
        text, encoding, odd = decode_text(data)
        data = text.encode("utf-8", errors="replace")
        builder.note(f"read as {encoding.upper()}")
        if odd:
            builder.tell("encoding", "text", odd)
    lines = _Lines(data)
    tables, units = _sort_lines(builder, lines)
    if all(table.form.name in ("FMT", "FMTU", "UNIT", "MULT") for table in tables):
        raise UnreadableLogError(
            "the DataFlash log holds no data beyond its definitions",
            where=content.path,
            hint="check that the logger was recording, or convert the log again",
        )
    fill_recording(builder, tables, units)
    return builder.build()


class _Lines:
    """Where the lines of a text begin and end, and the name each begins with.

    Attributes
    ----------
    starts, stops : ndarray of int, shape (n,)
        Bytes of each whole line, its end left out.
    names : ndarray of int, shape (n,)
        Up to four letters before the first comma as a little-endian number; 0 where there are none.
    tail : int
        Bytes of a last line without an end.
    """

    def __init__(self, data: bytes) -> None:
        self.data = data
        raw = np.frombuffer(data, dtype=np.uint8)
        found = [np.flatnonzero(raw[at : at + _BLOCK] == 10) + at for at in range(0, raw.size, _BLOCK)]
        self.stops: Places = np.concatenate(found) if found else np.empty(0, dtype=np.int64)
        self.starts: Places = np.concatenate([[0], self.stops[:-1] + 1])[: self.stops.size]
        self.tail = len(data) - (int(self.stops[-1]) + 1 if self.stops.size else 0)
        self.names = np.zeros(self.starts.size, dtype=np.int64)
        total = np.zeros(self.starts.size, dtype=np.int64)
        still = np.ones(self.starts.size, dtype=bool)
        for k in range(5):
            letter = np.zeros(self.starts.size, dtype=np.int64)
            inside = self.starts + k < self.stops
            letter[inside] = raw[self.starts[inside] + k]
            ends = still & (letter == _COMMA)
            self.names[ends] = total[ends]
            still &= ~ends
            total += letter << (8 * k)

    def text(self, index: int) -> str:
        """Return one line as text."""
        line = self.data[int(self.starts[index]) : int(self.stops[index])]
        return line.decode("utf-8", errors="replace").rstrip("\r")


def _code(name: str) -> int:
    return int.from_bytes(name.encode("latin-1"), "little")


def _sort_lines(builder: RecordingBuilder, lines: _Lines) -> tuple[list[_TextTable], UnitTable]:
    """Return the lines of each message, and what the log says on units; tell what fits nowhere."""
    forms: dict[str, Format] = {"FMT": Format(128, 89, "FMT", "BBnNZ", FMT_COLUMNS)}
    faults = []
    for index in np.flatnonzero(lines.names == _code("FMT")).tolist():
        form = _parse_definition(lines.text(index))
        fault = find_fault(form) if form else "it is no definition"
        if form is None or fault:
            faults.append(f"line {index + 1} cannot be used as a definition ({fault})")
        elif form.name != "FMT":
            forms[form.name] = form
    for fault in faults[:_FAULTS]:
        builder.tell("corrupt", "definitions", fault)
    if len(faults) > _FAULTS:
        builder.tell("corrupt", "definitions", f"{len(faults) - _FAULTS} further definitions cannot be used")
    tables: list[_TextTable] = []
    known = np.zeros(lines.names.size, dtype=bool)
    misfits: list[int] = []
    for form in forms.values():
        mine = np.flatnonzero(lines.names == _code(form.name))
        if not mine.size:
            continue
        known[mine] = True
        table = _TextTable(lines, form, mine)
        misfits += table.misfits
        if table.places.size:
            tables.append(table)
    _tell_lines(builder, lines, known, sorted(misfits))
    return tables, _read_units(lines, forms)


def _tell_lines(
    builder: RecordingBuilder, lines: _Lines, known: NDArray[np.bool_], misfits: list[int]
) -> None:
    odd = [i for i in np.flatnonzero(~known).tolist() if lines.text(i).strip()]
    first = int(np.argmax(known)) if known.any() else 0
    preamble = [i for i in odd if i < first]
    odd = odd[len(preamble) :]
    if preamble:
        builder.note(f"{len(preamble)} lines before the first definition are not read")
    for places, words in (
        (misfits, "have the wrong number of fields and were left out"),
        (odd, "belong to no message that the log defines and were left out"),
    ):
        if places:
            where = ", ".join(str(i + 1) for i in places[:5]) + (" ..." if len(places) > 5 else "")
            builder.tell("corrupt", f"line {where}", f"{len(places)} lines {words}", len(places))
    if lines.tail and lines.data[-lines.tail :].strip():
        builder.tell(
            "cut",
            f"line {lines.starts.size + 1}",
            f"the last line has no end; its {lines.tail} bytes were left out",
            1,
        )


def _parse_definition(line: str) -> Format | None:
    parts = [part.strip() for part in line.split(",")]
    if len(parts) < 6 or not (parts[1].isdecimal() and parts[2].isdecimal()):
        return None
    return Format(int(parts[1][:6]), int(parts[2][:6]), parts[3], parts[4], tuple(parts[5:]))


def _read_units(lines: _Lines, forms: Mapping[str, Format]) -> UnitTable:
    """Return what the UNIT, MULT and FMTU lines say."""
    table = UnitTable()

    def rows(name: str, count: int) -> list[list[str]]:
        if name not in forms:
            return []
        found = np.flatnonzero(lines.names == _code(name)).tolist()
        parts = [[part.strip() for part in lines.text(i).split(",", count)] for i in found]
        return [row[-(count - 1) :] for row in parts if len(row) == count + 1]

    def character(text: str) -> str:
        return chr(int(text) & 255) if text.isdecimal() and len(text) in (2, 3) else text

    for key, label in rows("UNIT", 3):
        table.labels[character(key)] = label
    for key, factor in rows("MULT", 3):
        try:
            table.factors[character(key)] = float(factor)
        except ValueError:
            continue
    for number, units, factors in rows("FMTU", 4):
        if number.isdecimal():
            table.uses[int(number[:6])] = units, factors
    return table


class _TextTable:
    """A message type of a log as text, as :class:`flightproc.readers.dataflash_fill.Table`."""

    def __init__(self, lines: _Lines, form: Format, index: Places) -> None:
        self.form = form
        self._data = lines.data
        self._text = any(code in TEXT_CODES for code in form.codes)
        starts, stops = lines.starts[index], lines.stops[index]
        wanted = len(form.columns)
        counts = np.fromiter(
            (lines.data.count(b",", a, b) for a, b in zip(starts.tolist(), stops.tolist(), strict=True)),
            dtype=np.int64,
            count=index.size,
        )
        whole = counts >= wanted if self._text else counts == wanted
        self.misfits: list[int] = index[~whole].tolist()
        self.places: Places = starts[whole]
        self._stops = stops[whole]
        self._columns: dict[str, Array] = {}

    def prepare(self, names: Collection[str]) -> None:
        numbers = {
            name: place + 1
            for place, (name, code) in enumerate(zip(self.form.columns, self.form.codes, strict=True))
            if name in names and code not in TEXT_CODES
        }
        self._columns = {name: np.empty(self.places.size) for name in numbers}
        if not numbers:
            return
        for at in range(0, self.places.size, _CHUNK):
            bounds = zip(
                self.places[at : at + _CHUNK].tolist(), self._stops[at : at + _CHUNK].tolist(), strict=True
            )
            chunk = [self._data[a:b] for a, b in bounds]
            parsed = self._parse(chunk, list(numbers.values()))
            for name, values in zip(numbers, parsed, strict=True):
                self._columns[name][at : at + _CHUNK] = values

    def _parse(self, chunk: list[bytes], places: list[int]) -> list[Array]:
        """Return the fields at these places of every line, NaN where they are no number."""
        import pandas as pd

        if self._text:
            rows = [line.split(b",", len(self.form.columns)) for line in chunk]
            cells = [[row[place].decode("latin-1").strip() for row in rows] for place in places]
            return [
                pd.to_numeric(pd.Series(cell), errors="coerce").to_numpy(np.float64, na_value=np.nan)
                for cell in cells
            ]
        text = b"\n".join(chunk).replace(b"\r", b"").replace(b"\0", b"")
        frame = pd.read_csv(
            io.BytesIO(text),
            header=None,
            names=list(range(len(self.form.columns) + 1)),
            usecols=places,
            skipinitialspace=True,
            quoting=csv.QUOTE_NONE,
            encoding="latin-1",
            low_memory=False,
        )
        return [
            pd.to_numeric(frame[place], errors="coerce").to_numpy(np.float64, na_value=np.nan)
            for place in places
        ]

    def column(self, name: str, rows: Places | None = None) -> Array:
        values = self._columns.get(name)
        if values is None:
            return np.full(self.places.size if rows is None else rows.size, np.nan)
        return values.copy() if rows is None else values[rows]
