"""The logbook: aircraft, propellers, gliders, rigs, sorties and results, and the files they came from."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar

from sqlalchemy import Connection, Table, delete, func, select, update

from ..errors import LogbookError
from .engine import Database
from .files import Content, Files, FolderFiles, TableFiles
from .finding import made_results, newest_query, revision_view, sortie_row
from .gather import Gathered, gather
from .model import (
    Added,
    Blob,
    Entry,
    EntryResult,
    Equipment,
    ResultView,
    SortieRow,
    SortieView,
    fingerprint,
    read_document,
    safe_path,
    search_words,
)
from .place import Place, find_place
from .tables import (
    CONTENT_USERS,
    aircraft,
    blobs,
    gliders,
    now_utc,
    propellers,
    result_files,
    results,
    revision_files,
    revisions,
    rigs,
    sorties,
)

__all__ = ["Logbook"]

_T = TypeVar("_T")
_TRIES = 5
_EQUIPMENT = {
    "aircraft": (aircraft, revisions.c.aircraft_id),
    "gliders": (gliders, revisions.c.glider_id),
    "rigs": (rigs, revisions.c.rig_id),
}


class _ContentGone(Exception):
    """Content that was put a moment ago has been cleared away by another program before it was pointed to."""


class Logbook:
    """A logbook.

    Every method is one transaction, and safe beside other programs that use the same logbook. What a method
    that writes has returned for is on the disk.

    Parameters
    ----------
    place : str or path, optional
        A folder or the URL of a database; where not given, as :func:`flightproc.logbook.find_place` says.
    create : bool
        Whether to make a logbook where there is none.
    timeout : float
        How long to wait for another writer [s].

    Raises
    ------
    LogbookError
        Where it cannot be opened.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder, Logbook(folder) as book:
    ...     book.sorties()
    ()
    """

    def __init__(
        self, place: str | os.PathLike[str] | None = None, *, create: bool = True, timeout: float = 30.0
    ) -> None:
        self.place: Place = find_place(place)
        self.database: Database = Database(self.place, create=create, timeout=timeout)
        self.files: Files = (
            TableFiles(self.database.write, self.database.look, self.place.shown)
            if self.place.files is None
            else FolderFiles(self.place.files)
        )

    def __enter__(self) -> Logbook:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the database."""
        self.database.close()

    def write(self) -> AbstractContextManager[Connection]:
        """Begin a transaction that keeps other writers out."""
        return self.database.write()

    def look(self) -> AbstractContextManager[Connection]:
        """Begin a transaction that only reads."""
        return self.database.look()

    # --------------------------------------------------------------------------------------------- adding

    def add_sortie(
        self,
        sheet: str | os.PathLike[str],
        document: bytes | str | None = None,
        files: Mapping[str, Content] | None = None,
    ) -> Added:
        """Add a sortie from its sheet, with a result where one is given.

        Parameters
        ----------
        sheet : path
            The sortie sheet; sheets, logs and tables are found from it.
        document : bytes or str, optional
            ``results.json`` of its analysis.
        files : mapping of str to Content, optional
            Files to keep with the result, by path, such as ``report.html``.

        Returns
        -------
        Added
            Its number, and what of it was new.

        Raises
        ------
        SheetError
            With every fault of the sheets.
        LogbookError
            Where the result does not belong to these sheets and logs, or the logbook cannot be written.
        """
        return self.add(gather(sheet), document, files)

    def add(
        self,
        gathered: Gathered,
        document: bytes | str | None = None,
        files: Mapping[str, Content] | None = None,
    ) -> Added:
        """Add what :func:`flightproc.logbook.gather` found; see :meth:`add_sortie`."""
        raw = document.encode() if isinstance(document, str) else document
        extra = dict(files or {})
        if raw is not None:
            checked = read_document(raw, "the result")
            _check_inputs(checked, gathered.entry)
            start = (checked.get("time_base") or {}).get("start_utc")
            gathered = gathered.dated(start[:10] if isinstance(start, str) else None)
        elif extra:
            raise LogbookError("files were given without the result they belong to", found=sorted(extra))
        for path in extra:
            try:
                safe_path(path)
            except ValueError as error:
                raise LogbookError(
                    "a file of this name cannot be kept", found=path, allowed=str(error)
                ) from error
        return self.retried(lambda: self._add_once(gathered, raw, extra))

    def retried(self, action: Callable[[], _T]) -> _T:
        """Run an action again where another program clears content away between its putting and its use."""
        for _ in range(_TRIES - 1):
            try:
                return action()
            except _ContentGone:
                continue
        try:
            return action()
        except _ContentGone as error:
            raise LogbookError(
                "content vanishes as soon as it is stored",
                where=str(error),
                hint="is another program clearing this folder? Add the sortie again",
            ) from error

    def _add_once(self, gathered: Gathered, raw: bytes | None, extra: Mapping[str, Content]) -> Added:
        for sha256, content in gathered.contents.items():
            found, _ = self.files.put(content)
            if found != sha256:
                raise LogbookError(
                    "this file has changed while it was being added",
                    where=str(content) if isinstance(content, Path) else None,
                    hint="add the sortie again when nothing writes to it",
                )
        entry = gathered.entry
        if raw is not None:
            sha256, size = self.files.put(raw)
            kept = tuple(
                Blob(path=path, sha256=found[0], size=found[1])
                for path, found in ((path, self.files.put(content)) for path, content in extra.items())
            )
            result = EntryResult(sha256=sha256, size=size, added_utc=now_utc(), files=kept)
            entry = entry.model_copy(update={"results": (result,)})
        with self.write() as connection:
            return self.record(connection, entry)

    def record(self, connection: Connection, entry: Entry) -> Added:
        """Record an entry whose content is already there, inside a transaction of :meth:`write`.

        What is there already is left as it is.
        """
        self._record_content(connection, entry)
        sortie, new_sortie = _find_or_insert(
            connection, sorties, {"key": entry.key}, {"added_utc": entry.added_utc}
        )
        query = select(revisions.c.id).where(revisions.c.digest == entry.digest)
        revision = connection.execute(query).scalar()
        new_revision = revision is None
        if revision is None:
            revision = self._insert_revision(connection, sortie, entry)
        elif entry.date is not None:
            undated = (revisions.c.id == revision) & revisions.c.date.is_(None)
            connection.execute(update(revisions).where(undated).values(date=entry.date))
        made = [self._record_result(connection, revision, result) for result in entry.results]
        number = connection.execute(
            select(func.count())
            .select_from(revisions)
            .where(revisions.c.sortie_id == sortie, revisions.c.id <= revision)
        ).scalar_one()
        return Added(
            sortie, number, new_sortie, new_revision, sum(new for new, _ in made), sum(n for _, n in made)
        )

    def _record_content(self, connection: Connection, entry: Entry) -> None:
        needed: dict[str, int] = {}
        for item in entry.contents:
            needed[item.sha256] = item.size
        for sha256, size in needed.items():
            if not self.files.holds(connection, sha256, size):
                raise _ContentGone(sha256)
            _find_or_insert(
                connection, blobs, {"sha256": sha256}, {"size": size, "added_utc": now_utc()}, blobs.c.sha256
            )

    def _insert_revision(self, connection: Connection, sortie: int, entry: Entry) -> int:
        said = entry.propeller
        propeller, _ = _find_or_insert(
            connection, propellers, {"digest": said.digest}, said.model_dump(exclude={"digest"})
        )
        craft, _ = _find_or_insert(
            connection,
            aircraft,
            {"sha256": entry.file("aircraft").sha256},
            {"name": entry.aircraft, "propeller_id": propeller},
        )
        wing, _ = _find_or_insert(
            connection, gliders, {"sha256": entry.file("glider").sha256}, {"name": entry.glider}
        )
        rig = None
        if entry.rig is not None:
            rig, _ = _find_or_insert(
                connection, rigs, {"sha256": entry.file("rig").sha256}, {"name": entry.rig}
            )
        logs = [file.path for file in entry.files]
        revision: int = connection.execute(
            revisions.insert().returning(revisions.c.id),
            {
                "sortie_id": sortie,
                "digest": entry.digest,
                "title": entry.title,
                "date": entry.date,
                "pilot_notes": entry.pilot_notes,
                "aircraft_id": craft,
                "glider_id": wing,
                "rig_id": rig,
                "words": search_words(
                    [entry.title, entry.pilot_notes, entry.aircraft, entry.glider, entry.rig or "", *logs]
                ),
                "added_utc": entry.added_utc,
            },
        ).scalar_one()
        rows = [
            {"revision_id": revision, "number": i, **file.model_dump(exclude={"size"})}
            for i, file in enumerate(entry.files)
        ]
        connection.execute(revision_files.insert(), rows)
        return revision

    def _record_result(self, connection: Connection, revision: int, result: EntryResult) -> tuple[bool, int]:
        """Record one result; return whether it is new, and how many of its files are."""
        document = read_document(self.content(result.sha256), f"result {result.sha256}")
        provenance = document["provenance"]
        number, new = _find_or_insert(
            connection,
            results,
            {"revision_id": revision, "fingerprint": fingerprint(document)},
            {
                "version": provenance["version"][:40],
                "created_utc": provenance["created_utc"][:32],
                "settings": provenance["settings"],
                "answer": document["answer"],
                "sha256": result.sha256,
                "words": search_words(document["answer"]),
                "added_utc": result.added_utc,
            },
        )
        query = select(result_files.c.path, result_files.c.sha256).where(result_files.c.result_id == number)
        there = {row.path: row.sha256 for row in connection.execute(query)}
        fresh = [file for file in result.files if there.get(file.path) != file.sha256]
        for file in fresh:
            place = (result_files.c.result_id == number) & (result_files.c.path == file.path)
            connection.execute(delete(result_files).where(place))
            connection.execute(
                result_files.insert().values(result_id=number, path=file.path, sha256=file.sha256)
            )
        return new, len(fresh)

    def delete(self, sortie: int) -> None:
        """Take a sortie out, with its results and all content that nothing else needs.

        Raises
        ------
        LogbookError
            Where there is no such sortie.
        """
        with self.write() as connection:
            if not connection.execute(delete(sorties).where(sorties.c.id == sortie)).rowcount:
                raise self._no_sortie(sortie)
            self.drop_unused(connection)
        with self.write() as connection:
            self.clear(connection)

    def drop_unused(self, connection: Connection) -> int:
        """Drop equipment and content rows that nothing points to; return how many contents went."""
        for table, column in _EQUIPMENT.values():
            used = select(column).where(column.is_not(None))
            connection.execute(delete(table).where(table.c.id.not_in(used)))
        connection.execute(delete(propellers).where(propellers.c.id.not_in(select(aircraft.c.propeller_id))))
        unused = [blobs.c.sha256.not_in(select(table.c.sha256)) for table in CONTENT_USERS]
        return connection.execute(delete(blobs).where(*unused)).rowcount

    def clear(self, connection: Connection) -> list[str]:
        """Take content away that no row knows; returns its hashes. Other writers must be kept out."""
        known = set(connection.execute(select(blobs.c.sha256)).scalars())
        gone = [sha256 for sha256 in self.files.all(connection) if sha256 not in known]
        for sha256 in gone:
            self.files.remove(connection, sha256)
        return gone

    # -------------------------------------------------------------------------------------------- finding

    def sorties(
        self,
        *,
        glider: str = "",
        aircraft: str = "",
        since: str | None = None,
        until: str | None = None,
        text: str = "",
        only: int | None = None,
    ) -> tuple[SortieRow, ...]:
        """Return the sorties that fit, newest day first.

        Parameters
        ----------
        glider, aircraft : str
            Part of the name, without regard to case.
        since, until : str, optional
            First and last day, ISO 8601.
        text : str
            Words that stand in title, notes, names, file names or answers; all of them.
        only : int, optional
            The number of one sortie.
        """
        with self.look() as connection:
            made = made_results(connection, only)
            rows = [
                sortie_row(row, made.get(row.sortie_id, []))
                for row in connection.execute(newest_query(since, until, only))
            ]
            kept = [
                row
                for row, words in rows
                if glider.casefold() in row.glider.casefold()
                and aircraft.casefold() in row.aircraft.casefold()
                and all(word in words for word in text.casefold().split())
            ]
        return tuple(sorted(kept, key=lambda row: (row.date or row.added_utc, row.id), reverse=True))

    def get(self, sortie: int) -> SortieView:
        """Return all that is kept of a sortie; LogbookError where there is none of this number."""
        found = self.sorties(only=sortie)
        if not found:
            raise self._no_sortie(sortie)
        with self.look() as connection:
            query = select(revisions.c.id).where(revisions.c.sortie_id == sortie).order_by(revisions.c.id)
            views = [
                revision_view(connection, number, revision)
                for number, revision in enumerate(connection.execute(query).scalars().all(), 1)
            ]
        if not views:
            raise self._no_sortie(sortie)
        return SortieView(found[0], tuple(views))

    def entries(self) -> tuple[Entry, ...]:
        """Return all there is, in the order of adding, as it is exported."""
        with self.look() as connection:
            query = select(revisions.c.id).order_by(revisions.c.id)
            found = [revision_view(connection, 1, i) for i in connection.execute(query).scalars().all()]
        return tuple(view.entry for view in found)

    def equipment(self, kind: str) -> tuple[Equipment, ...]:
        """Return the ``aircraft``, ``gliders`` or ``rigs`` there are, each state of its sheet once."""
        table, column = _EQUIPMENT[kind]
        query = (
            select(table, func.count(revisions.c.sortie_id.distinct()).label("times"))
            .outerjoin(revisions, column == table.c.id)
            .group_by(*table.c)
            .order_by(table.c.id)
        )
        with self.look() as connection:
            rows = connection.execute(query).all()
        return tuple(Equipment(row.id, row.name, row.sha256, row.times) for row in rows)

    def known(self, entry: Entry, version: str) -> Added | None:
        """Return where an entry stands that is there with a result of this version; None where it is not."""
        with self.look() as connection:
            row = connection.execute(
                select(revisions.c.id, revisions.c.sortie_id)
                .join(results, results.c.revision_id == revisions.c.id)
                .where(revisions.c.digest == entry.digest, results.c.version == version)
            ).first()
            if row is None:
                return None
            number = connection.execute(
                select(func.count())
                .select_from(revisions)
                .where(revisions.c.sortie_id == row.sortie_id, revisions.c.id <= row.id)
            ).scalar_one()
        return Added(row.sortie_id, number, False, False, 0)

    # -------------------------------------------------------------------------------------------- content

    def content(self, sha256: str) -> bytes:
        """Return content, held against its hash; LogbookError where it is missing or damaged."""
        return b"".join(self.files.read(sha256))

    def pieces(self, sha256: str) -> Iterator[bytes]:
        """Yield content piece by piece; LogbookError, at the latest at the end, where it is damaged."""
        return self.files.read(sha256)

    def document(self, result: ResultView) -> dict[str, Any]:
        """Return the ``results.json`` of a result."""
        return read_document(self.content(result.sha256), f"result {result.id}")

    def _no_sortie(self, sortie: int) -> LogbookError:
        return LogbookError(
            "there is no sortie of this number",
            where=self.place.shown,
            found=sortie,
            hint="flightproc logbook list",
        )


def _find_or_insert(
    connection: Connection,
    table: Table,
    unique: Mapping[str, Any],
    values: Mapping[str, Any],
    column: Any = None,
) -> tuple[Any, bool]:
    """Return the key of the row that ``unique`` names, and whether it had to be inserted."""
    column = table.c.id if column is None else column
    query = select(column).where(*(table.c[name] == value for name, value in unique.items()))
    found = connection.execute(query).scalar()
    if found is not None:
        return found, False
    made = connection.execute(table.insert().returning(column), {**unique, **values}).scalar_one()
    return made, True


def _check_inputs(document: Mapping[str, Any], entry: Entry) -> None:
    """Refuse a result that was not made from just these sheets and logs; all differences are told."""
    said = {item["sha256"]: item.get("name", "?") for item in document["provenance"]["inputs"]}
    here = {file.sha256: file.path for file in entry.files}
    needed = {file.sha256 for file in entry.files if file.role != "table"}
    words = [f"{here[sha]} was not read in this state" for sha in here if sha in needed - set(said)]
    words += [f"{name} was read and is not here" for sha, name in said.items() if sha not in here]
    if words:
        raise LogbookError(
            "the result was not made from these sheets and logs: " + "; ".join(words),
            hint="analyse the sortie again",
        )
