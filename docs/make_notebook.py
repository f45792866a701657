"""Write docs/notebook-first-sortie.ipynb, ten lines from logs to figure, with what they show.

Run ``python docs/make_notebook.py``. The cells are executed here, without a notebook server; a test runs them
again and holds what they show against what is stored.
"""

from __future__ import annotations

import ast
import contextlib
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

DOCS = Path(__file__).parent
NOTEBOOK = DOCS / "notebook-first-sortie.ipynb"

CELLS = (
    (
        "markdown",
        "# A first sortie in ten lines\n\n"
        "The logs are those of the sample sortie, which is simulated: frame, field and glider are invented. "
        "Run it in the folder `docs` of the repository, or change the path.\n\n"
        "A log first. The reader is found from the content.",
    ),
    ("code", 'import flightproc as fp\n\nfp.read_log("../sample_logs/school-wing-28/unit.ulg")'),
    (
        "markdown",
        "The sortie sheet names the logs and the other sheets. The analysis takes a few seconds.",
    ),
    ("code", 'results = fp.analyse("../sample_logs/school-wing-28/sortie.toml")\nresults'),
    ("markdown", "The flight on one clock, with wind, and the static torque of the rig day."),
    ("code", "results.sortie"),
    ("code", "results.rig"),
    (
        "markdown",
        "Every hold is a row of a data frame, in SI units and radians: value, standard uncertainty and the "
        "bounds of the 95 % interval.",
    ),
    (
        "code",
        "holds = results.frame()\n"
        'holds[holds.kind == "power"].filter(regex="^(rpm|roll_moment)(_low95|_high95)?$").round(1)',
    ),
    (
        "markdown",
        "And the figure. `fp.write_report(results, folder)` writes the whole report. The figures are "
        "estimates with intervals: read the [cautions](cautions.md) before anything on an aircraft changes.",
    ),
    ("code", 'fp.draw_figure(results, "moment")'),
)
"""Kind and text of each cell."""


@contextlib.contextmanager
def in_folder(folder: Path) -> Iterator[None]:
    """Work in a folder, as a notebook does in its own."""
    before = Path.cwd()
    os.chdir(folder)
    try:
        yield
    finally:
        os.chdir(before)


def run_cell(code: str, space: dict[str, Any]) -> Any:
    """Run the lines of a cell in a namespace; return the value of the last where it is an expression."""
    tree = ast.parse(code)
    last = tree.body[-1]
    if not isinstance(last, ast.Expr):
        exec(compile(tree, "<cell>", "exec"), space)
        return None
    exec(compile(ast.Module(tree.body[:-1], []), "<cell>", "exec"), space)
    return eval(compile(ast.Expression(last.value), "<cell>", "eval"), space)


def lines_of(text: str) -> list[str]:
    """Return text as the list of lines that notebooks store."""
    return text.splitlines(keepends=True)


def make_notebook() -> dict[str, Any]:
    """Run all cells and return the notebook (nbformat 4.5)."""
    space: dict[str, Any] = {}
    cells: list[dict[str, Any]] = []
    count = 0
    with in_folder(DOCS):
        for number, (kind, text) in enumerate(CELLS):
            cell: dict[str, Any] = {"cell_type": kind, "id": f"cell-{number:02d}", "metadata": {}}
            if kind == "code":
                count += 1
                shown = run_cell(text, space)
                data = {"text/html": lines_of(shown._repr_html_()), "text/plain": lines_of(repr(shown))}
                output = {
                    "data": data,
                    "execution_count": count,
                    "metadata": {},
                    "output_type": "execute_result",
                }
                cell |= {"execution_count": count, "outputs": [output]}
            cells.append(cell | {"source": lines_of(text)})
    kernel = {"display_name": "Python 3", "language": "python", "name": "python3"}
    return {
        "cells": cells,
        "metadata": {"kernelspec": kernel, "language_info": {"name": "python"}},
        "nbformat": 4,
        "nbformat_minor": 5,
    }


def main() -> None:
    """Write the notebook."""
    text = json.dumps(make_notebook(), ensure_ascii=False, indent=1, sort_keys=True)
    NOTEBOOK.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
