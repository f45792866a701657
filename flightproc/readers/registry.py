"""The one list of readers, and the one way in: :func:`read_log`."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Protocol, cast

from ..errors import UnknownFormatError
from . import dataflash, dataflash_text, delimited, gpx, igc, nmea, tlog, ulog, wav
from .content import Content, describe_bytes, load_content
from .recording import Recording

__all__ = ["READERS", "Reader", "file_digest", "find_reader", "read_log"]


class Reader(Protocol):
    """What a reader module offers.

    Attributes
    ----------
    NAME : str
        Name of the format, as printed.
    """

    NAME: str

    def sniff(self, head: bytes) -> bool:
        """Return whether the first bytes look like this format."""
        ...

    def read(
        self,
        path: str | Path,
        columns: Mapping[str, object] | None = None,
        *,
        content: Content | None = None,
    ) -> Recording:
        """Read a file; ``content`` spares reading its bytes again."""
        ...


READERS: tuple[Reader, ...] = (
    cast(Reader, ulog),
    cast(Reader, gpx),
    cast(Reader, igc),
    cast(Reader, nmea),
    cast(Reader, dataflash),
    cast(Reader, dataflash_text),
    cast(Reader, tlog),
    cast(Reader, wav),
    cast(Reader, delimited),
)
"""Every reader. A new format is one module and one entry here."""


def _lookalike(head: bytes) -> str:
    """Return what a file that no reader knows seems to be, or an empty string."""
    text = head.lstrip(b"\xef\xbb\xbf \t\r\n")
    if head[1:7] == ulog.MAGIC[1:] or (head[:4] == ulog.MAGIC[:4] and head[:7] != ulog.MAGIC):
        return "it resembles a ULog whose first bytes are damaged; copy it from the logger again"
    if ulog.MAGIC in head:
        return f"a ULog begins at its byte {head.index(ulog.MAGIC)}: cut off what stands before that"
    if head[:2] == b"PK" or head[:2] == b"\x1f\x8b":
        return "it looks like a compressed archive; unpack it first"
    if head[8:12] == b".FIT":
        return "it looks like a FIT file, for which there is no reader yet; export it as GPX"
    if head[:2] == b"\x00\x05" and head[8:9] in (b"\xfe", b"\xfd"):
        return "it resembles a telemetry log, but no frame in it is whole; copy it again"
    if text[:5] == b"<?xml" or text[:1] == b"<":
        return "it is XML, but not GPX: export the flight as GPX"
    return "export the flight from the logger in one of the known formats"


def find_reader(content: Content) -> Reader:
    """Return the one reader whose ``sniff`` claims the content.

    Raises
    ------
    UnknownFormatError
        If no reader claims it, or more than one.
    """
    claims = [reader for reader in READERS if reader.sniff(content.head)]
    known = ", ".join(reader.NAME for reader in READERS)
    if not claims:
        raise UnknownFormatError(
            f"no reader knows this content, which begins with {describe_bytes(content.head)}",
            where=content.path,
            allowed=known,
            hint=_lookalike(content.head),
        )
    if len(claims) > 1:
        names = " and ".join(reader.NAME for reader in claims)
        raise UnknownFormatError(
            f"more than one reader claims this content: {names}",
            where=content.path,
            hint="export the log again; if that does not help, report it with the first lines of the file",
        )
    return claims[0]


def file_digest(path: str | Path) -> tuple[str, int]:
    """Return the SHA-256 (hexadecimal) and the size [bytes] of any file.

    Raises
    ------
    LogError
        As :func:`read_log` for a file that cannot be read.
    """
    content = load_content(path)
    return content.sha256, content.size


def read_log(path: str | Path, columns: Mapping[str, object] | None = None) -> Recording:
    """Read a log of any known format.

    The format is found from the content; the file's name plays no part.

    Parameters
    ----------
    path : str or Path
        Log file.
    columns : mapping, optional
        For CSV files: channel name (or ``time``) to an object or mapping with ``column``, ``unit`` and
        optionally ``sign`` and ``offset``.

    Returns
    -------
    Recording
        What could be read, with the damage told.

    Raises
    ------
    LogError
        If the file is missing, empty, a folder or not readable, or the column map does not fit it.
    UnknownFormatError
        If no reader knows the content, or two claim it.
    UnreadableLogError
        If the format is known and nothing usable is left.

    Examples
    --------
    >>> import flightproc as fp
    >>> fp.read_log("sample_logs/school-wing-28/gps.gpx").span
    (0.0, 2139.5)
    """
    content = load_content(path)
    return find_reader(content).read(path, columns, content=content)
