"""Let a writer die at its first step, at its second, and so on to the last, and check the logbook each time.

A step is a statement to the database, a commit, an fsync, a rename or an unlink. Prints one line of JSON.
``python tests/logbook/stepwise.py FOLDER`` takes every step, ``... FOLDER 5`` every fifth.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, event

import flightproc.logbook.files as files
from flightproc.logbook import Logbook, check_logbook


def dying(last: int, act: Callable[[], None]) -> int:
    """Run in a child that dies just before step ``last``; return its exit code, 9 where it died."""
    child = os.fork()
    if child:
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    count = 0

    def step(*args: Any, **kwargs: Any) -> None:
        nonlocal count
        count += 1
        if count == last:
            os._exit(9)

    def counted(function: Callable[..., Any]) -> Callable[..., Any]:
        def run(*args: Any, **kwargs: Any) -> Any:
            step()
            return function(*args, **kwargs)

        return run

    os.fsync = counted(lambda handle: None)  # a process that dies leaves the disk's cache as it is
    Path.replace = counted(Path.replace)  # type: ignore[method-assign]
    Path.unlink = counted(Path.unlink)  # type: ignore[method-assign]
    files.os.fsync = os.fsync
    event.listen(Engine, "before_cursor_execute", step)
    event.listen(Engine, "commit", step)
    act()
    os._exit(0)


def main(folder: Path, stride: int) -> None:
    """Die at the steps of making a logbook, of adding, of adding a second result, and of deleting."""
    from factory import document, gathered

    first, second = gathered(1), gathered(2)
    told: dict[str, Any] = {"unsound": [], "lost": [], "steps": {}}

    def adding(place: Path) -> None:
        with Logbook(place) as book:
            book.add(second, document(second), {"report.html": b"page"})

    def once_more(place: Path) -> None:
        with Logbook(place) as book:
            book.add(first, document(first, 33.0))

    def deleting(place: Path) -> None:
        with Logbook(place) as book:
            book.delete(2)

    for number, (name, act, before) in enumerate(
        (("making", adding, 0), ("adding", adding, 1), ("result", once_more, 1), ("deleting", deleting, 2))
    ):
        for last in range(1 + number % stride, 1000, stride):
            place = folder / f"{name} {last}"
            if before:
                with Logbook(place) as book:
                    for found in (first, second)[:before]:
                        book.add(found, document(found))
            code = dying(last, lambda act=act, place=place: act(place))
            with Logbook(place) as book:
                checked = check_logbook(book)
                told["unsound"] += [f"{name} {last}: {f.words}" for f in checked.faults if f.lost]
                there = {entry.digest: len(entry.results) for entry in book.entries()}
                if before and there.get(first.entry.digest, 0) < 1:
                    told["lost"].append(f"{name} {last}")
                if name in ("making", "adding") and there.get(second.entry.digest, 1) != 1:
                    told["lost"].append(f"{name} {last}: half of it is there")
                # and it goes on as if nothing had been
                act(place) if name != "deleting" or second.entry.digest in there else None
                mended = check_logbook(book, repair=True)
                if not check_logbook(book).sound or any(f.lost for f in mended.faults):
                    told["unsound"].append(f"{name} {last}, afterwards")
            if code == 0:
                told["steps"][name] = last - 1
                break
    print(json.dumps(told))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 1)
