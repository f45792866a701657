"""The kinds of rig: what each shows, and what its sheet asks for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["RIG_KINDS", "RigKind"]


@dataclass(frozen=True)
class RigKind:
    """A kind of rig.

    Attributes
    ----------
    meaning : str
        What it is, in a few words.
    shown : tuple of str
        Fields of a reading: one of them where ``either``, else all.
    columns : tuple of str
        Fields of a series that name its columns.
    units : tuple of str
        Units that those columns may have.
    reads : str
        What a reading is, in words, for the template.
    swing : str
        A swing as it may stand in a reading, for the template.
    needs : str
        The field of the sheet that makes the signal a torque, such as an arm; empty where there is none.
    measured : str
        How it is measured, for the template.
    either : bool
        Whether a reading holds just one of ``shown``.
    """

    meaning: str
    shown: tuple[str, ...]
    columns: tuple[str, ...]
    units: tuple[str, ...]
    reads: str
    swing: str
    needs: str = ""
    measured: str = ""
    either: bool = False


RIG_KINDS: Mapping[str, RigKind] = {
    "two_point": RigKind(
        meaning="two scales side by side",
        shown=("left_kg", "right_kg"),
        columns=("left_column", "right_column"),
        units=("kg", "N"),
        reads="left and right as the pilot sees them [kg]",
        swing="left_low_kg = 57.0, left_high_kg = 57.9, right_low_kg = 61.4, right_high_kg = 62.3",
        needs="spacing_m",
        measured="between the scales' points, tape measure, such as 0.38",
    ),
    "lever_arm": RigKind(
        meaning="one load cell on a lever",
        shown=("load_kg", "load_N"),
        columns=("load_column",),
        units=("kg", "N"),
        reads="load [kg]; write load_N where the cell shows newton",
        swing="load_low_kg = 2.6, load_high_kg = 3.2",
        needs="arm_m",
        measured="from the shaft's line to the line of the load, such as 0.5",
        either=True,
    ),
    "torque_transducer": RigKind(
        meaning="the torque itself",
        shown=("torque_N_m",),
        columns=("torque_column",),
        units=("N m",),
        reads="torque [N m] at the propeller's speed",
        swing="torque_low_N_m = 13.9, torque_high_N_m = 14.8",
    ),
}
"""Every kind by its name in the sheet. Each has its class in :mod:`flightproc.rig.signals`."""
