"""The tables of the logbook, and how an older logbook is brought up to date."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime

from sqlalchemy import (
    JSON,
    BigInteger,
    Column,
    Connection,
    Float,
    ForeignKey,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
    func,
    inspect,
    select,
)

from .. import __version__
from ..errors import LogbookError

__all__ = ["METADATA", "VERSION", "bring_up_to_date", "now_utc"]

VERSION = 1
"""Number of the present form of the tables."""

MIGRATIONS: Mapping[int, Callable[[Connection], None]] = {}
"""What brings the tables to a form, from the one before it, by the number of the form reached."""

METADATA = MetaData(
    naming_convention={
        "ix": "ix_%(column_0_label)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _key() -> Column[int]:
    return Column("id", Integer, primary_key=True, autoincrement=True)


def _content(unique: bool = False) -> Column[str]:
    return Column("sha256", String(64), ForeignKey("blobs.sha256"), nullable=False, unique=unique, index=True)


forms: Table = Table(
    "forms",
    METADATA,
    Column("version", Integer, primary_key=True, autoincrement=False),
    Column("reached_utc", String(32), nullable=False),
    Column("program", String(40), nullable=False),
)

blobs: Table = Table(
    "blobs",
    METADATA,
    Column("sha256", String(64), primary_key=True),
    Column("size", BigInteger, nullable=False),
    Column("added_utc", String(32), nullable=False),
)

chunks: Table = Table(
    "chunks",
    METADATA,
    Column("sha256", String(64), primary_key=True),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("content", LargeBinary, nullable=False),
)
"""Content kept in the database, where there is no folder for it."""

propellers: Table = Table(
    "propellers",
    METADATA,
    _key(),
    Column("digest", String(64), nullable=False, unique=True),
    Column("diameter_m", Float, nullable=False),
    Column("blades", Integer, nullable=False),
    Column("rotation", String(10), nullable=False),
    Column("pitch_m", Float),
    sqlite_autoincrement=True,
)

aircraft: Table = Table(
    "aircraft",
    METADATA,
    _key(),
    Column("name", Text, nullable=False),
    _content(unique=True),
    Column("propeller_id", Integer, ForeignKey("propellers.id"), nullable=False, index=True),
    sqlite_autoincrement=True,
)

gliders: Table = Table(
    "gliders",
    METADATA,
    _key(),
    Column("name", Text, nullable=False),
    _content(unique=True),
    sqlite_autoincrement=True,
)

rigs: Table = Table(
    "rigs",
    METADATA,
    _key(),
    Column("name", Text, nullable=False),
    _content(unique=True),
    sqlite_autoincrement=True,
)

sorties: Table = Table(
    "sorties",
    METADATA,
    _key(),
    Column("key", String(64), nullable=False, unique=True),
    Column("added_utc", String(32), nullable=False),
    sqlite_autoincrement=True,
)

revisions: Table = Table(
    "revisions",
    METADATA,
    _key(),
    Column("sortie_id", Integer, ForeignKey("sorties.id", ondelete="CASCADE"), nullable=False, index=True),
    Column("digest", String(64), nullable=False, unique=True),
    Column("title", Text, nullable=False),
    Column("date", String(10), index=True),
    Column("pilot_notes", Text, nullable=False),
    Column("aircraft_id", Integer, ForeignKey("aircraft.id"), nullable=False, index=True),
    Column("glider_id", Integer, ForeignKey("gliders.id"), nullable=False, index=True),
    Column("rig_id", Integer, ForeignKey("rigs.id"), index=True),
    Column("words", Text, nullable=False),
    Column("added_utc", String(32), nullable=False),
    sqlite_autoincrement=True,
)

revision_files: Table = Table(
    "revision_files",
    METADATA,
    Column(
        "revision_id",
        Integer,
        ForeignKey("revisions.id", ondelete="CASCADE"),
        primary_key=True,
        autoincrement=False,
    ),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("role", String(20), nullable=False),
    Column("name", Text, nullable=False),
    Column("path", Text, nullable=False),
    _content(),
)

results: Table = Table(
    "results",
    METADATA,
    _key(),
    Column(
        "revision_id", Integer, ForeignKey("revisions.id", ondelete="CASCADE"), nullable=False, index=True
    ),
    Column("fingerprint", String(64), nullable=False),
    Column("version", String(40), nullable=False),
    Column("created_utc", String(32), nullable=False),
    Column("settings", JSON, nullable=False),
    Column("answer", JSON, nullable=False),
    _content(),
    Column("words", Text, nullable=False),
    Column("added_utc", String(32), nullable=False),
    UniqueConstraint("revision_id", "fingerprint"),
    sqlite_autoincrement=True,
)

result_files: Table = Table(
    "result_files",
    METADATA,
    Column(
        "result_id",
        Integer,
        ForeignKey("results.id", ondelete="CASCADE"),
        primary_key=True,
        autoincrement=False,
    ),
    Column("path", String(300), primary_key=True),
    _content(),
)

CONTENT_USERS = (aircraft, gliders, rigs, revision_files, results, result_files)
"""Tables that point to content by its hash."""


def now_utc() -> str:
    """Return the time as ISO 8601 in UTC."""
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def present_form(connection: Connection) -> int:
    """Return the number of the form the tables are in; 0 where there are none."""
    if not inspect(connection).has_table(forms.name):
        return 0
    return connection.execute(select(func.max(forms.c.version))).scalar() or 0


def bring_up_to_date(connection: Connection, where: str) -> None:
    """Make the tables, or bring those of an older version of the program up to date.

    Parameters
    ----------
    connection : Connection
        In a transaction that keeps other writers out; either all of it is done or nothing.
    where : str
        The logbook, for messages.

    Raises
    ------
    LogbookError
        Where the tables are those of a newer version of the program.
    """
    found = present_form(connection)
    check_form(found, where)
    if found == VERSION:
        return
    if found == 0:
        METADATA.create_all(connection)
    for number in range(found + 1, VERSION + 1):
        if found:
            MIGRATIONS[number](connection)
        connection.execute(forms.insert().values(version=number, reached_utc=now_utc(), program=__version__))


def check_form(found: int, where: str) -> None:
    """Refuse the tables of a newer version of the program."""
    if found > VERSION:
        raise LogbookError(
            "this logbook was written by a newer version of flightproc",
            where=where,
            found=f"tables of form {found}",
            allowed=f"up to form {VERSION}",
            hint="update flightproc",
        )
