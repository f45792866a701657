"""The records of an IGC file as columns: fixes decoded as one matrix of bytes, the rest line by line."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

__all__ = ["Extension", "Header", "IgcRecords", "Timed", "decode_igc", "normalise_text"]

Array = NDArray[np.float64]
Bytes = NDArray[np.uint8]
Index = NDArray[np.int64]
Mask = NDArray[np.bool_]

_FIX_LENGTH = 35  # bytes of a B record without extensions
_CHUNK = 16_384  # lines that become one matrix, to bound memory
_BLOCK = 1 << 22  # bytes searched at once for line ends
_LONGEST = 400  # bytes of a line that an extension may lie in
_WIDEST = 20  # bytes of an extension
_MOST_CODES = 60  # codes of a file; more are not from a recorder, and would cost memory without end
_BLANK, _MINUS, _PLUS, _ZERO = 32, 45, 43, 48
_EXTENSION = re.compile(rb"(\d{4}|\d{6})([A-Z][A-Z0-9]{2})")
_DATE = re.compile(rb"^H[FOPS]DTE(?:DATE)?\s*:?\s*(\d{6})(?!\d)")


@dataclass(frozen=True)
class Extension:
    """One field that an I or J record declares.

    Attributes
    ----------
    code : str
        Three-letter code.
    first, last : int
        First and last byte on the line, the first of the line being 1.
    """

    code: str
    first: int
    last: int

    @property
    def width(self) -> int:
        """Number of bytes."""
        return self.last - self.first + 1


@dataclass(frozen=True)
class Header:
    """What the H records say of the values that follow.

    Attributes
    ----------
    codes : Counter of str
        Three-letter codes of the H records and how often each occurs. Their values are not kept: they name
        people, aircraft and devices.
    gnss_altitude : str
        ``ELL``, ``GEO`` or empty: what GNSS altitude is above.
    pressure_altitude : str
        ``ISA``, ``MSL``, ``NIL``, ``NKM`` or empty.
    datum_is_wgs84 : bool
        False where another datum is named.
    """

    codes: Counter[str]
    gnss_altitude: str = ""
    pressure_altitude: str = ""
    datum_is_wgs84: bool = True


@dataclass
class Timed:
    """The lines of one kind that begin with a time, as columns.

    Attributes
    ----------
    line : ndarray of int, shape (n,)
        Number of the line, the first being 1.
    time_of_day : ndarray, shape (n,)
        UTC [s] since midnight, decimal seconds (TDS) included.
    fields : dict of str to ndarray, shape (n,)
        Extensions by code, whole numbers as written; NaN where blank, cut or no number.
    width : dict of str to ndarray of int, shape (n,)
        Number of bytes that the I or J record gives each; 0 where it gives none.
    bad : Counter of str
        How many values were neither blank nor a number.
    first_bad : dict of str to int
        Line of the first of them.
    """

    line: Index
    time_of_day: Array
    fields: dict[str, Array] = field(default_factory=dict)
    width: dict[str, NDArray[np.int8]] = field(default_factory=dict)
    bad: Counter[str] = field(default_factory=Counter)
    first_bad: dict[str, int] = field(default_factory=dict)


@dataclass
class IgcRecords:
    """All that an IGC file holds.

    Attributes
    ----------
    fixes : Timed
        B records.
    latitude, longitude : ndarray, shape (n,)
        [deg], with the further decimals (LAD, LOD) where they are declared.
    valid : ndarray of bool, shape (n,)
        Validity A (3D fix); False for V.
    pressure_altitude, gnss_altitude : ndarray, shape (n,)
        [m] as written.
    extra : Timed
        K records.
    dates : list of (int, int)
        Number of the line and day since 1970 of each usable date.
    header : Header
        What the H records say.
    counts : Counter of str
        Lines by record letter, corrupt ones included.
    events, comments : Counter of str
        E and L records by their three-letter code.
    losses : list of (str, str, str, int)
        Damage: code, where, what, number lost.
    """

    fixes: Timed
    latitude: Array
    longitude: Array
    valid: Mask
    pressure_altitude: Array
    gnss_altitude: Array
    extra: Timed
    dates: list[tuple[int, int]]
    header: Header
    counts: Counter[str]
    events: Counter[str]
    comments: Counter[str]
    losses: list[tuple[str, str, str, int]]


def normalise_text(data: bytes) -> tuple[bytes, str]:
    r"""Return bytes with one byte a character and lines that end in ``\n``, and what was odd, if anything.

    Examples
    --------
    >>> normalise_text("AXYZ\r\nB".encode("utf-16"))
    (b'AXYZ\r\nB', 'read as UTF-16')
    """
    note = ""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        data = data.decode("utf-16", errors="replace").encode("latin-1", errors="replace")
        note = "read as UTF-16"
    elif data[:3] == b"\xef\xbb\xbf":
        data = data[3:]
    if b"\n" not in data and b"\r" in data:
        data = data.replace(b"\r", b"\n")
    return data, note


def line_bounds(data: bytes) -> tuple[Index, Index]:
    """Return first byte and end of every line, line ends and trailing blanks left out."""
    buffer = np.frombuffer(data, dtype=np.uint8)
    found = [np.flatnonzero(buffer[at : at + _BLOCK] == 10) + at for at in range(0, buffer.size, _BLOCK)]
    breaks = np.concatenate(found) if found else np.empty(0, dtype=np.int64)
    if buffer.size and buffer[-1] != 10:
        breaks = np.append(breaks, buffer.size)
    starts = np.concatenate([np.zeros(1, dtype=np.int64), breaks[:-1] + 1])[: breaks.size]
    ends = breaks.copy()
    for _ in range(64):
        trailing = ends > starts
        trailing &= np.isin(buffer[np.maximum(ends - 1, 0)], (13, _BLANK))
        if not trailing.any():
            break
        ends -= trailing
    return starts, ends


def _matrix(data: bytes, starts: Index, ends: Index, width: int) -> Bytes:
    """Return the first ``width`` bytes of each line, blanks beyond its end, shape (n, width)."""
    low, high = int(starts[0]), int(ends[-1])
    block = np.frombuffer(data, dtype=np.uint8, count=high - low, offset=low)
    padded = np.concatenate([block, np.full(width, _BLANK, dtype=np.uint8)])
    matrix: Bytes = sliding_window_view(padded, width)[starts - low]
    length = ends - starts
    if bool((length < width).any()):
        matrix[np.arange(width)[None, :] >= length[:, None]] = _BLANK
    return matrix


def _whole(matrix: Bytes, first: int, end: int) -> tuple[Array, Mask]:
    """Return an unsigned number of digits only, and whether it is one."""
    value = np.zeros(matrix.shape[0])
    good = np.ones(matrix.shape[0], dtype=bool)
    for column in range(first, end):
        digit = matrix[:, column] - np.uint8(_ZERO)  # wraps below "0", so one comparison will do
        good &= digit < 10
        value = 10.0 * value + digit
    return value, good


def _signed(matrix: Bytes, first: int, end: int) -> tuple[Array, Mask]:
    """Return a number that may have blanks and a sign before it (NaN where none), and which are neither."""
    value, plain = _whole(matrix, first, end)
    bad = np.zeros(plain.size, dtype=bool)
    if plain.all():
        return value, bad
    rows = np.flatnonzero(~plain)
    part = matrix[rows, first:end]
    number = np.zeros(rows.size)
    begun, signed, wrong, negative = (np.zeros(rows.size, dtype=bool) for _ in range(4))
    for column in range(end - first):
        byte = part[:, column]
        digit = byte - np.uint8(_ZERO)
        is_digit = digit < 10
        sign = (byte == _MINUS) | (byte == _PLUS)
        negative |= byte == _MINUS
        wrong |= ~(is_digit | (sign & ~begun & ~signed) | ((byte == _BLANK) & ~begun & ~signed))
        signed |= sign
        begun |= is_digit
        number = np.where(is_digit, 10.0 * number + digit, number)
    blank = (part == _BLANK).all(axis=1)
    good = ~wrong & begun
    value[rows] = np.where(good, np.where(negative, -number, number), np.nan)
    bad[rows] = ~good & ~blank
    return value, bad


def _time_of_day(matrix: Bytes) -> tuple[Array, Mask]:
    hour, a = _whole(matrix, 1, 3)
    minute, b = _whole(matrix, 3, 5)
    second, c = _whole(matrix, 5, 7)
    return 3600.0 * hour + 60.0 * minute + second, a & b & c & (hour < 24) & (minute < 60) & (second <= 60)


def _angle(matrix: Bytes, first: int, degrees: int, letters: bytes) -> tuple[Array, Array, Mask]:
    """Return degrees, sign and whether they make sense of ``DDMMmmm`` and its letter."""
    whole, a = _whole(matrix, first, first + degrees)
    milli, b = _whole(matrix, first + degrees, first + degrees + 5)
    letter = matrix[:, first + degrees + 5]
    good = a & b & (milli <= 60_000) & ((letter == letters[0]) | (letter == letters[1]))
    sign = np.where(letter == letters[1], -1.0, 1.0)
    angle = whole + milli / 60_000.0
    return angle, sign, good & (angle <= (90.0 if degrees == 2 else 180.0))


@dataclass
class _Columns:
    """Columns of one run of lines while they are put together."""

    line: list[Index] = field(default_factory=list)
    time: list[Array] = field(default_factory=list)
    fixed: list[Array] = field(default_factory=list)  # (5, n): latitude, longitude, valid, two altitudes
    extensions: list[tuple[int, dict[str, tuple[Array, int]]]] = field(default_factory=list)
    bad: Counter[str] = field(default_factory=Counter)
    first_bad: dict[str, int] = field(default_factory=dict)
    corrupt: list[Index] = field(default_factory=list)

    def count_bad(self, code: str, lines: Index) -> None:
        """Count lines whose field is neither blank nor a number."""
        self.bad[code] += lines.size
        if lines.size:
            self.first_bad.setdefault(code, int(lines[0]))

    def timed(self) -> Timed:
        line = np.concatenate(self.line) if self.line else np.empty(0, dtype=np.int64)
        time = np.concatenate(self.time) if self.time else np.empty(0)
        out = Timed(line, time, bad=self.bad, first_bad=self.first_bad)
        at = 0
        for size, values in self.extensions:
            for code, (column, width) in values.items():
                if code not in out.fields:
                    out.fields[code] = np.full(time.size, np.nan)
                    out.width[code] = np.zeros(time.size, dtype=np.int8)
                out.fields[code][at : at + size] = column
                out.width[code][at : at + size] = width
            at += size
        if "TDS" in out.fields:
            digits = out.width["TDS"].astype(np.float64)
            out.time_of_day += np.nan_to_num(out.fields["TDS"] / 10.0**digits)
        return out


def _decode_run(
    data: bytes,
    starts: Index,
    ends: Index,
    numbers: Index,
    extensions: list[Extension],
    columns: _Columns,
    is_fix: bool,
) -> None:
    """Decode one run of B or K lines that share their extensions."""
    base = _FIX_LENGTH if is_fix else 7
    width = max([base, *(e.last for e in extensions)])
    latitude = south = longitude = west = pressure = gnss = np.empty(0)  # of fixes alone
    for low in range(0, starts.size, _CHUNK):
        part = slice(low, low + _CHUNK)
        matrix = _matrix(data, starts[part], ends[part], width)
        time, good = _time_of_day(matrix)
        good &= ends[part] - starts[part] >= base
        if is_fix:
            latitude, south, a = _angle(matrix, 7, 2, b"NS")
            longitude, west, b = _angle(matrix, 15, 3, b"EW")
            good &= a & b & ((matrix[:, 24] == ord("A")) | (matrix[:, 24] == ord("V")))
            pressure, bad_pressure = _signed(matrix, 25, 30)
            gnss, bad_gnss = _signed(matrix, 30, 35)
            columns.count_bad("pressure_altitude", numbers[part][bad_pressure & good])
            columns.count_bad("gnss_altitude", numbers[part][bad_gnss & good])
        values: dict[str, tuple[Array, int]] = {}
        for extension in extensions:
            if extension.code not in values:
                column, bad = _signed(matrix, extension.first - 1, extension.last)
                columns.count_bad(extension.code, numbers[part][bad & good])
                values[extension.code] = (column[good], extension.width)
        columns.corrupt.append(numbers[part][~good])
        columns.line.append(numbers[part][good])
        columns.time.append(time[good])
        columns.extensions.append((int(np.count_nonzero(good)), values))
        if is_fix:
            for code, angle in (("LAD", latitude), ("LOD", longitude)):
                if code in values:
                    more, digits = values[code]
                    angle[good] += np.nan_to_num(more) / (60_000.0 * 10.0**digits)
            valid = (matrix[:, 24] == ord("A")).astype(np.float64)
            columns.fixed.append(
                np.stack([south * latitude, west * longitude, valid, pressure, gnss])[:, good]
            )


def _parse_extensions(line: bytes, kind: str) -> tuple[list[Extension], str]:
    """Return what an I or J record declares, and what is wrong with it, if anything."""
    found = [
        Extension(code.decode(), int(span[: len(span) // 2]), int(span[len(span) // 2 :]))
        for span, code in _EXTENSION.findall(line[3:])
    ]
    low = _FIX_LENGTH if kind == "I" else 7
    good = [e for e in found if low < e.first <= e.last <= _LONGEST and e.width <= _WIDEST]
    declared = int(line[1:3]) if line[1:3].isdigit() else -1
    if declared != len(good):
        return (
            good,
            f"declares {declared if declared >= 0 else 'no number of'} fields; {len(good)} make sense",
        )
    return good, ""


def _parse_date(line: bytes) -> int | None:
    """Return the day since 1970 of an HFDTE record, None where it is no date."""
    match = _DATE.match(line)
    if match is None:
        return None
    day, month, year = (int(match[1][k : k + 2]) for k in (0, 2, 4))
    try:
        stamp = np.datetime64(f"{year + (2000 if year < 80 else 1900):04d}-{month:02d}-{day:02d}", "D")
    except ValueError:
        return None
    return int(stamp.astype(np.int64))


def _parse_header(lines: list[bytes]) -> Header:
    codes: Counter[str] = Counter()
    gnss = pressure = ""
    wgs84 = True
    for line in lines:
        code = line[2:5].decode("latin-1")
        codes[code if re.fullmatch("[A-Z0-9]{3}", code) else "?"] += 1
        value = line[5:].upper()
        value = value[value.find(b":") + 1 :].strip()
        if code == "ALG":
            gnss = "ELL" if b"ELL" in value else "GEO" if value[:3] in (b"GEO", b"MSL") else ""
        elif code == "ALP":
            pressure = next((v for v in ("ISA", "MSL", "NIL", "NKM") if value.startswith(v.encode())), "")
        elif code == "DTM" and value:
            wgs84 = b"84" in value
    return Header(codes, gnss, pressure, wgs84)


def _codes(data: bytes, starts: Index, ends: Index, first: int) -> Counter[str]:
    """Count the three-letter codes that stand at one place of the lines."""
    out: Counter[str] = Counter()
    for low in range(0, starts.size, _CHUNK):
        part = slice(low, low + _CHUNK)
        matrix = np.ascontiguousarray(_matrix(data, starts[part], ends[part], first + 3)[:, first:])
        for code, count in zip(*np.unique(matrix.view("S3").ravel(), return_counts=True), strict=True):
            text = code.decode("latin-1")
            out[text if re.fullmatch("[A-Z0-9]{3}", text) else "?"] += int(count)
    return out


def decode_igc(data: bytes) -> IgcRecords:
    """Decode the records of an IGC file.

    Parameters
    ----------
    data : bytes
        As :func:`normalise_text` returns them.

    Notes
    -----
    B and K lines are read by the I or J record that was last before them, so that a file whose widths change
    half-way is read right. A line whose fixed part makes no sense is left out and told with its number; its
    text is never quoted.
    """
    starts, ends = line_bounds(data)
    buffer = np.frombuffer(data, dtype=np.uint8)
    kept = np.flatnonzero(ends > starts)
    letters = np.full(starts.size, _BLANK, dtype=np.uint8)  # of an empty line
    letters[kept] = buffer[starts[kept]]
    counts = Counter(
        {chr(k): int(n) for k, n in zip(*np.unique(letters[kept], return_counts=True), strict=True)}
    )
    losses: list[tuple[str, str, str, int]] = []
    lines = {
        kind: [(int(i), data[starts[i] : ends[i]]) for i in np.flatnonzero(letters == ord(kind))]
        for kind in "HIJ"
    }
    dates = []
    for number, line in lines["H"]:
        day = _parse_date(line)
        if day is not None:
            dates.append((number + 1, day))
    decoded = {}
    for kind, declared in (("B", "I"), ("K", "J")):
        columns = _Columns()
        rows = np.flatnonzero(letters == ord(kind))
        edges = [0]
        tables: list[list[Extension]] = [[]]
        known: set[str] = set()
        last = b""
        for number, line in lines[declared]:
            if line == last:
                continue
            last = line
            extensions, wrong = _parse_extensions(line, declared)
            if wrong:
                losses.append(("corrupt", f"line {number + 1}", f"this {declared} record {wrong}", -1))
            fresh = [e.code for e in extensions if e.code not in known]
            known.update(fresh[: max(_MOST_CODES - len(known), 0)])
            extensions = [e for e in extensions if e.code in known]
            edges.append(int(np.searchsorted(rows, number)))
            tables.append(extensions)
        edges.append(rows.size)
        for extensions, low, high in zip(tables, edges[:-1], edges[1:], strict=True):
            run = rows[low:high]
            if run.size:
                _decode_run(data, starts[run], ends[run], run + 1, extensions, columns, kind == "B")
        decoded[kind] = columns
    _tell_corrupt(losses, decoded, letters, starts.size, data)
    fixed = decoded["B"].fixed
    table = np.concatenate(fixed, axis=1) if fixed else np.empty((5, 0))
    events, comments = np.flatnonzero(letters == ord("E")), np.flatnonzero(letters == ord("L"))
    return IgcRecords(
        fixes=decoded["B"].timed(),
        latitude=table[0],
        longitude=table[1],
        valid=table[2] > 0,
        pressure_altitude=table[3],
        gnss_altitude=table[4],
        extra=decoded["K"].timed(),
        dates=dates,
        header=_parse_header([line for _, line in lines["H"]]),
        counts=counts,
        events=_codes(data, starts[events], ends[events], 7),
        comments=_codes(data, starts[comments], ends[comments], 1),
        losses=losses,
    )


def _tell_corrupt(
    losses: list[tuple[str, str, str, int]],
    decoded: dict[str, _Columns],
    letters: Bytes,
    total: int,
    data: bytes,
) -> None:
    """Tell of lines that make no sense, and of a last line that is cut."""
    last_is_open = not data.endswith(b"\n")
    for kind, columns in decoded.items():
        bad = np.concatenate(columns.corrupt) if columns.corrupt else np.empty(0, dtype=np.int64)
        if last_is_open and bad.size and bad[-1] == total:
            losses.append(("cut", f"line {total}", f"the file ends within this {kind} record: left out", 1))
            bad = bad[:-1]
        if bad.size:
            losses.append(_corrupt(bad, f"{kind} record", "do not follow the format"))
    strange = np.flatnonzero((letters != _BLANK) & ((letters < ord("A")) | (letters > ord("Z")))) + 1
    if strange.size:
        losses.append(_corrupt(strange, "line", "begin with no record letter"))


def _corrupt(lines: Index, what: str, why: str) -> tuple[str, str, str, int]:
    shown = ", ".join(str(n) for n in lines[:5].tolist()) + (", ..." if lines.size > 5 else "")
    where = f"line{'s' if lines.size > 1 else ''} {shown}"
    verb = (
        why
        if lines.size > 1
        else re.sub(r"^(do not|begin)", lambda m: {"do not": "does not"}.get(m[0], "begins"), why)
    )
    return (
        "corrupt",
        where,
        f"{lines.size} {what}{'s' if lines.size > 1 else ''} {verb}: left out",
        int(lines.size),
    )
