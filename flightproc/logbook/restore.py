"""Taking a sortie out of the logbook as files, and analysing it again."""

from __future__ import annotations

import math
import os
import secrets
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .. import __version__
from ..display import displayed
from ..errors import FlightprocError, LogbookError
from .book import Logbook
from .files import Content, digest
from .model import ResultView, RevisionView, safe_path

__all__ = ["REPORT_FILES", "Repeated", "differences", "repeat_result", "restore_files", "restore_inputs"]

REPORT_FILES = ("report.html", "report.pdf", "holds.csv")
"""Files of a report that may be kept with a result; figures stand in the page."""

Progress = Callable[[str, float], None]

_RELATIVE, _ABSOLUTE = 1e-6, 1e-9  # libraries differ in the last digits from machine to machine
_TOLD = 10
_NOT_ON_WINDOWS = set('<>:"|?*')


def restore_inputs(book: Logbook, revision: RevisionView, folder: str | os.PathLike[str]) -> Path:
    """Write sheets, logs and tables as they lay when they were added; return the sortie sheet.

    Raises
    ------
    LogbookError
        Where content is missing or damaged, or a file is there already with other content.

    Examples
    --------
    >>> import flightproc as fp
    >>> import tempfile
    >>> from flightproc.logbook import gather
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with fp.Logbook(f"{folder}/book") as book:
    ...         added = book.add(gather("sample_logs/school-wing-28/sortie.toml"))
    ...         revision = book.get(added.sortie).revisions[-1]
    ...         print(restore_inputs(book, revision, f"{folder}/again").name)
    sortie.toml
    """
    files = {file.path: file.sha256 for file in revision.entry.files}
    restore_files(book, files, folder)
    return Path(folder) / revision.entry.file("sortie").path


def restore_files(book: Logbook, files: Mapping[str, str], folder: str | os.PathLike[str]) -> None:
    """Write stored content, by path inside a folder; what is there already must be the same.

    Examples
    --------
    >>> import flightproc as fp
    >>> import tempfile
    >>> from flightproc.logbook import gather
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with fp.Logbook(f"{folder}/book") as book:
    ...         added = book.add(gather("sample_logs/school-wing-28/sortie.toml"))
    ...         revision = book.get(added.sortie).revisions[-1]
    ...         files = {file.path: file.sha256 for file in revision.entry.files if file.role == "glider"}
    ...         restore_files(book, files, f"{folder}/again")
    ...         print(list(files))
    ['glider.toml']
    """
    root = Path(folder)
    clash = []
    for path, sha256 in files.items():
        target = root / safe_path(path)
        if os.name == "nt" and _NOT_ON_WINDOWS & set(path):
            raise LogbookError("a file of this name cannot be written on this system", found=path)
        if os.path.lexists(target) and (not target.is_file() or digest(target)[0] != sha256):
            clash.append(str(target))
    if clash:
        raise LogbookError(
            "files are there already with other content: " + ", ".join(clash),
            where=str(root),
            hint="name an empty folder",
        )
    for path, sha256 in files.items():
        target = root / path
        draft = target.with_name(f".{secrets.token_hex(8)}.partial")
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            with draft.open("xb") as file:
                for piece in book.pieces(sha256):
                    file.write(piece)
            draft.replace(target)
        except OSError as error:
            raise LogbookError(f"cannot be written: {error.strerror}", where=str(target)) from error
        finally:
            with suppress(OSError):
                draft.unlink(missing_ok=True)


@displayed
@dataclass(frozen=True)
class Repeated:
    """A result made again from what is stored.

    Attributes
    ----------
    result : int
        Number of the result.
    version, version_now : str
        The program that made it, and this one.
    differences : tuple of str
        What came out otherwise, in words; empty where nothing did.
    error : str
        Why it could not be made again; empty where it could.
    """

    result: int
    version: str
    version_now: str
    differences: tuple[str, ...]
    error: str = ""

    @property
    def same(self) -> bool:
        """Whether the same came out."""
        return not self.differences and not self.error


def repeat_result(
    book: Logbook,
    revision: RevisionView,
    result: ResultView,
    analyse: Callable[[Path], Mapping[str, Any]] | None = None,
    *,
    progress: Progress | None = None,
) -> Repeated:
    """Make a result again from the stored sheets and logs, and hold the two against each other.

    Parameters
    ----------
    book : Logbook
        The logbook.
    revision, result : RevisionView, ResultView
        Which one.
    analyse : callable, optional
        From a sortie sheet to ``results.json`` as plain objects; the analysis where not given.
    progress : callable, optional
        Called with what is being done and the share done.

    Examples
    --------
    >>> import flightproc as fp
    >>> import tempfile
    >>> from flightproc.report import results_json
    >>> sheet = "sample_logs/school-wing-28/sortie.toml"
    >>> results = fp.analyse(sheet)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with fp.Logbook(f"{folder}/book") as book:
    ...         added = book.add_sortie(sheet, results_json(results))
    ...         revision = book.get(added.sortie).revisions[-1]
    ...         again = repeat_result(book, revision, revision.results[-1], lambda path: results.to_json())
    ...         print(again.differences)
    ()
    """

    def whole_way(sheet: Path) -> Mapping[str, Any]:
        from ..analysis import analyse as analyse_sortie

        return analyse_sortie(sheet, progress=progress).to_json()

    try:
        stored = book.document(result)
        with tempfile.TemporaryDirectory(prefix="flightproc-") as folder:
            made = (analyse or whole_way)(restore_inputs(book, revision, folder))
    except FlightprocError as error:
        return Repeated(result.id, result.version, __version__, (), str(error))
    found = list(differences(_comparable(stored), _comparable(made)))
    words = found[:_TOLD] + ([f"and {len(found) - _TOLD} more"] if len(found) > _TOLD else [])
    return Repeated(result.id, result.version, __version__, tuple(words))


def _comparable(document: Mapping[str, Any]) -> dict[str, Any]:
    """Return a document without what tells only when, where and by which program it was made."""
    kept = dict(document)
    kept["provenance"] = {"settings": dict(document["provenance"]["settings"])}
    return kept


def differences(stored: Any, made: Any, place: str = "") -> Iterator[str]:
    """Yield where two JSON documents differ; numbers count as equal to six digits.

    Examples
    --------
    >>> list(differences({"a": [1.0, 2.0]}, {"a": [1.0, 2.5]}))
    ['a[1]: 2.0 is now 2.5']
    """
    if isinstance(stored, Mapping) and isinstance(made, Mapping):
        for key in sorted({*stored, *made}, key=str):
            inside = f"{place}.{key}" if place else str(key)
            if key not in stored or key not in made:
                yield f"{inside}: only in the {'stored' if key in stored else 'new'} one"
            else:
                yield from differences(stored[key], made[key], inside)
    elif isinstance(stored, list | tuple) and isinstance(made, list | tuple):
        if len(stored) != len(made):
            yield f"{place}: {len(stored)} entries are now {len(made)}"
            return
        for i, (first, second) in enumerate(zip(stored, made, strict=True)):
            yield from differences(first, second, f"{place}[{i}]")
    elif not _same(stored, made):
        yield f"{place}: {_short(stored)} is now {_short(made)}"


def _same(first: Any, second: Any) -> bool:
    numbers = []
    for value in (first, second):
        if isinstance(value, float) and not math.isfinite(value):
            value = None
        numbers.append(value)
    a, b = numbers
    kinds = (int, float)
    if isinstance(a, kinds) and isinstance(b, kinds) and not (isinstance(a, bool) or isinstance(b, bool)):
        return math.isclose(a, b, rel_tol=_RELATIVE, abs_tol=_ABSOLUTE)
    return bool(a == b)


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def stored_files(folder: Path) -> dict[str, Content]:
    """Return the pages and tables of a report's folder, by name, so that they can be kept with a result."""
    return {name: folder / name for name in REPORT_FILES if (folder / name).is_file()}
