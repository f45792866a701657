"""Writing a folder of results so that nothing is ever left half written."""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from ..errors import OutputError
from ..whole import unbroken

__all__ = ["check_folder", "write_folder"]

_HINT = "name another folder with -o"


def check_folder(folder: Path) -> None:
    """Make sure that results can be written to a folder, before any work is done.

    Raises
    ------
    OutputError
        Where the name belongs to a file, or neither the folder nor the nearest one above it can be written.
    """
    if folder.exists() and not folder.is_dir():
        raise OutputError("this is a file, not a folder", where=str(folder), hint=_HINT)
    nearest = folder.absolute()
    while not nearest.exists() and nearest != nearest.parent:
        nearest = nearest.parent
    if not nearest.is_dir():
        raise OutputError(
            f"{nearest} is a file, so no folder can be made in it", where=str(folder), hint=_HINT
        )
    if not os.access(nearest, os.W_OK | os.X_OK):
        raise OutputError(f"there is no permission to write in {nearest}", where=str(folder), hint=_HINT)


@contextmanager
def _told(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        reason = error.strerror or str(error)
        place = f" ({error.filename})" if error.filename else ""
        raise OutputError(
            f"cannot write the results: {reason}{place}", where=str(folder), hint=_HINT
        ) from error


@contextmanager
def _removed(draft: Path) -> Iterator[None]:
    try:
        yield
    finally:
        shutil.rmtree(draft, ignore_errors=True)


def write_folder(folder: Path, files: Mapping[str, bytes], own: Collection[str] = ()) -> list[Path]:
    """Write files into a folder, all of them or none.

    Everything is written to a new folder beside the target first. A target that does not exist yet then
    appears by one rename; in one that exists each file is replaced by one rename, in the order given, and
    other files stay as they are.

    Parameters
    ----------
    folder : Path
        Target; made with those above it where missing.
    files : mapping of str to bytes
        Content by path inside the folder, with ``/``.
    own : collection of str
        Names that belong to such results; those not in ``files`` are removed, being left from earlier.

    Returns
    -------
    list of Path
        The files written, in the order given.

    Raises
    ------
    OutputError
        Where the target is a file or anything cannot be written.
    """
    folder = Path(folder)
    check_folder(folder)
    beside = folder.absolute()
    draft = beside.with_name(f".{beside.name}.{secrets.token_hex(4)}.partial")
    with unbroken(), _removed(draft), _told(folder):
        draft.mkdir(parents=True)
        for name, content in files.items():
            path = draft / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        if folder.exists():
            for name in files:
                target = folder / name
                target.parent.mkdir(parents=True, exist_ok=True)
                os.replace(draft / name, target)
            for name in set(own) - set(files):
                (folder / name).unlink(missing_ok=True)
        else:
            os.replace(draft, folder)
    return [folder / name for name in files]
