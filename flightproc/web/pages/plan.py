"""The next sortie: what it is to resolve, and the card to fly by."""

from __future__ import annotations

import json
import secrets
import tempfile
import threading
import tomllib
from collections import OrderedDict
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.responses import Response

from ...errors import Fault, FlightprocError, SheetError
from ...sheets import PlanSheet
from ..aside import aside
from ..books import open_book, result_bytes, result_choices, sheet_bytes, sheet_choices
from ..charts import Chart, Line
from ..drafts import toml_text
from ..forms import form_view, read_form
from ..quantities import number
from ..render import page
from ..uploads import form_of

if TYPE_CHECKING:
    from ...decide.plan_noise import Seen

__all__ = ["LINK", "ROUTER", "Planned", "run_plan"]

LINK = ("/plan", "Plan")
ROUTER = APIRouter(include_in_schema=False)

_KINDS = ("aircraft", "glider", "rig")
_KEPT = 16
_FILES = {
    "sortie-card.pdf": "application/pdf",
    "sortie-card.png": "image/png",
    "sortie.toml": "application/toml; charset=utf-8",
    "plan.json": "application/json",
}


@dataclass(frozen=True)
class Planned:
    """A plan as the page shows it.

    Attributes
    ----------
    document : dict
        As plan.json holds it.
    words, remarks, stops, cautions : tuple of str
        The outcome, what it rests on, when to stop, cautions.
    met : bool
        Whether the goal is met.
    files : dict of str to bytes
        Card and sheets by name.
    """

    document: dict[str, Any]
    words: tuple[str, ...]
    remarks: tuple[str, ...]
    stops: tuple[str, ...]
    cautions: tuple[str, ...]
    met: bool
    files: dict[str, bytes] = field(default_factory=dict)


def run_plan(
    sheet: bytes, aircraft: bytes | None, glider: bytes | None, rig: bytes | None, seen: bytes | None
) -> Planned:
    """Design the next sortie and draw its card.

    Parameters
    ----------
    sheet : bytes
        The plan sheet; it names the others as ``aircraft.toml``, ``glider.toml`` and ``rig.toml``.
    aircraft, glider, rig : bytes or None
        The other sheets.
    seen : bytes or None
        ``results.json`` of an earlier sortie, for its noise and hang stiffness.

    Raises
    ------
    SheetError
        With every fault of all sheets.
    EstimateError
        Where nothing can be flown within the limits.
    """
    from ...decide.plan import plan_sortie
    from ...decide.plan_document import plan_document
    from ...decide.plan_noise import read_seen
    from ...report.sortie_card import plan_files
    from ...sheets import load_plan

    with tempfile.TemporaryDirectory(prefix="flightproc-") as name:
        folder = Path(name)
        contents = (("plan", sheet), ("aircraft", aircraft), ("glider", glider), ("rig", rig))
        for kind, content in contents:
            if content is not None:
                (folder / f"{kind}.toml").write_bytes(content)
        left_out = rig is not None and _without_series(folder / "rig.toml")
        earlier: list[Seen] = []
        faults: list[Fault] = []
        if seen is not None:
            (folder / "results.json").write_bytes(seen)
            earlier, faults = read_seen([folder / "results.json"])
        try:
            sheets = load_plan(folder / "plan.toml")
        except SheetError as error:
            faults = [*error.faults, *faults]
        if faults:
            shown = [Fault(Path(f.file).name, f.table, f.field, f.value, f.allowed) for f in faults]
            raise SheetError(shown)
        plan = plan_sortie(sheets, earlier)
        told = ("series of the rig day are not at hand here: only its typed readings were used",)
        return Planned(
            document=plan_document(plan),
            words=plan.words,
            remarks=(
                *(told if left_out else ()),
                *(text.replace(f"{folder}/", "") for text in plan.remarks),
            ),
            stops=plan.stops,
            cautions=plan.cautions,
            met=plan.met,
            files={key: value for key, value in plan_files(plan, folder).items() if key in _FILES},
        )


def _without_series(path: Path) -> bool:
    """Take out of a rig sheet what names files, and return whether anything did.

    They are not at hand, and nothing else is to be read.
    """
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (ValueError, RecursionError):
        return False  # its faults are told when it is loaded
    if data.pop("series", None) is None:
        return False
    path.write_text(toml_text(data), encoding="utf-8")
    return True


class _Shelf:
    """Plans made last, to fetch their files from."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._plans: OrderedDict[str, Planned] = OrderedDict()

    def put(self, plan: Planned) -> str:
        key = secrets.token_hex(12)
        with self._lock:
            self._plans[key] = plan
            while len(self._plans) > _KEPT:
                self._plans.popitem(last=False)
        return key

    def get(self, key: str) -> Planned | None:
        with self._lock:
            return self._plans.get(key)


_plans = _Shelf()


# -------------------------------------------------------------------------------------------------- the form


def _prefilled(request: Request, key: str) -> dict[str, Any]:
    """Return a draft from a result: its sheets, its engine speeds, its noise."""
    data: dict[str, Any] = {"seen": key}
    document = json.loads(result_bytes(request, key))
    flown = [row.get("rpm") for row in document.get("comparison") or [] if isinstance(row, dict)]
    values = [entry.get("value") for entry in flown if isinstance(entry, dict)]
    speeds = [round(value, -1) for value in values if isinstance(value, int | float)]
    if speeds:
        cruise = speeds[(len(speeds) - 1) // 2]
        data["holds"] = {"cruise_rpm": cruise, "other_rpm": [rpm for rpm in speeds if rpm != cruise]}
    if key.startswith("sortie-"):
        with open_book(request) as book:
            entry = book.get(int(key.removeprefix("sortie-"))).newest.entry
            sheet = book.content(entry.file("sortie").sha256)
        for kind in _KINDS:
            if kind != "rig" or entry.rig is not None:
                data[kind] = f"sheet-{entry.file(kind).sha256}"
        data |= _ballast(tomllib.loads(sheet.decode("utf-8-sig")))
    elif key.startswith("job-"):
        there = {kind: {choice.key for choice in sheet_choices(request, kind)} for kind in _KINDS}
        data |= {kind: key for kind in _KINDS if key in there[kind]}
    return data


def _ballast(sortie: dict[str, Any]) -> dict[str, Any]:
    """Return the ballast that a sortie carried, as the plan sheet has it."""
    legs = [leg for leg in sortie.get("ballast", []) if isinstance(leg, dict)]
    masses = sorted({float(leg["mass_kg"]) for leg in legs if isinstance(leg.get("mass_kg"), int | float)})
    arms = [float(leg["arm_m"]) for leg in legs if isinstance(leg.get("arm_m"), int | float)]
    return {"ballast": {"masses_kg": masses, "arm_m": arms[0]}} if masses and arms else {}


def _shown(
    request: Request,
    data: dict[str, Any],
    *,
    plan: Planned | None = None,
    faults: tuple[Fault, ...] = (),
    words: str = "",
) -> Response:
    own = [fault for fault in faults if fault.file in ("plan.toml", "")]
    others = [str(fault) for fault in faults if fault not in own]
    seen = str(data.get("seen", ""))
    view = form_view("plan", PlanSheet, {k: v for k, v in data.items() if k != "seen"}, own)
    top = {box.name: box for box in view.top.boxes}
    return page(
        request,
        "plan.html",
        status=422 if faults or words else 200,
        top=top,
        tables={table.name: table for table in view.top.tables},
        faults=view.faults,
        others=others,
        words=words,
        choices={kind: sheet_choices(request, kind) for kind in _KINDS},
        chosen={kind: str(data.get(kind, "")) for kind in _KINDS},
        results=result_choices(request),
        seen=seen,
        plan=plan,
        key="" if plan is None else _plans.put(plan),
        drawn=None if plan is None else _chart(plan),
        number=number,
    )


def _chart(plan: Planned) -> Chart:
    goal = plan.document["goal"]["difference_percent"]
    ladder = plan.document["by_minutes"]
    minutes = [item["flight_minutes"] for item in ladder]
    reach = [item["resolvable_percent"] for item in ladder]
    # a sortie that leaves the hang stiffness to guesses resolves so little that it would squeeze all others
    top = 1.15 * max([value for value in reach if value < 4.0 * min(reach)] + [goal])
    mine = plan.document["sortie"]
    return Chart(
        "Difference that sorties of rising length resolve, and the card",
        ("Flight time", "min"),
        ("Difference resolved", "% of cruise torque"),
        (
            Line("best sortie of that length", minutes, reach),
            Line("the card", [mine["flight_minutes"]], [mine["resolvable_percent"]], kind="points"),
        ),
        marks=((goal, f"wanted, {goal:g} %"),),
        y_range=(0.0, top),
    )


def _worked_out(request: Request, data: dict[str, Any]) -> Response:
    sheet = {name: value for name, value in data.items() if name not in ("seen", *_KINDS)}
    try:
        contents: list[bytes | None] = []
        for kind in _KINDS:
            key = str(data.get(kind, ""))
            contents.append(sheet_bytes(request, kind, key) if key else None)
            if key:
                sheet[kind] = f"{kind}.toml"
        seen = result_bytes(request, data["seen"]) if data.get("seen") else None
        plan = aside.run(run_plan, toml_text(sheet).encode(), *contents, seen)
    except SheetError as error:
        return _shown(request, data, faults=error.faults)
    except FlightprocError as error:
        return _shown(request, data, words=f"{str(error)[:1].upper()}{str(error)[1:]}")
    return _shown(request, data, plan=plan)


@ROUTER.get("/plan")
def show(request: Request, result: str = "") -> Response:
    """Show the form, filled in from a result where one is named."""
    return _shown(request, _prefilled(request, result) if result else {})


@ROUTER.post("/plan")
async def work_out(request: Request) -> Response:
    """Show the plan."""
    form = await form_of(request)
    data = read_form(PlanSheet, form)
    if form.get("seen"):
        data["seen"] = form.get("seen")
    return await run_in_threadpool(_worked_out, request, data)


@ROUTER.get("/plan/{key}/{name}")
def file(key: str, name: str, keep: bool = False) -> Response:
    """Return a file of a plan that was made lately."""
    plan = _plans.get(key)
    if plan is None or name not in plan.files:
        raise HTTPException(404, "This plan is not kept any more. Work it out again.")
    how = "attachment" if keep or name not in ("sortie-card.png", "sortie-card.pdf") else "inline"
    headers = {"Content-Disposition": f'{how}; filename="{name}"'}
    return Response(plan.files[name], media_type=_FILES[name], headers=headers)
