"""A server's folder with the sample sortie analysed and saved, made once for all tests of a run."""

from __future__ import annotations

import os
import shutil
import time
from pathlib import Path

import pytest

from flightproc.web import Settings

from .helpers import LOGS, SHEETS, Running

_SECONDS = 240.0


def _make(folder: Path) -> None:
    running = Running(Settings(folder=folder / "serve", logbook=str(folder / "book")))
    try:
        page = running.page()
        job = page.upload(*LOGS, *SHEETS).json()["id"]
        state = page.wait(job, seconds=_SECONDS)
        assert state["state"] == "done", state
        running.desk.save(running.desk.store.get(job))  # type: ignore[arg-type]
    finally:
        running.stop()
    (folder / "job").write_text(job)


def flown_folder(factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """Return a copy of the folder, and the number of the job in it."""
    base = factory.getbasetemp()
    shared = base.parent if os.environ.get("PYTEST_XDIST_WORKER") else base
    place = shared / "flown-sample"
    try:
        place.mkdir()
    except FileExistsError:
        end = time.monotonic() + _SECONDS
        while not (place / "job").exists():
            assert time.monotonic() < end, "another worker did not finish the sample"
            time.sleep(0.2)
    else:
        _make(place)
    copy = factory.mktemp("flown")
    for name in ("serve", "book"):
        shutil.copytree(place / name, copy / name)
    return copy, (place / "job").read_text()
