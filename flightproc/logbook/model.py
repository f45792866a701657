"""What goes into the logbook, and what comes out of it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Annotated, Any, ClassVar, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from ..display import displayed
from ..errors import LogbookError
from ..json_read import parse_json

__all__ = [
    "Added",
    "Entry",
    "EntryFile",
    "EntryResult",
    "Equipment",
    "Propeller",
    "ResultView",
    "RevisionView",
    "SortieRow",
    "SortieView",
    "fingerprint",
    "read_document",
    "safe_path",
]

_PATH_LIMIT = 300
_DOCUMENT_LIMIT = 256_000_000  # largest results.json [bytes]


def safe_path(text: str) -> str:
    """Return a path inside a folder as it was given; ValueError for one that could lead out of it.

    Examples
    --------
    >>> safe_path("logs/unit.ulg")
    'logs/unit.ulg'
    >>> safe_path("../unit.ulg")
    Traceback (most recent call last):
    ...
    ValueError: a path inside the folder, with / between its parts
    """
    parts = text.split("/")
    if (
        not 0 < len(text) <= _PATH_LIMIT
        or not text.isprintable()
        or "\\" in text
        or any(part in ("", ".", "..") or len(part.encode()) > 255 for part in parts)
        or PurePosixPath(text).is_absolute()
    ):
        raise ValueError("a path inside the folder, with / between its parts")
    return text


class _Model(BaseModel):
    model_config: ClassVar[ConfigDict] = ConfigDict(
        frozen=True, extra="forbid", strict=True, allow_inf_nan=False
    )


_Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
_Path = Annotated[str, AfterValidator(safe_path)]
_Size = Annotated[int, Field(ge=0, le=1 << 50)]
_Utc = Annotated[str, Field(pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ$")]
_Name = Annotated[str, Field(max_length=300)]


class EntryFile(_Model):
    """A file that an analysis read.

    Attributes
    ----------
    role : str
        ``sortie``, ``aircraft``, ``glider``, ``rig`` for a sheet; ``unit``, ``gps``, ``engine``, ``other``
        for a log; ``table`` for what a sheet points to.
    name : str
        Name of the log in the sortie sheet, or which sheet or table it is.
    path : str
        Where it lay, seen from the folder that holds all of them, with ``/``.
    sha256 : str
        SHA-256 of its bytes.
    size : int
        Size [bytes].
    """

    role: Literal["sortie", "aircraft", "glider", "rig", "unit", "gps", "engine", "other", "table"]
    name: _Name
    path: _Path
    sha256: _Sha256
    size: _Size


class Blob(_Model):
    """A file kept with a result, such as ``report.html``: path, SHA-256, size [bytes]."""

    path: _Path
    sha256: _Sha256
    size: _Size


class EntryResult(_Model):
    """A result: hash and size of its ``results.json``, when it was added, files kept with it."""

    sha256: _Sha256
    size: Annotated[int, Field(ge=2, le=_DOCUMENT_LIMIT)]
    added_utc: _Utc
    files: tuple[Blob, ...] = ()


class Propeller(_Model):
    """A propeller, as its aircraft sheet gives it: diameter and nominal pitch [m], blades, turning sense."""

    diameter_m: float
    blades: int
    rotation: Literal["left", "right"]
    pitch_m: float | None = None
    digest: _Sha256
    """SHA-256 of all that the sheet says of it, stations of the blade included."""


class Entry(_Model):
    """One sortie as its sheets describe it, with its results: what is added, exported and imported.

    Attributes
    ----------
    title, pilot_notes, aircraft, glider : str
        From the sheets.
    date : str or None
        Day of the flight, ISO 8601.
    rig : str or None
        Name of the rig day; None where there was none.
    propeller : Propeller
        From the aircraft sheet.
    added_utc : str
        When it was added, ISO 8601.
    files : tuple of EntryFile
        Sheets, logs and tables; exactly one sortie sheet and one unit's log.
    results : tuple of EntryResult
        In the order of their adding.

    Examples
    --------
    >>> import flightproc as fp
    >>> from flightproc.logbook import gather
    >>> entry = gather("sample_logs/school-wing-28/sortie.toml").entry
    >>> entry.title, entry.glider
    ('School wing 28 on training frame A, calm morning', 'school wing 28')
    """

    title: Annotated[str, Field(max_length=1000)]
    date: Annotated[str, Field(pattern=r"^\d{4}-\d\d-\d\d$")] | None
    pilot_notes: Annotated[str, Field(max_length=100_000)]
    aircraft: _Name
    glider: _Name
    rig: _Name | None
    propeller: Propeller
    added_utc: _Utc
    files: Annotated[tuple[EntryFile, ...], Field(max_length=10_000)]
    results: Annotated[tuple[EntryResult, ...], Field(max_length=100_000)] = ()

    @model_validator(mode="after")
    def _check_files(self) -> Entry:
        roles = [file.role for file in self.files]
        for role in ("sortie", "unit", "aircraft", "glider"):
            if roles.count(role) != 1:
                raise ValueError(f"exactly one file has the role {role}")
        if roles.count("rig") != (self.rig is not None):
            raise ValueError("a rig has exactly one sheet")
        contents: dict[str, str] = {}
        for file in self.files:
            if contents.setdefault(file.path, file.sha256) != file.sha256:
                raise ValueError(f"one path stands for two contents: {file.path}")
        folders = {str(parent) for path in contents for parent in PurePosixPath(path).parents}
        if folders & set(contents):
            raise ValueError("a path is both a file and a folder")
        return self

    def file(self, role: str) -> EntryFile:
        """Return the only file of a role."""
        return next(file for file in self.files if file.role == role)

    @property
    def contents(self) -> tuple[EntryFile | EntryResult | Blob, ...]:
        """All that it points to: files, results, and files kept with results."""
        kept = (file for result in self.results for file in result.files)
        return (*self.files, *self.results, *kept)

    @property
    def key(self) -> str:
        """What makes two entries the same sortie: the unit's log and the glider."""
        return _hash([self.file("unit").sha256, self.glider.casefold()])

    @property
    def digest(self) -> str:
        """What makes two entries the same: the content of all files. Where the files lay plays no part."""
        return _hash(sorted([file.role, file.name, file.sha256] for file in self.files))


def _hash(value: Any) -> str:
    return hashlib.sha256(json.dumps(value, sort_keys=True).encode()).hexdigest()


def read_document(content: bytes, where: str) -> dict[str, Any]:
    """Return a ``results.json`` from its bytes; LogbookError where it is none."""
    try:
        document = parse_json(content)
        provenance = document["provenance"]
        sound = (
            isinstance(provenance["version"], str)
            and isinstance(provenance["created_utc"], str)
            and isinstance(provenance["settings"], dict)
            and all(isinstance(item["sha256"], str) for item in provenance["inputs"])
            and all(isinstance(words, str) for words in document["answer"])
            and str(document["schema"]).startswith("flightproc-results/")
        )
        if sound:
            # what goes into the database as text must be text there too
            told = "\n".join([*document["answer"], provenance["version"], provenance["created_utc"]])
            sound = b"\0" not in told.encode()
            fingerprint(document)
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise _no_results(where) from error
    if not sound:
        raise _no_results(where)
    return dict(document)


def _no_results(where: str) -> LogbookError:
    return LogbookError(
        "these are not results of flightproc",
        where=where,
        allowed="results.json as flightproc report writes it",
    )


def fingerprint(document: Mapping[str, Any]) -> str:
    """Return what tells two results apart: all but when and on which machine they were made.

    Figures count to six digits, for libraries differ in the last ones from machine to machine.
    """
    kept = dict(document)
    told = ("created_utc", "python", "packages", "inputs")
    kept["provenance"] = {k: v for k, v in document["provenance"].items() if k not in told}
    return _hash(_rounded(kept))


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return f"{value + 0.0:.6g}"
    if isinstance(value, Mapping):
        return {key: _rounded(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(item) for item in value]
    return value


def search_words(texts: Iterable[str]) -> str:
    """Return texts as they are searched, without regard to case."""
    return "\n".join(texts).casefold()


# ------------------------------------------------------------------------------------------ what comes out


@dataclass(frozen=True)
class Added:
    """What became of an entry.

    Attributes
    ----------
    sortie : int
        Number of the sortie.
    revision : int
        Which of its sets of sheets and logs, from 1.
    new_sortie, new_revision : bool
        Whether the sortie, or this set of its sheets and logs, was not there before.
    new_results : int
        How many results were not there before.
    new_files : int
        How many files were not kept with a result before.

    Examples
    --------
    >>> import flightproc as fp
    >>> import tempfile
    >>> from flightproc.logbook import gather
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with fp.Logbook(f"{folder}/book") as book:
    ...         added = book.add(gather("sample_logs/school-wing-28/sortie.toml"))
    ...         print(added.new_sortie, added.new_files)
    True 0
    """

    sortie: int
    revision: int
    new_sortie: bool
    new_revision: bool
    new_results: int
    new_files: int = 0

    @property
    def new(self) -> bool:
        """Whether anything was not there before."""
        return self.new_revision or self.new_results > 0 or self.new_files > 0


@displayed
@dataclass(frozen=True)
class SortieRow:
    """One sortie in a list, as its newest set of sheets tells it.

    Attributes
    ----------
    id : int
        Its number.
    title, aircraft, glider : str
        From the sheets.
    date : str or None
        Day of the flight, ISO 8601.
    propeller : str
        In words.
    rig : str or None
        Name of the rig day.
    revisions, results : int
        How many there are.
    version : str or None
        Version of the program that made the newest result; None without one.
    answer : str
        First sentence of its answer; empty without one.
    added_utc : str
        When it was first added.

    Examples
    --------
    >>> import flightproc as fp
    >>> import tempfile
    >>> from flightproc.logbook import gather
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with fp.Logbook(f"{folder}/book") as book:
    ...         added = book.add(gather("sample_logs/school-wing-28/sortie.toml"))
    ...         print([(row.id, row.glider) for row in book.sorties()])
    [(1, 'school wing 28')]
    """

    id: int
    title: str
    date: str | None
    aircraft: str
    propeller: str
    glider: str
    rig: str | None
    revisions: int
    results: int
    version: str | None
    answer: str
    added_utc: str

    def to_json(self) -> dict[str, Any]:
        """Return it as plain objects."""
        return dict(vars(self))


@displayed
@dataclass(frozen=True)
class ResultView:
    """One result.

    Attributes
    ----------
    id : int
        Its number in the logbook.
    version, created_utc : str
        Program and time of its making.
    added_utc : str
        When it was added.
    settings : mapping
        Settings of the analysis.
    answer : tuple of str
        The answer in words.
    sha256 : str
        Its ``results.json``.
    files : mapping of str to str
        SHA-256 of files kept with it, by path.

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
    ...         print(revision.results[-1].version == fp.__version__)
    True
    """

    id: int
    version: str
    created_utc: str
    added_utc: str
    settings: Mapping[str, Any]
    answer: tuple[str, ...]
    sha256: str
    files: Mapping[str, str]

    def to_json(self) -> dict[str, Any]:
        """Return it as plain objects."""
        return {**vars(self), "settings": dict(self.settings), "files": dict(self.files)}


@displayed
@dataclass(frozen=True)
class RevisionView:
    """One set of sheets and logs of a sortie, with its results.

    Attributes
    ----------
    number : int
        From 1, in the order of adding.
    entry : Entry
        Sheets and logs.
    results : tuple of ResultView
        In the order of adding.

    Examples
    --------
    >>> import flightproc as fp
    >>> import tempfile
    >>> from flightproc.logbook import gather
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with fp.Logbook(f"{folder}/book") as book:
    ...         added = book.add(gather("sample_logs/school-wing-28/sortie.toml"))
    ...         print(book.get(added.sortie).revisions[-1].number)
    1
    """

    number: int
    entry: Entry
    results: tuple[ResultView, ...]

    def to_json(self) -> dict[str, Any]:
        """Return it as plain objects."""
        entry = self.entry.model_dump(mode="json", exclude={"results"})
        return {"number": self.number, **entry, "results": [result.to_json() for result in self.results]}


@displayed
@dataclass(frozen=True)
class SortieView:
    """One sortie with all that is kept of it.

    Attributes
    ----------
    row : SortieRow
        As in a list.
    revisions : tuple of RevisionView
        In the order of adding; at least one.

    Examples
    --------
    >>> import flightproc as fp
    >>> import tempfile
    >>> from flightproc.logbook import gather
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with fp.Logbook(f"{folder}/book") as book:
    ...         added = book.add(gather("sample_logs/school-wing-28/sortie.toml"))
    ...         print(len(book.get(added.sortie).revisions))
    1
    """

    row: SortieRow
    revisions: tuple[RevisionView, ...]

    @property
    def newest(self) -> RevisionView:
        """The newest set of sheets and logs."""
        return self.revisions[-1]

    @property
    def result(self) -> tuple[RevisionView, ResultView] | None:
        """The newest result with the set it belongs to; None where there is none."""
        pairs = [(revision, result) for revision in self.revisions for result in revision.results]
        return max(pairs, key=lambda pair: pair[1].id, default=None)

    def to_json(self) -> dict[str, Any]:
        """Return it as plain objects."""
        return {**self.row.to_json(), "sets": [revision.to_json() for revision in self.revisions]}


@dataclass(frozen=True)
class Equipment:
    """An aircraft, glider or rig day: number, name, hash of its sheet, number of sorties flown with it.

    Examples
    --------
    >>> import flightproc as fp
    >>> import tempfile
    >>> from flightproc.logbook import gather
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with fp.Logbook(f"{folder}/book") as book:
    ...         added = book.add(gather("sample_logs/school-wing-28/sortie.toml"))
    ...         print([item.name for item in book.equipment("gliders")])
    ['school wing 28']
    """

    id: int
    name: str
    sha256: str
    sorties: int

    def to_json(self) -> dict[str, Any]:
        """Return it as plain objects."""
        return dict(vars(self))
