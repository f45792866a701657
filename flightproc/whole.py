"""Files that are written whole or not at all, and are on the disk once they are told as written."""

from __future__ import annotations

import os
import secrets
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

__all__ = ["make_folder", "replacing", "sync_path", "unbroken", "write_whole"]


@contextmanager
def unbroken() -> Iterator[None]:
    """Let Ctrl+C wait for the end of a step that would leave things half done.

    Only the main thread is ever broken off; elsewhere this does nothing. Meant for steps below a second.

    Raises
    ------
    KeyboardInterrupt
        At the end, where Ctrl+C came meanwhile.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []

    def wait(number: int, frame: Any) -> None:
        came.append(number)

    before = signal.signal(signal.SIGINT, wait)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    if came:
        raise KeyboardInterrupt


@contextmanager
def replacing(path: Path, *, sync: bool = True) -> Iterator[Path]:
    """Give a draft to be written; it takes the place of a file in one step, where all went well.

    Parameters
    ----------
    path : Path
        The file.
    sync : bool
        Whether it must be on the disk at the end.

    Yields
    ------
    Path
        The draft, beside the file; it does not exist yet, and is gone in the end.
    """
    draft = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        yield draft
        if sync:
            with draft.open("r+b") as file:
                os.fsync(file.fileno())
        os.replace(draft, path)
    finally:
        draft.unlink(missing_ok=True)
    if sync:
        sync_path(path.parent)


def write_whole(path: Path, content: bytes, *, sync: bool = True) -> None:
    """Replace a file by new content in one step.

    Parameters
    ----------
    path : Path
        The file.
    content : bytes
        What it is to hold.
    sync : bool
        Whether it must be on the disk when this returns.
    """
    with replacing(path, sync=sync) as draft, draft.open("xb") as file:
        file.write(content)


def sync_path(path: Path) -> None:
    """Make sure that a file, or the names in a folder, are on the disk, where that can be asked."""
    if os.name != "posix":
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def make_folder(folder: Path) -> None:
    """Make a folder and those above it, each entered on the disk before the next is made."""
    if folder.is_dir():
        return
    make_folder(folder.parent)
    folder.mkdir(exist_ok=True)
    sync_path(folder.parent)
