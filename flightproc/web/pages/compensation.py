"""Compensation: sliders for each change of the frame, and what turn and moment are left, at once."""

from __future__ import annotations

import hashlib
import json
import math
import threading
from collections import OrderedDict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from fastapi import APIRouter, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse, Response

from ...errors import FlightprocError, SheetError
from ..aside import aside
from ..books import result_bytes, result_choices
from ..charts import Chart, Line
from ..quantities import number, percent, span
from ..render import page

if TYPE_CHECKING:
    from ...decide import Balance
    from ...decide.cases import Change
    from ...decide.explore import Trial, Trials

__all__ = ["LINK", "ROUTER"]

LINK = ("/compensation", "Compensation")
ROUTER = APIRouter(include_in_schema=False)

_KEPT = 6
_DEGREES = 180.0 / math.pi


@dataclass(frozen=True)
class _Slider:
    """One change as it is set on the page: ``name`` of the query, words, unit, factor from SI, step."""

    name: str
    field: str
    label: str
    help: str
    unit: str
    factor: float
    step: float
    limit: float
    low: float


def _sliders(trials: Trials) -> tuple[_Slider, ...]:
    sheet, side = trials.sheet, "to the right is positive"
    made = []
    if sheet.hang_offset is not None:
        made.append(
            _Slider(
                "hang", "hang_offset", "Hang points moved sideways", f"Both together; {side}.", "mm", 1e3,
                0.5, 1e3 * sheet.hang_offset.limit_m, -1e3 * sheet.hang_offset.limit_m,
            )
        )  # fmt: skip
    if sheet.thrust_tilt is not None:
        limit = sheet.thrust_tilt.limit_deg
        made.append(
            _Slider(
                "tilt", "thrust_tilt", "Thrust line tilted sideways", f"Thrust pointing {side}.", "deg",
                _DEGREES, 0.1, limit, -limit,
            )
        )  # fmt: skip
    if sheet.thrust_offset is not None:
        limit = 1e3 * sheet.thrust_offset.limit_m
        made.append(
            _Slider(
                "line", "thrust_offset", "Thrust line moved sideways", f"As a whole; {side}.", "mm", 1e3, 0.5,
                limit, -limit,
            )
        )  # fmt: skip
    if sheet.surface is not None:
        area, angle = 1e4 * sheet.surface.largest_area_m2, sheet.surface.angle_limit_deg
        made.append(
            _Slider(
                "area", "surface_area", "Surfaces in the slipstream", "Area of all together.", "cm²", 1e4,
                10.0, area, 0.0,
            )
        )  # fmt: skip
        made.append(
            _Slider(
                "angle", "surface_angle", "Angle of the surfaces", "Positive rolls the unit left.", "deg",
                _DEGREES, 0.2, angle, -angle,
            )
        )  # fmt: skip
    return tuple(made)


class Asked(BaseModel):
    """A change as the page asks for it; what is beyond a limit is brought back to it."""

    model_config: ClassVar[ConfigDict] = ConfigDict(extra="forbid", allow_inf_nan=False)

    result: str = Field(max_length=80)
    hang: float = 0.0
    tilt: float = 0.0
    line: float = 0.0
    area: float = 0.0
    angle: float = 0.0


class _Kept:
    """The draws of the results looked at last."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._made: OrderedDict[str, Trials] = OrderedDict()

    def of(self, raw: bytes) -> Trials:
        from ...decide.explore import prepare_trials
        from ...decide.flown import flown_from_results

        key = hashlib.sha256(raw).hexdigest()
        with self._lock:
            if key in self._made:
                self._made.move_to_end(key)
                return self._made[key]
        made = prepare_trials(flown_from_results(json.loads(raw), "the result"))
        with self._lock:
            self._made[key] = made
            while len(self._made) > _KEPT:
                self._made.popitem(last=False)
        return made


_kept = _Kept()


def size_frame(raw: bytes) -> Balance:
    """Return the balance of a result, with usual limits."""
    from ...decide import balance_frame, flown_from_results

    return balance_frame(flown_from_results(json.loads(raw), "the result"))


def _change(trials: Trials, asked: dict[str, float]) -> Change:
    from ...decide.cases import Change

    values = {}
    for slider in _sliders(trials):
        value = min(max(asked.get(slider.name, 0.0), slider.low), slider.limit)
        values[slider.field] = value / slider.factor
    return Change(**values)


# ------------------------------------------------------------------------------------------------ the answer


def _charts(trials: Trials, now: Trial, then: Trial) -> dict[str, Chart]:
    limit = trials.sheet.turn_limit_deg_s
    rpm = trials.rpm.tolist()
    out = {}
    for key, name, unit, factor in (
        ("turn", "Turn, hands off, right +", "deg/s", _DEGREES),
        ("moment", "Roll moment, right +", "N m", 1.0),
    ):
        lines = []
        for words, trial, colour, dash in (
            ("as it is", now, "glide", "dash"),
            ("with the change", then, "power", "solid"),
        ):
            bounds = getattr(trial.cases[0], key) * factor
            lines.append(Line.band(f"{words}, 95 % band", rpm, bounds, colour=colour, dash=dash))
        marks = ((limit, f"limit {limit:g} deg/s"), (-limit, "")) if key == "turn" else ()
        # The frame as it is sets the scale, so that a curve is seen to move and not the axis.
        first = getattr(now.cases[0], key) * factor
        top = max(abs(float(first.min())), abs(float(first.max())), limit if key == "turn" else 1.0) * 1.15
        title = f"{name}: over the throttle range, as it is and with the change"
        out[key] = Chart(
            title, ("Engine speed", "1/min"), (name, unit), tuple(lines), marks=marks, y_range=(-top, top)
        )
    return out


def _rows(trials: Trials, now: Trial, then: Trial) -> list[dict[str, Any]]:
    rows = []
    for k, phase in enumerate(trials.phases):
        before, after = now.cases[0], then.cases[0]
        rows.append(
            {
                "phase": phase.name,
                "rpm": "no power" if phase.rpm is None else f"{phase.rpm:.0f}",
                "before": span(*(before.phase_turn[:, k] * _DEGREES)),
                "after": span(*(after.phase_turn[:, k] * _DEGREES)),
                "moment": span(*after.phase_moment[:, k]),
                "chance": percent(float(after.chances[k])),
                "loss": f"{100.0 * after.loss[k]:.1f} %",
            }
        )
    return rows


def _words(trials: Trials, now: Trial, then: Trial) -> str:
    limit = trials.sheet.turn_limit_deg_s
    before, after = now.cases[0], then.cases[0]
    text = (
        f"Turn over all phases {number(then.root_mean_square * _DEGREES, 2)} deg/s root mean square, "
        f"{number(now.root_mean_square * _DEGREES, 2)} as it is. Chance that it stays within "
        f"{limit:g} deg/s in every phase: {percent(after.chance)}, {percent(before.chance)} as it is."
    )
    if after.flips:
        speeds = ", ".join(f"{flip:.0f}" for flip in after.flips)
        text += f" The turn changes sides at {speeds} 1/min."
    return text


def _answer(trials: Trials, asked: dict[str, float]) -> dict[str, Any]:
    from ...decide.cases import Change

    now, then = trials.at(Change()), trials.at(_change(trials, asked))
    return {
        "drawn": _charts(trials, now, then),
        "rows": _rows(trials, now, then),
        "said": _words(trials, now, then),
    }


@ROUTER.get("/compensation")
def show(
    request: Request,
    result: str = "",
    hang: float = 0.0,
    tilt: float = 0.0,
    line: float = 0.0,
    area: float = 0.0,
    angle: float = 0.0,
) -> Response:
    """Show the sliders for a result."""
    asked = {"hang": hang, "tilt": tilt, "line": line, "area": area, "angle": angle}
    asked = {name: value if math.isfinite(value) else 0.0 for name, value in asked.items()}
    choices = result_choices(request)
    context: dict[str, Any] = {"trials": None, "balance": None, "words": "", "faults": []}
    if result:
        try:
            raw = result_bytes(request, result)
            trials = _kept.of(raw)
            context |= {"trials": trials, "sliders": _sliders(trials), "asked": asked}
            context |= _answer(trials, asked)
            context["balance"] = aside.run(size_frame, raw)
            context["presets"] = _presets(trials, context["balance"])
        except SheetError as error:
            context["faults"] = [str(fault) for fault in error.faults]
        except FlightprocError as error:
            context["words"] = f"{str(error)[:1].upper()}{str(error)[1:]}"
    return page(
        request,
        "compensation.html",
        status=422 if context["words"] or context["faults"] else 200,
        choices=choices,
        result=result[:80],
        number=number,
        percent=percent,
        **context,
    )


def _presets(trials: Trials, balance: Balance) -> list[dict[str, Any]]:
    """Return the balance's options as settings of the sliders."""
    out = []
    for option in balance.options:
        if option.key == "bare":
            continue
        values = {s.name: round(getattr(option.change, s.field) * s.factor, 3) for s in _sliders(trials)}
        out.append(
            {
                "title": option.title,
                "best": option.key == balance.best,
                "goal": f"{option.goal:.2f}",
                "chance": percent(min(option.chances)),
                "values": values,
            }
        )
    return out


@ROUTER.post("/compensation/answer")
async def answer(request: Request, asked: Asked) -> JSONResponse:
    """Return what a change leaves, for the page to draw."""

    def work() -> dict[str, Any]:
        trials = _kept.of(result_bytes(request, asked.result))
        found = _answer(trials, asked.model_dump(exclude={"result"}))
        found["drawn"] = {key: chart.to_json() for key, chart in found["drawn"].items()}
        return found

    return JSONResponse(await run_in_threadpool(work))
