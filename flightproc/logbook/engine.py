"""Opening the database of a logbook, and its transactions."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import DatabaseError, InterfaceError, OperationalError

from ..errors import LogbookError
from .place import Place
from .tables import VERSION, bring_up_to_date, check_form, present_form

__all__ = ["Database"]

_WRITER = 0x666C7067  # the lock that writers share on a server
_TRIES = 100


class Database:
    """The database of a logbook.

    Writers wait for each other; readers wait for nobody and see what was confirmed when they began. A
    transaction is confirmed when it is on the disk.

    Parameters
    ----------
    place : Place
        Where it is.
    create : bool
        Whether to make one where there is none.
    timeout : float
        How long to wait for another writer [s].

    Raises
    ------
    LogbookError
        Where it cannot be opened.
    """

    def __init__(self, place: Place, *, create: bool = True, timeout: float = 30.0) -> None:
        self.place = place
        self.where: str = place.shown
        self._timeout = timeout
        if place.database is not None and not place.database.is_file():
            if not create:
                raise LogbookError(
                    "there is no logbook here yet",
                    where=self.where,
                    hint="flightproc logbook add SORTIE.toml",
                )
            _make_parent(place)
        self.engine: Engine = self._engine()
        try:
            self._prepare(create)
        except BaseException:
            self.engine.dispose()
            raise

    def _engine(self) -> Engine:
        if self.place.database is None:
            return create_engine(
                self.place.url,
                pool_pre_ping=True,
                connect_args={
                    "connect_timeout": max(2, int(self._timeout)),
                    "application_name": "flightproc",
                },
            )
        engine = create_engine(self.place.url, connect_args={"timeout": self._timeout})
        event.listen(engine, "connect", _set_up)
        event.listen(engine, "begin", _begin)
        return engine

    def _prepare(self, create: bool) -> None:
        with self.look() as connection:
            found = present_form(connection)
        check_form(found, self.where)
        if not found and not create:
            raise LogbookError(
                "there is no logbook here yet", where=self.where, hint="flightproc logbook add SORTIE.toml"
            )
        if found == VERSION:
            return
        with self.write() as connection:
            bring_up_to_date(connection, self.where)

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """Begin a transaction that keeps other writers out; confirmed at its end, undone by an error."""
        with self._told(), self.engine.connect() as plain:
            connection = plain.execution_options(flightproc_write=True)
            with connection.begin():
                if self.place.database is None:
                    connection.exec_driver_sql(f"SET LOCAL lock_timeout = {int(self._timeout * 1000)}")
                    connection.exec_driver_sql("SET LOCAL synchronous_commit = on")
                    connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_WRITER})")
                yield connection

    @contextmanager
    def look(self) -> Iterator[Connection]:
        """Begin a transaction that only reads, and sees one state throughout."""
        with self._told(), self.engine.connect() as plain:
            connection = plain
            if self.place.database is None:
                connection = plain.execution_options(isolation_level="REPEATABLE READ")
            with connection.begin():
                yield connection

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Turn what the database refuses into one clear error."""
        try:
            yield
        except (OperationalError, InterfaceError, DatabaseError) as error:
            reason = str(error.orig).strip().splitlines()[0] if str(error.orig).strip() else str(error)
            raise LogbookError(
                f"the database refuses: {reason}", where=self.where, hint=_hint(reason)
            ) from error

    def close(self) -> None:
        """Close all connections."""
        self.engine.dispose()


def _make_parent(place: Place) -> None:
    assert place.database is not None
    try:
        place.database.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise LogbookError(
            f"no folder can be made for the logbook: {error.strerror}",
            where=str(place.database.parent),
            hint="name another place with --logbook",
        ) from error


def _hint(reason: str) -> str | None:
    low = reason.lower()
    for word, hint in (
        ("locked", "another program is writing; try again when it is done"),
        ("lock timeout", "another program is writing; try again when it is done"),
        ("not a database", "name the folder of a logbook, or a new one, with --logbook"),
        ("malformed", "flightproc logbook check; then import the newest archive into a new logbook"),
        ("readonly", "the logbook's folder must be writable"),
        ("unable to open", "the logbook's folder must be readable and writable"),
        ("full", "make room on the disk; nothing that was confirmed is lost"),
        ("password", "give user and password in the URL, or in the environment variable PGPASSWORD"),
        ("connection", "check host, port and database in the URL, and that the server runs"),
        ("resolve", "check the host in the URL"),
    ):
        if word in low:
            return hint
    return None


def _set_up(connection: Any, record: object) -> None:
    """Prepare a new connection to SQLite: our own BEGIN, the write-ahead log, every commit on the disk."""
    connection.isolation_level = None
    cursor = connection.cursor()
    try:
        cursor.execute("PRAGMA foreign_keys = ON")
        for number in range(_TRIES):
            try:
                if cursor.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
                    cursor.execute("PRAGMA journal_mode = WAL")
                break
            except sqlite3.OperationalError as error:
                # two programs that make the same logbook at once: this change does not wait by itself
                if "locked" not in str(error) or number == _TRIES - 1:
                    raise
                time.sleep(0.05)
        cursor.execute("PRAGMA synchronous = FULL")
        cursor.execute("PRAGMA trusted_schema = OFF")
    finally:
        cursor.close()


def _begin(connection: Connection) -> None:
    writing = connection.get_execution_options().get("flightproc_write", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")
