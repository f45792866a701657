"""The quickstart: docs/quickstart.md."""

from __future__ import annotations

from pathlib import Path

from .engine import SAMPLE, Page, Steps, first

READ = {
    "sortie.toml": "the sortie sheet: names the logs and the other sheets, says when the ballast hung where",
    "aircraft.toml": "the aircraft sheet: masses, lengths, engine, propeller",
    "glider.toml": "the glider sheet: area, span, trim speed",
    "rig.toml": "the rig sheet: readings of the rig day (may be left out)",
    "unit.ulg": "log of the sensor on the hung unit: body rates, specific force, pressure",
    "gps.gpx": "log of the satellite receiver",
    "engine.csv": "log of the engine: its speed",
    "truth.json": "the truth behind the simulation, to hold the report against; no real sortie has it",
}
"""What lies in the sample, in the order of the page."""
WRITTEN = {
    "report.html": "the report: open it in a browser; it needs no network and no other file",
    "figures": "each figure of the report, as SVG; with `--png` as PNG too",
    "holds.csv": "one row a hold, for a spreadsheet",
    "results.json": "every figure unrounded, for programs and for the other commands",
}
"""What a report writes."""


def table(folder: str, what: dict[str, str]) -> str:
    """Return a table of the files in a folder, which must be those described."""
    there = {path.name for path in Path(folder).iterdir()}
    if there != set(what):
        raise SystemExit(f"quickstart: {folder} holds {sorted(there)}")
    return "\n".join(["| file | what it is |", "|---|---|", *(f"| `{n}` | {w} |" for n, w in what.items())])


def part_needs(t: Steps) -> str:
    """Return what the moment needs of the logs."""
    text = t.printed["logs"]
    together = text[text.index("All logs together") :]
    return t.shown("logs", keep="...\n\n" + together[: together.index("The best set of channels")].rstrip())


PAGE = Page(
    "quickstart.md",
    {
        "report": f"report {SAMPLE}/sortie.toml -o demo-out",
        "new": "new my-sortie",
        "logs": f"logs {SAMPLE}/unit.ulg {SAMPLE}/gps.gpx {SAMPLE}/engine.csv",
        "unfilled": "report my-sortie/sortie.toml -o my-report",
    },
    {
        "report": lambda t: t.shown("report"),
        "written": lambda t: table("demo-out", WRITTEN),
        "read": lambda t: table(SAMPLE, READ),
        "new": lambda t: t.shown("new"),
        "logs": part_needs,
        "unfilled": lambda t: t.shown("unfilled", keep=first(t.printed["unfilled"], 4)),
    },
    codes={"unfilled": 2},
)
