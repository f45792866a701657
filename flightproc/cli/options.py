"""Options that several commands share, word for word."""

from __future__ import annotations

from typing import Annotated

import typer

__all__ = ["Pdf", "Png"]

Pdf = Annotated[
    bool,
    typer.Option(
        "--pdf", help="Write the page as PDF too, to print; needs the extra: pip install 'flightproc[pdf]'."
    ),
]
"""Whether to write a PDF beside the page."""

Png = Annotated[
    bool,
    typer.Option("--png", help="Write each figure as PNG too, beside the SVG; takes a few seconds more."),
]
"""Whether to write PNG files beside the SVG."""
