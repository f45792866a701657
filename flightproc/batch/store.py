"""Results of a batch, kept by the content they were made from, and claims on what is being worked on.

::

    FOLDER/store/ab/ab12...json.gz    one result, written whole and forced to the disk
           claims/ab12...             while it is being made: locked by who makes it, one line a try
           journal/RUN-HOST-PID.jsonl what each process began and ended
"""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import shutil
import socket
import sys
import time
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..errors import OutputError
from ..sheets.inputs import InputPath
from ..whole import make_folder, write_whole
from .find import shown_path

__all__ = ["SCHEMA", "Claim", "Digests", "Store", "digest_inputs", "key_of"]

SCHEMA = "flightproc-batch/1"
"""Name and version of the form in which a result is stored."""

_POLL = 0.2  # [s] between two looks at a claim that another holds


@dataclass(frozen=True)
class Digests:
    """What the files of a sortie hold.

    Attributes
    ----------
    files : tuple of (str, str, str)
        Role, name and SHA-256 of each file that its analysis reads.
    size : int
        Size of all of them [bytes].
    """

    files: tuple[tuple[str, str, str], ...]
    size: int

    @property
    def hashes(self) -> frozenset[str]:
        """The SHA-256 of all files."""
        return frozenset(sha256 for _, _, sha256 in self.files)


def digest_inputs(inputs: Sequence[InputPath]) -> Digests:
    """Return the SHA-256 of every file that an analysis reads.

    Raises
    ------
    OutputError
        Where one cannot be read.
    """
    files, size = [], 0
    for item in inputs:
        try:
            with item.path.open("rb") as file:
                sha256 = hashlib.file_digest(file, "sha256").hexdigest()
                size += file.tell()
        except OSError as error:
            raise OutputError(
                f"cannot be read: {error.strerror}",
                where=shown_path(item.path),
                hint="see that the file is there and may be read",
            ) from error
        files.append((item.role, item.name, sha256))
    return Digests(tuple(files), size)


def key_of(digests: Digests, version: str) -> str:
    """Return the key of a result: a hash of sheets, logs, and version of the program.

    Examples
    --------
    >>> one = Digests((("sortie", "sortie", "00"),), 10)
    >>> key_of(one, "0.1.0") == key_of(one, "0.1.0"), key_of(one, "0.1.0") == key_of(one, "0.2.0")
    (True, False)
    """
    said = json.dumps({"form": SCHEMA, "version": version, "files": digests.files}, sort_keys=True)
    return hashlib.sha256(said.encode("utf-8", "surrogateescape")).hexdigest()


class Claim:
    """The right to make one result, held until it is released or the process ends.

    Parameters
    ----------
    handle : int
        The locked file, open to read and write.
    path : Path
        Where it is.

    Attributes
    ----------
    earlier : tuple of dict
        Tries that did not come to an end.
    """

    def __init__(self, handle: int, path: Path) -> None:
        self._handle, self._path = handle, path
        os.lseek(handle, 0, os.SEEK_SET)
        self.earlier: tuple[dict[str, Any], ...] = _lines(os.read(handle, 1 << 20))

    def note(self, entry: dict[str, Any]) -> None:
        """Write down a try, on the disk before it begins."""
        try:
            os.lseek(self._handle, 0, os.SEEK_END)
            os.write(self._handle, json.dumps(entry).encode() + b"\n")
            os.fsync(self._handle)
        except OSError as error:
            raise _not_written(error, self._path) from error


def _lines(raw: bytes) -> tuple[dict[str, Any], ...]:
    found = []
    for line in raw.splitlines():
        with suppress(ValueError):
            entry = json.loads(line)
            if isinstance(entry, dict):
                found.append(entry)
    return tuple(found)


class Store:
    """Results in a folder, by key.

    Parameters
    ----------
    folder : Path
        The batch's folder; made where missing.

    Raises
    ------
    OutputError
        Where the folder cannot be made.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        try:
            for part in ("store", "claims", "journal"):
                make_folder((folder / part).absolute())
        except OSError as error:
            raise _not_written(error, self.folder) from error

    def path(self, key: str) -> Path:
        """Return the file of a result."""
        return self.folder / "store" / key[:2] / f"{key}.json.gz"

    def read(self, key: str) -> dict[str, Any] | None:
        """Return a stored result, or None where there is none or it is damaged."""
        try:
            found = json.loads(gzip.decompress(self.path(key).read_bytes()))
        except (OSError, EOFError, ValueError, zlib.error):
            return None
        return found if isinstance(found, dict) and found.get("schema") == SCHEMA else None

    def write(self, key: str, made: dict[str, Any]) -> int:
        """Store a result, whole or not at all; return its size on the disk [bytes]."""
        text = json.dumps({"schema": SCHEMA, **made}, ensure_ascii=False, allow_nan=False)
        content = gzip.compress(text.encode("utf-8", "backslashreplace"), compresslevel=6, mtime=0)
        path = self.path(key)
        try:
            make_folder(path.parent.absolute())
            write_whole(path, content)
        except OSError as error:
            raise _not_written(error, self.folder) from error
        return len(content)

    @contextmanager
    def claim(self, key: str, *, wait: bool) -> Iterator[Claim | None]:
        """Take the right to make a result.

        Parameters
        ----------
        key : str
            Of the result.
        wait : bool
            Whether to wait for another process that holds it.

        Yields
        ------
        Claim or None
            None where another process holds it and ``wait`` is false.
        """
        path = self.folder / "claims" / key
        handle = self._locked(path, wait)
        if handle is None:
            yield None
            return
        try:
            claim = Claim(handle, path)
            self._sweep(key, claim)
            yield claim
        finally:
            path.unlink(missing_ok=True)
            os.close(handle)

    def _locked(self, path: Path, wait: bool) -> int | None:
        """Return the locked file of a claim, or None where another has it."""
        while True:
            try:
                handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
                if _lock(handle):
                    with suppress(FileNotFoundError):
                        if os.path.samestat(os.stat(path), os.fstat(handle)):
                            return handle
                    os.close(handle)  # its holder has just taken it away
                    continue
                os.close(handle)
            except OSError as error:
                raise _not_written(error, self.folder) from error
            if not wait:
                return None
            time.sleep(_POLL)

    def tidy(self) -> int:
        """Take away what processes left that ended in the middle; return how many there were."""
        count = 0
        for path in sorted((self.folder / "claims").iterdir()):
            handle = self._locked(path, wait=False)
            if handle is None:
                continue
            try:
                self._sweep(path.name, Claim(handle, path))
                count += 1
            finally:
                path.unlink(missing_ok=True)
                os.close(handle)
        return count

    def _sweep(self, key: str, claim: Claim) -> None:
        """Remove what tries left that did not come to an end; only the claim's holder may."""
        for entry in claim.earlier:
            _sweep_report(entry.get("report"))
        for draft in self.path(key).parent.glob(f".{key}.json.gz.*"):
            draft.unlink(missing_ok=True)

    def note(self, run: str, **entry: Any) -> None:
        """Add a line to the journal of this process."""
        place = self.folder / "journal" / f"{run}-{socket.gethostname()}-{os.getpid()}.jsonl"
        line = json.dumps({"time": round(time.time(), 3), **entry}, ensure_ascii=False) + "\n"
        try:
            with place.open("ab") as file:
                file.write(line.encode("utf-8", "backslashreplace"))
        except OSError as error:
            raise _not_written(error, self.folder) from error

    def journal(self) -> list[dict[str, Any]]:
        """Return every line of the journal, in order of time."""
        found: list[dict[str, Any]] = []
        for path in (self.folder / "journal").glob("*.jsonl"):
            found += _lines(path.read_bytes())
        return sorted(found, key=lambda entry: float(entry.get("time", 0.0)))


def _not_written(error: OSError, place: Path) -> OutputError:
    return OutputError(
        f"the batch's folder cannot be written: {error.strerror or error}",
        where=shown_path(error.filename or place),
        hint="make room on the disk, or name another folder with -o",
    )


def _sweep_report(report: object) -> None:
    """Remove drafts of a report that was not finished."""
    if not isinstance(report, str) or not report:
        return
    place = Path(report)
    if place.parent.is_dir():
        for draft in place.parent.iterdir():
            if draft.name.startswith(f".{place.name}.") and draft.name.endswith(".partial"):
                shutil.rmtree(draft, ignore_errors=True)


def _lock(handle: int) -> bool:
    """Lock an open file; return whether it was free. The lock goes with the file handle or the process."""
    if sys.platform == "win32":
        import msvcrt

        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True
    import fcntl

    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True
