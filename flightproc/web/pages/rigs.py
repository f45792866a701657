"""Rig days: readings typed or pasted, torque and fits at once."""

from __future__ import annotations

import csv
import io
import json
import re
import tempfile
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from ...errors import Fault, FlightprocError, SheetError
from ...rig import RigCurve, reduce_rig, rig_document
from ...rig.fits import REFUSED, fit_probability, predict_band
from ...sheets import RigSheet, load_rig
from ..books import sheet_bytes, sheet_choices
from ..charts import Chart, Line
from ..drafts import toml_text
from ..forms import form_view, read_form
from ..quantities import interval, number
from ..render import page
from ..uploads import Form, form_of

__all__ = ["LINK", "ROUTER", "pasted"]

LINK = ("/rigs", "Rig")
ROUTER = APIRouter(include_in_schema=False)

_MOST = 60
_EMPTY_ROWS = 5
_LAWS = {"square": "k n²", "power": "k nᵖ", "quadratic": "a + b n + c n²"}
_KINDS = {
    "two_point": "Two scales, a distance apart",
    "lever_arm": "One scale at the end of an arm",
    "torque_transducer": "A torque transducer",
}
COLUMNS: dict[str, tuple[tuple[str, str, str], ...]] = {
    "two_point": (
        ("rpm", "Engine speed", "1/min"),
        ("left_kg", "Left scale", "kg"),
        ("right_kg", "Right scale", "kg"),
        ("thrust_N", "Thrust", "N"),
        ("left_low_kg", "Left, lowest", "kg"),
        ("left_high_kg", "Left, highest", "kg"),
        ("right_low_kg", "Right, lowest", "kg"),
        ("right_high_kg", "Right, highest", "kg"),
    ),
    "lever_arm": (
        ("rpm", "Engine speed", "1/min"),
        ("load_kg", "Load", "kg"),
        ("thrust_N", "Thrust", "N"),
        ("load_low_kg", "Lowest", "kg"),
        ("load_high_kg", "Highest", "kg"),
    ),
    "torque_transducer": (
        ("rpm", "Engine speed", "1/min"),
        ("torque_N_m", "Torque", "N m"),
        ("thrust_N", "Thrust", "N"),
        ("torque_low_N_m", "Lowest", "N m"),
        ("torque_high_N_m", "Highest", "N m"),
    ),
}
"""Columns of the table of readings, by kind of rig: field, words and unit."""

_EXAMPLE: dict[str, Any] = {
    "name": "example day",
    "kind": "two_point",
    "spacing_m": 0.38,
    "gear_ratio": 2.8,
    "diameter_m": 1.28,
    "air": {"pressure_hPa": 987.0, "temperature_C": 16.0},
    "readings": [
        {"rpm": 0.0, "left_kg": 59.0, "right_kg": 59.0},
        {"rpm": 4600.0, "left_kg": 55.4, "right_kg": 62.7, "thrust_N": 205.0},
        {"rpm": 5200.0, "left_kg": 54.5, "right_kg": 63.8, "thrust_N": 259.0},
        {"rpm": 6000.0, "left_kg": 53.0, "right_kg": 65.3, "thrust_N": 353.0},
        {"rpm": 6800.0, "left_kg": 51.2, "right_kg": 66.9, "thrust_N": 455.0},
    ],
}
_HEAD = {
    "rpm": r"rpm|speed|1/min|u/min",
    "left_low_kg": r"left.*(low|min)",
    "left_high_kg": r"left.*(high|max)",
    "right_low_kg": r"right.*(low|min)",
    "right_high_kg": r"right.*(high|max)",
    "left_kg": r"left|^l$",
    "right_kg": r"right|^r$",
    "load_low_kg": r"load.*(low|min)",
    "load_high_kg": r"load.*(high|max)",
    "load_kg": r"load|scale",
    "torque_low_N_m": r"torque.*(low|min)",
    "torque_high_N_m": r"torque.*(high|max)",
    "torque_N_m": r"torque",
    "thrust_N": r"thrust|pull",
}


# --------------------------------------------------------------------------------------------- what is typed


def pasted(text: str, kind: str) -> list[dict[str, Any]]:
    r"""Return readings from a table that was pasted.

    Cells are parted by tabs, semicolons, commas or blanks; a first line of words tells the columns, else they
    are engine speed, the readings of the kind of rig, and thrust.

    Parameters
    ----------
    text : str
        As pasted.
    kind : str
        Kind of rig.

    Examples
    --------
    >>> pasted("rpm\tleft\tright\n0\t59,0\t59\n4600\t55.4\t62.7", "two_point")[1]
    {'rpm': 4600.0, 'left_kg': 55.4, 'right_kg': 62.7}
    >>> pasted("6000 12.5", "lever_arm")
    [{'rpm': 6000.0, 'load_kg': 12.5}]
    """
    names = [name for name, _, _ in COLUMNS[kind]]
    means = [name for name in names if not re.search("_(low|high)_", name)]
    columns: list[str | None] = list(means)
    out: list[dict[str, Any]] = []
    for number_, line in enumerate(line for line in text.splitlines() if line.strip()):
        cells = _cells(line)
        if number_ == 0 and not any(re.fullmatch(r"[-+\d.,\s−]+", cell) for cell in cells if cell):
            columns = [_column(cell, names) for cell in cells]
            continue
        row: dict[str, Any] = {}
        for name, cell in zip(columns, cells, strict=False):
            if name is None or not cell:
                continue
            plain = cell.replace("−", "-").replace(" ", "")
            try:
                row[name] = float(plain.replace(",", ".") if plain.count(",") == 1 else plain)
            except ValueError:
                row[name] = cell[:40]
        if row:
            out.append(row)
        if len(out) >= _MOST:
            break
    return out


def _cells(line: str) -> list[str]:
    for mark in ("\t", ";", "|"):
        if mark in line:
            return [cell.strip() for cell in line.split(mark)]
    if "," in line and ("." in line or re.search(r",\s", line) or line.count(",") > 1):
        return [cell.strip() for cell in next(csv.reader(io.StringIO(line)))]
    return line.split()


def _column(head: str, names: Sequence[str]) -> str | None:
    return next(
        (n for n, words in _HEAD.items() if n in names and re.search(words, head.strip().lower())), None
    )


def draft(form: Form) -> dict[str, Any]:
    """Return the sheet that a form stands for; its readings are those typed, with empty rows left out."""
    data = read_form(RigSheet, form)
    kind = data.get("kind") if data.get("kind") in COLUMNS else "two_point"
    wanted = {name for name, _, _ in COLUMNS[str(kind)]} | {"rpm_std", "thrust_std_N"}
    data["kind"] = kind
    data["readings"] = [
        {name: value for name, value in row.items() if name in wanted} for row in data.get("readings", [])
    ][:_MOST]
    data.pop("series", None)
    return data


def checked(data: dict[str, Any]) -> RigSheet:
    """Return a sound sheet; raises SheetError with all faults."""
    with tempfile.TemporaryDirectory(prefix="flightproc-") as folder:
        path = Path(folder) / "rig.toml"
        path.write_text(toml_text(data), encoding="utf-8")
        try:
            return load_rig(path)
        except SheetError as error:
            told = [Fault("rig.toml", f.table, f.field, f.value, f.allowed) for f in error.faults]
            raise SheetError(told) from error


# ---------------------------------------------------------------------------------------------- the answer


def _charts(curve: RigCurve) -> list[Chart]:
    speeds = [point.rpm for point in curve.points]
    grid = np.linspace(min(speeds) * 0.95, max(speeds) * 1.05, 60)
    band = predict_band(curve, grid)
    best, low, high = band.torque, band.low95, band.high95
    known = [point for point in curve.points if point.torque.value is not None]
    torque = [p.torque for p in known]
    lines = [
        Line(
            f"{_LAWS[curve.chosen.name]}, 95 % band",
            grid.tolist(), best.tolist(), low.tolist(), high.tolist(), colour="power",
        ),
        Line(
            "readings, 95 %",
            [p.rpm for p in known], [q.value or 0.0 for q in torque],
            [_or(q.low95) for q in torque], [_or(q.high95) for q in torque],
            kind="points", colour="ballast",
        ),
    ]  # fmt: skip
    out = [Chart("Torque against engine speed", ("Engine speed", "1/min"), ("Torque", "N m"), tuple(lines))]
    known = [point for point in curve.points if point.torque_coefficient.value is not None]
    if len(known) > 1:
        values = [p.torque_coefficient for p in known]
        out.append(
            Chart(
                "Torque coefficient against engine speed; at one airspeed theory expects it to be constant",
                ("Engine speed", "1/min"),
                ("Torque coefficient C_Q", "1/1000"),
                (
                    Line(
                        "readings, 95 %",
                        [p.rpm for p in known], [1e3 * (q.value or 0.0) for q in values],
                        [1e3 * _or(q.low95) for q in values], [1e3 * _or(q.high95) for q in values],
                        kind="points", colour="ballast",
                    ),
                ),
            )
        )  # fmt: skip
    return out


def _or(value: float | None) -> float:
    return float("nan") if value is None else value


def _fits(curve: RigCurve) -> list[dict[str, Any]]:
    rows = []
    for fit in curve.fits:
        chance = fit_probability(fit)
        stds = np.sqrt(np.maximum(np.diag(fit.covariance), 0.0))
        rows.append(
            {
                "law": _LAWS[fit.name],
                "chosen": fit.name == curve.chosen.name,
                "values": [
                    f"{value:.3g} ± {std:.2g}" for value, std in zip(fit.coefficients, stds, strict=True)
                ],
                "chi2": f"{fit.chi2 if fit.dof else 0.0:.3g} ({fit.dof})",
                "chance": "–" if chance is None else f"{chance:.2g}",
                "verdict": "cannot tell"
                if chance is None
                else "refuse it"
                if chance < REFUSED
                else "allow it",
                "words": fit.words,
            }
        )
    return rows


def _reduced(data: dict[str, Any]) -> RigCurve:
    sheet = checked(data)
    return reduce_rig(sheet, gear_ratio=sheet.gear_ratio, diameter=sheet.diameter_m, chord=sheet.chord_075_m)


def _answer(data: dict[str, Any]) -> dict[str, Any]:
    """Return what the answer's template is given: the curve, or what stands in its way."""
    faults: Sequence[Fault] = ()
    words, curve = "", None
    try:
        curve = _reduced(data)
    except SheetError as error:
        faults = error.faults
    except FlightprocError as error:
        words = str(error)
    listed = form_view("rig", RigSheet, data, faults).faults
    rows = len(data.get("readings", []))
    return {
        "curve": curve,
        "words": words,
        "faults": listed,
        "raw": faults,
        "few": rows < 2,
        "drawn": [] if curve is None else _charts(curve),
        "fits": [] if curve is None else _fits(curve),
        "interval": interval,
        "number": number,
    }


def _boxes(data: dict[str, Any], faults: Sequence[Fault]) -> dict[str, Any]:
    """Return the boxes of the form by name, with empty rows to type into."""
    shown = dict(data)
    rows = list(data.get("readings", []))
    shown["readings"] = rows + [{} for _ in range(max(_EMPTY_ROWS - len(rows), 1))]
    view = form_view("rig", RigSheet, shown, faults)
    top = {box.name: box for box in view.top.boxes}
    tables = {table.name: table for table in view.top.tables}
    air = {box.name.rpartition(".")[2]: box for box in tables["air"].rows[0].boxes} if "air" in tables else {}
    readings = [{box.name.rpartition(".")[2]: box for box in row.boxes} for row in tables["readings"].rows]
    return {"top": top, "air": air, "readings": readings}


def _shown(
    request: Request, data: dict[str, Any], *, told: str = "", text: str = "", start: str = ""
) -> Response:
    kind = str(data.get("kind", "two_point"))
    found = _answer(data)
    return page(
        request,
        "rigs.html",
        start=start,
        kinds=_KINDS,
        kind=kind,
        columns=COLUMNS[kind],
        boxes=_boxes(data, () if found["few"] else found["raw"]),
        shelf=sheet_choices(request, "rig"),
        told=told,
        pasted=text,
        **found,
    )


# ------------------------------------------------------------------------------------------------- addresses


@ROUTER.get("/rigs")
def show(request: Request, start: str = "") -> Response:
    """Show an empty form, the example, or a sheet that is there."""
    if start == "example":
        return _shown(request, _EXAMPLE, told="An example: write your own readings over it.", start=start)
    if start:
        data = tomllib.loads(sheet_bytes(request, "rig", start).decode("utf-8-sig"))
        told = ""
        if data.get("series"):
            told = "The series of this sheet stay with their files and are left out here."
        data["readings"] = [row for row in data.get("readings", []) if isinstance(row, dict)][:_MOST]
        data.pop("series", None)
        if data.get("kind") not in COLUMNS:
            data["kind"] = "two_point"
        return _shown(request, data, told=told, start=start)
    return _shown(request, {"kind": "two_point", "air": {}, "readings": []})


@ROUTER.post("/rigs")
async def work_out(request: Request) -> Response:
    """Show the answer to a form, with what was pasted taken into the table."""
    form = await form_of(request)
    data, told, text = draft(form), "", form.get("pasted")
    if form.get("do") == "paste":
        rows = pasted(text, data["kind"])
        data["readings"] = (data["readings"] + rows)[:_MOST]
        told = f"{len(rows)} readings were taken over." if rows else "Nothing was found in what was pasted."
        text = "" if rows else text
    return await run_in_threadpool(_shown, request, data, told=told, text=text)


@ROUTER.post("/rigs/answer")
async def answer(request: Request) -> Response:
    """Return the answer alone, as a part of the page, while readings are typed."""
    form = await form_of(request)
    found = await run_in_threadpool(_answer, draft(form))
    return page(request, "rigs_answer.html", **found)


@ROUTER.post("/rigs/rig.toml")
async def as_sheet(request: Request) -> Response:
    """Return the sheet, sound or not, to be kept."""
    data = draft(await form_of(request))
    return _file(toml_text(data), "rig.toml", "application/toml; charset=utf-8")


@ROUTER.post("/rigs/rig.json")
async def as_json(request: Request) -> Response:
    """Return the reduced day as JSON."""
    curve = await run_in_threadpool(_reduced, draft(await form_of(request)))
    text = json.dumps(rig_document([curve]), indent=2, ensure_ascii=False, allow_nan=False)
    return _file(text + "\n", "rig.json", "application/json")


def _file(text: str, name: str, kind: str) -> Response:
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(text, media_type=kind, headers=headers)
