"""Delimited text as a table: encoding, delimiter, decimal mark, header, units row, comments, short lines."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from ..errors import UnreadableLogError
from .units import find_unit

__all__ = ["Column", "Table", "decode_text", "looks_delimited", "parse_table"]

_DELIMITERS = (",", ";", "\t", "|", " ")
_SAMPLE = 200  # lines looked at to find the layout
_COMMENTS = ("#", "%", "//")
_NUMBER = re.compile(r"^[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?$")
_NOTHING = frozenset(("", "nan", "na", "n/a", "null", "none", "inf", "-inf", "+inf", "-", "--"))
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
    """

    name: str
    bare: str
    unit: str
    values: np.ndarray[tuple[int], np.dtype[np.float64]]
    texts: np.ndarray[tuple[int], np.dtype[np.object_]] | None = None
    whole: np.ndarray[tuple[int], np.dtype[np.object_]] | None = None
    bad_cells: int = 0
    bad_example: str = ""


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


def parse_table(data: bytes, where: str) -> Table:
    """Read a delimited text.

    Parameters
    ----------
    data : bytes
        The whole file.
    where : str
        File name, for errors.

    Raises
    ------
    UnreadableLogError
        If it is no table, or there is no row of values.
    """
    text, encoding, odd = decode_text(data)
    table = Table([])
    if odd:
        table.losses.append(("encoding", "text", odd, -1))
    if encoding.startswith("utf-16"):
        table.notes.append("read as UTF-16")
    nulls = text.count("\x00")
    if nulls:
        text = text.replace("\x00", "")
        table.losses.append(("corrupt", "text", f"{nulls} zero bytes were left out", nulls))
    lines = _lines(text)
    odd_quotes = [i for i, line in enumerate(lines) if line.count('"') % 2]
    for i in odd_quotes:
        lines[i] = lines[i].replace('"', "")
    if odd_quotes:
        words = f"{len(odd_quotes)} lines hold a quotation mark without its partner: marks left out"
        table.losses.append(("corrupt", f"line {odd_quotes[0] + 1}", words, len(odd_quotes)))
    last = len(lines) - 1 if lines and lines[-1].strip() else -1  # a last line without an end of line
    kept = [i for i, line in enumerate(lines) if line.strip() and not _is_comment(line)]
    layout = _find_layout([lines[i] for i in kept])
    if layout is None:
        raise UnreadableLogError(
            "no table can be made out", where=where, allowed="lines of fields with one delimiter"
        )
    counts = [_count_fields(lines[i], layout) for i in kept]
    first = next((k for k, n in enumerate(counts) if n == layout.width), len(kept))
    names, units, body_at = _find_header(lines, kept, first, layout)
    if first:
        table.notes.append(f"{first} line{'s' if first > 1 else ''} before the table left out")
    short = [k for k in range(body_at, len(kept)) if counts[k] < layout.width]
    long = [k for k in range(body_at, len(kept)) if counts[k] > layout.width]
    skip = set(long)
    if short and kept[short[-1]] == last:
        number = short.pop()
        skip.add(number)
        table.losses.append(("cut", f"line {kept[number] + 1}", "the last line is cut and was left out", 1))
    if short:
        table.losses.append(
            (
                "bad_value",
                f"line {kept[short[0]] + 1}",
                f"{len(short)} lines have fewer than {layout.width} fields: what is absent is missing",
                len(short),
            )
        )
    if long:
        table.losses.append(
            (
                "corrupt",
                f"line {kept[long[0]] + 1}",
                f"{len(long)} lines have more than {layout.width} fields and were left out",
                len(long),
            )
        )
    body = [lines[kept[k]] for k in range(body_at, len(kept)) if k not in skip]
    if not body:
        raise UnreadableLogError(
            "the table has a header and no row of values", where=where, hint="export the log again"
        )
    if layout.delimiter != "," or layout.decimal != ".":
        shown = {"\t": "tab", " ": "spaces"}.get(layout.delimiter, f'"{layout.delimiter}"')
        table.notes.append(f"fields parted by {shown}, decimal mark {layout.decimal!r}")
    table.columns = _read_columns(body, names, units, layout, where)
    return table


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


def _read_columns(
    body: list[str], names: list[str], units: list[str], layout: _Layout, where: str
) -> list[Column]:
    separator = r"\s+" if layout.delimiter == " " else layout.delimiter
    try:
        frame = pd.read_csv(
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
    out: list[Column] = []
    for k, (name, unit) in enumerate(zip(names, units, strict=True)):
        cells = frame[k]
        match = _BRACKETS.match(name)
        bare, stated = (match[1], match[2]) if match and match[1] else (name, unit)
        column = Column(name, bare, unit or stated, np.empty(0))
        if pd.api.types.is_bool_dtype(cells) or pd.api.types.is_numeric_dtype(cells):
            column.values = cells.to_numpy(dtype=np.float64)
            if pd.api.types.is_integer_dtype(cells) and cells.abs().max() > 2**53:
                column.whole = cells.to_numpy(dtype=object)
        else:
            _read_text_column(column, cells, layout)
        if name.startswith("(unnamed") and column.texts is None and not np.isfinite(column.values).any():
            continue  # a delimiter at the end of every line
        out.append(column)
    return out


def _read_text_column(column: Column, cells: pd.Series, layout: _Layout) -> None:
    """Make numbers of a column with at least one cell of text, or keep it as text."""
    texts = cells.fillna("").astype(str).str.strip()
    plain = texts.str.replace(layout.decimal, ".", regex=False) if layout.decimal != "." else texts
    numbers = pd.to_numeric(plain, errors="coerce").to_numpy(dtype=np.float64)
    filled = ~texts.str.lower().isin(_NOTHING).to_numpy(dtype=bool)
    bad = filled & np.isnan(numbers)
    column.values = numbers
    if filled.any() and bad.sum() * 2 > filled.sum():
        column.texts = texts.to_numpy(dtype=object)
        column.values = np.full(numbers.size, np.nan)
    elif bad.any():
        column.bad_cells = int(bad.sum())
        column.bad_example = str(texts.to_numpy(dtype=object)[bad][0])
