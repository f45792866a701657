"""Ten things that look wrong, each with the program's own words: docs/how-to.md."""

from __future__ import annotations

import re
from pathlib import Path

from .engine import EXTRAS, Page, Steps, entries, said, sheet

DAMAGED = "tutorial/damaged"


def section(text: str, title: str) -> str:
    """Return a section of what ``logs`` prints."""
    part = text[text.index(title) :]
    return part.split("\n\n")[0]


def part_phone(t: Steps) -> str:
    """Return what a phone's log lacks, and the tables for the sheet."""
    text = t.printed["phone"]
    table = text[text.index("For sortie.toml") :]
    return t.shown("phone", keep=f"...\n\n{section(text, 'Not in this log')}\n\n...\n\n{table}")


def part_csv(t: Steps) -> str:
    """Return what a table in another language says."""
    text = t.printed["csv"]
    parts = (section(text, name) for name in ("Damage", "To confirm", "Raw fields"))
    return t.shown("csv", keep="...\n\n" + "\n\n".join(parts))


def part_cut(t: Steps) -> str:
    """Return the damage of a log that was cut off."""
    head = t.printed["cut"].split("\n\n")[0]
    return t.shown("cut", keep=f"{head}\n\n...\n\n{section(t.printed['cut'], 'Damage')}")


def warning(t: Steps, *wanted: str) -> str:
    """Return a warning of the morning with troubles, whole, as it stands in its report."""
    found = [line for line in t.document["troubled"]["warnings"] if any(word in line for word in wanted)]
    if not found:
        raise SystemExit(f"how-to: no warning holds {wanted}")
    return "\n\n".join(f"> {line}" for line in found)


def limit(t: Steps, *wanted: str) -> str:
    """Return a limit of the morning with troubles."""
    found = [line for line in t.document["troubled"]["limits"] if any(word in line for word in wanted)]
    if not found:
        raise SystemExit(f"how-to: no limit holds {wanted}")
    return "\n\n".join(f"> {line}" for line in found)


def part_reasons(t: Steps) -> str:
    """Return the stretches that were turned down, with the reason."""
    lines = ["| seconds | turned down, because |", "|---|---|"]
    for stretch in t.document["troubled"]["not_holds"]:
        lines.append(f"| {stretch['start_s']:.0f} to {stretch['end_s']:.0f} | {stretch['words']} |")
    return "\n".join(lines)


def part_note(t: Steps) -> str:
    """Return the pilot's note."""
    text = Path("tutorial/troubled/sortie.toml").read_text(encoding="utf-8")
    notes = re.findall(r"\[\[notes\]\]\n(?:.+\n)+", text)
    return sheet(notes[-1])


def part_touched(t: Steps) -> str:
    """Return the stretch that the pilot's note turned down."""
    noted = next(s for s in t.document["troubled"]["not_holds"] if s["reason"] == "pilot_input")
    return f"> {noted['start_s']:.0f} to {noted['end_s']:.0f} s: {noted['words']}"


PAGE = Page(
    "how-to.md",
    {
        "phone": f"logs {DAMAGED}/phone.csv",
        "csv": f"logs {DAMAGED}/engine.csv",
        "unknown": f"logs {DAMAGED}/notes.docx",
        "cut": f"logs {DAMAGED}/cut.ulg",
        "units": "report tutorial/troubled/units.toml -o tutorial/troubled/units",
        "backwards": "report tutorial/backwards/sortie.toml -o tutorial/backwards/report",
        "check": "logs --check tutorial/check/faulty.ulg tutorial/check/gps.gpx tutorial/check/engine.csv "
        "--aircraft sample_logs/school-wing-28/aircraft.toml",
        "troubled": "report tutorial/troubled/sortie.toml -o tutorial/troubled/report",
    },
    {
        "clock": lambda t: warning(t, "clock offset"),
        "phone": part_phone,
        "phone columns": lambda t: sheet(EXTRAS["PHONE"]),
        "backwards": lambda t: t.shown("backwards"),
        "swapped": lambda t: said(entries(t.printed["check"], "mend", "gyro scale")),
        "note": part_note,
        "touched": part_touched,
        "units": lambda t: t.shown("units"),
        "csv": part_csv,
        "unknown": lambda t: t.shown("unknown"),
        "cut": part_cut,
        "wide": lambda t: limit(t, "No ballast glide", "The largest moment"),
        "wind": lambda t: warning(t, "wind not found", "airspeed was not"),
        "reasons": part_reasons,
    },
    codes={"unknown": 2, "units": 2, "backwards": 2, "check": 1},
)
