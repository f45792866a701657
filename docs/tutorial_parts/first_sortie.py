"""The first sortie, from the card to the answer: docs/tutorial-first-sortie.md."""

from __future__ import annotations

import re
from pathlib import Path

from .compensation import COMMANDS as SHARED
from .engine import CRUISE, SAMPLE, Page, Steps, chapter_png, chunks, entries, nearest, sheet

HOLDS = {"power": "power", "glide": "glide", "ballast": "ballast glide"}


def part_plan(t: Steps) -> str:
    """Return the plan's answer, its legs and when to stop."""
    text = chunks(t.printed["plan"], "Sortie card", "leg  ")
    return t.shown("plan", keep=f"{text}\n\n...\n\n{entries(t.printed['plan'], 'stop')}")


def part_check(t: Steps) -> str:
    """Return the verdict on sound instruments."""
    lines, verdict = t.printed["check"].splitlines()[:12], t.printed["check"].split("\n\n")[-1]
    return t.shown("check", keep="\n".join([*lines, "...", "", verdict]))


def part_faulty(t: Steps) -> str:
    """Return what is found of a faulty set."""
    verdict = t.printed["faulty"].split("\n\n")[-1]
    return t.shown("faulty", keep=f"{entries(t.printed['faulty'], 'mend')}\n\n{verdict}")


def part_logs(t: Steps) -> str:
    """Return what all logs hold together, and the tables for the sheet."""
    text = t.printed["logs"]
    together = text[text.index("All logs together") :]
    first = together[: together.index("The best set of channels")].rstrip()
    return t.shown("logs", keep=f"...\n\n{first}\n\n...\n\n{together[together.index('Clocks') :]}")


def part_ballast(t: Steps) -> str:
    """Return the first ballast leg and the first note of the sortie sheet."""
    text = Path(f"{SAMPLE}/sortie.toml").read_text(encoding="utf-8")
    tables = re.findall(r"\[\[(?:ballast|notes)\]\]\n(?:.+\n)+", text)
    return sheet(tables[0] + "\n" + next(table for table in tables if "notes" in table))


def part_faults(t: Steps) -> str:
    """Return the faults of sheets with slips of the pen."""
    return t.shown("faults")


def part_report(t: Steps) -> str:
    """Return the report's summary."""
    return t.shown("report")


def part_holds(t: Steps) -> str:
    """Return some holds and some stretches that were turned down."""
    document = t.document["report"]
    lines = ["| seconds | taken as | engine speed | hang roll | turn |", "|---|---|---|---|---|"]
    for hold in document["holds"][:6]:
        values = [hold[name]["value"] for name in ("rpm", "hang_roll_deg", "turn_rate_deg_s")]
        lines.append(
            f"| {hold['start_s']:.0f} to {hold['end_s']:.0f} | {HOLDS[hold['kind']]} | {values[0]:.0f} rpm "
            f"| {values[1]:+.2f} deg | {values[2]:+.2f} deg/s |"
        )
    lines += ["", "| seconds | turned down, because |", "|---|---|"]
    seen: set[str] = set()
    for stretch in document["not_holds"]:
        if stretch["reason"] not in seen:
            seen.add(stretch["reason"])
            lines.append(f"| {stretch['start_s']:.0f} to {stretch['end_s']:.0f} | {stretch['words']} |")
    return "\n".join(lines)


def part_answer(t: Steps) -> str:
    """Return the answer in words."""
    return "\n\n".join(f"> {line}" for line in t.document["report"]["answer"])


def part_limits(t: Steps) -> str:
    """Return the first limit in words."""
    return f"> {t.document['report']['limits'][0]}"


def ratio(t: Steps) -> dict[str, float]:
    """Return the torque ratio at cruise."""
    row: dict[str, float] = nearest(t.document["report"]["comparison"], CRUISE)["torque_ratio"]
    return row


def draw(t: Steps) -> dict[str, bytes]:
    """Return the figures, PNG."""
    return {f"first-{name}": chapter_png(SHARED["report"], name) for name in ("track", "calibration")}


PAGE = Page(
    "tutorial-first-sortie.md",
    {
        "plan": SHARED["plan"],
        "check": SHARED["check"],
        "faulty": SHARED["check"].replace("unit.ulg", "faulty.ulg"),
        "logs": f"logs {SAMPLE}/unit.ulg {SAMPLE}/gps.gpx {SAMPLE}/engine.csv",
        "faults": "report tutorial/faults/sortie.toml",
        "report": SHARED["report"],
    },
    {
        "plan": part_plan,
        "check": part_check,
        "faulty": part_faulty,
        "logs": part_logs,
        "ballast": part_ballast,
        "faults": part_faults,
        "report": part_report,
        "answer": part_answer,
        "holds": part_holds,
        "limits": part_limits,
    },
    {
        "ratio": lambda t: f"{ratio(t)['value']:.2f}",
        "low": lambda t: f"{ratio(t)['low95']:.2f}",
        "high": lambda t: f"{ratio(t)['high95']:.2f}",
    },
    codes={"faulty": 1, "faults": 2},
    draw=draw,
)
