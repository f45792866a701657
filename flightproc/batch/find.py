"""Finding the sortie sheets below folders."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..errors import OutputError
from ..sheets.text import SIZE_LIMIT

__all__ = ["FoundSheet", "Search", "find_sheets", "shown_path"]


@dataclass(frozen=True)
class FoundSheet:
    """A sortie sheet that was found.

    Attributes
    ----------
    path : Path
        Where it is, as seen from where the search began.
    name : str
        Its path without ``.toml``, seen from the folder that was searched (from the one above all of them,
        where there are several), with ``/``.
    log_bytes : int
        Size of the logs it names, as far as they are there [bytes].
    """

    path: Path
    name: str
    log_bytes: int


@dataclass(frozen=True)
class Search:
    """What a search below folders found.

    Attributes
    ----------
    sheets : tuple of FoundSheet
        By path; each file once.
    notes : tuple of str
        What could not be looked at.
    """

    sheets: tuple[FoundSheet, ...]
    notes: tuple[str, ...]


def shown_path(path: str | os.PathLike[str]) -> str:
    r"""Return a path as text that any file can hold, whatever bytes its name has.

    Examples
    --------
    >>> shown_path("a/b.toml"), shown_path(os.fsdecode(b"caf\xe9.toml"))
    ('a/b.toml', 'caf\\xe9.toml')
    """
    return os.fspath(path).encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def find_sheets(folders: Sequence[Path], *, leave_out: Path | None = None) -> Search:
    """Find every sortie sheet below folders.

    A sortie sheet is a ``.toml`` file with ``[[logs]]``, or one with ``sortie`` in its name. Folders whose
    name begins with a dot are passed over. Links to folders are followed, no folder is entered twice.

    Parameters
    ----------
    folders : sequence of Path
        Folders, or single sheets.
    leave_out : Path, optional
        A folder that is not entered.

    Returns
    -------
    Search

    Raises
    ------
    OutputError
        Where a folder is not there.
    """
    notes: list[str] = []
    found: dict[tuple[int, int], tuple[Path, int]] = {}
    seen: set[tuple[int, int]] = set()
    if leave_out is not None and leave_out.is_dir():
        seen.add(_identity(leave_out))
    for folder in folders:
        if not folder.exists():
            raise OutputError(
                "there is no such folder", where=shown_path(folder), hint="flightproc batch FOLDER"
            )
        for path in [folder] if folder.is_file() else _walk(folder, seen, notes):
            try:
                identity, logs = _identity(path), _log_bytes(path)
            except OSError as error:
                notes.append(f"{shown_path(path)}: cannot be read: {error.strerror}")
                continue
            if logs is not None:
                found.setdefault(identity, (path, logs))
    places = sorted(found.values(), key=lambda item: os.fspath(item[0]))
    names = _names([path for path, _ in places], folders)
    return Search(
        tuple(FoundSheet(path, name, logs) for (path, logs), name in zip(places, names, strict=True)),
        tuple(notes),
    )


def _identity(path: Path) -> tuple[int, int]:
    status = path.stat()
    return status.st_dev, status.st_ino


def _walk(folder: Path, seen: set[tuple[int, int]], notes: list[str]) -> Iterator[Path]:
    """Yield the TOML files below a folder."""

    def tell(error: OSError) -> None:
        notes.append(f"{shown_path(error.filename or folder)}: cannot be searched: {error.strerror}")

    for place, inner, names in os.walk(folder, followlinks=True, onerror=tell):
        here = _identity(Path(place))
        if here in seen:
            inner.clear()
            continue
        seen.add(here)
        inner[:] = sorted(name for name in inner if not name.startswith("."))
        yield from (Path(place, name) for name in sorted(names) if name.lower().endswith(".toml"))


def _log_bytes(path: Path) -> int | None:
    """Return the size of the logs that a sortie sheet names, or None where it is no sortie sheet."""
    named = "sortie" in path.stem.lower()
    if path.stat().st_size > SIZE_LIMIT:
        return 0 if named else None
    try:
        raw = path.read_bytes()
        data = tomllib.loads(raw.decode("utf-8-sig"))
    except (ValueError, RecursionError):
        return 0 if named or b"[[logs]]" in raw else None
    if "logs" not in data and not named:
        return None
    return sum(_size(path.parent, log) for log in _tables(data.get("logs")))


def _tables(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []


def _size(folder: Path, log: Any) -> int:
    name = log.get("file") if isinstance(log, dict) else None
    if not isinstance(name, str) or "\0" in name:
        return 0
    try:
        return os.stat(folder / name).st_size
    except OSError:
        return 0  # the analysis will tell


def _names(paths: Sequence[Path], folders: Sequence[Path]) -> list[str]:
    """Return a name for each sheet: its path seen from what was searched, without the ending."""
    tops = [os.path.abspath(folder if folder.is_dir() else folder.parent) for folder in folders]
    root = os.path.commonpath(tops)
    return [
        shown_path(os.path.splitext(os.path.relpath(os.path.abspath(path), root))[0]).replace(os.sep, "/")
        for path in paths
    ]
