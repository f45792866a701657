"""Gliders and loadings against each other, from results that are there."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from ...errors import Fault, FlightprocError, ResultsError
from ..aside import aside
from ..books import result_bytes, result_choices
from ..charts import Chart, Line
from ..quantities import interval, number
from ..render import page

if TYPE_CHECKING:
    from ...compare.glider_facts import SortieFacts
    from ...compare.glider_model import GliderComparison

__all__ = ["LINK", "ROUTER", "compare_results"]

LINK = ("/gliders", "Gliders")
ROUTER = APIRouter(include_in_schema=False)

_MOST = 40
_Keys = Annotated[tuple[str, ...], Query()]
_DEGREES = 180.0 / math.pi
_SETTINGS = (("idle", "glide", "circle"), ("cruise", "power", "square"), ("full", "ballast", "diamond"))


def compare_results(
    documents: tuple[tuple[str, bytes], ...], matters: float
) -> tuple[GliderComparison, tuple[str, ...]]:
    """Compare the gliders of several results.

    Parameters
    ----------
    documents : tuple of (str, bytes)
        Title and ``results.json`` of each.
    matters : float
        Turn rate from which a turn matters [rad/s].

    Returns
    -------
    GliderComparison
    tuple of str
        What was left out.

    Raises
    ------
    ResultsError
        With every fault of every document.
    """
    from ...compare.glider_facts import sortie_facts
    from ...compare.gliders import compare_gliders

    facts: list[SortieFacts] = []
    faults: list[Fault] = []
    told: list[str] = []
    seen: set[tuple[str, ...]] = set()
    for title, raw in documents:
        document = json.loads(raw)
        try:
            found = sortie_facts(document, title)
        except ResultsError as error:
            faults += error.faults
            continue
        inputs = (document.get("provenance") or {}).get("inputs") or []
        logs = tuple(sorted(str(item.get("sha256")) for item in inputs if item.get("role") != "sheet"))
        if logs and logs in seen:
            told.append(f"{title} has the logs of another one chosen: it counts once.")
            continue
        seen.add(logs)
        facts.append(found)
    if faults:
        raise ResultsError(faults)
    return compare_gliders(facts, matters=matters), tuple(told)


def _charts(found: GliderComparison) -> list[Chart]:
    names = tuple(glider.name for glider in found.gliders)
    places = list(range(len(names)))
    response = [glider.turn_per_moment for glider in found.gliders]
    first = Chart(
        "Turn for each 10 N m of roll moment, at trim, with 95 % intervals",
        ("", ""),
        ("Turn for 10 N m", "deg/s"),
        (_points("measured by ballast glides", places, response, 10.0 * _DEGREES, "power", "circle", names),),
        x_names=names,
    )
    lines = []
    for k, (setting, colour, marker) in enumerate(_SETTINGS):
        turns = [glider.residual_turn[setting] for glider in found.gliders]
        shifted = [place + 0.16 * (k - 1) for place in places]
        lines.append(_points(f"at {setting}", shifted, turns, _DEGREES, colour, marker, names))
    limit = math.degrees(found.yardstick.matters)
    second = Chart(
        "Turn seen with hands off, by throttle setting, with 95 % intervals; right is positive",
        ("", ""),
        ("Turn, hands off", "deg/s"),
        tuple(lines),
        marks=((limit, f"matters from {limit:g} deg/s"), (-limit, "")),
        x_names=names,
    )
    return [first, second]


def _points(
    name: str, x: list[Any], quantities: list[Any], factor: float, colour: str, marker: str, labels: Any
) -> Line:
    def scaled(value: float | None) -> float:
        return math.nan if value is None else value * factor

    return Line(
        name,
        x,
        [scaled(q.value) for q in quantities],
        [scaled(q.low95) for q in quantities],
        [scaled(q.high95) for q in quantities],
        kind="points",
        colour=colour,
        marker=marker,
        labels=labels,
    )


def _compared(
    request: Request, keys: tuple[str, ...], matters: float
) -> tuple[GliderComparison, tuple[str, ...]] | None:
    names = {choice.key: choice.name for choice in result_choices(request)}
    chosen = [key for key in dict.fromkeys(keys) if key in names][:_MOST]
    if not chosen:
        return None
    documents = tuple((names[key], result_bytes(request, key)) for key in chosen)
    return aside.run(compare_results, documents, math.radians(matters))


@ROUTER.get("/gliders")
def show(request: Request, s: _Keys = (), matters: str = "1") -> Response:
    """Show the results to choose from, and the comparison of those chosen."""
    found: GliderComparison | None = None
    told: tuple[str, ...] = ()
    faults: tuple[Fault, ...] = ()
    words, limit = "", 1.0
    try:
        limit = float(matters.replace(",", "."))
    except ValueError:
        limit = math.nan
    if not 0.05 <= limit <= 30.0:
        words, limit = "The turn that matters has to be a number from 0.05 to 30 deg/s.", 1.0
    else:
        try:
            compared = _compared(request, s, limit)
            if compared is not None:
                found, told = compared
        except ResultsError as error:
            faults = error.faults
        except FlightprocError as error:
            words = f"{str(error)[:1].upper()}{str(error)[1:]}"
    return page(
        request,
        "gliders.html",
        status=422 if words or faults else 200,
        choices=result_choices(request),
        chosen=set(s),
        matters=matters[:10],
        found=found,
        told=told,
        words=words,
        faults=[str(fault) for fault in faults],
        drawn=[] if found is None else _charts(found),
        query=request.url.query,
        interval=interval,
        number=number,
        degrees=_DEGREES,
    )


@ROUTER.get("/gliders/gliders.json")
def as_json(request: Request, s: _Keys = (), matters: float = 1.0) -> Response:
    """Return the comparison as JSON."""
    from ...report.gliders_page import gliders_json

    return _file(request, s, matters, "gliders.json", "application/json", gliders_json)


@ROUTER.get("/gliders/gliders.csv")
def as_csv(request: Request, s: _Keys = (), matters: float = 1.0) -> Response:
    """Return the comparison as a table."""
    from ...report.gliders_page import gliders_csv

    return _file(request, s, matters, "gliders.csv", "text/csv; charset=utf-8", gliders_csv)


def _file(
    request: Request, keys: tuple[str, ...], matters: float, name: str, kind: str, write: Any
) -> Response:
    compared = _compared(request, keys, min(max(matters, 0.05), 30.0))
    if compared is None:
        return page(
            request,
            "error.html",
            status=404,
            title="Nothing was chosen",
            words="Choose at least one sortie.",
            items=[],
        )
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(write(compared[0]), media_type=kind, headers=headers)
