"""Sheets of several sorties flown with one frame, with the faults of all of them told together."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from ..errors import Fault, FlightprocError, SheetError
from .fields import Sheet
from .load import Sheets, load_sortie

__all__ = ["load_one_frame"]

_SAME = (
    "name",
    "hang_span_m",
    "riser_roll_stiffness_N_m_rad",
    "riser_roll_stiffness_std_N_m_rad",
    "engine",
    "propeller",
    "compensation",
)
"""What of the aircraft sheet makes the frame; masses, hang arm and sensor may differ."""


def load_one_frame(paths: Sequence[str | os.PathLike[str]]) -> tuple[tuple[Sheets, ...], tuple[str, ...]]:
    """Read the sheets of several sorties and make sure that one frame flew them.

    Parameters
    ----------
    paths : sequence of path
        Sortie sheets, at least two.

    Returns
    -------
    sheets : tuple of Sheets
        In the same order. A sortie that names no rig sheet takes that of the others.
    words : tuple of str
        What was taken from one sortie for another.

    Raises
    ------
    SheetError
        With every fault of every sheet, and every difference between frames.
    FlightprocError
        With fewer than two sorties.
    """
    if len(paths) < 2:
        raise FlightprocError(
            "at least two sorties are needed",
            found=len(paths),
            hint="name the sheets of all sorties, or analyse one with flightproc report",
        )
    faults: list[Fault] = []
    loaded: list[Sheets] = []
    seen: dict[Path, str] = {}
    for path in paths:
        place = Path(path).resolve()
        if place in seen:
            faults.append(
                Fault(str(path), "", "(the sheet)", "given twice", "each sortie once, or it counts twice")
            )
            continue
        seen[place] = str(path)
        try:
            loaded.append(load_sortie(path))
        except SheetError as error:
            faults += error.faults
    for sheets in loaded[1:]:
        faults += _frame_faults(loaded[0], sheets)
    words: list[str] = []
    with_rig = [sheets for sheets in loaded if sheets.rig is not None]
    for sheets in with_rig[1:]:
        if sheets.rig != with_rig[0].rig:
            faults.append(
                Fault(
                    str(sheets.sheet_files["sortie"]),
                    "",
                    "rig",
                    str(sheets.sortie.rig),
                    f"a rig sheet with the content of {with_rig[0].sheet_files['rig']}: sorties that are put "
                    "together are set against one rig curve",
                )
            )
    if faults:
        raise SheetError(list(dict.fromkeys(faults)))
    out = []
    for sheets in loaded:
        if sheets.rig is None and with_rig:
            words.append(
                f"{sheets.sortie.title} names no rig sheet and is set against that of "
                f"{with_rig[0].sortie.title}, as it is the same frame"
            )
            files = {**sheets.sheet_files, "rig": with_rig[0].sheet_files["rig"]}
            sheets = replace(sheets, rig=with_rig[0].rig, sheet_files=files)
        out.append(sheets)
    return tuple(out), tuple(words)


def _frame_faults(first: Sheets, other: Sheets) -> Iterator[Fault]:
    """Return a fault for whatever makes another frame of it."""
    for name in _SAME:
        one, two = getattr(first.aircraft, name), getattr(other.aircraft, name)
        if one == two:
            continue
        pairs = [("", name, one, two)]
        if isinstance(one, Sheet) and isinstance(two, Sheet):
            fields = type(one).model_fields
            pairs = [(name, field, getattr(one, field), getattr(two, field)) for field in fields]
        for table, field, wanted, found in pairs:
            if wanted != found:
                yield Fault(
                    str(other.sheet_files["aircraft"]),
                    table,
                    field,
                    _shown(found),
                    f"{_shown(wanted)} as in {first.sheet_files['aircraft']}: sorties that are solved "
                    "together are flown with one frame",
                )


def _shown(value: object) -> str:
    if value is None:
        return "(missing)"
    return "(a table)" if isinstance(value, tuple) else repr(value).replace("'", '"')
