"""The drawing library of the charts, served from its own package: nothing is fetched from anywhere else."""

from __future__ import annotations

import gzip
import hashlib
from functools import cache
from importlib import resources

from fastapi import APIRouter, Request, Response

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
