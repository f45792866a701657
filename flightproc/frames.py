"""From dataclasses to data frames: one row each, a quantity as value, std and 95 % bounds."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from enum import Enum
from typing import TYPE_CHECKING, Any

from .quantity import Quantity

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["frame_of", "quantity_columns"]


def quantity_columns(name: str, quantity: Quantity) -> dict[str, float]:
    """Return the four columns of a quantity; NaN where something is unknown.

    Examples
    --------
    >>> quantity_columns("torque", Quantity(26.8, 1.3, 24.3, 29.3, "N m"))
    {'torque': 26.8, 'torque_std': 1.3, 'torque_low95': 24.3, 'torque_high95': 29.3}
    """
    parts = (quantity.value, quantity.std, quantity.low95, quantity.high95)
    endings = ("", "_std", "_low95", "_high95")
    return {
        name + ending: float("nan") if part is None else part
        for ending, part in zip(endings, parts, strict=True)
    }


def frame_of(
    items: Iterable[Any], *, index: str, units: Mapping[str, str] | None = None, first: int = 0
) -> pd.DataFrame:
    """Return dataclasses of one kind as a table, one row each.

    A field that is a :class:`~flightproc.Quantity` becomes four columns: its value under the field's own
    name, and ``_std``, ``_low95`` and ``_high95``. Numbers, words and None stay what they are; fields that
    hold several values are left out. ``attrs["units"]`` names the unit of each column that has one.

    Parameters
    ----------
    items : iterable of dataclass
        All of one kind.
    index : str
        Name of the index, which counts the rows.
    units : mapping of str to str, optional
        Units of the plain columns.
    first : int
        Number of the first row.

    Returns
    -------
    DataFrame, one row per item

    Examples
    --------
    >>> from flightproc.holds import Hold, HoldKind
    >>> frame_of([Hold(100.0, 160.0, HoldKind.POWER, True, 5200.0)], index="hold").loc[0, "rpm"]
    np.float64(5200.0)
    """
    import pandas as pd

    found: dict[str, str] = {}
    rows: list[dict[str, Any]] = []
    for item in items:
        row: dict[str, Any] = {}
        for entry in dataclasses.fields(item):
            value = getattr(item, entry.name)
            if isinstance(value, Quantity):
                row.update(quantity_columns(entry.name, value))
                if value.unit:
                    found.update(dict.fromkeys(quantity_columns(entry.name, value), value.unit))
            elif isinstance(value, Enum):
                row[entry.name] = str(value.value)
            elif value is None or isinstance(value, (bool, int, float, str)):
                row[entry.name] = value
        rows.append(row)
    frame = pd.DataFrame(rows)
    frame.index = pd.RangeIndex(first, first + len(rows), name=index)
    stated = {name: unit for name, unit in (units or {}).items() if name in frame.columns}
    frame.attrs["units"] = stated | found
    return frame
