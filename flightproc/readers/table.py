"""Delimited text as a table: encoding, delimiter, decimal mark, header, units row, comments, short lines."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..errors import UnreadableLogError
from .units import find_unit

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Column", "Table", "decode_text", "looks_delimited", "parse_table"]

_DELIMITERS = (",", ";", "\t", "|", " ")
_SAMPLE = 200  # lines looked at to find the layout
_BLOCK = 1 << 20  # bytes taken apart at once
_SMALL = (
    1 << 22
)  # bytes up to which a table of plain numbers is read without pandas, which takes long to load
_COMMENTS = ("#", "%", "//")
_NUMBER = re.compile(r"^[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?$")
_NOTHING = frozenset(("", "nan", "na", "n/a", "null", "none", "inf", "-inf", "+inf", "-", "--"))
_PLAIN = re.compile(r"[-+.\deE,;|\t \n]*")
_CLOCK = re.compile(r"^(?:\d{4}-\d{1,2}-\d{1,2})|^\d{1,2}:\d{2}")
_BRACKETS = re.compile(r"^(.*?)\s*[\[({]\s*([^\])}]+?)\s*[\])}]\s*$")


@dataclass
class Column:
    """One column of the table.

    Attributes
    ----------
    name : str
        As in the header.
    bare : str
        Name without a unit in brackets.
    unit : str
        Unit that brackets or the units row state, as written; empty where none is stated.
    values : ndarray of float, shape (n,)
        Numbers; NaN where the cell is empty or is text.
    texts : ndarray of object or None
        The cells of a column that is not of numbers.
    whole : ndarray of int as object, or None
        The numbers, where they are whole and too large for a float to hold exactly.
    bad_cells : int
        Cells of a number column that hold text.
    bad_example : str
        One of them.
    count : int
        Finite numbers, or cells of text that are not empty.
    steady : bool
        Whether each number is the one before plus 1.
    """

    name: str
    bare: str
    unit: str
    values: np.ndarray[tuple[int], np.dtype[np.float64]]
    texts: np.ndarray[tuple[int], np.dtype[np.object_]] | None = None
    whole: np.ndarray[tuple[int], np.dtype[np.object_]] | None = None
    bad_cells: int = 0
    bad_example: str = ""
    count: int = 0
    steady: bool = False


@dataclass
class Table:
    """A delimited text, read.

    Attributes
    ----------
    columns : list of Column
        In file order.
    losses : list of tuple of (str, str, str, int)
        Damage code, place, words and count.
    notes : list of str
        What the file was taken for.
    """

    columns: list[Column]
    losses: list[tuple[str, str, str, int]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class _Layout:
    delimiter: str
    width: int
    decimal: str


# Bytes to text --------------------------------------------------------------------------------------------


def decode_text(data: bytes) -> tuple[str, str, str]:
    r"""Decode bytes; return the text, the encoding and words on what was odd (empty when nothing was).

    Examples
    --------
    >>> decode_text(b"t,\xb0C")[1:]
    ('latin-1', 'not UTF-8: read as Latin-1')
    """
    if data.startswith(b"\xef\xbb\xbf"):
        return data[3:].decode("utf-8", errors="replace"), "utf-8", ""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", errors="replace"), "utf-16", ""
    head = data[:4000]
    if len(head) >= 8 and head.count(0) > len(head) // 3:
        odd = sum(1 for byte in head[1::2] if byte == 0) > sum(1 for byte in head[::2] if byte == 0)
        name = "utf-16-le" if odd else "utf-16-be"
        return data.decode(name, errors="replace"), name, ""
    try:
        return data.decode("utf-8"), "utf-8", ""
    except UnicodeDecodeError as error:
        if error.reason == "unexpected end of data":
            return data[: error.start].decode("utf-8"), "utf-8", "the last character is cut"
        return data.decode("latin-1"), "latin-1", "not UTF-8: read as Latin-1"


def _lines(text: str) -> list[str]:
    return text.replace("\r\n", "\n").replace("\r", "\n").split("\n")


def _is_comment(line: str) -> bool:
    return line.lstrip().startswith(_COMMENTS)


# Layout ---------------------------------------------------------------------------------------------------


def _split(line: str, delimiter: str) -> list[str]:
    if delimiter == " ":
        return line.split()
    if '"' in line:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter), [])]
    return [cell.strip() for cell in line.split(delimiter)]


def _is_number(cell: str) -> bool:
    return bool(_NUMBER.match(cell))


def _find_layout(lines: list[str]) -> _Layout | None:
    """Return delimiter, number of fields and decimal mark, or None where the lines are no table."""
    sample = lines[:_SAMPLE]
    if len(sample) > 40:
        sample = sample[10:]  # past a preamble
    best: tuple[float, _Layout] | None = None
    for delimiter in _DELIMITERS:
        rows = [_split(line, delimiter) for line in sample]
        width, count = Counter(len(row) for row in rows).most_common(1)[0]
        if width < 2:
            continue
        even = count / len(rows)
        body = [cell for row in rows if len(row) == width for cell in row if cell]
        commas = delimiter != "," and any("," in cell and _is_number(cell) for cell in body)
        points = any("." in cell and _is_number(cell) for cell in body)
        numbers = sum(_is_number(cell) or bool(_CLOCK.match(cell)) for cell in body) / max(1, len(body))
        score = even * (0.2 + numbers) - (0.3 if delimiter == " " else 0.0)
        layout = _Layout(delimiter, width, "," if commas and not points else ".")
        if even >= 0.6 and (best is None or score > best[0]):
            best = (score, layout)
    return best[1] if best else None


def looks_delimited(head: bytes, complete: bool) -> bool:
    """Return whether the first bytes are lines of fields, at least two of them alike.

    Parameters
    ----------
    head : bytes
        First bytes.
    complete : bool
        Whether they are the whole file; if not, the last line is left out.
    """
    if head.startswith((b"\x7fELF", b"PK\x03\x04", b"\x1f\x8b")):
        return False
    text, encoding, _ = decode_text(head)
    controls = sum(1 for c in text[:4000] if ord(c) < 32 and c not in "\t\r\n") + text[:4000].count("\ufffd")
    if controls > 0.02 * min(len(text), 4000):
        return False
    if encoding == "latin-1" and sum(1 for c in text[:4000] if 0x7F <= ord(c) < 0xA0) > 40:
        return False
    lines = [line for line in _lines(text) if line.strip()]
    if not complete and len(lines) > 1:
        lines.pop()
    lines = [line for line in lines if not _is_comment(line)]
    if not lines or lines[0].lstrip().startswith(("<", "{")):
        return False
    sentences = sum(bool(re.search(r"(?:^|[\s|])[$!][A-Z]{2,}", line)) for line in lines[:50])
    records = sum(bool(re.match(r"^[BHIJ][A-Z0-9]{4,}", line)) for line in lines[:50])
    if sum(bool(re.match(r"^FMT, *\d+, *\d+, *[A-Za-z]", line)) for line in lines[:50]) >= 2:
        return False  # definitions of a DataFlash log as text
    if sentences > len(lines[:50]) // 3 or (records > len(lines[:50]) // 2 and lines[0].startswith("A")):
        return False
    layout = _find_layout(lines)
    if layout is None:
        return False
    if layout.delimiter != " ":
        return True
    rows = [row for row in (_split(line, " ") for line in lines[:_SAMPLE]) if len(row) == layout.width]
    return sum(all(_is_number(cell) for cell in row) for row in rows) >= max(2, len(rows) // 2)


# Table ----------------------------------------------------------------------------------------------------


@dataclass
class _Tally:
    """What was odd in the lines of a table, counted over its blocks."""

    nulls: int = 0
    quotes: tuple[int, int] = (0, 0)
    short: tuple[int, int] = (0, 0)
    long: tuple[int, int] = (0, 0)
    cut: int = 0

    def add(self, kind: str, lines: list[int]) -> None:
        """Count lines of one kind; the number of the first is kept."""
        if lines:
            count, first = getattr(self, kind)
            setattr(self, kind, (count + len(lines), first or lines[0]))


def parse_table(data: bytes, where: str, may_feed: Callable[[Column], bool] | None = None) -> Table:
    """Read a delimited text, block by block, so that a long one costs little memory.

    Parameters
    ----------
    data : bytes
        The whole file.
    where : str
        File name, for errors.
    may_feed : callable, optional
        Whether the values of a column, given by its name and unit, are wanted; of the other columns of
        numbers only the count is kept.

    Raises
    ------
    UnreadableLogError
        If it is no table, or there is no row of values.
    """
    encoding, start, stop, odd = _find_encoding(data)
    table = Table([])
    if odd:
        table.losses.append(("encoding", "text", odd, -1))
    if encoding.startswith("utf-16"):
        table.notes.append("read as UTF-16")
    tally = _Tally()
    layout: _Layout | None = None
    names: list[str] = []
    parts: list[list[_Part]] = []
    shells: list[Column] = []
    number = 0  # lines before the block
    for text, final in _text_blocks(data, encoding, start, stop):
        lines = _clean_lines(text, number, tally)
        if not final:
            lines.pop()  # nothing stands after the end of the last line
        kept = [i for i, line in enumerate(lines) if line.strip() and not _is_comment(line)]
        body_at = 0
        if layout is None:
            layout = _find_layout([lines[i] for i in kept])
            if layout is None:
                raise UnreadableLogError(
                    "no table can be made out", where=where, allowed="lines of fields with one delimiter"
                )
            width = layout.width
            first = next(
                (k for k, i in enumerate(kept) if _count_fields(lines[i], layout) == width), len(kept)
            )
            names, units, body_at = _find_header(lines, kept, first, layout)
            if first:
                table.notes.append(f"{first} line{'s' if first > 1 else ''} before the table left out")
            shells = [_shell(name, unit) for name, unit in zip(names, units, strict=True)]
            parts = [[] for _ in names]
        body = _body(lines, kept[body_at:], number, layout, final, tally)
        number += len(lines)
        if body:
            for shell, own, part in zip(shells, parts, _take_apart(body, layout, where, data), strict=True):
                counted = may_feed is not None and not may_feed(shell)
                own.append(part.counted() if counted else part)
    assert layout is not None
    _tell_tally(table, tally, layout)
    if not parts or not parts[0]:
        raise UnreadableLogError(
            "the table has a header and no row of values", where=where, hint="export the log again"
        )
    if layout.delimiter != "," or layout.decimal != ".":
        shown = {"\t": "tab", " ": "spaces"}.get(layout.delimiter, f'"{layout.delimiter}"')
        table.notes.append(f"fields parted by {shown}, decimal mark {layout.decimal!r}")
    for shell, own in zip(shells, parts, strict=True):
        _join_parts(shell, own)
        own.clear()
        if shell.name.startswith("(unnamed") and shell.texts is None and not shell.count:
            continue  # a delimiter at the end of every line
        table.columns.append(shell)
    return table


def _find_encoding(data: bytes) -> tuple[str, int, int, str]:
    """Return the encoding, the bytes where the text begins and ends, and words on what was odd."""
    head = data[:8000]
    if data.startswith((b"\xff\xfe", b"\xfe\xff")) or head.startswith(b"\xef\xbb\xbf"):
        mark = 3 if head[0] == 0xEF else 2
        name = "utf-8" if mark == 3 else "utf-16-le" if head[0] == 0xFF else "utf-16-be"
        return name, mark, len(data), ""
    _, encoding, _ = decode_text(head)
    if encoding.startswith("utf-16"):
        return encoding, 0, len(data), ""
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        for at in range(0, len(data), _BLOCK):
            decoder.decode(data[at : at + _BLOCK])
    except UnicodeDecodeError:
        return "latin-1", 0, len(data), "not UTF-8: read as Latin-1"
    begun = len(decoder.getstate()[0])  # bytes of a character that does not end
    return "utf-8", 0, len(data) - begun, "the last character is cut" if begun else ""


def _text_blocks(data: bytes, encoding: str, start: int, stop: int) -> Iterator[tuple[str, bool]]:
    """Yield the text in blocks of whole lines, and whether each is the last."""
    if encoding.startswith("utf-16"):
        text = data[start:stop].decode(encoding, errors="replace")
        mark = "\n" if "\n" in text[:_BLOCK] else "\r"
        at = 0
        while at < len(text) or not at:
            end = _line_end(text.rfind(mark, at, at + _BLOCK), text.find(mark, at + _BLOCK), len(text))
            end = len(text) if at + _BLOCK >= len(text) else end
            yield text[at:end], end == len(text)
            at = end or 1
        return
    sign = b"\n" if b"\n" in data[:_BLOCK] else b"\r"
    at = start
    while at < stop or at == start:
        end = stop
        if at + _BLOCK < stop:
            end = _line_end(data.rfind(sign, at, at + _BLOCK), data.find(sign, at + _BLOCK), stop)
        yield data[at:end].decode(encoding, errors="replace"), end >= stop
        if end <= at:
            return
        at = end


def _line_end(within: int, beyond: int, stop: int) -> int:
    """Return where a block of whole lines ends: after its last line, or after the one that is longer."""
    return min(within + 1 if within >= 0 else beyond + 1 if beyond >= 0 else stop, stop)


def _clean_lines(text: str, number: int, tally: _Tally) -> list[str]:
    """Return the lines without zero bytes and without quotation marks that have no partner."""
    nulls = text.count("\x00")
    if nulls:
        text = text.replace("\x00", "")
        tally.nulls += nulls
    lines = _lines(text)
    odd = [i for i, line in enumerate(lines) if line.count('"') % 2] if '"' in text else []
    for i in odd:
        lines[i] = lines[i].replace('"', "")
    tally.add("quotes", [number + i + 1 for i in odd])
    return lines


def _body(
    lines: list[str], kept: list[int], number: int, layout: _Layout, final: bool, tally: _Tally
) -> list[str]:
    """Return the lines that are rows, and count those that are too short or too long."""
    counts = [_count_fields(lines[i], layout) for i in kept]
    short = [k for k, count in enumerate(counts) if count < layout.width]
    skip = {k for k, count in enumerate(counts) if count > layout.width}
    tally.add("long", [number + kept[k] + 1 for k in sorted(skip)])
    if short and final and kept[short[-1]] == len(lines) - 1:  # a last line without an end of line
        skip.add(short[-1])
        tally.cut = number + kept[short.pop()] + 1
    tally.add("short", [number + kept[k] + 1 for k in short])
    return [lines[i] for k, i in enumerate(kept) if k not in skip]


def _tell_tally(table: Table, tally: _Tally, layout: _Layout) -> None:
    if tally.nulls:
        table.losses.append(("corrupt", "text", f"{tally.nulls} zero bytes were left out", tally.nulls))
    count, line = tally.quotes
    if count:
        words = f"{count} lines hold a quotation mark without its partner: marks left out"
        table.losses.append(("corrupt", f"line {line}", words, count))
    if tally.cut:
        table.losses.append(("cut", f"line {tally.cut}", "the last line is cut and was left out", 1))
    count, line = tally.short
    if count:
        words = f"{count} lines have fewer than {layout.width} fields: what is absent is missing"
        table.losses.append(("bad_value", f"line {line}", words, count))
    count, line = tally.long
    if count:
        words = f"{count} lines have more than {layout.width} fields and were left out"
        table.losses.append(("corrupt", f"line {line}", words, count))


def _count_fields(line: str, layout: _Layout) -> int:
    if layout.delimiter == " " or '"' in line:
        return len(_split(line, layout.delimiter))
    return line.count(layout.delimiter) + 1


def _find_header(
    lines: list[str], kept: list[int], first: int, layout: _Layout
) -> tuple[list[str], list[str], int]:
    """Return names, units and the place in ``kept`` of the first row of values."""
    if first >= len(kept):
        return [str(k + 1) for k in range(layout.width)], [""] * layout.width, first
    row = _split(lines[kept[first]], layout.delimiter)
    values = sum(_is_number(cell) or cell.lower() in _NOTHING for cell in row)
    at = first
    if values * 2 > len(row) and any(_is_number(cell) for cell in row):
        names = _commented_header(lines, kept[first], layout) or [str(k + 1) for k in range(layout.width)]
    else:
        names, at = row, first + 1
    names = [name.strip().strip('"').strip() for name in names]
    units = [""] * layout.width
    if at < len(kept) and at > first:
        row = _split(lines[kept[at]], layout.delimiter)
        filled = [cell for cell in row if cell and cell != "-"]
        known = sum(find_unit(cell) is not None for cell in filled)
        dated = any(_CLOCK.match(cell) for cell in filled)
        if dated or all(cell == "1" for cell in filled if find_unit(cell)):
            known = 0
        if len(row) == layout.width and filled and not any(_is_number(c) and c != "1" for c in filled):
            bracketed = sum(bool(re.match(r"^[\[(].*[\])]$", cell)) for cell in filled)
            if known * 2 >= len(filled) or bracketed == len(filled):
                units = [cell.strip("[](){} ") for cell in row]
                at += 1
    return _unique(names), units, at


def _commented_header(lines: list[str], before: int, layout: _Layout) -> list[str] | None:
    """Return the names from a comment line just above the values, as some loggers write them."""
    for i in range(before - 1, max(-1, before - 4), -1):
        if _is_comment(lines[i]):
            row = _split(lines[i].lstrip().lstrip("#%/").strip(), layout.delimiter)
            if len(row) == layout.width and not any(_is_number(cell) for cell in row):
                return row
    return None


def _unique(names: list[str]) -> list[str]:
    seen: Counter[str] = Counter()
    out = []
    for k, name in enumerate(names):
        name = name or f"(unnamed {k + 1})"
        seen[name] += 1
        out.append(name if seen[name] == 1 else f"{name}.{seen[name]}")
    return out


def _shell(name: str, unit: str) -> Column:
    """Return a column that has no values yet."""
    match = _BRACKETS.match(name)
    bare, stated = (match[1], match[2]) if match and match[1] else (name, unit)
    return Column(name, bare, unit or stated, np.empty(0))


def _take_apart(body: list[str], layout: _Layout, where: str, data: bytes) -> list[_Part]:
    """Return the columns of a block."""
    numbers = _read_numbers(body, layout) if len(data) <= _SMALL else None
    if numbers is not None:
        return [_numbers(column) for column in np.ascontiguousarray(numbers.T)]
    frame = _read_block(body, layout, where)
    return [_part(frame[k], layout) for k in range(layout.width)]


def _read_numbers(body: list[str], layout: _Layout) -> NDArray[np.float64] | None:
    """Return a block that is of numbers throughout, one in each field; None for any other."""
    if layout.decimal != "." or layout.delimiter == " " or not _PLAIN.fullmatch("\n".join(body)):
        return None
    try:
        table = np.loadtxt(body, delimiter=layout.delimiter, comments=None, ndmin=2)
    except ValueError:  # an empty field, a line of another length
        return None
    exact = table.shape[1] == layout.width and np.all(np.abs(table) < 2.0**53)
    return table if exact and table.shape[0] == len(body) else None


def _numbers(values: NDArray[np.float64]) -> _Part:
    """Make a part of numbers that a float holds exactly."""
    part = _Part(values, values.size, bool(np.all(values[1:] == values[:-1] + 1)))
    part.integer = bool(np.all(values == np.floor(values)))
    return part


def _read_block(body: list[str], layout: _Layout, where: str) -> pd.DataFrame:
    import pandas as pd

    separator = r"\s+" if layout.delimiter == " " else layout.delimiter
    try:
        return pd.read_csv(
            io.BytesIO("\n".join(body).encode("utf-8", "replace")),
            sep=separator,
            header=None,
            names=list(range(layout.width)),
            index_col=False,
            decimal=layout.decimal,
            skipinitialspace=True,
            skip_blank_lines=True,
            low_memory=False,
            on_bad_lines="skip",
            encoding="utf-8",
        )
    except (pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        raise UnreadableLogError(f"the table cannot be read ({error})", where=where) from error


@dataclass
class _Part:
    """One column of one block."""

    values: np.ndarray[tuple[int], np.dtype[np.float64]]
    count: int
    steady: bool
    integer: bool = False
    whole: np.ndarray[tuple[int], np.dtype[np.object_]] | None = None
    texts: np.ndarray[tuple[int], np.dtype[np.object_]] | None = None
    filled: int = 0
    bad: int = 0
    example: str = ""

    def counted(self) -> _Part:
        """Return the part without its values."""
        texts = np.empty(0, dtype=object) if self.texts is not None else None
        return replace(self, values=np.empty(0), whole=None, texts=texts)


def _part(cells: pd.Series, layout: _Layout) -> _Part:
    """Make numbers of a column, or, with at least one cell of text, numbers and texts."""
    import pandas as pd

    if pd.api.types.is_bool_dtype(cells) or pd.api.types.is_numeric_dtype(cells):
        values = cells.to_numpy(dtype=np.float64)
        part = _Part(
            values, int(np.count_nonzero(np.isfinite(values))), bool(np.all(values[1:] == values[:-1] + 1))
        )
        part.integer = pd.api.types.is_integer_dtype(cells)
        if part.integer and cells.abs().max() > 2**53:
            part.whole = cells.to_numpy(dtype=object)
        return part
    texts = cells.fillna("").astype(str).str.strip()
    plain = texts.str.replace(layout.decimal, ".", regex=False) if layout.decimal != "." else texts
    numbers = pd.to_numeric(plain, errors="coerce").to_numpy(dtype=np.float64)
    filled = ~texts.str.lower().isin(_NOTHING).to_numpy(dtype=bool)
    bad = filled & np.isnan(numbers)
    part = _Part(numbers, int(np.count_nonzero(np.isfinite(numbers))), False)
    part.texts = texts.to_numpy(dtype=object)
    part.filled, part.bad = int(filled.sum()), int(bad.sum())
    part.example = str(part.texts[bad][0]) if part.bad else ""
    return part


def _join_parts(column: Column, parts: list[_Part]) -> None:
    """Put the blocks of one column together; most of its cells decide whether it is one of numbers."""
    column.steady = all(part.steady for part in parts)
    values = [part.values for part in parts]
    column.values = values[0] if len(values) == 1 else np.concatenate(values)
    column.count = sum(part.count for part in parts)
    if any(part.texts is not None for part in parts):
        filled = sum(part.filled if part.texts is not None else part.count for part in parts)
        bad = sum(part.bad for part in parts)
        if filled and bad * 2 > filled:
            column.texts = np.concatenate([_texts(part) for part in parts])
            column.values = np.full(column.texts.size, np.nan)
            column.count = filled
        elif bad:
            column.bad_cells = bad
            column.bad_example = next(part.example for part in parts if part.bad)
    elif all(part.integer for part in parts) and any(part.whole is not None for part in parts):
        column.whole = np.concatenate(
            [
                p.whole if p.whole is not None else np.array(p.values, dtype=np.int64).astype(object)
                for p in parts
            ]
        )


def _texts(part: _Part) -> np.ndarray[tuple[int], np.dtype[np.object_]]:
    if part.texts is not None:
        return part.texts
    words = [f"{value:.15g}" if np.isfinite(value) else "" for value in part.values]
    return np.array(words, dtype=object)
