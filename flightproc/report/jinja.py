"""The templates of every page, and the filters they are written with."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined

from .. import __version__
from ..readers.recording import Series
from .figures.style import hold_label
from .wording import (
    Notes,
    clock,
    data_size,
    number,
    pair_cell,
    quantity_cell,
    row_head,
    sentence,
    typeset,
    utc,
)

__all__ = ["templates"]


def _gaps(series: Series) -> str:
    """Return how often a series pauses for more than five of its steps, and for how long at most."""
    if series.time.size < 3:
        return "–"
    steps = np.diff(series.time)
    pauses = steps[steps > 5.0 * np.median(steps)]
    return f"{pauses.size}, longest {number(float(pauses.max()), 1)} s" if pauses.size else "none"


def _missing_share(series: Series) -> str:
    share = float(np.mean(~np.isfinite(series.values))) if series.values.size else 0.0
    return "none" if share == 0.0 else f"{100.0 * share:.2g} %"


def _first_sentence(text: str) -> str:
    head, stop, _ = text.partition(". ")
    return head + ("." if stop else "")


@cache
def templates() -> Environment:
    """Return the templates; those used before are not compiled again."""
    environment = Environment(
        loader=PackageLoader("flightproc.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        cell=quantity_cell,
        typeset=typeset,
        sentence=sentence,
        pair=pair_cell,
        row_head=row_head,
        num=number,
        clock=clock,
        utc=utc,
        size=data_size,
        gaps=_gaps,
        missing_share=_missing_share,
        first_sentence=_first_sentence,
    )
    environment.globals.update(
        version=__version__,
        new_notes=Notes,
        hold_label=hold_label,
        degrees=math.degrees,
        zip=zip,
        isfinite=math.isfinite,
        per_hour=3600.0 * 180.0 / math.pi,
    )
    return environment
