"""Sheets from data frames, for readings that are in a table already."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from ..errors import SheetError
from .load import validate
from .rig import RigSheet

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["rig_from_frame"]


def rig_from_frame(frame: pd.DataFrame, *, name: str = "data frame", **fields: Any) -> RigSheet:
    """Make a rig sheet of a table of readings.

    Parameters
    ----------
    frame : DataFrame
        One row per reading, columns as the fields of ``[[readings]]`` in a rig sheet: ``rpm``, ``left_kg``,
        ``right_kg``, ``thrust_N`` and so on. Cells that are NaN or None are left out. Other columns are
        faults.
    name : str
        Of the rig day; it stands in messages too.
    **fields
        The other fields of the rig sheet, such as ``kind="two_point"``, ``spacing_m=0.38`` and
        ``air={"pressure_hPa": 987.0, "temperature_C": 16.0}``.

    Returns
    -------
    RigSheet
        For :func:`flightproc.reduce_rig`.

    Raises
    ------
    SheetError
        With every fault of the table and the fields.

    Examples
    --------
    >>> import pandas as pd
    >>> import flightproc as fp
    >>> readings = pd.DataFrame(
    ...     {
    ...         "rpm": [0, 5000, 6000, 7000],
    ...         "left_kg": [60.0, 56.1, 54.5, 52.4],
    ...         "right_kg": [60.0, 63.9, 65.6, 67.7],
    ...     }
    ... )
    >>> sheet = fp.rig_from_frame(
    ...     readings,
    ...     kind="two_point",
    ...     spacing_m=0.38,
    ...     spacing_std_m=0.002,
    ...     scale_std_kg=0.05,
    ...     scale_resolution_kg=0.1,
    ...     gear_ratio=2.8,
    ...     diameter_m=1.28,
    ...     air={"pressure_hPa": 987.0, "temperature_C": 16.0},
    ... )
    >>> curve = fp.reduce_rig(sheet, gear_ratio=2.8, diameter=1.28)
    >>> print(curve.points[-1].torque)
    28.51 ± 0.23 N m
    """
    readings: list[dict[str, Any]] = []
    for row in frame.to_dict(orient="records"):
        readings.append({str(key): _plain(value) for key, value in row.items() if not _absent(value)})
    data: Mapping[str, Any] = {"name": name, **fields, "readings": readings}
    sheet, faults = validate(RigSheet, dict(data), name)
    if faults or sheet is None:
        raise SheetError(faults)
    return sheet


def _absent(value: Any) -> bool:
    """Return whether a cell is empty: None, NaN, or a missing value of pandas."""
    import pandas as pd

    return value is None or value is pd.NA or (not isinstance(value, (list, tuple, dict)) and value != value)


def _plain(value: Any) -> Any:
    """Return a number of numpy as one of Python."""
    return value.item() if hasattr(value, "item") else value
