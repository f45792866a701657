"""What the estimate does not cover, with what was measured of it: docs/limits.md."""

from __future__ import annotations

import re

from .engine import DOCS, Page, Steps, said

NAMES = {
    "roll": "roll moment",
    "residual": "residual turning moment",
    "ratio": "torque ratio",
    "trace": "torque ratio of the whole sortie",
    "K": "hang stiffness",
}
"""Of the lines that the benchmark prints."""


def printed(page: str, mark: str) -> str:
    """Return what a benchmark printed, from between its marks in a page."""
    text = (DOCS / page).read_text(encoding="utf-8")
    found = re.search(rf"<!-- {mark} -->\n(.*?)<!-- end", text, re.S)
    if found is None:
        raise SystemExit(f"{page}: no part {mark}")
    return found[1]


def part_coverage(t: Steps) -> str:
    """Return how often the intervals held the truth."""
    text = printed("method.md", "coverage")
    head = ("result", "how many", "in 95 %", "in 68 %", "uncertainty told / error")
    rows = [f"| {' | '.join(head)} |", "|---" * len(head) + "|"]
    for key, name in NAMES.items():
        found = re.search(rf"^{key} +(\d+) +([\d.]+) % +([\d.]+) %.*told/actual ([\d.]+)$", text, re.M)
        if found is None:
            raise SystemExit(f"method.md: no line {key}")
        rows.append(f"| {name} | {found[1]} | {found[2]} % | {found[3]} % | {found[4]} |")
    return "\n".join(rows)


def part_brakes(t: Steps) -> str:
    """Return how many braked holds passed."""
    lines = printed("method.md", "coverage").splitlines()
    return said("\n".join(line.strip() for line in lines if "brake pulled" in line))


def part_modes(t: Steps) -> str:
    """Return how wide the ratio is by way of calibration."""
    lines = printed("method.md", "coverage").splitlines()
    rows = [
        "| calibrated by | torque ratio, standard uncertainty | truth inside the 95 % interval |",
        "|---|---|---|",
    ]
    names = {
        "ballast": "ballast glides",
        "inertia": "tilt test and pendulum",
        "tilt": "tilt test",
        "prior": "nothing but the sheet",
    }
    for key, name in names.items():
        line = next(line for line in lines if re.match(rf"\s*ratio\s+{key}\s", line))
        share = re.search(r"([\d.]+) %", line)
        width = re.search(r"relative std ([\d.]+) %", line)
        assert share is not None and width is not None
        rows.append(f"| {name} | {width[1]} % | {share[1]} % |")
    return "\n".join(rows)


def part_brake_sizes(t: Steps) -> str:
    """Return what size of brake shows."""
    page = (DOCS / "method.md").read_text(encoding="utf-8")
    table = page[page.index("| gust level | held throughout |") :]
    return table[: table.index("\n\n")]


PAGE = Page(
    "limits.md",
    {},
    {
        "coverage": part_coverage,
        "modes": part_modes,
        "brake sizes": part_brake_sizes,
        "brakes": part_brakes,
    },
)
