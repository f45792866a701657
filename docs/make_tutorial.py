"""Write what the made pages of docs print and draw: ``python docs/make_tutorial.py [PAGE.md ...]``.

Runs the commands of the tutorials, the quickstart, the how-to and the limits on the sample sortie and on the
simulated extras of tutorial_extras.py, fills the marked parts of the pages, and writes docs/figures/tutorial.
Each page has a module in tutorial_parts; steps that pages share are run once.
"""

from __future__ import annotations

import sys
from importlib import import_module
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))
engine = import_module("tutorial_parts.engine")
MODULES = (
    "quickstart",
    "rig_day",
    "first_sortie",
    "no_rpm",
    "several_gliders",
    "compensation",
    "how_to",
    "limits",
)
PAGES = {page.file: page for page in (import_module(f"tutorial_parts.{name}").PAGE for name in MODULES)}
"""All made pages, by file name."""
sys.path.remove(str(HERE))


def main(names: list[str]) -> None:
    """Write pages and their figures; all where none is named."""
    engine.FIGURES.mkdir(parents=True, exist_ok=True)
    with engine.workshop() as bench:
        for name in names or PAGES:
            page = PAGES[name]
            print(name, flush=True)
            steps = page.steps(bench)
            page.path.write_text(page.filled(page.made(steps)), encoding="utf-8", newline="\n")
            for figure, png in (page.draw(steps) if page.draw else {}).items():
                (engine.FIGURES / f"{figure}.png").write_bytes(png)


if __name__ == "__main__":
    main(sys.argv[1:])
