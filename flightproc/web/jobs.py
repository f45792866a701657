"""Jobs on disk: one folder each, its state in one file that is replaced whole, so that a restart loses none.

::

    jobs/<id>/state.json            what is known of it; written by the server only
              logs/log-01.ulg       as uploaded, under names of ours
              sheets/aircraft.toml  drafts, as uploaded or filled in
              extra/table-01.csv    tables that sheets name
              runs/0001/            products of one task; input/ holds the sheets and logs it was made from
"""

from __future__ import annotations

import dataclasses
import os
import re
import secrets
import shutil
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ..errors import FlightprocError, OutputError
from ..whole import sync_path
from .files import link_or_copy, log_key, read_json, stored_size, write_json
from .settings import Limits
from .uploads import UploadedFile

__all__ = ["Job", "JobStore", "LogFile", "NoRoom", "Task"]

_ID = re.compile(r"[0-9a-f]{24}")
STATES = ("reading", "ready", "analysing", "done", "failed", "cancelled")
"""What a job can be at."""


class NoRoom(FlightprocError):
    """The disk, or the share of it that jobs may have, is full."""


@dataclass
class LogFile:
    """A log of a job: stored name, name as shown, size [bytes], SHA-256."""

    key: str
    name: str
    size: int
    sha256: str


@dataclass
class Task:
    """What a worker does, or is to do, for a job.

    Attributes
    ----------
    kind : str
        ``read``, ``analyse`` or ``pdf``.
    run : int
        Number of the folder its products go to.
    queued : float
        When it was asked for [POSIX s].
    started : float or None
        When a worker took it up.
    tries : int
        How often it was begun.
    """

    kind: str
    run: int
    queued: float
    started: float | None = None
    tries: int = 0


@dataclass
class Job:
    """One sortie on its way.

    Attributes
    ----------
    id : str
        24 hexadecimal digits, not to be guessed.
    folder : Path
        Where it lies.
    created, changed : float
        POSIX seconds.
    title : str
        As its sortie sheet, or its first log, has it.
    logs, extra : list of LogFile
        Logs, and tables that sheets name.
    state : str
        One of :data:`STATES`.
    task : Task or None
        What is being done.
    read_run : int
        Run that holds ``logs.json``; 0 for none.
    result_run : int
        Run that holds the newest result; 0 for none.
    runs : int
        Number of the last run.
    words : str
        Why the last task failed.
    faults : list of dict
        Faults of the sheets that the last task found.
    saved : dict
        ``sortie`` number in the logbook, and ``run``, once saved.
    """

    id: str
    folder: Path
    created: float
    changed: float
    title: str = ""
    logs: list[LogFile] = field(default_factory=list)
    extra: list[LogFile] = field(default_factory=list)
    state: str = "reading"
    task: Task | None = None
    read_run: int = 0
    result_run: int = 0
    runs: int = 0
    words: str = ""
    faults: list[dict[str, str]] = field(default_factory=list)
    saved: dict[str, int] = field(default_factory=dict)
    lock: threading.RLock = field(default_factory=threading.RLock, repr=False, compare=False)

    def run_folder(self, run: int) -> Path:
        """Return the folder of a run."""
        return self.folder / "runs" / f"{run:04d}"

    def sheet_path(self, kind: str) -> Path:
        """Return where the draft of a sheet lies."""
        return self.folder / "sheets" / f"{kind}.toml"

    def log_path(self, log: LogFile) -> Path:
        """Return where a log lies."""
        return self.folder / "logs" / log.key

    def extra_path(self, item: LogFile) -> Path:
        """Return where a table lies."""
        return self.folder / "extra" / item.key

    def progress(self) -> dict[str, Any]:
        """Return what the running task tells of itself."""
        if self.task is None:
            return {}
        found = read_json(self.run_folder(self.task.run) / "progress.json")
        return found if isinstance(found, dict) else {}

    def logs_read(self) -> dict[str, Any]:
        """Return what the logs hold, once they were read."""
        found = read_json(self.run_folder(self.read_run) / "logs.json") if self.read_run else None
        return found if isinstance(found, dict) else {}

    def result(self) -> dict[str, Any]:
        """Return the newest result as the page shows it; empty where there is none."""
        found = read_json(self.run_folder(self.result_run) / "result.json") if self.result_run else None
        return found if isinstance(found, dict) else {}

    @property
    def busy(self) -> bool:
        """Whether a task waits or runs."""
        return self.task is not None


def _to_json(job: Job) -> dict[str, Any]:
    kept = {f.name: getattr(job, f.name) for f in dataclasses.fields(job) if f.name not in ("folder", "lock")}
    kept["logs"] = [dataclasses.asdict(log) for log in job.logs]
    kept["extra"] = [dataclasses.asdict(item) for item in job.extra]
    kept["task"] = None if job.task is None else dataclasses.asdict(job.task)
    return kept


def _from_json(folder: Path, found: Any) -> Job | None:
    """Return a job from its state file; None where that is not one."""
    try:
        known = {f.name for f in dataclasses.fields(Job)}
        data = {key: value for key, value in found.items() if key in known}
        data["logs"] = [LogFile(**log) for log in data.get("logs", [])]
        data["extra"] = [LogFile(**item) for item in data.get("extra", [])]
        data["task"] = None if data.get("task") is None else Task(**data["task"])
        job = Job(**{**data, "folder": folder})
    except (AttributeError, TypeError):
        return None
    return job if job.id == folder.name and job.state in STATES else None


class JobStore:
    """All jobs of a server, in one folder that no second server may use at the same time.

    Parameters
    ----------
    root : Path
        The folder; made where it does not exist.
    limits : Limits
        Caps.

    Raises
    ------
    OutputError
        Where the folder cannot be used.
    """

    def __init__(self, root: Path, limits: Limits) -> None:
        self.root: Path = root
        self.limits: Limits = limits
        self._jobs: dict[str, Job] = {}
        self._lock = threading.RLock()
        self._used = 0
        try:
            root.mkdir(parents=True, exist_ok=True, mode=0o700)  # logs tell where people were
            (root / "jobs").mkdir(exist_ok=True)
            (root / "incoming").mkdir(exist_ok=True)
            self._own = (root / "lock").open("a")
        except OSError as error:
            raise OutputError(
                f"the folder of the page cannot be used ({error.strerror or error})",
                where=str(root),
                hint="name another with --folder",
            ) from error
        self._claim()
        shutil.rmtree(root / "incoming")
        (root / "incoming").mkdir()
        for folder in sorted((root / "jobs").iterdir()):
            job = _from_json(folder, read_json(folder / "state.json"))
            if job is not None:
                self._jobs[job.id] = job
            elif _ID.fullmatch(folder.name) and not (folder / "state.json").exists():
                shutil.rmtree(folder)  # an upload that was never confirmed
        self._used = stored_size(root / "jobs")

    def _claim(self) -> None:
        if os.name != "posix":
            return
        import fcntl

        try:
            fcntl.flock(self._own, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            self._own.close()
            raise OutputError(
                "another server uses this folder",
                where=str(self.root),
                hint="use that one, or name another folder with --folder",
            ) from error

    def close(self) -> None:
        """Give the folder free for another server."""
        self._own.close()

    # ---------------------------------------------------------------------------------------------- reading

    def get(self, job_id: str) -> Job | None:
        """Return a job, or None."""
        return self._jobs.get(job_id)

    def all(self) -> list[Job]:
        """Return all jobs, the one changed last first."""
        with self._lock:
            return sorted(self._jobs.values(), key=lambda job: job.changed, reverse=True)

    @property
    def used(self) -> int:
        """What the jobs take up, about [bytes]."""
        return self._used

    # ---------------------------------------------------------------------------------------------- writing

    def reserve(self, size: int) -> None:
        """Count bytes that are about to be stored.

        Raises
        ------
        NoRoom
            Where they would be too many.
        """
        with self._lock:
            if self._used + size > self.limits.folder_bytes:
                raise NoRoom(
                    f"the sorties kept here take up {self._used / 1e9:.1f} GB, which is all they may",
                    hint="delete some that are saved or not needed any more",
                )
            self._used += size
        if shutil.disk_usage(self.root).free < self.limits.free_bytes + size:
            raise NoRoom("the disk is nearly full", hint="make room on it, or name another --folder")

    def release(self, size: int) -> None:
        """Take back bytes that were counted and are not stored."""
        with self._lock:
            self._used = max(self._used - size, 0)

    @contextmanager
    def incoming(self) -> Iterator[Path]:
        """Give an empty folder for an upload, and clear it away afterwards."""
        folder = self.root / "incoming" / secrets.token_hex(12)
        folder.mkdir(mode=0o700)
        try:
            yield folder
        finally:
            shutil.rmtree(folder, ignore_errors=True)

    def create(self) -> Job:
        """Make an empty job; it is lost unless it is saved."""
        now = time.time()
        job_id = secrets.token_hex(12)
        folder = self.root / "jobs" / job_id
        for part in ("logs", "sheets", "extra", "runs"):
            (folder / part).mkdir(parents=True)
        return Job(job_id, folder, now, now)

    def save(self, job: Job) -> None:
        """Write a job's state; it is on the disk when this returns."""
        with job.lock:
            job.changed = time.time()
            for part in ("logs", "extra") if job.id not in self._jobs else ():
                sync_path(job.folder / part)
            write_json(job.folder / "state.json", _to_json(job))
            if job.id not in self._jobs:
                sync_path(job.folder.parent)
            with self._lock:
                self._jobs[job.id] = job

    def delete(self, job: Job) -> None:
        """Take a job away with all that belongs to it."""
        with self._lock:
            self._jobs.pop(job.id, None)
        size = stored_size(job.folder)
        grave = self.root / "incoming" / f"gone-{job.id}"
        with job.lock:
            try:
                os.replace(job.folder, grave)
            except FileNotFoundError:
                return
        shutil.rmtree(grave, ignore_errors=True)
        self.release(size)

    def add_log(self, job: Job, file: UploadedFile) -> LogFile:
        """Move an uploaded log into a job; one that is there already is not taken twice."""
        for log in job.logs:
            if log.sha256 == file.sha256:
                self.release(file.size)
                return log
        taken = {log.name for log in job.logs}
        name, number = file.name, 2
        stem, ending = os.path.splitext(file.name)
        while name in taken:
            name, number = f"{stem} ({number}){ending}", number + 1
        numbers = [int(log.key[4:6]) for log in job.logs]
        log = LogFile(log_key(max(numbers, default=0) + 1, file.name), name, file.size, file.sha256)
        os.replace(file.path, job.log_path(log))
        sync_path(job.folder / "logs")
        job.logs.append(log)
        return log

    def new_run(self, job: Job, kind: str) -> Task:
        """Begin a run of a job: its folder, and the task that fills it."""
        with job.lock:
            job.runs += 1
            job.run_folder(job.runs).mkdir(parents=True, exist_ok=True)
            job.task = Task(kind, job.runs, time.time())
            return job.task

    def drop_old_runs(self, job: Job, keep: int = 3) -> None:
        """Take away runs that nothing shows any more."""
        needed = {job.read_run, job.result_run, job.saved.get("run", 0)}
        for run in range(1, job.runs + 1 - keep):
            folder = job.run_folder(run)
            if run not in needed and folder.is_dir():
                shutil.rmtree(folder, ignore_errors=True)

    def fill_input(self, job: Job, run: int, sheets: dict[str, bytes]) -> None:
        """Put the sheets, logs and tables of a run side by side, as an analysis wants them."""
        place = job.run_folder(run) / "input"
        place.mkdir(exist_ok=True)
        for name, content in sheets.items():
            (place / f"{name}.toml").write_bytes(content)
        for log in job.logs:
            link_or_copy(job.log_path(log), place / log.key)
        for item in job.extra:
            link_or_copy(job.extra_path(item), place / item.key)
