"""A rig day, from readings to a torque curve: docs/tutorial-rig-day.md."""

from __future__ import annotations

from pathlib import Path

from .engine import Page, Steps, chunks, entries, first, said, sheet, small_png

DAY = "tutorial/rig-day"


def part_new(t: Steps) -> str:
    """Return what writing the empty sheet prints."""
    return t.shown("new")


def part_empty(t: Steps) -> str:
    """Return the readings of the empty sheet."""
    text = Path("frame-b/rig.toml").read_text(encoding="utf-8")
    return sheet(text[text.index("# The readings") : text.index("# A reading may")])


def part_sheet(t: Steps) -> str:
    """Return the filled sheet."""
    return sheet(Path(f"{DAY}/may.toml").read_text(encoding="utf-8"))


def part_may(t: Steps) -> str:
    """Return the whole output of the day."""
    return t.shown("may")


def part_unfilled(t: Steps) -> str:
    """Return the faults of a sheet that is not filled in."""
    return t.shown("unfilled", keep=first(t.printed["unfilled"], 4))


def part_three(t: Steps) -> str:
    """Return what three settings are worth."""
    law = chunks(t.printed["three"], "chi^2").removeprefix("...\n\n")
    return t.shown(
        "three", keep=law + "\n\n...\n\n" + entries(t.printed["three"], "note", "confirms nothing")
    )


def part_leg(t: Steps) -> str:
    """Return what a leg on the ground looks like."""
    notes = entries(t.printed["leg"], "note", "sum of both", "At 7400 rpm")
    table = chunks(t.printed["leg"], "thrust ceiling").removeprefix("...\n\n")
    return t.shown("leg", keep=f"{table}\n\n...\n\n{notes}")


def part_radius(t: Steps) -> str:
    """Return what a wrong diameter looks like."""
    return t.shown("radius", keep=entries(t.printed["radius"], "note", "At 7400 rpm"))


def part_swing(t: Steps) -> str:
    """Return the note on swings."""
    return said(entries(t.printed["may"], "note", "No swing"))


def part_both(t: Steps) -> str:
    """Return two days against each other."""
    text = t.printed["both"]
    keep = text[text.index("All days") : text.index("caution")].rstrip()
    return t.shown("both", keep=keep)


def draw(t: Steps) -> dict[str, bytes]:
    """Return the figures, PNG."""
    return {
        "rig-day": small_png(Path("tutorial/may/torque.png")),
        "rig-days": small_png(Path("tutorial/both/days.png")),
    }


PAGE = Page(
    "tutorial-rig-day.md",
    {
        "new": "new --rig frame-b",
        "unfilled": "rig frame-b/rig.toml",
        "may": f"rig {DAY}/may.toml -o tutorial/may",
        "three": f"rig {DAY}/three.toml -o tutorial/three",
        "leg": f"rig {DAY}/leg.toml -o tutorial/leg",
        "radius": f"rig {DAY}/radius.toml -o tutorial/radius",
        "both": f"rig {DAY}/may.toml {DAY}/june.toml -o tutorial/both",
    },
    {
        "new": part_new,
        "empty": part_empty,
        "sheet": part_sheet,
        "may": part_may,
        "swing": part_swing,
        "unfilled": part_unfilled,
        "three": part_three,
        "leg": part_leg,
        "radius": part_radius,
        "both": part_both,
    },
    codes={"unfilled": 2},
    draw=draw,
)
