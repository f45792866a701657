"""Engine speed from sound and vibration: docs/tutorial-no-rpm.md."""

from __future__ import annotations

import io
import json
from pathlib import Path

from .compensation import COMMANDS as SHARED
from .engine import DOCS, EXTRAS, Page, Steps, entries, first, nearest, sheet, small_png

PLACE = "tutorial/vibration"
RATE = 100.0
"""Of the unit's log with the vibration [Hz]."""


def part_sheet(t: Steps) -> str:
    """Return the log's table in the sortie sheet."""
    return sheet(EXTRAS["SOUND"])


def part_sound(t: Steps) -> str:
    """Return the summary and the warning of the report by sound."""
    text = t.printed["sound"]
    head = text[: text.index("holds  ")].rstrip()
    return t.shown("sound", keep=f"{head}\n\n...\n\n{entries(text, 'warning')}")


def part_compared(t: Steps) -> str:
    """Return the result by sound beside that with the engine's log, and the truth."""
    truth = json.loads(Path("tutorial/wing24/truth.json").read_text(encoding="utf-8"))
    lines = ["| | engine log | sound | truth |", "|---|---|---|---|"]
    rows = {name: t.document[name]["comparison"] for name in ("logged", "sound")}
    moments, speeds = [], []
    for row in rows["logged"]:
        rpm = row["rpm"]["value"]
        heard = nearest(rows["sound"], rpm)
        held = [h for h in truth["planned_holds"] if h["kind"] == "power" and abs(h["rpm"] - rpm) < 150.0]
        true = [sum(h[name] for h in held) / len(held) for name in ("roll_moment_N_m", "rpm")]
        cells = f"{moment(row)} | {moment(heard)} | {true[0]:.1f}"
        moments.append(f"| roll moment at {round(rpm, -2):.0f} rpm, N m [95 %] | {cells} |")
        cells = f"{rpm:.0f} | {heard['rpm']['value']:.0f} | {true[1]:.0f}"
        speeds.append(f"| mean engine speed there, rpm | {cells} |")
    return "\n".join([*lines, *moments, *speeds])


def moment(row: dict[str, dict[str, float]]) -> str:
    """Return a roll moment with its interval."""
    value = row["roll_moment_N_m"]
    return f"{value['value']:.1f} [{value['low95']:.1f}, {value['high95']:.1f}]"


def part_vibration(t: Steps) -> str:
    """Return what the report by vibration says."""
    text = t.printed["vibration"]
    head = text[text.index("  rpm  ") : text.index("calibration")].rstrip()
    return t.shown("vibration", keep=f"...\n\n{head}\n\n...\n\n{entries(text, 'warning')}")


def part_flown(t: Steps) -> str:
    """Return what was flown and what was found, hold by hold."""
    truth = json.loads(Path(f"{PLACE}/truth.json").read_text(encoding="utf-8"))
    lines = ["| flown | seconds | engine speed | by vibration |", "|---|---|---|---|"]
    for plan in truth["planned_holds"]:
        if plan["kind"] not in ("power", "glide"):
            continue
        twin = [
            hold
            for hold in t.document["vibration"]["holds"]
            if min(hold["end_s"], plan["end_s"]) - max(hold["start_s"], plan["start_s"]) > 20.0
        ]
        words = f"a {twin[0]['kind']} hold at {twin[0]['rpm']['value']:.0f} rpm" if twin else "no hold"
        when = f"{plan['start_s']:.0f} to {plan['end_s']:.0f}"
        lines.append(f"| {plan['kind']} hold | {when} | {plan['rpm']:.0f} rpm | {words} |")
    return "\n".join(lines)


def part_measured(t: Steps) -> str:
    """Return how well it was measured to work, from the page on the method."""
    page = (DOCS / "method-rpm.md").read_text(encoding="utf-8")
    table = page[page.index("| recording | given |") :]
    return table[: table.index("\n\n")]


def part_hardest(t: Steps) -> str:
    """Return how often aliases were told apart where that is hardest, from the page on the method."""
    page = (DOCS / "method-rpm.md").read_text(encoding="utf-8")
    text = page[page.index("**Where aliases are hardest") :]
    return "> " + text[: text.index("\n\n")].replace("\n", "\n> ")


def alias() -> tuple[float, float, float]:
    """Return a speed, that of its alias, and the frequency at which a slow sensor sees both [Hz]."""
    from flightproc.simulate.parameters import DEFAULTS

    blade = DEFAULTS.propeller_blades / DEFAULTS.gear_ratio
    speed = 6000.0
    seen = folded(speed / 60.0 * blade)
    return speed, 60.0 * (RATE - seen), seen


def folded(frequency: float) -> float:
    """Return where a sensor sees a frequency [Hz]."""
    return abs(frequency - RATE * round(frequency / RATE))


def draw(t: Steps) -> dict[str, bytes]:
    """Return the figures, PNG."""
    import matplotlib
    import numpy as np

    from flightproc.report.figures.style import INK, MUTED, PREDICTION, STYLE, new_figure, png_bytes
    from flightproc.simulate.parameters import DEFAULTS

    speeds = np.linspace(2000.0, 8000.0, 1201)
    speed, other, seen = alias()
    with matplotlib.rc_context(STYLE):
        figure = new_figure(3.4)
        axes = figure.subplots()
        blade = DEFAULTS.propeller_blades / DEFAULTS.gear_ratio
        for name, order, colour, dash in (("firing", 1.0, INK, "-"), ("blades", blade, PREDICTION, "--")):
            shown = [folded(rpm / 60.0 * order) for rpm in speeds.tolist()]
            axes.plot(speeds, shown, dash, color=colour, lw=2, label=name)
        axes.axhline(seen, color=MUTED, lw=0.8)
        for rpm, name, colour, marker, shift in (
            (speed, "blades", PREDICTION, "o", 130.0),
            (other, "firing", INK, "s", -850.0),
        ):
            axes.plot([rpm], [seen], marker, color=colour, ms=9)
            axes.annotate(f"{name} at\n{rpm:.0f} rpm", (rpm, seen), (rpm + shift, seen + 3.0), fontsize=9)
        axes.set_xlabel("Engine speed [1/min]")
        axes.set_ylabel(f"Seen by a {RATE:.0f} Hz sensor at [Hz]")
        axes.set_ylim(0, 0.5 * RATE + 8)
        axes.legend(loc="upper left", ncols=2, fontsize=9)
        figure.subplots_adjust(left=0.09, right=0.98, top=0.97, bottom=0.15)
        return {"alias": small_png(io.BytesIO(png_bytes(figure)))}


PAGE = Page(
    "tutorial-no-rpm.md",
    {
        "nothing": "report tutorial/wing24/nothing.toml -o tutorial/wing24/nothing",
        "logged": SHARED["wing24"],
        "sound": "report tutorial/wing24/sound.toml -o tutorial/wing24/by-sound",
        "vibration": f"report {PLACE}/vibration.toml -o {PLACE}/report",
    },
    {
        "nothing": lambda t: t.shown("nothing", keep=first(t.printed["nothing"], 4)),
        "sheet": part_sheet,
        "sound": part_sound,
        "compared": part_compared,
        "vibration": part_vibration,
        "flown": part_flown,
        "measured": part_measured,
        "hardest": part_hardest,
    },
    {
        "speed": lambda t: f"{alias()[0]:.0f}",
        "other": lambda t: f"{alias()[1]:.0f}",
        "seen": lambda t: f"{alias()[2]:.1f}",
        "fires": lambda t: f"{alias()[0] / 60:.0f}",
        "passes": lambda t: f"{RATE - alias()[2]:.1f}",
        "rate": lambda t: f"{RATE:.0f}",
        "again": lambda t: f"{RATE:.0f}",
    },
    codes={"nothing": 2},
    draw=draw,
)
