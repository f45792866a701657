"""One frame under several gliders and pilots: docs/tutorial-gliders.md."""

from __future__ import annotations

from pathlib import Path

from .compensation import COMMANDS as SHARED
from .engine import Page, Steps, entries, said, small_png, typed


def part_gliders(t: Steps) -> str:
    """Return the comparison, after the reports that it takes."""
    text = t.printed["gliders"]
    body = text[: text.index("note  ")].rstrip()
    commands = "\n".join(f"$ {typed(SHARED[name])}" for name in ("report", "wing24", "wing21", "gliders"))
    return f"```console\n{commands}\n```\n\n{said(body)}"


def part_notes(t: Steps) -> str:
    """Return the notes and the caution."""
    text = t.printed["gliders"]
    return said(f"{entries(text, 'note')}\n{entries(text, 'caution')}")


def part_masses(t: Steps) -> str:
    """Return what other masses would make of each glider."""
    head = [
        "glider",
        "all-up mass",
        "loading",
        "trim speed",
        "deg/s for each 10 N m [95 %]",
        "certified for it",
    ]
    lines = [f"| {' | '.join(head)} |", "|---" * len(head) + "|"]
    allowed = {True: "no", False: "yes", None: "not stated in its sheet"}
    for glider in t.document["gliders"]["gliders"]:
        for row in sorted(glider["predictions"], key=lambda row: float(row["all_up_mass_kg"])):
            turn = row["turn_per_moment_deg_s_N_m"]
            value, low, high = (10.0 * turn[name] for name in ("value", "low95", "high95"))
            cells = [
                glider["name"],
                f"{row['all_up_mass_kg']:.0f} kg",
                f"{row['wing_loading_kg_m2']:.1f} kg/m²",
                f"{row['trim_speed_m_s']['value']:.1f} m/s",
                f"{value:.2f} [{low:.2f}, {high:.2f}]",
                allowed[row["overloaded"]],
            ]
            lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)


def part_together(t: Steps) -> str:
    """Return two sorties solved together."""
    text = t.printed["together"]
    body = text[: text.index("note  ")].rstrip()
    return t.shown("together", keep=f"{body}\n\n{entries(text, 'note', 'Taken for', 'Hung mass')}")


def part_other(t: Steps) -> str:
    """Return what another rig day looks like."""
    return t.shown("other")


def part_empty(t: Steps) -> str:
    """Return what a folder without reports looks like."""
    return t.shown("empty")


def gain(t: Steps) -> tuple[float, float]:
    """Return the standard uncertainty of the light pilot's ratio, alone and with all."""
    sortie = t.document["together"]["sorties"][1]
    return sortie["torque_ratio_alone"]["std"], sortie["torque_ratio"]["std"]


def draw(t: Steps) -> dict[str, bytes]:
    """Return the figures, PNG."""
    return {"together": small_png(Path("tutorial/together/figures/ratio.png"))}


PAGE = Page(
    "tutorial-gliders.md",
    {
        "report": SHARED["report"],
        "wing24": SHARED["wing24"],
        "wing21": SHARED["wing21"],
        "gliders": SHARED["gliders"],
        "together": "together tutorial/wing24/sortie.toml tutorial/light/sortie.toml -o tutorial/together",
        "other": "together tutorial/wing24/sortie.toml tutorial/vibration/sortie.toml",
        "empty": "gliders tutorial/check",
    },
    {
        "gliders": part_gliders,
        "notes": part_notes,
        "masses": part_masses,
        "together": part_together,
        "other": part_other,
        "empty": part_empty,
    },
    {
        "alone": lambda t: f"{gain(t)[0]:.3f}",
        "with all": lambda t: f"{gain(t)[1]:.3f}",
    },
    codes={"other": 2, "empty": 2},
    draw=draw,
)
