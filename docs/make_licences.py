"""Write the page of licences from what is installed: ``python docs/make_licences.py``.

It reads the metadata of every package that an install of flightproc with all its extras brings, so all extras
have to be installed. What each direct dependency is for stands here; a test holds it against pyproject.toml.
"""

from __future__ import annotations

import re
import tomllib
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

from packaging.requirements import Requirement

HERE = Path(__file__).parent

WHY = {
    "aerofiles": "what the IGC reader is held to",
    "ambiance": "atmosphere to compare with",
    "atheris": "fuzzing led by coverage",
    "axe-playwright-python": "accessibility of the page, in a browser",
    "dask": "batches on a cluster",
    "distributed": "batches on a cluster",
    "dynbem": "momentum theory with tip loss, to compare with",
    "fastapi": "the page of flightproc serve",
    "fluids": "atmosphere to compare with",
    "furo": "looks of the documentation site",
    "gpxpy": "GPX",
    "httpx": "calls of the page in tests",
    "hypothesis": "properties tried on drawn cases",
    "jinja2": "report pages",
    "joblib": "batches on all cores",
    "latex2mathml": "formulas of the documentation site",
    "matplotlib": "figures",
    "mypy": "types",
    "myst-parser": "Markdown in the documentation site",
    "neuralfoil": "section polars by name",
    "numpy": "arrays",
    "pandas": "the channel table, CSV",
    "pandas-stubs": "types",
    "playwright": "the page in a browser",
    "plotly": "charts of the page",
    "psycopg": "a logbook on PostgreSQL",
    "pyarrow": "Parquet tables of a batch",
    "pydantic": "sheets as typed models",
    "pymavlink": "what the MAVLink and DataFlash readers are held to",
    "pynmea2": "what the NMEA reader is held to",
    "pypdf": "pages of a PDF",
    "pypdfium2": "pages of a PDF",
    "pyright": "types",
    "pytest": "tests",
    "pytest-xdist": "tests side by side",
    "python-multipart": "uploads to the page",
    "pyulog": "definitions of ULog files",
    "rich": "terminal tables and progress",
    "ruff": "style",
    "schemathesis": "calls of the page drawn from its description",
    "scipy": "least squares, special functions, signal processing",
    "scipy-stubs": "types",
    "sphinx": "the documentation site",
    "sqlalchemy": "the logbook",
    "statsmodels": "state space models to compare with",
    "typer": "the command line",
    "uvicorn": "the page of flightproc serve",
    "weasyprint": "PDF",
}
"""Direct dependency to what it is for."""

TOLD = {
    "atheris": "Apache-2.0",
    "axe-playwright-python": "MIT, with axe-core under MPL-2.0",
    "docutils": "public domain, BSD; one file for an editor GPL",
    "pypdfium2": "BSD-3-Clause, Apache-2.0",
    "pyphen": "GPL-2.0-or-later, LGPL-2.1-or-later or MPL-1.1, to choose",
}
"""Licences that the metadata tell badly or not at all."""

SHORT = {
    "Apache 2.0": "Apache-2.0",
    "Apache License 2.0": "Apache-2.0",
    "Apache License, Version 2.0": "Apache-2.0",
    "GNU Lesser General Public License v3 or later (LGPLv3+)": "LGPL-3.0-or-later",
    "ISC License": "ISC",
    "LGPLv3": "LGPL-3.0",
    "MIT License": "MIT",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
}
"""Names of licences as the metadata have them to shorter ones."""

COPYLEFT = re.compile(r"\b(A?GPL|LGPL|MPL|EPL|CDDL|EUPL)|Lesser General Public|General Public|Mozilla")

HEAD = """# Licences of what flightproc needs

flightproc itself is under BSD-3-Clause. It holds no code of others; `pip` brings the packages below. The page
was made from their metadata by `python docs/make_licences.py`, with all extras installed.

## Copyleft

MPL and LGPL bind who changes and hands on the package itself, not a program that uses it unchanged. Where
flightproc is handed on by `pip`, nothing follows. Who bundles it with its packages into one file hands on
their texts too, and keeps LGPL packages exchangeable.

| package | licence | comes with | by |
|---|---|---|---|
"""


def normal(name: str) -> str:
    """Return a package's name as an index writes it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def project() -> dict[str, list[str]]:
    """Return the requirements as pyproject.toml states them, by extra; ``""`` for those of everyone."""
    data = tomllib.loads((HERE.parent / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return {"": data["dependencies"], **data["optional-dependencies"]}


def licence(name: str) -> str:
    """Return the licence of an installed package in few words."""
    if normal(name) in TOLD:
        return TOLD[normal(name)]
    metadata = distribution(name).metadata
    if expression := metadata.get("License-Expression"):
        return expression
    classifiers = [
        c.split(" :: ")[-1] for c in metadata.get_all("Classifier", []) if c.startswith("License ::")
    ]
    classifiers = [SHORT.get(c, c) for c in classifiers if c != "OSI Approved"]
    text = (metadata.get("License") or "").strip()
    if text and "\n" not in text and len(text) <= 60:
        return SHORT.get(text, text)
    return " or ".join(classifiers) or "not told"


def needed(requirements: list[str]) -> dict[str, str]:
    """Return every installed package that requirements lead to, and by which direct one it came.

    Raises
    ------
    PackageNotFoundError
        Where a direct one is not installed.
    """
    found: dict[str, str] = {}
    for text in requirements:
        first = Requirement(text)
        distribution(first.name)  # has to be there
        waiting = [(first, normal(first.name))]
        while waiting:
            requirement, by = waiting.pop()
            name = normal(requirement.name)
            if name in found and name != by:
                continue
            found[name] = by
            try:
                below = distribution(requirement.name).requires or []
            except PackageNotFoundError:
                del found[name]  # not for this Python or system
                continue
            for line in below:
                inner = Requirement(line)
                extras = [*requirement.extras, ""]
                marker = inner.marker
                wanted = marker is None or any(marker.evaluate({"extra": extra}) for extra in extras)
                if wanted and normal(inner.name) not in found:
                    waiting.append((inner, by))
    return found


def _shown(name: str) -> str:
    return licence(name).replace("|", "\\|")


def licence_page() -> str:
    """Return the page, Markdown."""
    told, copyleft, tables = set(), [], []
    for extra, requirements in project().items():
        direct = {normal(Requirement(line).name) for line in requirements}
        found = needed(requirements)
        label = f"`[{extra}]`" if extra else "everyone's install"
        rows = [f"| `{name}` | {_shown(name)} | {WHY[name]} |" for name in sorted(direct)]
        others = [f"`{name}` ({_shown(name)})" for name in sorted(set(found) - direct - told)]
        copyleft += [
            f"| `{name}` | {_shown(name)} | {label} | {'itself' if name == by else f'`{by}`'} |"
            for name, by in sorted(found.items())
            if COPYLEFT.search(licence(name)) and name not in told
        ]
        told |= set(found)
        tables += [
            f"## {f'Extra {label}' if extra else 'Always'}",
            "",
            "| package | licence | for |",
            "|---|---|---|",
            *rows,
            "",
            *([f"They bring: {', '.join(others)}.", ""] if others else []),
        ]
    return HEAD + "\n".join([*copyleft, "", *tables]).rstrip() + "\n"


def main() -> None:
    """Write the page."""
    (HERE / "licences.md").write_text(licence_page(), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
