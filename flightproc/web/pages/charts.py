"""Time histories of a sortie to look at closely, and the drawing library of all charts.

The library is served from its own package: nothing is fetched from anywhere else.
"""

from __future__ import annotations

import gzip
import hashlib
import math
from functools import cache
from importlib import resources
from pathlib import Path

from fastapi import APIRouter, Request, Response
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse

from ..charts import history_window, read_histories
from ..jobs import Job
from ..render import page
from ..views import job_of

__all__ = ["LINK", "ROUTER"]

LINK = None
ROUTER = APIRouter(include_in_schema=False)


@cache
def _library() -> tuple[bytes, bytes, str]:
    """Return the script, the same gzipped, and a mark of its content."""
    content = resources.files("plotly").joinpath("package_data", "plotly.min.js").read_bytes()
    return content, gzip.compress(content, 6, mtime=0), hashlib.sha256(content).hexdigest()[:16]


@ROUTER.get("/charts/plotly.min.js")
def library(request: Request) -> Response:
    """Serve the script; a browser that has it already is told so."""
    content, packed, mark = _library()
    headers = {"ETag": f'"{mark}"', "Cache-Control": "private, max-age=86400", "Vary": "Accept-Encoding"}
    if f'"{mark}"' in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers=headers)
    if "gzip" in request.headers.get("accept-encoding", ""):
        headers["Content-Encoding"] = "gzip"
        content = packed
    return Response(content, media_type="text/javascript; charset=utf-8", headers=headers)


def _file(job: Job) -> Path:
    path = job.run_folder(job.result_run) / "histories.npz"
    if not job.result_run or not path.is_file():
        raise HTTPException(404, "This sortie has no result yet: its time histories come with it.")
    return path


@ROUTER.get("/sorties/{job_id}/histories")
def show(request: Request, job_id: str) -> Response:
    """Show the time histories, with a form to change the holds."""
    job = job_of(request, job_id)
    about = read_histories(_file(job)).about
    return page(request, "histories.html", job=job, tab="result", about=about)


@ROUTER.get("/sorties/{job_id}/histories.json")
def window(
    request: Request, job_id: str, start: float | None = None, end: float | None = None, width: int = 1000
) -> JSONResponse:
    """Return what the screen shows of a stretch."""
    if any(value is not None and not math.isfinite(value) for value in (start, end)):
        raise HTTPException(422, "Start and end have to be numbers.")
    histories = read_histories(_file(job_of(request, job_id)))
    return JSONResponse(history_window(histories, start, end, width))
