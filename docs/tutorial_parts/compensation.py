"""From a bare frame to a chosen compensation: docs/tutorial-compensation.md."""

from __future__ import annotations

import json
import re
import textwrap
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .engine import (
    CRUISE,
    EXTRAS,
    FULL,
    SAMPLE,
    Page,
    Steps,
    chunks,
    entries,
    nearest,
    said,
    sheet,
    small_png,
    typed,
)

COMMANDS = {
    "rig": f"rig {SAMPLE}/rig.toml --aircraft {SAMPLE}/aircraft.toml -o tutorial/rig",
    "ground": "ground tutorial/ground/aircraft.toml",
    "plan": "plan tutorial/plan.toml -o tutorial/next",
    "check": "logs --check tutorial/check/unit.ulg tutorial/check/gps.gpx tutorial/check/engine.csv "
    f"--aircraft {SAMPLE}/aircraft.toml",
    "report": f"report {SAMPLE}/sortie.toml -o tutorial/wing28",
    "wing24": "report tutorial/wing24/sortie.toml -o tutorial/wing24/report",
    "wing21": "report tutorial/wing21/sortie.toml -o tutorial/wing21/report",
    "gliders": "gliders tutorial/wing28 tutorial/wing24/report tutorial/wing21/report --mass 90 --mass 110 "
    f"--cruise-rpm {CRUISE:.0f} --full-rpm {FULL:.0f} -o tutorial/gliders",
    "balance": "balance tutorial/wing28 --sheet tutorial/balance.toml -o tutorial/balance",
    "built": "report tutorial/built/sortie.toml -o tutorial/built/report",
}
"""What the reader types after ``flightproc``, by step, in order."""
UNSHOWN = {
    name: f"gliders {place} --cruise-rpm {CRUISE:.0f} --full-rpm {FULL:.0f} --json -o tutorial/seen/{name}"
    for name, place in (("before", "tutorial/wing28"), ("after", "tutorial/built/report"))
}
"""Run for the turns seen before and after."""


def part_rig(t: Steps) -> str:
    """Return the rig day."""
    text = chunks(t.printed["rig"], "two-point", "thrust ceiling", "chi^2") + "\n\n"
    return t.shown("rig", keep=text + entries(t.printed["rig"], "caution"))


def part_ground(t: Steps) -> str:
    """Return the ground tests."""
    text = chunks(t.printed["ground"], "training frame", "roll period")
    keep = entries(t.printed["ground"], "note", "readings", "timings")
    keep += "\n" + entries(t.printed["ground"], "caution", "come first", "Hang low", "dummy")
    return t.shown("ground", keep=f"{text}\n\n{keep}")


def part_plan(t: Steps) -> str:
    """Return the plan."""
    text = chunks(t.printed["plan"], "Sortie card", "flight min")
    keep = f"{entries(t.printed['plan'], 'stop')}\n{entries(t.printed['plan'], 'caution')}"
    return t.shown("plan", keep=f"{text}\n\n{keep}")


def part_check(t: Steps) -> str:
    """Return the check of the instruments."""
    return t.shown("check")


def part_report(t: Steps) -> str:
    """Return the report's summary."""
    return t.shown("report")


def part_forecast(t: Steps) -> str:
    """Return planned beside reached precision."""
    row = nearest(t.document["report"]["comparison"], CRUISE)["torque_ratio"]
    planned = re.search(r"standard uncertainty of ([\d.]+) %", t.printed["plan"].replace("\n", " "))
    assert planned is not None
    reached = 100.0 * row["std"]
    return textwrap.fill(
        f"The plan foretold a standard uncertainty of {planned[1]} % for the ratio at cruise; the holds gave "
        f"{reached:.1f} % (ratio {row['value']:.2f}, 95 %: {row['low95']:.2f} to {row['high95']:.2f}). The "
        "school flew more and longer holds than the card asks for, in air that was rougher than planned.",
        128,
    )


def part_budget(t: Steps) -> str:
    """Return what limits the moment at cruise, and what would help."""
    rows = [row for row in t.document["report"]["budget"] if row["result"] == "roll_moment"]
    budget = nearest(rows, CRUISE)
    std = budget["quantity"]["std"]
    lines = [
        f"Roll moment at {budget['rpm']:.0f} rpm, {budget['quantity']['value']:.1f} ± {std:.2f} N m:",
        "",
        "| source | share of variance | halved: ± N m | what to do |",
        "|---|---|---|---|",
    ]
    for source in budget["sources"]:
        if source["share"] >= 0.05:
            halved = source["if_halved"]["std"] if source["if_halved"] else None
            cell = "–" if halved is None else f"{halved:.2f}"
            todo = source["action"] or source["halving"] or "–"
            lines.append(f"| {source['label']} | {100 * source['share']:.0f} % | {cell} | {todo} |")
    return "\n".join(lines)


def part_gliders(t: Steps) -> str:
    """Return the comparison of gliders."""
    text = t.printed["gliders"]
    body = chunks(text, "Gliders and loading", "Pairs of", "wing,", "for 10 N m")
    commands = "\n".join(f"$ {typed(COMMANDS[name])}" for name in ("wing24", "wing21", "gliders"))
    printed = said(f"{body}\n\n{entries(text, 'caution')}")
    return f"```console\n{commands}\n```\n\n{printed}"


def part_sheet(t: Steps) -> str:
    """Return the balance sheet."""
    return sheet(EXTRAS["BALANCE"])


def part_plan_sheet(t: Steps) -> str:
    """Return the plan sheet."""
    return sheet(EXTRAS["PLAN"])


def part_balance(t: Steps) -> str:
    """Return the sizing."""
    text = t.printed["balance"]
    keep = entries(text, "note", "Goal", "Thrust is from", "Turn per newton", "Yaw moment") + "\n"
    body = chunks(text, "Balance of", "option")
    return t.shown("balance", keep=f"{body}\n\n{keep}{entries(text, 'caution')}")


def part_carried(t: Steps) -> str:
    """Return what was foretold for a glider that was not sized on, beside what it was seen to do."""
    now = next(option for option in t.document["balance"]["options"] if option["key"] == "now")
    glider = next(g for g in t.document["gliders"]["gliders"] if g["name"] == "sport wing 21")
    case = [case["name"] for case in t.document["balance"]["cases"]].index(glider["name"])
    carried = Turn.of(now["cases"][case]["phases"][-1]["turn_deg_s"])
    return (
        "| in the climb, before any change, deg/s | carried over [95 %] | seen [95 %] |\n|---|---|---|\n"
        f"| {glider['name']} | {carried} | {Turn.of(glider['full_turn_deg_s'])} |"
    )


def part_built(t: Steps) -> str:
    """Return the second flight's summary."""
    text = chunks(t.printed["built"], "hang points moved", "static torque")
    return t.shown("built", keep=f"{text}\n\n{entries(t.printed['built'], 'caution')}")


@dataclass(frozen=True)
class Turn:
    """A turn rate with its 95 % interval [deg/s]."""

    value: float
    low: float
    high: float

    @classmethod
    def of(cls, quantity: dict[str, Any]) -> Turn:
        """Return it from a quantity of a document."""
        return cls(quantity["value"], quantity["low95"], quantity["high95"])

    def __str__(self) -> str:
        """Return value and interval."""
        return f"{self.value:+.2f} [{self.low:+.2f}, {self.high:+.2f}]"


SETTINGS = (("idle", 0.0), ("cruise", CRUISE), ("climb", FULL))


def turns(t: Steps, truths: dict[str, Any]) -> dict[str, list[Any]]:
    """Return the turns at idle, cruise and climb: foretold, seen and true, before and after."""
    options = {option["key"]: option["cases"][0]["phases"] for option in t.document["balance"]["options"]}
    found: dict[str, list[Any]] = {}
    for when, key in (("before", "now"), ("after", "hang_offset")):
        found[f"{when} foretold"] = [Turn.of(phase["turn_deg_s"]) for phase in options[key]]
        glider = t.document[when]["gliders"][0]
        found[f"{when} seen"] = [Turn.of(glider[f"{n}_turn_deg_s"]) for n in ("idle", "cruise", "full")]
        true = []
        for _, rpm in SETTINGS:
            kind = "power" if rpm else "glide"
            holds = [h for h in truths[when]["planned_holds"] if h["kind"] == kind]
            near = [h["steady_turn_deg_s"] for h in holds if not rpm or abs(h["rpm"] - rpm) < 0.04 * rpm]
            true.append(sum(near) / len(near))
        found[f"{when} true"] = true
    return found


def read_truths() -> dict[str, Any]:
    """Return the truth of the flights before and after the change."""
    places = {"before": Path(SAMPLE), "after": Path("tutorial/built")}
    return {
        when: json.loads((place / "truth.json").read_text(encoding="utf-8")) for when, place in places.items()
    }


def part_foretold(t: Steps) -> str:
    """Return foretold, seen and true turns in a table, and what follows in words."""
    found = turns(t, read_truths())
    lines = [
        "| hands-off turn, deg/s, positive right | foretold [95 %] | seen [95 %] | simulator's truth |",
        "|---|---|---|---|",
    ]
    for when in ("before", "after"):
        for number, (name, _) in enumerate(SETTINGS):
            cells = [str(found[f"{when} {what}"][number]) for what in ("foretold", "seen")]
            lines.append(f"| {name}, {when} | {' | '.join(cells)} | {found[f'{when} true'][number]:+.2f} |")
    pairs = zip(found["after foretold"], found["after seen"], found["after true"], strict=True)
    met = [(f.low <= true <= f.high, max(f.low, s.low) <= min(f.high, s.high)) for f, s, true in pairs]
    counts = ["none", "one", "two", "all three"]
    lines += [
        "",
        f"After the change {counts[sum(overlap for _, overlap in met)]} of the intervals seen overlap those",
        f"foretold, and {counts[sum(held for held, _ in met)]} of those foretold hold the simulator's truth.",
    ]
    return "\n".join(lines)


def draw_foretold(t: Steps) -> bytes:
    """Return foretold and seen turns before and after the change, PNG."""
    import matplotlib

    from flightproc.report.figures.style import INK, MUTED, PREDICTION, STYLE, new_figure, png_bytes

    found = turns(t, read_truths())
    with matplotlib.rc_context(STYLE):
        figure = new_figure(3.6)
        axes = figure.subplots(1, 2, sharey=True)
        for place, when, title in zip(
            axes, ("before", "after"), ("As first flown", "Hang points moved to the right"), strict=True
        ):
            place.axhline(0.0, color=MUTED, lw=0.8)
            for shift, what, colour, marker in (
                (-0.12, "foretold", PREDICTION, "s"),
                (0.12, "seen", INK, "o"),
            ):
                for number, turn in enumerate(found[f"{when} {what}"]):
                    place.plot([number + shift] * 2, [turn.low, turn.high], color=colour, lw=2)
                    place.plot(
                        number + shift, turn.value, marker, color=colour, label=what if number == 0 else None
                    )
            true = found[f"{when} true"]
            place.plot(range(3), true, "_", ms=26, mew=1.6, color="#c0392b", label="simulator's truth")
            place.set_title(title)
            place.set_xticks(range(3), ["idle", "cruise\n6000 rpm", "climb\n7600 rpm"])
            place.set_xlim(-0.5, 2.5)
        axes[0].set_ylabel("Turn, right positive [deg/s]")
        handles = axes[1].get_legend_handles_labels()
        figure.legend(*handles, loc="upper center", ncols=3, fontsize=9)
        figure.subplots_adjust(left=0.09, right=0.99, top=0.82, bottom=0.14, wspace=0.06)
        return png_bytes(figure)


def draw(t: Steps) -> dict[str, bytes]:
    """Return the figures, PNG."""
    return {
        "rig": Path("tutorial/rig/torque.png").read_bytes(),
        "response": Path("tutorial/gliders/figures/response.png").read_bytes(),
        "panels": Path("tutorial/gliders/figures/panels.png").read_bytes(),
        "range": small_png(Path("tutorial/balance/figures/range.png")),
        "card": small_png(Path("tutorial/next/sortie-card.png"), grey=True, width=800),
        "foretold": draw_foretold(t),
    }


PAGE = Page(
    "tutorial-compensation.md",
    COMMANDS | UNSHOWN,
    {
        "rig": part_rig,
        "ground": part_ground,
        "plan sheet": part_plan_sheet,
        "plan": part_plan,
        "check": part_check,
        "report": part_report,
        "forecast": part_forecast,
        "budget": part_budget,
        "gliders": part_gliders,
        "balance sheet": part_sheet,
        "balance": part_balance,
        "carried": part_carried,
        "built": part_built,
        "foretold": part_foretold,
    },
    draw=draw,
)
