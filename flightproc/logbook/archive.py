"""The whole logbook as one archive, and back.

An archive is a ZIP file: ``logbook.json`` says what it is, ``entries.jsonl`` holds one entry a line, and
``content/<SHA-256>`` each file once. Nothing in it is used as a path of this machine; every content is held
against its hash and its stated size while it is read, so that neither a wrong name, nor a wrong hash, nor a
small archive that unfolds without end does harm. An import is one transaction: all of it or nothing.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import secrets
import shutil
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from pydantic import ValidationError

from .. import __version__
from ..display import displayed
from ..errors import LogbookError
from .book import Logbook
from .files import CHUNK
from .model import Added, Entry, read_document
from .tables import now_utc

__all__ = ["SCHEMA", "Exported", "Imported", "export_archive", "import_archive"]

SCHEMA = "flightproc-logbook/1"
"""Name and version of the archive's form."""

_HEAD, _ENTRIES = "logbook.json", "entries.jsonl"
_CONTENT = re.compile(r"content/([0-9a-f]{64})")
_ENTRIES_LIMIT = 1 << 30  # of entries.jsonl [bytes]
_LINE_LIMIT = 16 << 20  # of one entry [bytes]
_HEAD_LIMIT = 1 << 16
_MEMORY = 16 << 20  # content up to this is unpacked in memory [bytes]
_TOLD = 20  # faults that are told
_SMALL_TOTAL = 1 << 30  # an archive of any size may hold this much [bytes]
_RATIO = 200  # ... and otherwise this many times its size
_EPOCH = (1980, 1, 1, 0, 0, 0)  # of all members, so that the same logbook gives the same archive

Progress = Callable[[str, float], None]


@displayed
@dataclass(frozen=True)
class Exported:
    """What was exported: how many sets of sheets and logs, results and contents; bytes; what was left out."""

    entries: int
    results: int
    contents: int
    size: int
    left_out: tuple[str, ...]


@displayed
@dataclass(frozen=True)
class Imported:
    """What became of each entry of an archive, in its order."""

    added: tuple[Added, ...]

    @property
    def new_sorties(self) -> int:
        """How many sorties were not there before."""
        return sum(item.new_sortie for item in self.added)

    @property
    def new_revisions(self) -> int:
        """How many sets of sheets and logs were not there before."""
        return sum(item.new_revision for item in self.added)

    @property
    def new_results(self) -> int:
        """How many results were not there before."""
        return sum(item.new_results for item in self.added)


def _sizes(entry: Entry) -> dict[str, int]:
    return {item.sha256: item.size for item in entry.contents}


def export_archive(
    book: Logbook,
    path: str | os.PathLike[str],
    *,
    skip_damaged: bool = False,
    progress: Progress | None = None,
) -> Exported:
    """Write everything in a logbook to one archive.

    Parameters
    ----------
    book : Logbook
        The logbook; others may go on using it.
    path : path
        The archive; it appears whole or not at all.
    skip_damaged : bool
        Whether to leave out entries whose content is missing or damaged, instead of refusing.
    progress : callable, optional
        Called with what is being done and the share done.

    Returns
    -------
    Exported

    Raises
    ------
    LogbookError
        With everything that is missing or damaged, or where the archive cannot be written.

    Examples
    --------
    >>> import flightproc as fp
    >>> import tempfile
    >>> from flightproc.logbook import gather
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with fp.Logbook(f"{folder}/book") as book:
    ...         added = book.add(gather("sample_logs/school-wing-28/sortie.toml"))
    ...         print(export_archive(book, f"{folder}/book.zip").entries)
    1
    """
    tell = progress or (lambda words, share: None)
    target = Path(path)
    entries = book.entries()
    left_out: list[str] = []
    try:
        draft = target.with_name(f".{target.name}.{secrets.token_hex(4)}.partial")
        try:
            with zipfile.ZipFile(draft, "x", zipfile.ZIP_DEFLATED, allowZip64=True) as archive:
                bad = _write_contents(book, archive, entries, tell)
                sound = []
                for entry in entries:
                    faults = [bad[sha256] for sha256 in _sizes(entry) if sha256 in bad]
                    left_out += [f"{entry.title}: {fault}" for fault in faults]
                    if not faults:
                        sound.append(entry)
                if left_out and not skip_damaged:
                    raise LogbookError(
                        f"{len(left_out)} stored contents are missing or damaged\n  "
                        + "\n  ".join(left_out[:_TOLD]),
                        where=book.place.shown,
                        hint="mend them as flightproc logbook check says, or export with --skip-damaged",
                    )
                head = {
                    "schema": SCHEMA,
                    "version": __version__,
                    "created_utc": now_utc(),
                    "entries": len(sound),
                }
                with archive.open(_info(_ENTRIES), "w", force_zip64=True) as member:
                    for entry in sound:
                        member.write(entry.model_dump_json().encode() + b"\n")
                archive.writestr(_info(_HEAD), json.dumps(head, indent=1) + "\n")
            with draft.open("rb+") as file:
                os.fsync(file.fileno())
            draft.replace(target)
        finally:
            with suppress(OSError):
                draft.unlink(missing_ok=True)
        size = target.stat().st_size
    except OSError as error:
        raise LogbookError(
            f"the archive cannot be written: {error.strerror}", where=str(target), hint="name another file"
        ) from error
    tell("done", 1.0)
    contents = {sha256 for entry in sound for sha256 in _sizes(entry)}
    return Exported(
        len(sound), sum(len(entry.results) for entry in sound), len(contents), size, tuple(left_out)
    )


def _info(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, _EPOCH)
    info.compress_type = zipfile.ZIP_DEFLATED
    info.external_attr = 0o644 << 16
    return info


def _write_contents(
    book: Logbook, archive: zipfile.ZipFile, entries: tuple[Entry, ...], tell: Progress
) -> dict[str, str]:
    """Write every content once; return what is wrong with those that could not be had, by hash."""
    sizes: dict[str, int] = {}
    names: dict[str, str] = {}
    for entry in entries:
        sizes |= _sizes(entry)
        names |= {file.sha256: file.path for file in entry.files}
    total, done = max(1, sum(sizes.values())), 0
    bad: dict[str, str] = {}
    for sha256, size in sizes.items():
        name = names.get(sha256, "a result")
        tell(f"packing {name}", done / total)
        try:
            # read once to its end first: what is damaged must not enter the archive
            for _ in book.pieces(sha256):
                pass
            with archive.open(_info(f"content/{sha256}"), "w", force_zip64=True) as member:
                for piece in book.pieces(sha256):
                    member.write(piece)
        except LogbookError as error:
            bad[sha256] = f"{name}: {error.what} ({error.where})"
        done += size
    return bad


def import_archive(
    book: Logbook, path: str | os.PathLike[str], *, progress: Progress | None = None
) -> Imported:
    """Add everything in an archive to a logbook; what is there already stays as it is.

    Parameters
    ----------
    book : Logbook
        The logbook.
    path : path
        The archive.
    progress : callable, optional
        Called with what is being done and the share done.

    Returns
    -------
    Imported

    Raises
    ------
    LogbookError
        With every fault found in the archive; then nothing of it is in the logbook.

    Examples
    --------
    >>> from flightproc.logbook import export_archive
    >>> import flightproc as fp
    >>> import tempfile
    >>> from flightproc.logbook import gather
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with fp.Logbook(f"{folder}/book") as book:
    ...         added = book.add(gather("sample_logs/school-wing-28/sortie.toml"))
    ...         _ = export_archive(book, f"{folder}/book.zip")
    ...     with fp.Logbook(f"{folder}/other") as other:
    ...         print(import_archive(other, f"{folder}/book.zip").new_sorties)
    1
    """
    tell = progress or (lambda words, share: None)
    where = os.fspath(path)
    try:
        with zipfile.ZipFile(path) as archive:
            entries, sizes = _read_entries(archive, Path(path).stat().st_size, book, where)

            def once() -> list[Added]:
                _take_contents(archive, book, sizes, where, tell)
                _check_documents(book, entries, where)
                with book.write() as connection:
                    return [book.record(connection, entry) for entry in entries]

            added: list[Added] = book.retried(once)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, UnicodeDecodeError) as error:
        raise LogbookError(
            f"the archive is damaged or none at all: {error}",
            where=where,
            hint="copy it again, or take an older archive",
        ) from error
    except OSError as error:
        raise LogbookError(f"the archive cannot be read: {error.strerror}", where=where) from error
    tell("done", 1.0)
    return Imported(tuple(added))


def _read_entries(
    archive: zipfile.ZipFile, packed: int, book: Logbook, where: str
) -> tuple[list[Entry], dict[str, int]]:
    """Check an archive from its directory and its entries, before any content is touched."""
    faults: list[str] = []
    members: dict[str, zipfile.ZipInfo] = {}
    for info in archive.infolist():
        if info.filename not in (_HEAD, _ENTRIES) and not _CONTENT.fullmatch(info.filename):
            faults.append(f"a member that does not belong there: {info.filename[:100]!r}")
        elif info.filename in members:
            faults.append(f"a member that is there twice: {info.filename}")
        elif info.flag_bits & 0x1:
            faults.append(f"a member that is encrypted: {info.filename}")
        members[info.filename] = info
    missing = [name for name in (_HEAD, _ENTRIES) if name not in members]
    faults += [f"no member {name}" for name in missing]
    if missing:
        raise _bad(faults, where)
    head = _read_head(archive, where)
    entries: list[Entry] = []
    sizes: dict[str, int] = {}
    with archive.open(_ENTRIES) as member:
        for number, line in enumerate(_lines(member, where), 1):
            try:
                entry = Entry.model_validate_json(line)
            except (ValidationError, RecursionError) as error:
                faults.append(f"{_ENTRIES}, line {number}: {_first_words(error)}")
                continue
            entries.append(entry)
            for sha256, size in _sizes(entry).items():
                if sizes.setdefault(sha256, size) != size:
                    faults.append(f"{_ENTRIES}, line {number}: another size for {sha256}")
    if head.get("entries") != len(entries) and not faults:
        faults.append(f"{_ENTRIES} has {len(entries)} entries, and {_HEAD} promises {head.get('entries')!r}")
    for sha256, size in sizes.items():
        info = members.get(f"content/{sha256}")  # type: ignore[assignment]
        if info is None:
            faults.append(f"content {sha256} is missing")
        elif info.file_size != size:
            faults.append(f"content {sha256} has {info.file_size} bytes, and its entry says {size}")
    total = sum(sizes.values())
    if total > max(_SMALL_TOTAL, _RATIO * packed):
        faults.append(f"{packed} bytes would unfold to {total}")
    folder = book.place.files
    if folder is not None:
        while not folder.exists():
            folder = folder.parent
        free = shutil.disk_usage(folder).free
        if total > 0.95 * free:
            faults.append(f"{total} bytes are needed and {free} are free at {folder}")
    if faults:
        raise _bad(faults, where)
    return entries, sizes


def _read_head(archive: zipfile.ZipFile, where: str) -> dict[str, Any]:
    with archive.open(_HEAD) as member:
        raw = member.read(_HEAD_LIMIT + 1)
    try:
        head = json.loads(raw) if len(raw) <= _HEAD_LIMIT else None
    except (ValueError, RecursionError):
        head = None
    if not isinstance(head, dict) or head.get("schema") != SCHEMA:
        raise LogbookError(
            "this is no archive of a logbook of this version",
            where=where,
            found=head.get("schema") if isinstance(head, dict) else None,
            allowed=SCHEMA,
            hint="an archive is written by flightproc logbook export",
        )
    return head


def _lines(member: IO[bytes], where: str) -> Iterator[bytes]:
    total = 0
    while line := member.readline(_LINE_LIMIT + 1):
        total += len(line)
        if len(line) > _LINE_LIMIT or total > _ENTRIES_LIMIT:
            raise _bad(
                [f"{_ENTRIES} is longer than {_ENTRIES_LIMIT} bytes, or a line than {_LINE_LIMIT}"], where
            )
        yield line


def _take_contents(
    archive: zipfile.ZipFile, book: Logbook, sizes: dict[str, int], where: str, tell: Progress
) -> None:
    """Keep every content; it is held against its size and its hash before it is kept."""
    total, done = max(1, sum(sizes.values())), 0
    faults: list[str] = []
    for number, (sha256, size) in enumerate(sizes.items(), 1):
        tell(f"unpacking {number} of {len(sizes)}", done / total)
        done += size
        # in memory while it is small, then in a file
        with (
            archive.open(f"content/{sha256}") as member,
            tempfile.SpooledTemporaryFile(_MEMORY) as draft,
        ):
            written, found = 0, hashlib.sha256()
            while written <= size and (piece := member.read(min(CHUNK, size + 1 - written))):
                draft.write(piece)
                found.update(piece)
                written += len(piece)
            if written != size:
                faults.append(f"content {sha256} is not as long as its entry says")
            elif found.hexdigest() != sha256:
                faults.append(f"content {sha256} has the SHA-256 {found.hexdigest()}")
            else:
                book.files.put(draft)
    if faults:
        raise _bad(faults, where)


def _check_documents(book: Logbook, entries: list[Entry], where: str) -> None:
    """Make sure that every result is one, before the transaction begins."""
    faults = []
    for entry in entries:
        for result in entry.results:
            try:
                read_document(book.content(result.sha256), f"content {result.sha256}")
            except LogbookError as error:
                faults.append(str(error))
    if faults:
        raise _bad(faults, where)


def _first_words(error: Exception) -> str:
    if isinstance(error, ValidationError):
        first = error.errors(include_url=False, include_input=False, include_context=False)[0]
        return f"{'.'.join(str(part) for part in first['loc']) or 'entry'}: {first['msg']}"
    return str(error)


def _bad(faults: list[str], where: str) -> LogbookError:
    shown = faults[:_TOLD] + ([f"and {len(faults) - _TOLD} more"] if len(faults) > _TOLD else [])
    return LogbookError(
        f"{len(faults)} fault{'s' if len(faults) != 1 else ''} in the archive, nothing was imported\n  "
        + "\n  ".join(shown),
        where=where,
    )
