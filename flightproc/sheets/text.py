"""From a file to TOML data, with every way this can fail told as a fault."""

from __future__ import annotations

import math
import re
import stat
import tomllib
from pathlib import Path
from typing import Any

from ..errors import Fault

__all__ = ["SIZE_LIMIT", "read_toml", "shown"]

SIZE_LIMIT = 1_000_000
"""Largest sheet that is read [bytes]."""

_PLACE = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)\s*$")


class _Written(float):
    """A float that remembers how it was written."""

    text: str


def _parse_float(text: str) -> float:
    number = _Written(text)
    number.text = text
    return number


def shown(value: object, limit: int = 70) -> str:
    """Return a TOML value as it was written, shortened where it is long.

    Examples
    --------
    >>> shown(True), shown("a"), shown([1, 2.5])
    ('true', '"a"', '[1, 2.5]')
    """
    return _cut(_shown(value, 0), limit)


def _cut(text: str, limit: int) -> str:
    return text if len(text) <= limit else text[: limit - 3] + "..."


def _shown(value: object, depth: int) -> str:
    if isinstance(value, _Written):
        return value.text
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value) if value.bit_length() < 1000 else f"a whole number of {value.bit_length()} bits"
    if isinstance(value, float):
        return "nan" if math.isnan(value) else repr(value)
    if isinstance(value, str):
        plain = value.encode("utf-8", "backslashreplace").decode("utf-8")
        plain = plain.replace("\n", "\\n").replace("\r", "\\r").replace("\t", "\\t")
        return '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04X}" for c in plain) + '"'
    if depth > 3:
        return "..."
    if isinstance(value, dict):
        pairs = [f"{k} = {_shown(v, depth + 1)}" for k, v in list(value.items())[:8]]
        return "{ " + ", ".join(pairs) + " }" if pairs else "{}"
    if isinstance(value, list) and value and all(isinstance(v, dict) for v in value):
        return f"{len(value)} table{'s' if len(value) > 1 else ''}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_shown(v, depth + 1) for v in value[:20]) + "]"
    isoformat = getattr(value, "isoformat", None)
    if isoformat is not None:
        return str(isoformat()).replace("+00:00", "Z")
    return str(value)


def read_toml(path: Path) -> tuple[dict[str, Any] | None, list[Fault]]:
    """Read a TOML file.

    Parameters
    ----------
    path : Path
        The sheet.

    Returns
    -------
    data : dict or None
        The content; None where it cannot be read.
    faults : list of Fault
        At most one.
    """

    def fault(value: str, allowed: str, field: str = "file") -> tuple[None, list[Fault]]:
        return None, [Fault(str(path), "", field, value, allowed)]

    if "\0" in str(path):
        return None, [
            Fault(ascii(str(path)), "", "file", shown(str(path)), "a file name without a null character")
        ]
    try:
        if path.is_dir():
            return fault("a folder", "a TOML file, not a folder")
        if not stat.S_ISREG(path.stat().st_mode):
            return fault("not a plain file", "a TOML file")
        size = path.stat().st_size
        if size > SIZE_LIMIT:
            return fault(
                f"{size} bytes", f"a sheet of at most {SIZE_LIMIT} bytes; this looks like another file"
            )
        raw = path.read_bytes()
    except (FileNotFoundError, NotADirectoryError):
        return fault("(missing)", "a sheet that exists; flightproc new FOLDER writes a set to fill in")
    except OSError as error:
        return fault(error.strerror or "unreadable", "a file that may be read")
    return _parse(raw, fault)


def _parse(raw: bytes, fault: Any) -> tuple[dict[str, Any] | None, list[Fault]]:
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\x00" in raw[:200]:
        found = "UTF-16 text" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else "bytes that are not text"
        return fault(found, "UTF-8 text; save it again with the encoding UTF-8")  # type: ignore[no-any-return]
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        return fault(  # type: ignore[no-any-return]
            f"byte 0x{raw[error.start]:02x}",
            "UTF-8 text; this looks like Latin-1 or another encoding: save it again with the encoding UTF-8",
            f"line {line}",
        )
    try:
        return tomllib.loads(text, parse_float=_parse_float), []
    except tomllib.TOMLDecodeError as error:
        return _syntax(text, str(error), fault)
    except RecursionError:
        return fault("brackets within brackets", "fewer levels of brackets")  # type: ignore[no-any-return]
    except ValueError as error:
        # Numbers or dates the TOML reader itself cannot hold, such as one of 5000 digits.
        return fault(_cut(str(error), 60), "numbers and dates of ordinary size")  # type: ignore[no-any-return]


def _syntax(text: str, message: str, fault: Any) -> tuple[None, list[Fault]]:
    place = _PLACE.search(message)
    words = message[: place.start()] if place else message
    lines = text.split("\n")
    if place and place.group(1):
        line, column = int(place.group(1)), int(place.group(2))
    else:
        line = max(len(text.rstrip("\n").split("\n")), 1)
        column = len(lines[line - 1]) + 1
    written = lines[line - 1].strip() if line <= len(lines) else ""
    words = words[:1].lower() + words[1:]
    hint = ""
    if re.search(r"=\s*[-+]?\d+,\d", written):
        hint = "; write decimals with a point, not a comma"
    elif "\\" in written:
        hint = "; write folders with /, or put the name in single quotes"
    elif re.search(r"=\s*(?:#.*)?$", written):
        hint = "; write a value after the = sign"
    elif re.search(r"=\s*[^\W\d]", written) and not re.search(r"=\s*(true|false|nan|inf)\b", written):
        hint = "; put words in quotes"
    return fault(  # type: ignore[no-any-return]
        _cut(written, 70) if written else "(empty line)",
        f"TOML; here: {_cut(words, 150)}{hint}",
        f"line {line}, column {column}",
    )
