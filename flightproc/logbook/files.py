"""Content kept once under its SHA-256: as files in a folder, or as chunks in the database.

Content is whole and on the disk before anything points to it, and is held against its hash whenever it is
read. What nothing points to, after a crash between the two, does no harm; ``check`` finds it.
"""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, suppress
from pathlib import Path
from typing import Protocol

from sqlalchemy import Connection, delete, func, select

from ..errors import LogbookError
from ..whole import make_folder, sync_path
from .tables import chunks

__all__ = ["Content", "Files", "FolderFiles", "TableFiles", "digest", "verified"]

CHUNK = 1 << 20
"""Bytes handled at a time."""


class Readable(Protocol):
    """An open file that can be read again from its beginning."""

    def read(self, size: int = -1, /) -> bytes:
        """Return the next bytes."""
        ...

    def seek(self, offset: int, whence: int = 0, /) -> int:
        """Go to a place."""
        ...


Content = Path | bytes | Readable
"""Content to be kept: a file by its name, bytes at hand, or an open file."""

_STALE = 3600.0  # a draft this old belongs to no writer that still runs [s]
_NAME = re.compile(r"[0-9a-f]{64}")


def pieces(content: Content) -> Iterator[bytes]:
    """Yield content in pieces; LogbookError where a file cannot be read."""
    if isinstance(content, bytes):
        for start in range(0, len(content), CHUNK):
            yield content[start : start + CHUNK]
        return
    if not isinstance(content, Path):
        content.seek(0)
        while piece := content.read(CHUNK):
            yield piece
        return
    try:
        with content.open("rb") as file:
            while piece := file.read(CHUNK):
                yield piece
    except OSError as error:
        raise LogbookError(f"cannot be read: {error.strerror}", where=str(content)) from error


def digest(content: Content) -> tuple[str, int]:
    """Return the SHA-256 (hexadecimal) of content and its size [bytes].

    Examples
    --------
    >>> digest(b"")[0][:8], digest(b"abc")[1]
    ('e3b0c442', 3)
    """
    total, size = hashlib.sha256(), 0
    for piece in pieces(content):
        total.update(piece)
        size += len(piece)
    return total.hexdigest(), size


def verified(source: Iterator[bytes], sha256: str, where: str) -> Iterator[bytes]:
    """Pass content on, and raise LogbookError at its end where its hash is not ``sha256``."""
    total = hashlib.sha256()
    for piece in source:
        total.update(piece)
        yield piece
    if total.hexdigest() != sha256:
        raise LogbookError(
            "stored content is damaged: its SHA-256 is not that under which it was stored",
            where=where,
            found=total.hexdigest(),
            allowed=sha256,
            hint="add the sortie again from its files, or import an archive that holds it",
        )


class Files(Protocol):
    """Where content is kept."""

    def put(self, content: Content) -> tuple[str, int]:
        """Keep content, whole and on the disk when this returns; return its SHA-256 and size [bytes]."""
        ...

    def read(self, sha256: str) -> Iterator[bytes]:
        """Yield content in pieces; LogbookError where it is missing or damaged, at the latest at its end."""
        ...

    def holds(self, connection: Connection, sha256: str, size: int) -> bool:
        """Return whether content of this size is there, without reading it."""
        ...

    def remove(self, connection: Connection, sha256: str) -> None:
        """Take content away; call it only while other writers are kept out."""
        ...

    def all(self, connection: Connection) -> list[str]:
        """Return the SHA-256 of all that is there."""
        ...

    def drafts(self) -> list[Path]:
        """Return what a writer that died has left half written."""
        ...


class FolderFiles:
    """Content as files of a folder, named by their SHA-256.

    Parameters
    ----------
    folder : Path
        The folder; made where missing.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def path(self, sha256: str) -> Path:
        """Return the file of a SHA-256."""
        return self.folder / sha256[:2] / sha256

    def put(self, content: Content) -> tuple[str, int]:
        """Keep content; see :class:`Files`."""
        drafts = self.folder / "drafts"
        draft = drafts / secrets.token_hex(12)
        total, size = hashlib.sha256(), 0
        try:
            make_folder(drafts)
            with draft.open("xb") as file:
                for piece in pieces(content):
                    total.update(piece)
                    size += len(piece)
                    file.write(piece)
                sha256 = total.hexdigest()
                target = self.path(sha256)
                if target.exists() and _intact(target, sha256):
                    sync_path(target)
                    sync_path(target.parent)
                    return sha256, size
                file.flush()
                os.fsync(file.fileno())
            make_folder(target.parent)
            draft.replace(target)
            sync_path(target.parent)
        except OSError as error:
            raise LogbookError(
                f"cannot be written: {error.strerror}",
                where=str(error.filename or self.folder),
                hint="make room on the disk, or name another place with --logbook",
            ) from error
        finally:
            with suppress(OSError):
                draft.unlink(missing_ok=True)
        return sha256, size

    def read(self, sha256: str) -> Iterator[bytes]:
        """Yield content; see :class:`Files`."""
        path = self.path(sha256)
        if not path.is_file():
            raise _missing(str(path))
        return verified(pieces(path), sha256, str(path))

    def holds(self, connection: Connection, sha256: str, size: int) -> bool:
        """Return whether a file of this size is there."""
        try:
            return self.path(sha256).stat().st_size == size
        except OSError:
            return False

    def remove(self, connection: Connection, sha256: str) -> None:
        """Take a file away."""
        remove_file(self.path(sha256))

    def all(self, connection: Connection) -> list[str]:
        """Return the names of all files."""
        return sorted(p.name for p in self.folder.glob("??/*") if _NAME.fullmatch(p.name))

    def drafts(self) -> list[Path]:
        """Return drafts older than an hour."""
        limit = time.time() - _STALE
        found = []
        for path in self.folder.glob("drafts/*"):
            with suppress(FileNotFoundError):  # its writer has just finished
                if path.stat().st_mtime < limit:
                    found.append(path)
        return sorted(found)


class TableFiles:
    """Content as chunks in the database, so that a URL is all that a team needs.

    Parameters
    ----------
    write, look : callable
        Begin a transaction that keeps other writers out, or one that only reads.
    where : str
        The logbook, for messages.
    """

    def __init__(
        self,
        write: Callable[[], AbstractContextManager[Connection]],
        look: Callable[[], AbstractContextManager[Connection]],
        where: str,
    ) -> None:
        self._write, self._look, self._where = write, look, where

    def put(self, content: Content) -> tuple[str, int]:
        """Keep content; see :class:`Files`."""
        sha256, size = digest(content)
        with self._look() as connection:
            if self.holds(connection, sha256, size) and self._intact(connection, sha256):
                return sha256, size
        with self._write() as connection:
            self.remove(connection, sha256)
            number = -1
            for number, piece in enumerate(verified(pieces(content), sha256, "content being added")):
                connection.execute(chunks.insert().values(sha256=sha256, number=number, content=piece))
            if number < 0:
                connection.execute(chunks.insert().values(sha256=sha256, number=0, content=b""))
        return sha256, size

    def read(self, sha256: str) -> Iterator[bytes]:
        """Yield content; see :class:`Files`."""
        with self._look() as connection:
            if not self._count(connection, sha256):
                raise _missing(f"{self._where}, {sha256}")
        return verified(self._pieces(sha256), sha256, f"{self._where}, {sha256}")

    def _pieces(self, sha256: str) -> Iterator[bytes]:
        number = 0
        while True:
            with self._look() as connection:
                piece = connection.execute(
                    select(chunks.c.content).where(chunks.c.sha256 == sha256, chunks.c.number == number)
                ).scalar()
            if piece is None:
                return
            yield bytes(piece)
            number += 1

    def _intact(self, connection: Connection, sha256: str) -> bool:
        total = hashlib.sha256()
        rows = connection.execute(
            select(chunks.c.content).where(chunks.c.sha256 == sha256).order_by(chunks.c.number)
        )
        for (piece,) in rows:
            total.update(piece)
        return total.hexdigest() == sha256

    def _count(self, connection: Connection, sha256: str) -> int:
        query = select(func.count()).select_from(chunks).where(chunks.c.sha256 == sha256)
        return connection.execute(query).scalar_one()

    def holds(self, connection: Connection, sha256: str, size: int) -> bool:
        """Return whether chunks of this total size are there."""
        query = select(func.count(), func.sum(func.length(chunks.c.content))).where(chunks.c.sha256 == sha256)
        count, total = connection.execute(query).one()
        return bool(count) and int(total) == size

    def remove(self, connection: Connection, sha256: str) -> None:
        """Take chunks away."""
        connection.execute(delete(chunks).where(chunks.c.sha256 == sha256))

    def all(self, connection: Connection) -> list[str]:
        """Return the SHA-256 of all chunks."""
        return sorted(connection.execute(select(chunks.c.sha256).distinct()).scalars())

    def drafts(self) -> list[Path]:
        """Return nothing: a transaction leaves nothing half written."""
        return []


def _missing(where: str) -> LogbookError:
    return LogbookError(
        "stored content is missing",
        where=where,
        hint="add the sortie again from its files, or import an archive that holds it",
    )


def _intact(path: Path, sha256: str) -> bool:
    try:
        return digest(path)[0] == sha256
    except LogbookError:
        return False


def remove_file(path: Path) -> None:
    """Take a file away; LogbookError where that is not allowed."""
    try:
        path.unlink(missing_ok=True)
    except OSError as error:
        raise LogbookError(f"cannot be removed: {error.strerror}", where=str(path)) from error
