"""Taking in forms and files: capped while they stream, their names never used as paths."""

from __future__ import annotations

import asyncio
import hashlib
import os
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, TYPE_CHECKING
from urllib.parse import parse_qsl

from python_multipart.exceptions import FormParserError
from python_multipart.multipart import MultipartParser, parse_options_header
from starlette.exceptions import HTTPException
from starlette.requests import Request

from ..errors import FlightprocError
from .security import drain
from .settings import Limits

if TYPE_CHECKING:
    from python_multipart.multipart import MultipartCallbacks

__all__ = ["Form", "Upload", "UploadedFile", "form_of", "shown_name", "take_files"]

_PARTS = 400
_HEADER_BYTES = 8192
_FIELD_BYTES = 200_000
_MOST_FIELDS = 20_000
_EXPIRED = "The form's token is missing or too old. Load the page again."


def shown_name(name: str) -> str:
    r"""Return the name of an uploaded file as it is shown: without folders and without what cannot be seen.

    Examples
    --------
    >>> shown_name("../../etc/passwd"), shown_name("C:\\logs\\unit.ulg"), shown_name(" ")
    ('passwd', 'unit.ulg', 'file')
    """
    last = unicodedata.normalize("NFC", name).replace("\\", "/").rsplit("/", 1)[-1]
    kept = "".join(c for c in last if unicodedata.category(c)[0] != "C" and c not in "\u2028\u2029")
    kept = " ".join(kept.split()).strip(". ")
    if len(kept) > 100:
        stem, dot, ending = kept.rpartition(".")
        kept = f"{stem[: 90 - len(ending)]}.{ending}" if dot and len(ending) < 12 else kept[:100]
    return kept or "file"


@dataclass(frozen=True)
class UploadedFile:
    """A file as it was taken in.

    Attributes
    ----------
    name : str
        As it is shown; never a path.
    path : Path
        Where it lies.
    size : int
        Bytes.
    sha256 : str
        Of the bytes, hexadecimal.
    """

    name: str
    path: Path
    size: int
    sha256: str


@dataclass
class Upload:
    """What came with an upload."""

    fields: dict[str, str] = field(default_factory=dict)
    files: list[UploadedFile] = field(default_factory=list)


class Form:
    """A form's fields, in the order sent.

    Parameters
    ----------
    pairs : list of (str, str)
        Name and value.
    """

    def __init__(self, pairs: list[tuple[str, str]]) -> None:
        self.pairs = pairs
        self._first: dict[str, str] = {}
        for name, value in pairs:
            self._first.setdefault(name, value)

    def get(self, name: str, default: str = "") -> str:
        """Return the first value of a field."""
        return self._first.get(name, default)

    def all(self, name: str) -> list[str]:
        """Return every value of a field."""
        return [value for other, value in self.pairs if other == name]

    def __contains__(self, name: str) -> bool:
        return name in self._first

    @property
    def values(self) -> dict[str, str]:
        """First value of each field."""
        return dict(self._first)


async def form_of(request: Request) -> Form:
    """Return a small form, once its token is held against the session.

    Raises
    ------
    HTTPException
        403 where the token is wrong, 413 or 400 where the form is too large or none.
    """
    kind = request.headers.get("content-type", "").split(";")[0].strip().lower()
    body = await request.body()
    if kind == "multipart/form-data":
        pairs = _small_multipart(request.headers["content-type"], body)
    elif kind == "application/x-www-form-urlencoded":
        try:
            pairs = parse_qsl(
                body.decode("utf-8", "replace"), keep_blank_values=True, max_num_fields=_MOST_FIELDS
            )
        except ValueError as error:
            raise HTTPException(413, "The form has too many fields.") from error
    else:
        raise HTTPException(415, "A form was expected.")
    form = Form(pairs)
    _check_csrf(request, form.get("csrf"))
    return form


def _check_csrf(request: Request, given: str) -> None:
    if request.state.csrf_checked:
        return
    if not request.state.sessions.right_csrf(request.state.cookie, given):
        raise HTTPException(403, _EXPIRED)
    request.state.csrf_checked = True


class _Parts:
    """What the parser of a multipart body calls: it keeps fields, and streams files to disk."""

    def __init__(self, folder: Path | None, limits: Limits, reserve: Callable[[int], None]) -> None:
        self.fields: list[tuple[str, str]] = []
        self.files: list[UploadedFile] = []
        self._folder, self._limits, self._reserve = folder, limits, reserve
        self.before_file: Callable[[list[tuple[str, str]]], None] = lambda fields: None
        self._parts = 0
        self._header = (b"", b"")
        self._header_bytes = 0
        self._disposition = b""
        self._name = ""
        self._text: bytearray | None = None
        self._file: IO[bytes] | None = None
        self._shown = ""
        self._size = 0
        self._digest = hashlib.sha256()
        self.ended = False

    def callbacks(self) -> MultipartCallbacks:
        return {
            "on_part_begin": self._begin,
            "on_header_field": self._header_field,
            "on_header_value": self._header_value,
            "on_header_end": self._header_end,
            "on_headers_finished": self._headers_finished,
            "on_part_data": self._data,
            "on_part_end": self._end,
            "on_end": self._finish,
        }

    def _begin(self) -> None:
        self._parts += 1
        if self._parts > _PARTS:
            raise HTTPException(413, f"More than {_PARTS} parts in one form.")
        self._header, self._header_bytes, self._disposition = (b"", b""), 0, b""

    def _grow(self, size: int) -> None:
        self._header_bytes += size
        if self._header_bytes > _HEADER_BYTES:
            raise HTTPException(413, "The head of a part is too long.")

    def _header_field(self, data: bytes, start: int, end: int) -> None:
        self._grow(end - start)
        self._header = (self._header[0] + data[start:end], self._header[1])

    def _header_value(self, data: bytes, start: int, end: int) -> None:
        self._grow(end - start)
        self._header = (self._header[0], self._header[1] + data[start:end])

    def _header_end(self) -> None:
        if self._header[0].lower() == b"content-disposition":
            self._disposition = self._header[1]
        self._header = (b"", b"")

    def _headers_finished(self) -> None:
        kind, options = parse_options_header(self._disposition)
        if kind != b"form-data" or b"name" not in options:
            raise HTTPException(400, "A part of the form has no name.")
        self._name = options[b"name"].decode("utf-8", "replace")
        self._text, self._file = None, None
        if b"filename" not in options:
            self._text = bytearray()
            return
        if self._folder is None:
            raise HTTPException(400, "No file was expected here.")
        name = options[b"filename"].decode("utf-8", "replace")
        self.before_file(self.fields)
        if len(self.files) >= self._limits.upload_files and name:
            raise HTTPException(422, f"More than {self._limits.upload_files} files at once.")
        self._shown, self._size, self._digest = shown_name(name), 0, hashlib.sha256()
        self._empty = not name
        self._file = (self._folder / f"part-{len(self.files) + 1:02d}").open("xb")

    def _data(self, data: bytes, start: int, end: int) -> None:
        piece = data[start:end]
        if self._text is not None:
            self._text += piece
            if len(self._text) > _FIELD_BYTES:
                raise HTTPException(413, "A field of the form is too long.")
        elif self._file is not None:
            self._size += len(piece)
            if self._size > self._limits.file_bytes:
                raise HTTPException(
                    413, f"{self._shown} is larger than {self._limits.file_bytes / 1e6:.0f} MB."
                )
            self._reserve(len(piece))
            self._digest.update(piece)
            self._file.write(piece)

    def _end(self) -> None:
        if self._text is not None:
            self.fields.append((self._name, self._text.decode("utf-8", "replace")))
        elif self._file is not None:
            path = Path(self._file.name)
            self._file.flush()
            os.fsync(self._file.fileno())
            self._file.close()
            self._file = None
            if self._empty and not self._size:
                path.unlink()  # a file input that was left empty
            else:
                self.files.append(UploadedFile(self._shown, path, self._size, self._digest.hexdigest()))

    def _finish(self) -> None:
        self.ended = True

    def close(self) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None


def _parser(content_type: str, parts: _Parts) -> MultipartParser:
    kind, options = parse_options_header(content_type)
    boundary = options.get(b"boundary", b"")
    if kind != b"multipart/form-data" or not 1 <= len(boundary) <= 200:
        raise HTTPException(415, "A form with files was expected.")
    try:
        return MultipartParser(boundary, parts.callbacks())
    except (FormParserError, ValueError) as error:
        raise HTTPException(400, "The form cannot be read.") from error


def _small_multipart(content_type: str, body: bytes) -> list[tuple[str, str]]:
    parts = _Parts(None, Limits(), lambda size: None)
    parser = _parser(content_type, parts)
    try:
        parser.write(body)
        parser.finalize()
    except FormParserError as error:
        raise HTTPException(400, "The form cannot be read.") from error
    return parts.fields


async def take_files(
    request: Request, folder: Path, limits: Limits, reserve: Callable[[int], None]
) -> Upload:
    """Stream the files of an upload into a folder.

    Parameters
    ----------
    request : Request
        A multipart form whose token comes before the first file, or in a header.
    folder : Path
        An empty folder; what is in it after an exception is rubbish.
    limits : Limits
        Caps.
    reserve : callable
        Called with each further count of bytes; raises where there is no room.

    Returns
    -------
    Upload

    Raises
    ------
    HTTPException
        403, 400, 408, 413, 415 or 507, with words.
    """
    parts = _Parts(folder, limits, reserve)
    parts.before_file = lambda fields: _check_csrf(request, dict(fields).get("csrf", ""))
    more = True
    try:
        length = int(request.headers.get("content-length", "0"))
        too_much = HTTPException(413, f"More than {limits.upload_bytes / 1e6:.0f} MB at once.")
        if length > limits.upload_bytes:
            raise too_much
        parser = _parser(request.headers.get("content-type", ""), parts)
        had = 0
        while more:
            message = await asyncio.wait_for(request.receive(), limits.idle_seconds)
            if message["type"] == "http.disconnect":
                more = False
                raise HTTPException(400, "The upload was cut off.")
            piece: bytes = message.get("body", b"")
            more = bool(message.get("more_body"))
            had += len(piece)
            if had > limits.upload_bytes:
                raise too_much
            if piece:
                parser.write(piece)
        parser.finalize()
        if not parts.ended:
            raise HTTPException(400, "The upload was cut off; nothing of it was kept. Send it again.")
        _check_csrf(request, dict(parts.fields).get("csrf", ""))
    except TimeoutError as error:
        raise HTTPException(408, "Nothing more came of the upload.") from error
    except (FormParserError, HTTPException, FlightprocError) as error:
        if more:
            await drain(request.receive)
        if isinstance(error, FormParserError):
            raise HTTPException(400, "The upload cannot be read: it is no sound form.") from error
        raise
    finally:
        parts.close()
    return Upload(dict(parts.fields), parts.files)
