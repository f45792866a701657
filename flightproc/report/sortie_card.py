"""The sortie card: one page to print or keep on a phone, and the figure of precision against flight time.

Black on white, large type, no colour and no thin grey, so that it reads in sunlight and in a grey print.
"""

from __future__ import annotations

import io
import textwrap
from typing import TYPE_CHECKING, Any

from ..decide.plan import Plan, needed_fuel
from ..decide.plan_document import heading_degrees, plan_json, sortie_sheet
from ..decide.plan_legs import Leg
from ..decide.plan_words import short_cautions
from .figures.style import INK, MUTED, STYLE

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["OWN_FILES", "draw_card", "draw_precision", "plan_files"]

OWN_FILES = ("sortie-card.pdf", "sortie-card.png", "precision.png", "plan.json", "sortie.toml")
"""What a plan is written as."""

_PAGE = (8.27, 11.69)  # A4 [inch]
_DPI = 160
_LEFT, _RIGHT = 0.045, 0.955
_COLUMNS = (
    0.042,
    0.083,
    0.130,
    0.322,
    0.425,
    0.500,
    0.665,
    0.795,
)  # box, number, leg, rpm, s, heading, side, height
_NAMES = {
    "ground": "Still, loggers on",
    "climb": "Climb",
    "circles": "Circle left, right",
    "descent": "Descend",
    "power": "POWER",
    "glide": "GLIDE",
    "ballast": "BALLAST",
    "landing": "Land",
}


def plan_files(plan: Plan, folder: Path) -> dict[str, bytes]:
    """Return the files of a plan by name; the sortie sheet is written for a place in ``folder``."""
    card = draw_card(plan)
    return {
        "precision.png": _bytes(draw_precision(plan), "png"),
        "plan.json": plan_json(plan).encode(),
        "sortie.toml": sortie_sheet(plan, folder).encode(),
        "sortie-card.pdf": _bytes(card, "pdf"),
        "sortie-card.png": _bytes(card, "png"),
    }


def _bytes(figure: Figure, kind: str) -> bytes:
    from matplotlib import rc_context

    buffer = io.BytesIO()
    # no dates inside, so that the same plan gives the same file
    metadata: dict[str, Any] = {"CreationDate": None} if kind == "pdf" else {}
    with rc_context({**STYLE, "pdf.fonttype": 42}):
        figure.savefig(buffer, format=kind, dpi=_DPI, metadata=metadata)
    return buffer.getvalue()


def draw_card(plan: Plan) -> Figure:
    """Return the card, one A4 page."""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    with rc_context(STYLE):
        figure = Figure(figsize=_PAGE)
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.set_axis_off()
        axes.set_xlim(0.0, 1.0)
        axes.set_ylim(0.0, 1.0)
        y = _head(axes, plan)
        foot = _foot(axes, plan)
        _table(axes, plan, y, foot)
    return figure


def _write(axes: Axes, x: float, y: float, text: str, size: float, **more: Any) -> None:
    axes.text(x, y, text, fontsize=size, color="black", va=more.pop("va", "center"), **more)


def _head(axes: Axes, plan: Plan) -> float:
    """Write the head and return where the table may begin."""
    sheet, flight, law = plan.sheets.sheet, plan.chosen.flight, plan.law
    _write(axes, _LEFT, 0.966, f"SORTIE CARD  {sheet.title}"[:46], 19, weight="bold")
    fuel = needed_fuel(flight, law, sheet.flight.reserve_min)
    facts = (
        f"{flight.minutes:.0f} min",
        f"{law.low:.0f} to {law.high:.0f} m above ground",
        f"{fuel:.1f} L with reserve",
        f"gusts up to {sheet.air.gust_m_s:g} m/s",
    )
    _write(axes, _LEFT, 0.939, "   ".join(facts), 12.0, weight="bold")
    reach = f"resolves {100 * plan.resolvable(plan.chosen.forecast.std):.0f} % of cruise torque"
    names = f"{plan.sheets.aircraft.name}, {plan.sheets.glider.name}: {reach}"
    _write(axes, _LEFT, 0.915, names[:78], 11)
    settle = f"Each hold: turn to heading, set throttle, hands off {law.settle:.0f} s, then hold and count."
    _write(axes, _LEFT, 0.896, settle, 11)
    if not plan.chosen.design.ballast_legs:
        return 0.882
    noted = "Ballast legs: note the watch time at start and end, for the sortie sheet."
    _write(axes, _LEFT, 0.877, noted, 11)
    return 0.864


def _foot(axes: Axes, plan: Plan) -> float:
    """Write stop conditions and cautions, and return where the table must end."""
    lines: list[tuple[str, bool]] = [("STOP, throttle closed, land:", True)]
    lines += [(f"•  {line}", True) for line in _wrapped(plan.stops, 76)]
    lines += [(f"–  {line}", False) for line in _wrapped(short_cautions(plan), 92)]
    step = 0.0185
    y = 0.022 + step * (len(lines) - 1) + 0.010
    top = y + 0.020
    axes.add_patch(
        _box(_LEFT - 0.012, y - step * len(plan.stops) - 0.011, 0.934, step * len(plan.stops) + 0.024)
    )
    for number, (line, strong) in enumerate(lines):
        y -= 0.010 if number == len(plan.stops) + 1 else 0.0  # below the box
        _write(axes, _LEFT, y, line, 11.5 if strong else 10.5, weight="bold" if strong else "normal")
        y -= step
    return top


def _wrapped(items: tuple[str, ...], width: int) -> list[str]:
    return [textwrap.shorten(item, width, placeholder=" …") for item in items]


def _box(x: float, y: float, width: float, height: float, **more: Any) -> Any:
    from matplotlib.patches import Rectangle

    look: dict[str, Any] = {"fill": False, "edgecolor": "black", "linewidth": 1.8}
    return Rectangle((x, y), width, height, **{**look, **more})


def _table(axes: Axes, plan: Plan, top: float, bottom: float) -> None:
    legs = plan.chosen.flight.legs
    step = min((top - bottom - 0.008) / (len(legs) + 1), 0.034)
    size = min(14.0, step * _PAGE[1] * 72.0 * 0.50)
    y = top - step / 2
    for x, name in zip(_COLUMNS[1:], ("#", "leg", "rpm", "s", "heading", "ballast", "height m"), strict=True):
        _write(axes, x, y, name, min(size, 11.0), weight="bold")
    axes.plot([_LEFT - 0.012, _RIGHT + 0.012], [y - step / 2] * 2, color="black", linewidth=1.6)
    number = 0
    for leg in legs:
        y -= step
        number += leg.is_hold
        if leg.is_hold and number % 2 == 0:
            shade = _box(
                _LEFT - 0.012,
                y - step / 2,
                0.934,
                step,
                fill=True,
                facecolor="#ebebeb",
                linewidth=0.0,
                zorder=0,
            )
            axes.add_patch(shade)
        _row(axes, plan, leg, number, y, step, size)
    axes.plot([_LEFT - 0.012, _RIGHT + 0.012], [y - step / 2] * 2, color="black", linewidth=1.6)


def _row(axes: Axes, plan: Plan, leg: Leg, number: int, y: float, step: float, size: float) -> None:
    box = min(step * 0.58, 0.016)
    axes.add_patch(_box(_COLUMNS[0], y - box / 2, box * _PAGE[1] / _PAGE[0], box, linewidth=1.5))
    weight = "bold" if leg.is_hold else "normal"
    degrees = heading_degrees(plan, leg)
    word = {"into wind": "INTO wind", "downwind": "downwind", "": ""}[leg.heading]
    heading = word if degrees is None else f"{round(degrees) % 360:03d}° {word[:4].lower()}"
    # an engine that idles is told by the word, so that no figure is taken for a setting
    rpm = "" if leg.kind == "ground" else f"{leg.rpm:.0f}" if leg.rpm else "idle"
    timed = leg.is_hold or leg.kind == "ground"
    cells = (
        str(number) if leg.is_hold else "",
        _NAMES[leg.kind],
        rpm,
        f"{leg.seconds:.0f}" if timed else "",
        heading,
        leg.side.upper(),
        "" if leg.kind == "ground" else f"{_tens(leg.height)} → {_tens(leg.height_end)}",
    )
    for x, text in zip(_COLUMNS[1:], cells, strict=True):
        _write(axes, x, y, text, size, weight=weight)


def _tens(height: float) -> str:
    return f"{10 * round(height / 10.0):.0f}"


def draw_precision(plan: Plan) -> Figure:
    """Return the figure of what sorties of rising length resolve."""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    with rc_context(STYLE):
        figure = Figure(figsize=(9.0, 4.6), layout="constrained")
        axes = figure.add_subplot()
        minutes = [item.flight.minutes for item in plan.ladder]
        reach = [100.0 * plan.resolvable(item.forecast.std) for item in plan.ladder]
        goal = plan.sheets.sheet.goal.difference_percent
        floor = 100.0 * plan.resolvable(plan.chosen.forecast.floor)
        axes.step(minutes, reach, where="post", color=INK, linewidth=2.0, label="best sortie of that length")
        axes.axhline(goal, color=INK, linestyle="--", linewidth=1.6, label=f"wanted, {goal:g} %")
        axes.axhline(floor, color=MUTED, linestyle=":", linewidth=1.8, label=f"endless holds, {floor:.1f} %")
        chosen = plan.chosen
        axes.plot(
            [chosen.flight.minutes],
            [100.0 * plan.resolvable(chosen.forecast.std)],
            "o",
            color=INK,
            markersize=10,
            label=f"the card, {chosen.flight.minutes:.0f} min",
        )
        # a sortie that leaves K to guesses resolves so little that it would squeeze all others
        shown = [value for value in reach if value < 4.0 * min(reach)] or reach
        axes.set_ylim(0.0, 1.15 * max(*shown, goal))
        axes.set_xlabel("flight time [min]")
        axes.set_ylabel("difference resolved [% of cruise torque]")
        axes.legend(loc="upper right")
    return figure
