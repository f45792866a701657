"""The propeller at rest and in flight, from an aircraft sheet and, where there is one, a rig day."""

from __future__ import annotations

import json
import re
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from ...cautions import CAUTIONS
from ...errors import Fault, FlightprocError, SheetError
from ..aside import aside
from ..books import sheet_bytes, sheet_choices
from ..charts import Chart, Line
from ..quantities import interval, number
from ..render import page
from ..uploads import Form, form_of

if TYPE_CHECKING:
    from ...propeller import BladePerformance

__all__ = ["LINK", "ROUTER", "run_blade"]

LINK = ("/blade", "Blade")
ROUTER = APIRouter(include_in_schema=False)

_SPEEDS = (8.0, 10.0, 12.0, 14.0)
_MOST = 6
_SHEET_BYTES = 60_000


@dataclass(frozen=True)
class _Asked:
    """What the form asks for, and what is wrong with it."""

    aircraft: str = ""
    rig: str = ""
    pasted: str = ""
    rpm: str = ""
    airspeed: str = "8, 10, 12, 14"
    density: str = "1.2"
    rpms: tuple[float, ...] = ()
    speeds: tuple[float, ...] = _SPEEDS
    air: float = 1.2
    faults: dict[str, str] = field(default_factory=dict)


def run_blade(
    aircraft: bytes, rig: bytes | None, rpms: tuple[float, ...], speeds: tuple[float, ...], density: float
) -> tuple[BladePerformance, tuple[str, ...]]:
    """Run a blade over its range.

    Files that a sheet names are not read: they were not asked for, and a sheet may come from anywhere.

    Parameters
    ----------
    aircraft, rig : bytes
        The sheets.
    rpms, speeds : tuple of float
        Engine speeds, those of the rig or usual ones where empty [1/min]; airspeeds [m/s].
    density : float
        [kg/m^3].

    Returns
    -------
    BladePerformance
    tuple of str
        What was left out.
    """
    from ...propeller import performance_from_sheets
    from ...sheets import load_aircraft, load_rig

    told: list[str] = []
    faults: list[Fault] = []
    frame = day = None
    with tempfile.TemporaryDirectory(prefix="flightproc-") as folder:
        for name, content in (("aircraft", aircraft), ("rig", rig)):
            if content is None:
                continue
            path = Path(folder) / f"{name}.toml"
            path.write_bytes(content)
            try:
                if name == "aircraft":
                    frame = load_aircraft(path)
                else:
                    day = load_rig(path)
            except SheetError as error:
                faults += [Fault(f"{name}.toml", f.table, f.field, f.value, f.allowed) for f in error.faults]
        if faults or frame is None:
            raise SheetError(faults)
        propeller = frame.propeller
        if propeller.section is not None and propeller.section.lower().endswith(".csv"):
            told.append(
                f"The section table {propeller.section} is not at hand here: a usual section was taken."
            )
            frame = frame.model_copy(update={"propeller": propeller.model_copy(update={"section": None})})
        if day is not None and day.series:
            told.append("Series of the rig day are not at hand here: only its typed readings were used.")
            day = day.model_copy(update={"series": ()})
        found = performance_from_sheets(
            frame, day, folder=folder, rpms=rpms, airspeeds=speeds, density=density
        )
    return found, tuple(told)


# ------------------------------------------------------------------------------------------------- the form


def _numbers(text: str, low: float, high: float) -> tuple[float, ...] | None:
    parts = [part for part in re.split(r"[;\s]+|,\s+|,(?=\S)", text.strip()) if part]
    try:
        values = tuple(sorted({float(part) for part in parts}))
    except ValueError:
        return None
    return values if len(values) <= _MOST and all(low <= value <= high for value in values) else None


def _asked(form: Form) -> _Asked:
    faults: dict[str, str] = {}
    rpms = _numbers(form.get("rpm"), 300.0, 20000.0)
    speeds = _numbers(form.get("airspeed"), 1.0, 60.0)
    air = _numbers(form.get("density").replace(",", "."), 0.3, 1.6)
    if rpms is None:
        faults["rpm"] = f"Up to {_MOST} engine speeds from 300 to 20000 1/min, or empty"
    if not speeds:
        faults["airspeed"] = f"Up to {_MOST} airspeeds from 1 to 60 m/s"
    if not air or len(air) != 1:
        faults["density"] = "One number from 0.3 to 1.6 kg/m³"
    pasted = form.get("pasted").strip()
    if not pasted and not form.get("aircraft"):
        faults["aircraft"] = "Choose an aircraft sheet, or paste one below"
    if len(pasted) > _SHEET_BYTES:
        faults["pasted"] = f"At most {_SHEET_BYTES} characters"
    return _Asked(
        form.get("aircraft"), form.get("rig"), pasted, form.get("rpm"), form.get("airspeed"),
        form.get("density"), rpms or (), speeds or _SPEEDS, air[0] if air else 1.2, faults,
    )  # fmt: skip


def _work(request: Request, asked: _Asked) -> tuple[BladePerformance, tuple[str, ...]]:
    aircraft = asked.pasted.encode() if asked.pasted else sheet_bytes(request, "aircraft", asked.aircraft)
    rig = sheet_bytes(request, "rig", asked.rig) if asked.rig else None
    return aside.run(run_blade, aircraft, rig, asked.rpms, asked.speeds, asked.air)


def _charts(found: BladePerformance) -> dict[str, Chart]:
    j = found.advance_ratio.tolist()
    thrust, power = found.thrust_coefficient, found.power_coefficient
    coefficients = Chart(
        "Coefficients of thrust and power against advance ratio",
        ("Advance ratio J", "1"),
        ("Coefficient", "1"),
        (
            Line.band("C_T, 95 % band", j, thrust),
            Line.band("C_P, 95 % band", j, power, colour="ballast", dash="dash"),
        ),
    )
    curve = found.curve
    ratio = Chart(
        "Torque and thrust in flight over those at rest, against advance ratio",
        ("Advance ratio J", "1"),
        ("Over the value at rest", "1"),
        (
            Line.band("torque, 95 % band", curve.advance_ratio, curve.torque_ratio),
            Line.band(
                "thrust, 95 % band", curve.advance_ratio, curve.thrust_ratio, colour="glide", dash="dash"
            ),
        ),
        marks=((1.0, "no change"),),
    )
    radius = found.calibrated.blade.radius / found.calibrated.blade.tip_radius
    rest, fast = found.angles[0], found.angles[-1]
    lines = [
        Line.band("at rest, 95 % band", radius, np.degrees(rest.alpha), colour="glide", dash="dash"),
        Line.band(f"at {fast.airspeed:g} m/s, 95 % band", radius, np.degrees(fast.alpha)),
        Line(
            f"at {fast.airspeed:g} m/s by geometry alone",
            radius, np.degrees(fast.geometric), colour="soft", dash="dot",
        ),
    ]  # fmt: skip
    alpha = Chart(
        f"Angle of attack along the blade at {found.rpm:.0f} 1/min",
        ("Radius over tip radius", "1"),
        ("Angle of attack", "deg"),
        tuple(lines),
    )
    return {"coefficients": coefficients, "ratio": ratio, "alpha": alpha}


def _shown(request: Request, asked: _Asked, *, work: bool) -> Response:
    found: BladePerformance | None = None
    told: tuple[str, ...] = ()
    faults: tuple[Fault, ...] = ()
    words = ""
    if work and not asked.faults:
        try:
            found, told = _work(request, asked)
        except SheetError as error:
            faults = error.faults
        except FlightprocError as error:
            words = f"{str(error)[:1].upper()}{str(error)[1:]}"
    return page(
        request,
        "blade.html",
        status=200 if found is not None or not work else 422,
        asked=asked,
        shelf=sheet_choices(request, "aircraft"),
        rigs=sheet_choices(request, "rig"),
        found=found,
        told=told,
        words=words,
        sheet_faults=[str(fault) for fault in faults],
        faults=[{"anchor": f"f-{name}", "words": text} for name, text in asked.faults.items()],
        drawn={} if found is None else _charts(found),
        caution=CAUTIONS[0],
        interval=interval,
        number=number,
    )


@ROUTER.get("/blade")
def show(request: Request, aircraft: str = "", rig: str = "") -> Response:
    """Show the form."""
    return _shown(request, _Asked(aircraft=aircraft[:80], rig=rig[:80]), work=False)


@ROUTER.post("/blade")
async def work_out(request: Request) -> Response:
    """Show the blade."""
    asked = _asked(await form_of(request))
    return await run_in_threadpool(_shown, request, asked, work=True)


@ROUTER.post("/blade/blade.json")
async def as_json(request: Request) -> Response:
    """Return the blade as JSON."""
    asked = _asked(await form_of(request))
    if asked.faults:
        return await run_in_threadpool(_shown, request, asked, work=True)
    found, _ = await run_in_threadpool(_work, request, asked)
    text = json.dumps(found.to_json(), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    headers = {"Content-Disposition": 'attachment; filename="blade.json"'}
    return Response(text, media_type="application/json", headers=headers)
