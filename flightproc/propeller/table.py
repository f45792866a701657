"""Section coefficients from a table over angle of attack and Reynolds number."""

from __future__ import annotations

import csv
import math
import os
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..display import displayed
from ..errors import FlightprocError
from .polar import SectionFlow, at_elements, rotation_taper, smooth_step

__all__ = ["TablePolar", "read_polar_table"]

Array = NDArray[np.float64]

_STEP = math.radians(0.5)
_GRID = np.linspace(-math.pi, math.pi, 721)
_BLEND = math.radians(15.0)  # from the end of the table to the flat plate
_NEAR, _FAR = math.radians(30.0), math.radians(60.0)  # between these the scaling of the lift curve fades


@displayed
@dataclass(frozen=True)
class TablePolar:
    r"""Lift and drag from a table, over the whole circle, with rotational stall delay.

    Make it with `TablePolar.from_rows` or `read_polar_table`.

    Attributes
    ----------
    log_reynolds : ndarray, shape (n_re,)
        Natural logarithm of the Reynolds numbers, increasing.
    lift, drag : ndarray, shape (n_re, 721)
        Coefficients at -180 to 180 deg in steps of 0.5 deg, flat plate where the table ends.
    zero_lift, slope : ndarray, shape (n_re,)
        Angle of zero lift [rad] and lift slope there [1/rad].
    stall_delay, delay_drag : float
        As in `AnalyticPolar`.
    drag_factor, lift_factor : float or ndarray, shape (n_op, 1)
        Times the drag; times the largest lift.

    Notes
    -----
    Linear in angle and in log Re, held beyond the Reynolds numbers of the table. Beyond its angles lift and
    drag go over 15 deg into those of a flat plate, ``cd_90 sin cos`` and ``cd_edge + cd_90 sin^2``.
    With a the angle from zero lift, g the Prandtl-Glauert factor (M held to 0.75) and f the lift factor, lift
    is ``f cl(a g / f)``: slope times g, largest lift times f, and stall where both meet. This scaling fades
    between 30 and 60 deg. Stall delay by rotation as in `AnalyticPolar`.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from flightproc.propeller import read_polar_table
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "section.csv")
    ...     _ = path.write_text(
    ...         "alpha_deg,cl,cd\n"
    ...         + "".join(f"{a},{0.3 + 0.1 * a:.2f},{0.01 + 0.0001 * a * a:.4f}\n" for a in range(-10, 16))
    ...     )
    ...     polar = read_polar_table(path)
    >>> polar.zero_lift.shape
    (1,)
    """

    log_reynolds: Array
    lift: Array
    drag: Array
    zero_lift: Array
    slope: Array
    stall_delay: float = 3.5
    delay_drag: float = 1.0
    drag_factor: float | Array = 1.0
    lift_factor: float | Array = 1.0

    @classmethod
    def from_rows(
        cls,
        alpha: ArrayLike,
        reynolds: ArrayLike,
        lift: ArrayLike,
        drag: ArrayLike,
        *,
        broadside_drag: float = 1.75,
        stall_delay: float = 3.5,
        delay_drag: float = 1.0,
        where: str = "polar table",
    ) -> TablePolar:
        """Make a polar from rows in any order.

        Parameters
        ----------
        alpha, reynolds, lift, drag : array_like, shape (n,)
            Angle of attack [rad], Reynolds number (one number serves all rows), coefficients.
        broadside_drag : float
            Drag coefficient at 90 deg, where the table does not reach.
        stall_delay, delay_drag : float
            As in `AnalyticPolar`.
        where : str
            Named in errors.

        Returns
        -------
        TablePolar

        Raises
        ------
        FlightprocError
            Where a Reynolds number has fewer than five angles, or its lift does not rise through zero.
        """
        a, re, cl, cd = np.broadcast_arrays(*(np.asarray(x, float) for x in (alpha, reynolds, lift, drag)))
        if a.ndim != 1 or not a.size or not all(np.all(np.isfinite(x)) for x in (a, re, cl, cd)):
            raise FlightprocError("the polar table has gaps", where=where, hint="one number in every cell")
        if np.any(cd <= 0.0) or np.any(re <= 0.0) or np.any(np.abs(a) > math.pi + 1e-9):
            raise FlightprocError(
                "the polar table has values out of range",
                where=where,
                allowed="cd and reynolds above 0, angles from -180 to 180 deg",
            )
        parts = []
        for number in np.unique(re):
            mine = re == number
            angles, first = np.unique(a[mine], return_index=True)
            parts.append(
                (
                    math.log(number),
                    *_extend(angles, cl[mine][first], cd[mine][first], broadside_drag, number, where),
                )
            )
        logs, lifts, drags, zeros, slopes = (np.array(column) for column in zip(*parts, strict=True))
        return cls(logs, lifts, drags, zeros, slopes, stall_delay, delay_drag)

    def section(self, flow: SectionFlow) -> TableSection:
        """Return the polar at local conditions, with all that does not depend on the angle worked out."""
        number = np.log(np.maximum(flow.reynolds, 1.0))
        place = np.interp(number, self.log_reynolds, np.arange(self.log_reynolds.size))
        lower = np.minimum(place.astype(int), max(self.log_reynolds.size - 2, 0))
        upper = np.minimum(lower + 1, self.log_reynolds.size - 1)
        share = place - lower
        zero = (1.0 - share) * self.zero_lift[lower] + share * self.zero_lift[upper]
        slope = (1.0 - share) * self.slope[lower] + share * self.slope[upper]
        glauert = 1.0 / np.sqrt(1.0 - np.minimum(flow.mach, 0.75) ** 2)
        return TableSection(
            tables=(self.lift.ravel(), self.drag.ravel()),
            lower=lower * _GRID.size,
            upper=upper * _GRID.size,
            share=share,
            zero=zero,
            slope=slope * glauert,
            stretch=np.asarray(glauert / self.lift_factor, dtype=float),
            lift_factor=self.lift_factor,
            drag_factor=self.drag_factor,
            rotation=np.minimum(self.stall_delay * flow.chord_to_radius**2, 1.0),
            delay_drag=self.delay_drag,
        )

    def coefficients(self, alpha: Array, flow: SectionFlow) -> tuple[Array, Array]:
        """Return lift and drag coefficients; see `Polar.coefficients`."""
        return self.section(flow).coefficients(np.sin(alpha), np.cos(alpha))

    def scaled(self, drag: float | Array, max_lift: float | Array) -> TablePolar:
        """Return the polar with its drag and its largest lift multiplied."""
        return replace(self, drag_factor=self.drag_factor * drag, lift_factor=self.lift_factor * max_lift)


@dataclass(frozen=True)
class TableSection:
    """A table polar at local conditions; arrays broadcast to one shape.

    Attributes
    ----------
    tables : tuple of ndarray, shape (n_re * 721,)
        Lift and drag, one Reynolds number after another.
    lower, upper : ndarray of int
        Where the Reynolds numbers next below and above begin in them.
    share : ndarray
        Weight of the upper one.
    zero, slope : ndarray
        Angle of zero lift [rad] and lift slope [1/rad], compressibility included.
    stretch : ndarray
        Prandtl-Glauert factor over lift factor.
    lift_factor, drag_factor, delay_drag : float or ndarray
        As in `TablePolar`.
    rotation : ndarray
        Share of the lift lost to stall that rotation gives back.
    """

    tables: tuple[Array, Array]
    lower: NDArray[np.int_]
    upper: NDArray[np.int_]
    share: Array
    zero: Array
    slope: Array
    stretch: Array
    lift_factor: float | Array
    drag_factor: float | Array
    rotation: Array
    delay_drag: float

    def coefficients(self, sine: Array, cosine: Array) -> tuple[Array, Array]:
        """Return lift and drag coefficients from sine and cosine of the angle of attack."""
        away = np.mod(np.arctan2(sine, cosine) - self.zero + math.pi, 2.0 * math.pi) - math.pi
        fade = smooth_step((np.abs(away) - _NEAR) / (_FAR - _NEAR))
        factor = self.lift_factor + fade * (1.0 - self.lift_factor)
        scaled = away * (self.stretch + fade * (1.0 - self.stretch))
        cell = (np.mod(self.zero + scaled + math.pi, 2.0 * math.pi)) / _STEP
        left = np.minimum(cell.astype(int), _GRID.size - 2)
        part = cell - left
        low, high = self.lower + left, self.upper + left

        def look(table: Array) -> Array:
            below = (1.0 - part) * table[low] + part * table[low + 1]
            above = (1.0 - part) * table[high] + part * table[high + 1]
            out: Array = (1.0 - self.share) * below + self.share * above
            return out

        lift, drag = factor * look(self.tables[0]), look(self.tables[1])
        incidence_sine = np.sin(away)
        incidence = 2.0 * np.abs(np.sin(0.5 * away))
        regained = np.maximum(self.slope * incidence_sine - lift, 0.0)
        gain = rotation_taper(self.rotation, incidence_sine, incidence) * regained
        drag = drag + self.delay_drag * gain * sine / np.maximum(cosine, 0.1)
        return lift + gain, self.drag_factor * drag

    def taken(self, places: NDArray[np.intp], shape: tuple[int, ...]) -> TableSection:
        """Return the section at chosen elements, in one row."""
        return at_elements(self, places, shape)


def _extend(
    alpha: Array, lift: Array, drag: Array, broadside: float, number: float, where: str
) -> tuple[Array, Array, float, float]:
    """Return one Reynolds number over the whole circle, with its zero-lift angle and lift slope."""
    told = f"{where}, Reynolds number {number:.3g}"
    if alpha.size < 5:
        raise FlightprocError(
            "too few angles in the polar table", where=told, found=alpha.size, allowed="5 or more"
        )
    up = np.flatnonzero((lift[:-1] <= 0.0) & (lift[1:] > 0.0) & (np.abs(alpha[:-1]) < math.radians(20.0)))
    if not up.size:
        raise FlightprocError(
            "the lift of the polar table does not rise through zero",
            where=told,
            hint="begin the table below the angle of zero lift, about -8 deg",
        )
    k = int(up[0])
    zero = float(alpha[k] - lift[k] * (alpha[k + 1] - alpha[k]) / (lift[k + 1] - lift[k]))
    near = (alpha > zero - math.radians(1.0)) & (alpha < zero + math.radians(6.0))
    if near.sum() < 2:
        near = np.zeros(alpha.size, bool)
        near[k : k + 2] = True
    slope = float(np.polyfit(alpha[near], lift[near], 1)[0])
    inside_lift, inside_drag = np.interp(_GRID, alpha, lift), np.interp(_GRID, alpha, drag)
    edge = np.clip(_GRID, alpha[0], alpha[-1])
    fade = smooth_step(np.abs(_GRID - edge) / _BLEND)
    plate_lift = broadside * np.sin(_GRID) * np.cos(_GRID)
    plate_drag = float(drag.min()) + broadside * np.sin(_GRID) ** 2
    return (
        inside_lift + fade * (plate_lift - inside_lift),
        inside_drag + fade * (plate_drag - inside_drag),
        zero,
        slope,
    )


def read_polar_table(path: str | os.PathLike[str]) -> TablePolar:
    r"""Read a polar from a CSV file with columns ``alpha_deg``, ``cl``, ``cd`` and, at will, ``reynolds``.

    Parameters
    ----------
    path : path
        Lines that begin with # are comments. Without ``reynolds`` one polar serves all.

    Returns
    -------
    TablePolar

    Raises
    ------
    FlightprocError
        Where the file cannot be read or is no such table.

    Examples
    --------
    >>> import numpy as np
    >>> import tempfile
    >>> from pathlib import Path
    >>> from flightproc.propeller import read_polar_table
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "section.csv")
    ...     _ = path.write_text(
    ...         "alpha_deg,cl,cd\n"
    ...         + "".join(f"{a},{0.3 + 0.1 * a:.2f},{0.01 + 0.0001 * a * a:.4f}\n" for a in range(-10, 16))
    ...     )
    ...     polar = read_polar_table(path)
    >>> np.degrees(polar.zero_lift).round(1)
    array([-3.])
    """
    place = Path(path)
    try:
        text = place.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise FlightprocError("the polar table cannot be read", where=str(place), found=str(error)) from error
    lines = [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    rows = [[cell.strip() for cell in row] for row in csv.reader(lines)]
    names = [name.lower() for name in rows[0]] if rows else []
    missing = [name for name in ("alpha_deg", "cl", "cd") if name not in names]
    if missing:
        raise FlightprocError(
            f"the polar table lacks the column {missing[0]}",
            where=str(place),
            found=", ".join(names) or "an empty file",
            allowed="alpha_deg, cl, cd, and at will reynolds",
        )
    columns: dict[str, list[float]] = {name: [] for name in names}
    for number, row in enumerate(rows[1:], start=2):
        if len(row) != len(names):
            raise FlightprocError(
                "a row of the polar table has another number of cells",
                where=f"{place}, row {number}",
                found=len(row),
                allowed=str(len(names)),
            )
        for name, cell in zip(names, row, strict=True):
            try:
                columns[name].append(float(cell))
            except ValueError as error:
                if name in ("alpha_deg", "cl", "cd", "reynolds"):
                    raise FlightprocError(
                        "a cell of the polar table is no number",
                        where=f"{place}, row {number}, {name}",
                        found=cell,
                    ) from error
    return TablePolar.from_rows(
        np.radians(columns["alpha_deg"]),
        np.array(columns.get("reynolds") or [5e5]),
        np.array(columns["cl"]),
        np.array(columns["cd"]),
        where=str(place),
    )
