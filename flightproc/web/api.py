"""The JSON endpoints: the same desk as the pages, for programs."""

from __future__ import annotations

from typing import Any, ClassVar, Literal

from fastapi import APIRouter, Path, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, Response

from ..errors import Fault
from .desk import Desk
from .drafts import KINDS, draft_of
from .jobs import Job
from .settings import Limits
from .views import desk_of, job_of, receive

__all__ = ["ROUTER"]


class _Model(BaseModel):
    model_config: ClassVar[ConfigDict] = ConfigDict(extra="forbid")


class SessionOut(_Model):
    """The token that every request which changes something carries in its header ``X-CSRF-Token``."""

    csrf: str


class FileOut(_Model):
    """A file: name as shown, size [bytes], SHA-256."""

    name: str
    size: int
    sha256: str


class ProgressOut(_Model):
    """What is being done, and the share done, 0 to 1; ``stage`` is ``first`` once a first result is there."""

    words: str = ""
    share: float = 0.0
    stage: str = ""


class FaultOut(_Model):
    """A fault of a sheet: where, what was found, what is allowed."""

    sheet: str
    table: str
    field: str
    value: str
    allowed: str


class SortieOut(_Model):
    """A sortie as it stands."""

    id: str
    title: str
    state: Literal["reading", "ready", "analysing", "done", "failed", "cancelled"]
    busy: bool
    created: float = Field(description="POSIX seconds")
    changed: float = Field(description="POSIX seconds")
    logs: list[FileOut]
    sheets: list[str]
    progress: ProgressOut
    waiting: int = Field(description="tasks that come before this one")
    words: str = Field(description="why the last task ended without its product")
    faults: list[FaultOut]
    result: int = Field(description="number of the newest result; 0 for none")
    saved: int = Field(description="number in the logbook; 0 where not saved")


class MadeOut(_Model):
    """A sortie that was made."""

    id: str
    address: str


class FaultsOut(_Model):
    """What stands in the way; empty where the analysis has begun."""

    faults: list[FaultOut]


class SavedOut(_Model):
    """Number in the logbook, and whether it was new there."""

    sortie: int
    new: bool


class HoldIn(_Model):
    """A change to the holds, as in the sortie sheet's ``[[holds]]``."""

    action: Literal["add", "strike", "move"]
    start_s: float = Field(ge=0, le=172_800)
    end_s: float = Field(ge=0, le=172_800)
    new_start_s: float | None = Field(None, ge=0, le=172_800)
    new_end_s: float | None = Field(None, ge=0, le=172_800)
    kind: Literal["power", "glide", "ballast"] | None = None
    reason: str = Field("", max_length=500)


class HoldsIn(_Model):
    """All changes to the holds; they take the place of those there are."""

    holds: list[HoldIn] = Field(max_length=200)


class ErrorOut(BaseModel):
    """Why a request was refused."""

    detail: str
    faults: list[dict[str, Any]] = []


def _refusals(*codes: int) -> dict[int | str, dict[str, Any]]:
    words = {
        400: "the request cannot be read",
        401: "the token is missing",
        403: "another site, or no form token",
        404: "there is no such sortie",
        405: "another method",
        408: "the upload stopped",
        409: "not as the sortie stands",
        413: "too large",
        415: "not a form with files",
        421: "not this server's name",
        422: "the request has faults",
        429: "too many requests",
        507: "no room left",
    }
    return {code: {"model": ErrorOut, "description": words[code]} for code in codes}


_COMMON = (400, 401, 403, 413, 415, 421, 429)
_Id = Path(pattern="^[0-9a-f]{24}$", description="a sortie's number")

ROUTER = APIRouter(prefix="/api", tags=["sorties"], responses=_refusals(*_COMMON))


def _faults(faults: list[Fault]) -> list[FaultOut]:
    return [
        FaultOut(sheet=f.file, table=f.table, field=f.field, value=f.value, allowed=f.allowed) for f in faults
    ]


def _sortie(desk: Desk, job: Job) -> SortieOut:
    with job.lock:
        progress = job.progress()
        return SortieOut(
            id=job.id,
            title=job.title,
            state=job.state,  # type: ignore[arg-type]
            busy=job.busy,
            created=job.created,
            changed=job.changed,
            logs=[FileOut(name=log.name, size=log.size, sha256=log.sha256) for log in job.logs],
            sheets=[kind for kind in KINDS if job.sheet_path(kind).exists()],
            progress=ProgressOut(**{k: v for k, v in progress.items() if k in ProgressOut.model_fields}),
            waiting=desk.runner.ahead(job),
            words=job.words,
            faults=_faults([Fault(**fault) for fault in job.faults]),
            result=job.result_run,
            saved=job.saved.get("sortie", 0),
        )


@ROUTER.get("/session")
def session(request: Request) -> SessionOut:
    """Return the form token of this session; its cookie comes with the answer."""
    return SessionOut(csrf=request.state.csrf)


@ROUTER.get("/sorties")
def sorties(request: Request) -> list[SortieOut]:
    """Return all sorties, the one changed last first."""
    desk = desk_of(request)
    return [_sortie(desk, job) for job in desk.store.all()]


_BODY = {
    "requestBody": {
        "required": True,
        "content": {
            "multipart/form-data": {
                "schema": {
                    "type": "object",
                    "properties": {
                        "files": {
                            "type": "array",
                            "items": {"type": "string", "format": "binary"},
                            "minItems": 1,
                            "maxItems": Limits().upload_files,
                        }
                    },
                    "required": ["files"],
                }
            }
        },
    }
}


@ROUTER.post(
    "/sorties",
    status_code=201,
    response_model=MadeOut,
    openapi_extra=_BODY,
    responses=_refusals(408, 409, 422, 507),
)
async def make(request: Request) -> MadeOut:
    """Take in the logs, and the sheets, of a sortie; where the set is whole its analysis begins."""
    desk = desk_of(request)
    job = await receive(request, desk, desk.take)
    return MadeOut(id=job.id, address=f"/sorties/{job.id}")


@ROUTER.get("/sorties/{job_id}", responses=_refusals(404, 422))
def sortie(request: Request, job_id: str = _Id) -> SortieOut:
    """Return a sortie as it stands."""
    return _sortie(desk_of(request), job_of(request, job_id))


@ROUTER.delete("/sorties/{job_id}", status_code=204, response_class=Response, responses=_refusals(404, 422))
def delete(request: Request, job_id: str = _Id) -> Response:
    """Take a sortie away; what is in the logbook stays there."""
    desk_of(request).delete(job_of(request, job_id))
    return Response(status_code=204)


@ROUTER.get("/sorties/{job_id}/logs", responses=_refusals(404, 422))
def logs(request: Request, job_id: str = _Id) -> dict[str, Any]:
    """Return what the logs hold; empty before they were read."""
    return job_of(request, job_id).logs_read()


@ROUTER.get("/sorties/{job_id}/sheets/{kind}", responses=_refusals(404, 422))
def sheet(
    request: Request, job_id: str = _Id, kind: Literal["sortie", "aircraft", "glider", "rig"] = Path()
) -> dict[str, Any]:
    """Return the draft of a sheet, fields as in its TOML file; dates as text."""
    job = job_of(request, job_id)
    data = draft_of(job, kind)
    if data is None:
        raise HTTPException(404, "There is no such sheet yet.")
    found: dict[str, Any] = _texts(data)
    return found


def _texts(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _texts(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_texts(item) for item in value]
    if isinstance(value, float) and (value != value or value in (float("inf"), float("-inf"))):
        return str(value)
    isoformat = getattr(value, "isoformat", None)
    return value if isoformat is None else isoformat()


@ROUTER.post("/sorties/{job_id}/analyse", responses=_refusals(404, 409, 422, 507))
def analyse(request: Request, job_id: str = _Id) -> FaultsOut:
    """Begin an analysis; where the sheets have faults, return them and begin nothing."""
    return FaultsOut(faults=_faults(desk_of(request).analyse(job_of(request, job_id))))


@ROUTER.post("/sorties/{job_id}/cancel", responses=_refusals(404, 422))
def cancel(request: Request, job_id: str = _Id) -> SortieOut:
    """Stop what is being done."""
    desk, job = desk_of(request), job_of(request, job_id)
    desk.runner.cancel(job)
    desk.runner.wait_idle(job, 3.0)
    return _sortie(desk, job)


@ROUTER.put("/sorties/{job_id}/holds", responses=_refusals(404, 409, 422, 507))
def holds(request: Request, changes: HoldsIn, job_id: str = _Id) -> FaultsOut:
    """Change the holds and begin the analysis anew."""
    edits = [
        {k: v for k, v in change.model_dump().items() if v is not None and v != ""}
        for change in changes.holds
    ]
    return FaultsOut(faults=_faults(desk_of(request).set_holds(job_of(request, job_id), edits)))


@ROUTER.post("/sorties/{job_id}/save", responses=_refusals(404, 409, 422))
def save(request: Request, job_id: str = _Id) -> SavedOut:
    """Put the newest result with its sheets and logs into the logbook."""
    added = desk_of(request).save(job_of(request, job_id))
    return SavedOut(sortie=added.sortie, new=added.new)


@ROUTER.get("/sorties/{job_id}/results", response_model=dict[str, Any], responses=_refusals(404, 422))
def results(request: Request, job_id: str = _Id) -> Response:
    """Return the newest result, as ``results.json`` of the report."""
    job = job_of(request, job_id)
    path = job.run_folder(job.result_run) / "results.json"
    if not job.result_run or not path.is_file():
        raise HTTPException(404, "There is no result yet.")
    return FileResponse(path, media_type="application/json")
