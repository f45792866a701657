"""The pages of the main flow, from dropping the logs to the result."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from fastapi import APIRouter, Request
from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, JSONResponse, RedirectResponse, Response

from ..errors import Fault, FlightprocError
from ..sheets.load import Sheets  # noqa: F401  (imports the models once, at the start)
from ..sheets.template import SHEETS
from .desk import Desk
from .drafts import KINDS, draft_of
from .files import read_json
from .forms import form_view, read_form, resized
from .jobs import Job
from .render import page
from .security import COOKIE, Sessions, cookie_header
from .uploads import Form, Upload, form_of, take_files

__all__ = ["ROUTER", "desk_of", "job_of", "receive"]

ROUTER = APIRouter(include_in_schema=False)

_JOB_ID = re.compile(r"[0-9a-f]{24}")
_DOWNLOADS = {
    "report.html": "text/html; charset=utf-8",
    "report.pdf": "application/pdf",
    "holds.csv": "text/csv; charset=utf-8",
    "results.json": "application/json",
}
_SANDBOX = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox; frame-ancestors 'none'"


def desk_of(request: Request) -> Desk:
    """Return the server's desk."""
    desk = request.app.state.desk
    assert isinstance(desk, Desk)
    return desk


def job_of(request: Request, job_id: str) -> Job:
    """Return a job, or answer that there is none."""
    job = desk_of(request).store.get(job_id) if _JOB_ID.fullmatch(job_id) else None
    if job is None:
        raise HTTPException(404, "There is no such sortie here. It may have been deleted.")
    return job


async def receive(request: Request, desk: Desk, act: Any) -> Any:
    """Take an upload in and hand it to ``act``; bytes that are not kept are given back."""
    had = 0

    def reserve(size: int) -> None:
        nonlocal had
        desk.store.reserve(size)
        had += size

    with desk.store.incoming() as folder:
        try:
            upload = await take_files(request, folder, desk.settings.limits, reserve)
            return await run_in_threadpool(act, upload)
        except (HTTPException, FlightprocError):
            desk.store.release(had)
            raise


def _wants_json(request: Request) -> bool:
    return "application/json" in request.headers.get("accept", "")


def _seen(address: str) -> RedirectResponse:
    return RedirectResponse(address, status_code=303)


# ------------------------------------------------------------------------------------------- coming in


@ROUTER.get("/enter")
def enter(request: Request) -> Response:
    """Ask for the token."""
    if request.state.signed_in:
        return _seen("/")
    return page(request, "enter.html", words="")


@ROUTER.post("/enter")
async def enter_now(request: Request) -> Response:
    """Check the token, and begin a session."""
    form = await form_of(request)
    sessions: Sessions = request.state.sessions
    if not sessions.right_token(form.get("token")):
        words = "That is not the token. It was printed once, where the server was started."
        return page(request, "enter.html", status=403, words=words)
    response = _seen("/")
    response.headers.append("Set-Cookie", cookie_header(sessions.make(signed_in=True)))
    assert COOKIE in response.headers["set-cookie"]
    return response


# ------------------------------------------------------------------------------------------- sorties


@ROUTER.get("/")
def index(request: Request) -> Response:
    """Show where to drop logs, and the sorties that are here."""
    desk = desk_of(request)
    return page(request, "index.html", jobs=desk.store.all()[:200])


@ROUTER.post("/sorties")
async def upload(request: Request) -> Response:
    """Take in the logs and sheets of a sortie."""
    desk = desk_of(request)
    job = await receive(request, desk, desk.take)
    address = f"/sorties/{job.id}"
    return JSONResponse({"id": job.id, "address": address}, 201) if _wants_json(request) else _seen(address)


@ROUTER.post("/sorties/{job_id}/files")
async def more_files(request: Request, job_id: str) -> Response:
    """Take in more files for a sortie."""
    desk, job = desk_of(request), job_of(request, job_id)

    def act(upload: Upload) -> None:
        desk.add(job, upload)

    await receive(request, desk, act)
    address = f"/sorties/{job.id}"
    return JSONResponse({"id": job.id, "address": address}) if _wants_json(request) else _seen(address)


@ROUTER.get("/sorties")
def sorties(request: Request) -> Response:
    """Go where the sorties are."""
    return _seen("/")


@ROUTER.get("/sorties/{job_id}")
def sortie(request: Request, job_id: str) -> Response:
    """Show a sortie as it stands: in work, waiting for sheets, or with its result."""
    job = job_of(request, job_id)
    with job.lock:
        if job.state == "reading" or (job.busy and job.task is not None and job.task.kind == "analyse"):
            return _working(request, job)
        if job.result_run:
            return _result(request, job)
        if not job.read_run and job.state in ("failed", "cancelled"):
            return page(request, "stopped.html", job=job, tab="result")
    return _seen(f"/sorties/{job.id}/{'logs' if job.state == 'ready' else 'sheets'}")


def _working(request: Request, job: Job) -> Response:
    assert job.task is not None
    ahead = desk_of(request).runner.ahead(job)
    return page(request, "working.html", job=job, progress=job.progress(), ahead=ahead, tab="result")


def _result(request: Request, job: Job) -> Response:
    found = job.result()
    if not found.get("chapters"):
        return page(request, "stopped.html", job=job, tab="result")
    chapters = [{**chapter, "html": Markup(chapter["html"])} for chapter in found.get("chapters", [])]
    edits = (draft_of(job, "sortie") or {}).get("holds", [])
    run = job.run_folder(job.result_run)
    return page(
        request, "result.html", job=job, found=found, chapters=chapters, tab="result",
        edits=[edit for edit in edits if isinstance(edit, dict)],
        series=read_json(run / "series.json") or {"holds": [], "rejected": []},
        pdf=(run / "report.pdf").exists(), progress=job.progress(),
    )  # fmt: skip


@ROUTER.get("/sorties/{job_id}/first")
def first(request: Request, job_id: str) -> Response:
    """Return the first result of a running analysis, as a piece of a page."""
    job = job_of(request, job_id)
    run = job.task.run if job.task is not None else job.result_run
    path = job.run_folder(run) / "first.html"
    if not run or not path.exists():
        raise HTTPException(404, "There is no first result yet.")
    return FileResponse(path, media_type="text/html; charset=utf-8")


@ROUTER.get("/sorties/{job_id}/logs")
def logs(request: Request, job_id: str) -> Response:
    """Show what each log holds."""
    job = job_of(request, job_id)
    if job.state == "reading":
        return _seen(f"/sorties/{job.id}")
    return page(request, "logs.html", job=job, found=job.logs_read(), tab="logs")


# ------------------------------------------------------------------------------------------- sheets


@ROUTER.get("/sorties/{job_id}/sheets")
def sheets(request: Request, job_id: str) -> Response:
    """Show which sheets a sortie has, and what is still wrong with them."""
    return _sheets_page(request, job_of(request, job_id), 200)


def _sheets_page(request: Request, job: Job, status: int, words: str = "") -> Response:
    desk = desk_of(request)
    faults = [] if job.busy else desk.check(job)
    shelf = [item for item in desk.shelf() if item.key != job.id]
    cards = []
    for kind in KINDS:
        data = draft_of(job, kind)
        there = job.sheet_path(kind).exists()
        cards.append(
            {
                "kind": kind,
                "there": there,
                "name": str((data or {}).get("title" if kind == "sortie" else "name", ""))[:200],
                "faults": _told(kind, data or {}, faults) if there else [],
                "shelf": [item for item in shelf if item.kind == kind][:100],
            }
        )
    return page(
        request, "sheets.html", status=status, job=job, cards=cards, faults=faults, words=words, tab="sheets"
    )


def _told(kind: str, data: dict[str, Any], faults: list[Fault]) -> tuple[dict[str, str], ...]:
    mine = [fault for fault in faults if fault.file == f"{kind}.toml"]
    return form_view(kind, SHEETS[kind], data, mine).faults if mine else ()


def _kind(kind: str) -> str:
    if kind not in KINDS:
        raise HTTPException(404, "There is no such sheet.")
    return kind


@ROUTER.get("/sorties/{job_id}/sheets/{kind}.toml")
def sheet_file(request: Request, job_id: str, kind: str) -> Response:
    """Give a sheet out as a file."""
    path = job_of(request, job_id).sheet_path(_kind(kind))
    if not path.exists():
        raise HTTPException(404, "There is no such sheet yet.")
    return FileResponse(path, media_type="application/toml", filename=f"{kind}.toml")


@ROUTER.get("/sorties/{job_id}/sheets/{kind}")
def sheet(request: Request, job_id: str, kind: str) -> Response:
    """Show a sheet as a form."""
    job = job_of(request, job_id)
    data = draft_of(job, _kind(kind))
    broken = data is None and job.sheet_path(kind).exists()
    faults = [] if job.busy or not job.sheet_path(kind).exists() else desk_of(request).check(job)
    mine = [fault for fault in faults if fault.file == f"{kind}.toml"]
    return _sheet_page(request, job, kind, data or {}, mine, broken=broken)


def _sheet_page(
    request: Request,
    job: Job,
    kind: str,
    data: dict[str, Any],
    faults: Any,
    *,
    broken: bool = False,
    status: int = 200,
) -> Response:
    choices = {"file": [log.name for log in job.logs]} if kind == "sortie" else {}
    form = form_view(kind, SHEETS[kind], data, faults, choices)
    columns = sorted(
        {
            f["name"]
            for log in job.logs_read().get("logs", [])
            for f in log.get("fields", [])
            if log["format"] == "CSV"
        }
    )
    return page(
        request, "sheet.html", status=status, job=job, form=form, kind=kind, broken=broken,
        columns=columns[:200], tab="sheets",
    )  # fmt: skip


@ROUTER.post("/sorties/{job_id}/sheets/{kind}")
async def sheet_filled(request: Request, job_id: str, kind: str) -> Response:
    """Take a filled-in form, or give it back with an entry more or less."""
    desk, job = desk_of(request), job_of(request, job_id)
    _kind(kind)
    form = await form_of(request)
    return await run_in_threadpool(_filled, request, desk, job, kind, form)


def _filled(request: Request, desk: Desk, job: Job, kind: str, form: Form) -> Response:
    data = read_form(SHEETS[kind], form)
    if kind == "sortie" and "holds" not in data and "_rows.holds" not in form:
        data |= {k: v for k, v in (draft_of(job, kind) or {}).items() if k == "holds"}
    for change, field in (("add", "_add"), ("remove", "_remove")):
        if field in form:
            data = resized(data, form.get(field), change) if form.get(field) else data
            return _sheet_page(request, job, kind, data, [])
    faults = desk.put_sheet(job, kind, data)
    mine = [fault for fault in faults if fault.file == f"{kind}.toml"]
    if mine:
        return _sheet_page(request, job, kind, data, mine, status=422)
    return _seen(f"/sorties/{job.id}/sheets")


@ROUTER.post("/sorties/{job_id}/sheets/{kind}/choose")
async def sheet_chosen(request: Request, job_id: str, kind: str) -> Response:
    """Take over the sheet of an earlier sortie."""
    desk, job = desk_of(request), job_of(request, job_id)
    form = await form_of(request)
    await run_in_threadpool(desk.take_from_shelf, job, _kind(kind), form.get("key"))
    return _seen(f"/sorties/{job.id}/sheets")


# ------------------------------------------------------------------------------------------- acting


@ROUTER.post("/sorties/{job_id}/{action}")
async def act(request: Request, job_id: str, action: str) -> Response:
    """Analyse, cancel, delete, save, change holds, or set the PDF."""
    desk, job = desk_of(request), job_of(request, job_id)
    form = await form_of(request)
    acts = {
        "analyse": _analyse, "read": _read, "cancel": _cancel, "delete": _delete, "save": _save, "pdf": _pdf,
        "holds": _holds,
    }  # fmt: skip
    if action not in acts:
        raise HTTPException(404, "There is no such page.")
    answer: Response = await run_in_threadpool(acts[action], request, desk, job, form)
    return answer


def _analyse(request: Request, desk: Desk, job: Job, form: Form) -> Response:
    if desk.analyse(job):
        return _sheets_page(request, job, 422, "The analysis cannot begin before these are mended.")
    return _seen(f"/sorties/{job.id}")


def _read(request: Request, desk: Desk, job: Job, form: Form) -> Response:
    desk.read_again(job)
    return _seen(f"/sorties/{job.id}")


def _cancel(request: Request, desk: Desk, job: Job, form: Form) -> Response:
    desk.runner.cancel(job)
    desk.runner.wait_idle(job, 3.0)
    return _seen(f"/sorties/{job.id}")


def _delete(request: Request, desk: Desk, job: Job, form: Form) -> Response:
    desk.delete(job)
    return _seen("/")


def _save(request: Request, desk: Desk, job: Job, form: Form) -> Response:
    desk.save(job)
    return _seen(f"/sorties/{job.id}#saved")


def _pdf(request: Request, desk: Desk, job: Job, form: Form) -> Response:
    desk.make_pdf(job)
    return _seen(f"/sorties/{job.id}#downloads")


def _number(text: str) -> Any:
    try:
        return float(text.replace(",", ".").strip())
    except ValueError:
        return text


def _holds(request: Request, desk: Desk, job: Job, form: Form) -> Response:
    """Add one change to the holds, or take one back."""
    edits = [dict(e) for e in (draft_of(job, "sortie") or {}).get("holds", []) if isinstance(e, dict)]
    if form.get("undo"):
        number = form.get("undo")
        if number.isdecimal() and int(number) < len(edits):
            del edits[int(number)]
    else:
        fields = ("action", "start_s", "end_s", "new_start_s", "new_end_s", "kind", "reason")
        edit = {name: form.get(name).strip() for name in fields if form.get(name).strip()}
        edits.append({k: _number(v) if k.endswith("_s") else v for k, v in edit.items()})
    faults = desk.set_holds(job, edits)
    if faults:
        items = [
            {"words": f"{f.table} {f.field}: {f.value} will not do; allowed: {f.allowed}"} for f in faults
        ]
        words = "The change to the holds cannot be made."
        return page(request, "error.html", status=422, title="This needs mending", words=words, items=items)
    return _seen(f"/sorties/{job.id}")


# -------------------------------------------------------------------------------------- files of a result


def _product(job: Job, name: str) -> Path:
    path = job.run_folder(job.result_run) / name
    if not job.result_run or not path.is_file():
        raise HTTPException(404, "There is no such file yet.")
    return path


@ROUTER.get("/sorties/{job_id}/series.json")
def series(request: Request, job_id: str) -> Response:
    """Return what the chart of the holds shows."""
    return FileResponse(_product(job_of(request, job_id), "series.json"), media_type="application/json")


@ROUTER.get("/sorties/{job_id}/figures/{name}.svg")
def figure(request: Request, job_id: str, name: str) -> Response:
    """Return a figure of the report."""
    if not re.fullmatch(r"[a-z_]{1,40}", name):
        raise HTTPException(404, "There is no such figure.")
    path = _product(job_of(request, job_id), f"figures/{name}.svg")
    headers = {"Content-Security-Policy": _SANDBOX, "Cache-Control": "private, max-age=3600"}
    return FileResponse(path, media_type="image/svg+xml", headers=headers)


@ROUTER.get("/sorties/{job_id}/download/{name}")
def download(request: Request, job_id: str, name: str) -> Response:
    """Give out the report, its table or its figures."""
    if name not in _DOWNLOADS:
        raise HTTPException(404, "There is no such file.")
    path = _product(job_of(request, job_id), name)
    headers = {"Content-Security-Policy": _SANDBOX}
    return FileResponse(path, media_type=_DOWNLOADS[name], filename=name, headers=headers)
