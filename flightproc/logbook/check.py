"""Whether a logbook is sound: database, content, results, and whether results come out again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, select

from ..display import displayed
from ..errors import LogbookError
from .book import Logbook
from .files import remove_file
from .model import fingerprint
from .restore import Repeated, repeat_result
from .tables import CONTENT_USERS, blobs, result_files, results, revision_files

__all__ = ["Checked", "Fault", "check_logbook"]

Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Fault:
    """Something wrong in a logbook.

    Attributes
    ----------
    code : str
        ``database``, ``missing``, ``damaged``, ``result``, ``orphan`` or ``draft``.
    where : str
        File, hash or row.
    words : str
        What is wrong, and what to do.
    lost : bool
        Whether something that was confirmed is missing; leftovers of a crash are not.
    mended : bool
        Whether it is mended now.
    """

    code: str
    where: str
    words: str
    lost: bool
    mended: bool = False

    def to_json(self) -> dict[str, Any]:
        """Return it as plain objects."""
        return dict(vars(self))


@displayed
@dataclass(frozen=True)
class Checked:
    """What a check found.

    Attributes
    ----------
    sorties, results, contents : int
        How many there are.
    size : int
        Size of all content [bytes].
    faults : tuple of Fault
        What is wrong.
    repeated : tuple of Repeated
        Results that were made again.
    """

    sorties: int
    results: int
    contents: int
    size: int
    faults: tuple[Fault, ...]
    repeated: tuple[Repeated, ...]

    @property
    def sound(self) -> bool:
        """Whether nothing is lost and every result that was made again came out the same."""
        return not any(fault.lost for fault in self.faults) and all(item.same for item in self.repeated)

    def to_json(self) -> dict[str, Any]:
        """Return it as plain objects."""
        return {
            "sound": self.sound,
            "sorties": self.sorties,
            "results": self.results,
            "contents": self.contents,
            "bytes": self.size,
            "faults": [fault.to_json() for fault in self.faults],
            "made_again": [{**vars(item), "same": item.same} for item in self.repeated],
        }


def check_logbook(
    book: Logbook,
    *,
    repair: bool = False,
    again: bool = False,
    progress: Progress | None = None,
    analyse: Callable[[Path], Any] | None = None,
) -> Checked:
    """Check a logbook.

    Parameters
    ----------
    book : Logbook
        The logbook; others may go on using it.
    repair : bool
        Whether to take leftovers away: content that nothing points to, drafts of writers that died.
    again : bool
        Whether to make the newest result of every sortie again, and hold it against the stored one.
    progress : callable, optional
        Called with what is being done and the share done.
    analyse : callable, optional
        As for :func:`flightproc.logbook.restore.repeat_result`.

    Examples
    --------
    >>> import flightproc as fp
    >>> import tempfile
    >>> from flightproc.logbook import gather
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with fp.Logbook(f"{folder}/book") as book:
    ...         added = book.add(gather("sample_logs/school-wing-28/sortie.toml"))
    ...         print(check_logbook(book).sound)
    True
    """
    tell = progress or (lambda words, share: None)
    whole = 0.1 if again else 1.0
    faults: list[Fault] = []
    tell("checking the database", 0.0)
    with book.look() as connection:
        faults += _database_faults(book, connection)
        sizes = {row.sha256: row.size for row in connection.execute(select(blobs.c.sha256, blobs.c.size))}
        query = select(revision_files.c.sha256, revision_files.c.path)
        names = {row.sha256: row.path for row in connection.execute(query)}
        used = {
            sha for table in CONTENT_USERS for sha in connection.execute(select(table.c.sha256)).scalars()
        }
        made = connection.execute(select(results)).all()
        names |= {row.sha256: f"results.json of result {row.id}" for row in made}
        query = select(result_files.c.sha256, result_files.c.path)
        names |= {row.sha256: row.path for row in connection.execute(query)}
        revision_inputs: dict[int, set[str]] = {}
        for row in connection.execute(select(revision_files.c.revision_id, revision_files.c.sha256)):
            revision_inputs.setdefault(row.revision_id, set()).add(row.sha256)
    bad = set()
    total, done = max(1, sum(sizes.values())), 0
    for sha256, size in sizes.items():
        name = names.get(sha256, sha256)
        tell(f"checking {name}", whole * done / total)
        done += size
        fault = _content_fault(book, sha256, size, name, sha256 in used)
        if fault is not None:
            bad.add(sha256)
            faults.append(fault)
    for row in made:
        if row.sha256 not in bad:
            words = _result_fault(book, row, revision_inputs.get(row.revision_id, set()))
            if words:
                faults.append(Fault("result", f"result {row.id}", words, True))
    faults += _leftovers(book, repair)
    repeated = _again(book, tell, analyse) if again else []
    rows = book.sorties()
    tell("done", 1.0)
    return Checked(
        sorties=len(rows),
        results=len(made),
        contents=len(sizes),
        size=sum(sizes.values()),
        faults=tuple(faults),
        repeated=tuple(repeated),
    )


def _database_faults(book: Logbook, connection: Connection) -> list[Fault]:
    """Ask SQLite; a server holds its own constraints."""
    if book.place.database is None:
        return []
    where = str(book.place.database)
    hint = "import the newest archive into a new logbook"
    found = [
        Fault("database", where, f"{text}; {hint}", True)
        for (text,) in connection.exec_driver_sql("PRAGMA integrity_check")
        if text != "ok"
    ]
    found += [
        Fault(
            "database", f"{where}, {table}, row {row}", f"points to a missing row of {parent}; {hint}", True
        )
        for table, row, parent, _ in connection.exec_driver_sql("PRAGMA foreign_key_check")
    ]
    return found


def _content_fault(book: Logbook, sha256: str, size: int, name: str, used: bool) -> Fault | None:
    try:
        found = sum(len(piece) for piece in book.pieces(sha256))
    except LogbookError as error:
        code = "missing" if error.found is None else "damaged"
        return Fault(code, f"{name} ({error.where})", f"{error.what}; {error.hint}", used)
    if found != size:
        return Fault("database", name, f"its row says {size} bytes, and there are {found}", True)
    return None


def _result_fault(book: Logbook, row: Any, inputs: set[str]) -> str:
    from .model import read_document

    try:
        document = read_document(book.content(row.sha256), f"result {row.id}")
    except LogbookError as error:
        return str(error)
    if fingerprint(document) != row.fingerprint:
        return "its row belongs to another results.json"
    strange = [item["name"] for item in document["provenance"]["inputs"] if item["sha256"] not in inputs]
    return f"made from files that are not kept with it: {', '.join(strange)}" if strange else ""


def _leftovers(book: Logbook, repair: bool) -> list[Fault]:
    """Find what crashes left behind, and take it away where asked to."""
    faults = []
    words = "nothing points to it: left by a crash, or by another program that is just adding"
    if repair:
        with book.write() as connection:
            book.drop_unused(connection)
        with book.write() as connection:
            orphans = book.clear(connection)
    else:
        with book.look() as connection:
            known = set(connection.execute(select(blobs.c.sha256)).scalars())
            orphans = [sha256 for sha256 in book.files.all(connection) if sha256 not in known]
    faults += [Fault("orphan", sha256, words, False, repair) for sha256 in orphans]
    for draft in book.files.drafts():
        if repair:
            remove_file(draft)
        faults.append(Fault("draft", str(draft), "half written, left by a crash", False, repair))
    return faults


def _again(book: Logbook, tell: Progress, analyse: Callable[[Path], Any] | None) -> list[Repeated]:
    rows = [row for row in book.sorties() if row.results]
    out = []
    for number, row in enumerate(rows):
        found = book.get(row.id).result
        assert found is not None
        part = _part(tell, row.title, 0.1 + 0.9 * number / len(rows), 0.9 / len(rows))
        out.append(repeat_result(book, *found, analyse, progress=part))
    return out


def _part(tell: Progress, title: str, start: float, share: float) -> Progress:
    return lambda words, done: tell(f"{title}: {words}", start + share * done)
