"""What can be done with a job, whoever asks: the pages and the JSON endpoints both come here."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import Fault, FlightprocError, OutputError, SheetError
from .drafts import KINDS, check_set, draft_of, make_order, referred_files, sheet_kind, write_draft
from .jobs import Job, JobStore, LogFile, NoRoom, Task
from .runner import Runner
from .settings import Settings
from .uploads import Upload, UploadedFile

if TYPE_CHECKING:
    from ..logbook import Added

__all__ = ["Desk", "Refused", "Shelf"]


class Refused(FlightprocError):
    """Something that cannot be done as a job stands."""


@dataclass(frozen=True)
class Shelf:
    """A sheet that can be taken over.

    Attributes
    ----------
    kind, name, where : str
        Which sheet, what it is called, where it is from.
    key : str
        How to ask for it.
    """

    kind: str
    name: str
    where: str
    key: str


@dataclass
class _Taken:
    """What an upload was sorted into."""

    sheets: dict[str, tuple[str, bytes]] = field(default_factory=dict)
    logs: list[UploadedFile] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)


def _file_fault(name: str, value: str, allowed: str) -> Fault:
    return Fault(name, "", "file", value, allowed)


class Desk:
    """Everything a visitor can ask for.

    Parameters
    ----------
    settings : Settings
        Of the server.
    """

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.store: JobStore = JobStore(settings.folder, settings.limits)
        self.runner: Runner = Runner(self.store, settings.limits, self._order, self._finished)

    def start(self) -> None:
        """Begin to work."""
        self.runner.start()

    def stop(self) -> None:
        """Stop working; what is undone is taken up at the next start."""
        self.runner.stop()
        self.store.close()

    # ------------------------------------------------------------------------------------------- taking in

    def take(self, upload: Upload) -> Job:
        """Make a job of an upload, and begin on it.

        Raises
        ------
        Refused
            Where there is nothing in it, or too many jobs wait.
        SheetError
            Where a file that should be a sheet is none.
        """
        if not upload.files:
            hint = "choose the logs of a flight, and its sheets if there are"
            raise Refused("no file came with the form", hint=hint)
        if self.runner.waiting >= self.settings.limits.waiting:
            raise NoRoom("too many sorties wait for their turn", hint="try again in a minute")
        if len(self.store.all()) >= self.settings.limits.jobs:
            raise NoRoom(
                f"there are {self.settings.limits.jobs} sorties here already",
                hint="delete some that are saved",
            )
        taken = self._sort(upload.files)
        if taken.faults:
            raise SheetError(taken.faults)
        job = self.store.create()
        with job.lock:
            self._put(job, taken)
            self._begin(job)
        return job

    def add(self, job: Job, upload: Upload) -> None:
        """Add files to a job, and read its logs again.

        Raises
        ------
        Refused, SheetError
            As :meth:`take`.
        """
        if not upload.files:
            raise Refused("no file came with the form", hint="choose logs or sheets")
        taken = self._sort(upload.files)
        if taken.faults:
            raise SheetError(taken.faults)
        with job.lock:
            self._free(job)
            self._put(job, taken)
            self._begin(job)

    def _sort(self, files: Sequence[UploadedFile]) -> _Taken:
        """Tell sheets from logs."""
        taken = _Taken()
        limit = self.settings.limits.sheet_bytes
        for file in files:
            if not file.name.lower().endswith(".toml"):
                taken.logs.append(file)
                continue
            if file.size > limit:
                allowed = f"a sheet of at most {limit} bytes"
                taken.faults.append(_file_fault(file.name, f"{file.size} bytes", allowed))
                continue
            raw = file.path.read_bytes()
            kind = self._kind_of(file.name, raw, taken)
            if kind in taken.sheets and taken.sheets[kind][1] != raw:
                allowed = f"one {kind} sheet at a time; {taken.sheets[kind][0]} is one already"
                taken.faults.append(_file_fault(file.name, f"a second {kind} sheet", allowed))
            elif kind:
                taken.sheets[kind] = (file.name, raw)
            self.store.release(file.size)
        return taken

    def _kind_of(self, name: str, raw: bytes, taken: _Taken) -> str:
        try:
            data = tomllib.loads(raw.decode("utf-8-sig"))
        except UnicodeDecodeError:
            taken.faults.append(_file_fault(name, "bytes that are not text", "a sheet in UTF-8"))
        except tomllib.TOMLDecodeError as error:
            taken.faults.append(_file_fault(name, str(error)[:200], "TOML, as the templates have it"))
        except (ValueError, RecursionError):
            found = "numbers or brackets beyond all measure"
            taken.faults.append(_file_fault(name, found, "an ordinary sheet"))
        else:
            kind = sheet_kind(data)
            if not kind:
                allowed = f"a sheet of these kinds: {', '.join(KINDS)}"
                taken.faults.append(_file_fault(name, "no field of any sheet", allowed))
            return kind
        return ""

    def _put(self, job: Job, taken: _Taken) -> None:
        tables: set[str] = set()
        for kind, (_, raw) in taken.sheets.items():
            write_draft(job, kind, raw)
            tables |= set(referred_files(kind, draft_of(job, kind) or {}))
        for file in taken.logs:
            self.store.add_log(job, file)
        named = {str(log.get("file")) for log in _logs(draft_of(job, "sortie"))}
        for log in [log for log in job.logs if log.name in tables and log.name not in named]:
            key = log.key.replace("log-", "table-")
            job.log_path(log).rename(job.folder / "extra" / key)
            job.extra.append(LogFile(key, log.name, log.size, log.sha256))
            job.logs.remove(log)
        self._name(job)

    def _name(self, job: Job) -> None:
        title = (draft_of(job, "sortie") or {}).get("title")
        if isinstance(title, str) and title.strip():
            job.title = " ".join(title.split())[:200]
        elif not job.title and job.logs:
            job.title = f"Logs {job.logs[0].name}" + (
                f" and {len(job.logs) - 1} more" if job.logs[1:] else ""
            )
        elif not job.title:
            job.title = "Sheets without logs"

    def _begin(self, job: Job) -> None:
        """Analyse where everything is there, else read the logs."""
        complete = all(job.sheet_path(kind).exists() for kind in ("sortie", "aircraft", "glider"))
        named = len(_logs(draft_of(job, "sortie")))
        if complete and named and len(job.logs) >= named:
            task = self.store.new_run(job, "analyse")
            if not check_set(self.store, job, task.run):
                self._queue(job, "analysing")
                return
            job.task = None
        if not job.logs:
            job.state = "ready"
            self.store.save(job)
            return
        self.store.new_run(job, "read")
        self._queue(job, "reading")

    def _queue(self, job: Job, state: str) -> None:
        job.state, job.words, job.faults = state, "", []
        self.store.save(job)
        self.runner.submit(job)

    def _free(self, job: Job) -> None:
        if job.busy:
            raise Refused("this sortie is being worked on", hint="wait for it, or cancel it")

    # --------------------------------------------------------------------------------------------- changing

    def check(self, job: Job) -> list[Fault]:
        """Return all faults of a job's sheets, put together as for an analysis."""
        with job.lock:
            run = job.runs + 1
            job.run_folder(run).mkdir(parents=True, exist_ok=True)
            return check_set(self.store, job, run)

    def analyse(self, job: Job) -> list[Fault]:
        """Begin an analysis; where the sheets have faults, return them and begin nothing."""
        with job.lock:
            self._free(job)
            if self.runner.waiting >= self.settings.limits.waiting:
                raise NoRoom("too many sorties wait for their turn", hint="try again in a minute")
            self.store.reserve(2_000_000)
            task = self.store.new_run(job, "analyse")
            faults = check_set(self.store, job, task.run)
            if faults:
                job.task = None
                self.store.save(job)
                return faults
            self._queue(job, "analysing")
            return []

    def read_again(self, job: Job) -> None:
        """Read the logs again, with the column maps as they are now."""
        with job.lock:
            self._free(job)
            if job.logs:
                self.store.new_run(job, "read")
                self._queue(job, "reading")

    def put_sheet(self, job: Job, kind: str, data: Mapping[str, Any] | bytes) -> list[Fault]:
        """Keep a sheet, sound or not, and return its faults."""
        with job.lock:
            self._free(job)
            write_draft(job, kind, data)
            self._name(job)
            self.store.save(job)
            return [fault for fault in self.check(job) if fault.file == f"{kind}.toml"]

    def set_holds(self, job: Job, edits: Sequence[Mapping[str, Any]]) -> list[Fault]:
        """Set the changes that a person makes to the holds, and analyse again."""
        with job.lock:
            self._free(job)
            data = draft_of(job, "sortie")
            if data is None:
                raise Refused("there is no sortie sheet yet")
            before = job.sheet_path("sortie").read_bytes()
            data["holds"] = [dict(edit) for edit in edits]
            if not edits:
                del data["holds"]
            write_draft(job, "sortie", data)
            faults = self.analyse(job)
            if faults:
                write_draft(job, "sortie", before)
            return faults

    def make_pdf(self, job: Job) -> None:
        """Begin to set the report of the newest result as PDF."""
        with job.lock:
            self._free(job)
            if not job.result_run:
                raise Refused("there is no result yet")
            from ..report.paper import check_pdf

            try:
                check_pdf()
            except OutputError as error:
                raise Refused(
                    "a PDF cannot be made on this computer: WeasyPrint or the Pango library is missing",
                    hint="pip install 'flightproc[pdf]'; see docs/report.md for Pango. Or print the page",
                ) from error
            job.task = Task("pdf", job.result_run, 0.0)
            job.words = ""
            self.store.save(job)
            self.runner.submit(job)

    def delete(self, job: Job) -> None:
        """Take a job away; what is in the logbook stays there."""
        self.runner.cancel(job)
        self.store.delete(job)

    # --------------------------------------------------------------------------------------------- the shelf

    def shelf(self) -> list[Shelf]:
        """Return the sheets of earlier sorties, newest first, each content once."""
        found: list[Shelf] = []
        seen: set[tuple[str, bytes]] = set()
        for job in self.store.all():
            for kind in ("aircraft", "glider", "rig"):
                path = job.sheet_path(kind)
                if not path.exists():
                    continue
                raw = path.read_bytes()
                if (kind, raw) in seen:
                    continue
                seen.add((kind, raw))
                name = (draft_of(job, kind) or {}).get("name")
                shown = name[:100] if isinstance(name, str) and name.strip() else f"{kind} without a name"
                found.append(Shelf(kind, shown, job.title, job.id))
        return found

    def take_from_shelf(self, job: Job, kind: str, key: str) -> list[Fault]:
        """Take over the sheet of another sortie."""
        other = self.store.get(key)
        if other is None or not other.sheet_path(kind).exists():
            raise Refused("that sheet is not there any more", hint="choose another")
        return self.put_sheet(job, kind, other.sheet_path(kind).read_bytes())

    # ------------------------------------------------------------------------------------------- the logbook

    def save(self, job: Job) -> Added:
        """Put the newest result with its sheets and logs into the logbook.

        Raises
        ------
        Refused
            Where there is no result.
        LogbookError
            Where it cannot be stored.
        """
        from ..logbook import Logbook

        with job.lock:
            if not job.result_run:
                raise Refused("there is no result to save yet")
            run = job.run_folder(job.result_run)
        with Logbook(self.settings.logbook or None) as book:
            added = book.add_sortie(
                run / "input" / "sortie.toml",
                (run / "results.json").read_bytes(),
                {"report.html": run / "report.html"},
            )
        with job.lock:
            job.saved = {"sortie": added.sortie, "run": int(run.name)}
            self.store.save(job)
        return added

    # ------------------------------------------------------------------------------------- what tasks come to

    def _order(self, job: Job, task: Task) -> Any:
        limits = self.settings.limits
        return make_order(job, task, seconds=limits.job_seconds, memory_bytes=limits.job_memory_bytes)

    def _finished(self, job: Job, task: Task) -> None:
        folder = job.run_folder(task.run)
        if task.kind == "read":
            job.state, job.read_run = "ready", task.run
            self._draft_sortie(job)
        elif task.kind == "analyse":
            job.state, job.result_run, job.read_run = "done", task.run, task.run
        if task.kind != "pdf":
            self.store.drop_old_runs(job)
        self._count(folder)

    def _count(self, folder: Path) -> None:
        try:
            self.store.reserve(sum(f.stat().st_size for f in folder.rglob("*") if "input" not in f.parts))
        except NoRoom:
            return  # what is there stays; the next upload is told

    def _draft_sortie(self, job: Job) -> None:
        """Write a sortie sheet from what the logs tell, and name in it each log that it lacks."""
        found = job.logs_read()
        guessed: list[dict[str, Any]] = found.get("draft", [])
        data = draft_of(job, "sortie")
        if job.sheet_path("sortie").exists() and data is None:
            return
        if data is None:
            day = min((e["begins_utc"] for e in found.get("logs", []) if e.get("begins_utc")), default=None)
            date = None if day is None else dt.datetime.fromtimestamp(day, dt.UTC).date()
            words = f"of {date}" if date else f"with {job.logs[0].name}" if job.logs else ""
            data = {"title": f"Sortie {words}".strip(), **({"date": date} if date else {})}
            data["logs"] = guessed
            job.title = data["title"]
        else:
            named = {str(entry.get("file")).replace("\\", "/").rsplit("/", 1)[-1] for entry in _logs(data)}
            new = [entry for entry in guessed if entry["file"] not in named]
            if not new or not isinstance(data.get("logs", []), list):
                return
            has_unit = any(entry.get("role") == "unit" for entry in _logs(data))
            for entry in new:
                if has_unit and entry["role"] == "unit":
                    entry["role"] = "other"
            data["logs"] = [*data.get("logs", []), *new]
        write_draft(job, "sortie", data)


def _logs(data: Mapping[str, Any] | None) -> list[Mapping[str, Any]]:
    """Return the logs that a sortie's draft names, as far as it is sound."""
    logs = (data or {}).get("logs")
    return [log for log in logs if isinstance(log, Mapping)] if isinstance(logs, list) else []
