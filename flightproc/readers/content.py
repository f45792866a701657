"""A log file's bytes, read once, with their size and SHA-256."""

from __future__ import annotations

import hashlib
import mmap
import os
import stat
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import BinaryIO

from ..display import displayed
from ..errors import LogError

__all__ = ["HEAD_SIZE", "Bytes", "Content", "describe_bytes", "let_go", "load_content", "refuse_columns"]

Bytes = bytes | mmap.mmap
"""The bytes of a file, in memory or still where they lie."""

HEAD_SIZE = 65_536
"""How many bytes at most are shown to a reader's ``sniff``."""

_LARGE = 4 << 20  # bytes from which a thread of its own is worth it
_HUGE = 128 << 20  # bytes from which a file stays where it lies


@displayed
@dataclass(frozen=True)
class Content:
    """The bytes of a log.

    Attributes
    ----------
    path : str
        File they came from, as the user named it.
    data : bytes
        The whole file.
    sha256 : str
        SHA-256 of ``data``, hexadecimal.
    """

    path: str
    data: bytes
    sha256: str

    @property
    def size(self) -> int:
        """Size of the file [bytes]."""
        return len(self.data)

    @property
    def head(self) -> bytes:
        """The first bytes, for sniffing."""
        return self.data[:HEAD_SIZE]

    @property
    def mapped(self) -> Bytes:
        """The bytes for a reader that goes through them part by part: of a huge file, still on the disk."""
        return self.data


class _Loaded(Content):
    """The bytes of a large log, whose hash is worked out while they are read."""

    def __init__(self, path: str, data: bytes) -> None:
        object.__setattr__(self, "path", path)
        object.__setattr__(self, "data", data)
        digests: list[str] = []
        worker = threading.Thread(
            target=lambda: digests.append(hashlib.sha256(data).hexdigest()), daemon=True
        )
        worker.start()
        object.__setattr__(self, "_digests", digests)
        object.__setattr__(self, "_worker", worker)

    @property
    def sha256(self) -> str:  # pyright: ignore[reportIncompatibleVariableOverride]
        """SHA-256 of ``data``, hexadecimal."""
        worker: threading.Thread = object.__getattribute__(self, "_worker")
        worker.join()
        digests: list[str] = object.__getattribute__(self, "_digests")
        return digests[0]


class _Huge(Content):
    """A huge log, of which only the parts just read are in memory; it is hashed beside that."""

    def __init__(self, path: str, file: BinaryIO) -> None:
        object.__setattr__(self, "path", path)
        object.__setattr__(self, "_mapped", mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ))
        digests: list[str | OSError] = []

        def work() -> None:
            try:
                with Path(path).open("rb") as again:
                    digests.append(hashlib.file_digest(again, "sha256").hexdigest())
            except OSError as error:
                digests.append(error)

        worker = threading.Thread(target=work, daemon=True)
        worker.start()
        object.__setattr__(self, "_digests", digests)
        object.__setattr__(self, "_worker", worker)

    @property
    def mapped(self) -> mmap.mmap:
        """The file's bytes where they lie."""
        mapped: mmap.mmap = object.__getattribute__(self, "_mapped")
        return mapped

    @cached_property
    def data(self) -> bytes:  # pyright: ignore[reportIncompatibleVariableOverride]
        """The whole file, read for a reader that needs it all at once."""
        data = self.mapped[:]
        let_go(self.mapped)
        return data

    @property
    def size(self) -> int:
        """Size of the file [bytes]."""
        return len(self.mapped)

    @property
    def head(self) -> bytes:
        """The first bytes, for sniffing."""
        return self.mapped[:HEAD_SIZE]

    @property
    def sha256(self) -> str:  # pyright: ignore[reportIncompatibleVariableOverride]
        """SHA-256 of the file, hexadecimal."""
        worker: threading.Thread = object.__getattribute__(self, "_worker")
        worker.join()
        digest: str | OSError = object.__getattribute__(self, "_digests")[0]
        if isinstance(digest, OSError):
            raise LogError(f"the file cannot be read ({digest})", where=self.path) from digest
        return digest


def let_go(data: Bytes) -> None:
    """Let go of the parts of a mapped file that were read; they are read again where they are asked for."""
    if isinstance(data, mmap.mmap) and hasattr(mmap, "MADV_DONTNEED"):
        data.madvise(mmap.MADV_DONTNEED)


def load_content(path: str | Path) -> Content:
    """Read a file once and hash it.

    Parameters
    ----------
    path : str or Path
        A file with at least one byte.

    Raises
    ------
    LogError
        If the file is missing, is a folder, may not be read, or is empty.
    """
    where = str(path)
    try:
        with Path(path).open("rb") as file:
            status = os.fstat(file.fileno())
            if stat.S_ISREG(status.st_mode) and status.st_size > _HUGE:
                return _Huge(where, file)
            data = file.read()
    except FileNotFoundError as error:
        raise LogError("there is no such file", where=where, hint="check the name and the folder") from error
    except IsADirectoryError as error:
        raise LogError("this is a folder, not a log file", where=where, hint="name the file in it") from error
    except PermissionError as error:
        if Path(path).is_dir():
            raise LogError(
                "this is a folder, not a log file", where=where, hint="name the file in it"
            ) from error
        raise LogError(
            "the file may not be read", where=where, hint="give yourself permission to read it"
        ) from error
    except (OSError, ValueError) as error:
        raise LogError(f"the file cannot be read ({error})", where=where) from error
    if not data:
        raise LogError("the file is empty (0 bytes)", where=where, hint="copy it from the logger again")
    if len(data) > _LARGE:
        return _Loaded(where, data)
    return Content(where, data, hashlib.sha256(data).hexdigest())


def describe_bytes(head: bytes, count: int = 16) -> str:
    """Return the first bytes in words: as text where they are text, else in hexadecimal.

    Examples
    --------
    >>> describe_bytes(b"AXYZ123 flight")
    'text "AXYZ123 flight"'
    >>> describe_bytes(bytes([0, 255, 16]))
    'bytes 00 ff 10'
    """
    part = head[: 3 * count].split(b"\n")[0].rstrip(b"\r")
    try:
        text = part.decode("utf-8")
    except UnicodeDecodeError:
        text = ""
    if text.strip() and text.replace("\t", " ").isprintable():
        return f'text "{text}"'
    return "bytes " + head[:count].hex(" ")


def refuse_columns(columns: Mapping[str, object] | None, what: str, where: str) -> None:
    """Refuse a column map for a format that names its own fields.

    Raises
    ------
    LogError
        If a map is given.
    """
    if columns:
        raise LogError(
            f"a column map is given, but this is {what}, which names its own fields",
            where=where,
            hint="leave out [logs.columns] for this log; it is for CSV only",
        )
