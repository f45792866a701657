"""What each kind of rig shows, and how that becomes torque: one class a kind, all in `RIG_SIGNALS`."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

from ..channels import GRAVITY
from ..errors import RigError
from ..readers.table import Column

if TYPE_CHECKING:
    from ..sheets import RigReading, RigSeries, RigSheet

__all__ = ["RIG_SIGNALS", "RigSignal", "Scale", "Shown", "Table"]

Array = NDArray[np.float64]

_MASS = {"kg": 1.0, "g": 1e-3, "lb": 0.45359237}
_FORCE = {"N": 1.0, "kN": 1e3}
_TORQUE = {"N m": 1.0, "Nm": 1.0, "N·m": 1.0}
_KILOGRAMS = _MASS | {unit: newton / GRAVITY for unit, newton in _FORCE.items()}
_NEWTONS = {unit: GRAVITY * mass for unit, mass in _MASS.items()} | _FORCE
_UNIFORM = math.sqrt(12.0)  # a step over its standard uncertainty


@dataclass(frozen=True)
class Scale:
    """How what a rig shows becomes torque.

    Attributes
    ----------
    unit : str
        Of the signal: kg (two points: right less left), N (lever) or N m (transducer).
    arm : float
        Torque per unit of signal [N m per that unit].
    arm_std : float
        Relative standard uncertainty of the arm, common to all readings.
    arm_name : str
        Its name in the budget; empty where there is none.
    calibration_std, step_std : float
        Standard uncertainties of one reading of the signal, in its unit.
    sensitivity_std : float
        Relative standard uncertainty of the sensitivity, common to all readings.

    Examples
    --------
    >>> import flightproc as fp
    >>> from flightproc.rig import scale_of
    >>> scale = scale_of(fp.load_rig("sample_logs/school-wing-28/rig.toml"))
    >>> scale.unit, round(scale.arm, 3)
    ('kg', 1.863)
    """

    unit: str
    arm: float
    arm_std: float
    arm_name: str
    calibration_std: float
    step_std: float
    sensitivity_std: float


@dataclass(frozen=True)
class Shown:
    """What one typed reading shows.

    Attributes
    ----------
    signal : float
        In the unit of `Scale`.
    swings : tuple of (float or None, float or None)
        Lowest and highest seen of each scale, as typed.
    factor : float
        From the unit typed to the signal's.
    total : float or None
        Sum of both scales [kg], where there are two.
    """

    signal: float
    swings: tuple[tuple[float | None, float | None], ...]
    factor: float = 1.0
    total: float | None = None


@dataclass(frozen=True)
class Table:
    """The columns of a file with readings over time.

    Attributes
    ----------
    columns : sequence of Column
        As parsed.
    path : str
        The file, for messages.
    """

    columns: Sequence[Column]
    path: str

    def find(self, name: str) -> Column:
        """Return the column of numbers with a name."""
        wanted = name.strip().casefold()
        for column in self.columns:
            if wanted in (column.name.strip().casefold(), column.bare.strip().casefold()):
                if column.texts is not None:
                    raise RigError(f"the column {name!r} holds text, no numbers", where=self.path)
                return column
        raise RigError(
            f"the file has no column {name!r}",
            where=self.path,
            allowed=", ".join(column.name for column in self.columns),
        )

    def values(self, name: str, stated: str | None, default: str, units: Mapping[str, float]) -> Array:
        """Return a column in the unit that ``units`` leads to; the stated unit comes before the file's."""
        column = self.find(name)
        unit = stated or column.unit or default
        if unit not in units:
            raise RigError(
                f"the unit of column {column.name!r} does not fit",
                where=self.path,
                found=unit,
                allowed=", ".join(units),
            )
        values: Array = column.values * units[unit]
        return values


class RigSignal(Protocol):
    """What the reduction asks of a kind of rig."""

    def scale(self, sheet: RigSheet) -> Scale:
        """Return how the signal becomes torque."""
        ...

    def shown(self, reading: RigReading) -> Shown:
        """Return the signal of a typed reading."""
        ...

    def series(self, table: Table, entry: RigSeries) -> tuple[Array, Array | None]:
        """Return the signal over time, and the sum of both scales [kg] where there are two."""
        ...


class TwoPoint:
    """Two scales side by side; the signal is right less left [kg]."""

    def scale(self, sheet: RigSheet) -> Scale:
        """Return the scale: torque is half the spacing times the weight of the difference."""
        spacing = _needed(sheet.spacing_m, "spacing_m", sheet)
        two = math.sqrt(2.0)
        return Scale(
            unit="kg",
            arm=GRAVITY * spacing / 2.0,
            arm_std=sheet.spacing_std_m / spacing,
            arm_name="spacing",
            calibration_std=two * sheet.scale_std_kg,
            step_std=two * (sheet.scale_resolution_kg / _UNIFORM),
            sensitivity_std=sheet.sensitivity_std_percent / 100.0,
        )

    def shown(self, reading: RigReading) -> Shown:
        """Return the difference of both scales, and their sum."""
        left, right = reading.left_kg or 0.0, reading.right_kg or 0.0
        swings = (reading.left_low_kg, reading.left_high_kg), (reading.right_low_kg, reading.right_high_kg)
        return Shown(right - left, swings, total=left + right)

    def series(self, table: Table, entry: RigSeries) -> tuple[Array, Array | None]:
        """Return the difference and the sum of both columns [kg]."""
        left = table.values(entry.left_column, entry.unit, "kg", _KILOGRAMS)
        right = table.values(entry.right_column, entry.unit, "kg", _KILOGRAMS)
        return right - left, right + left


class LeverArm:
    """One load cell on a lever; the signal is its load [N]."""

    def scale(self, sheet: RigSheet) -> Scale:
        """Return the scale: torque is the arm times the load."""
        arm = _needed(sheet.arm_m, "arm_m", sheet)
        newton = any(r.load_N is not None for r in sheet.readings) or any(s.unit == "N" for s in sheet.series)
        return Scale(
            unit="N",
            arm=arm,
            arm_std=sheet.arm_std_m / arm,
            arm_name="arm",
            calibration_std=sheet.cell_std_N if newton else GRAVITY * sheet.scale_std_kg,
            step_std=(sheet.cell_resolution_N if newton else GRAVITY * sheet.scale_resolution_kg) / _UNIFORM,
            sensitivity_std=sheet.sensitivity_std_percent / 100.0,
        )

    def shown(self, reading: RigReading) -> Shown:
        """Return the load [N], typed in N or in kg."""
        if reading.load_N is not None:
            return Shown(reading.load_N, ((reading.load_low_N, reading.load_high_N),))
        swings = ((reading.load_low_kg, reading.load_high_kg),)
        return Shown(GRAVITY * (reading.load_kg or 0.0), swings, factor=GRAVITY)

    def series(self, table: Table, entry: RigSeries) -> tuple[Array, Array | None]:
        """Return the load's column [N]."""
        return table.values(entry.load_column, entry.unit, "kg", _NEWTONS), None


class TorqueTransducer:
    """The torque itself, at the propeller's speed [N m]."""

    def scale(self, sheet: RigSheet) -> Scale:
        """Return the scale: nothing stands between signal and torque."""
        return Scale(
            unit="N m",
            arm=1.0,
            arm_std=0.0,
            arm_name="",
            calibration_std=sheet.transducer_std_N_m,
            step_std=sheet.transducer_resolution_N_m / _UNIFORM,
            sensitivity_std=sheet.sensitivity_std_percent / 100.0,
        )

    def shown(self, reading: RigReading) -> Shown:
        """Return the torque."""
        return Shown(reading.torque_N_m or 0.0, ((reading.torque_low_N_m, reading.torque_high_N_m),))

    def series(self, table: Table, entry: RigSeries) -> tuple[Array, Array | None]:
        """Return the torque's column."""
        return table.values(entry.torque_column, entry.unit, "N m", _TORQUE), None


def _needed(value: float | None, field: str, sheet: RigSheet) -> float:
    if value is None:
        raise RigError(f"{field} is missing", where=sheet.name or "rig sheet", hint=f"{sheet.kind} needs it")
    return value


RIG_SIGNALS: Mapping[str, RigSignal] = {
    "two_point": TwoPoint(),
    "lever_arm": LeverArm(),
    "torque_transducer": TorqueTransducer(),
}
"""Every kind of rig by its name in the sheet."""
