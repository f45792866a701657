"""DataFlash, the binary log of ArduPilot-style autopilots.

The log defines its own messages, units and multipliers; records are found with numpy, since a loop over a
million of them in Python takes many times as long as all the rest.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..errors import UnreadableLogError
from .build import RecordingBuilder
from .content import Content, load_content, refuse_columns
from .dataflash_fill import fill_recording
from .dataflash_format import SCALES, TEXT_CODES, Format, UnitTable
from .dataflash_walk import MARK, Message, Walk, walk_records
from .recording import Recording

__all__ = ["NAME", "read", "sniff"]

NAME = "DataFlash"

_DEFINITION = re.compile(rb"\xa3\x95\x80[\x00-\xff][\x04-\xff][A-Z][A-Z0-9_]{0,3}")
_TOLD = 25  # damaged stretches that are told one by one

Array = NDArray[np.float64]
Places = NDArray[np.int64]


def sniff(head: bytes) -> bool:
    r"""Return whether the content is a binary DataFlash log, its beginning damaged or not.

    Examples
    --------
    >>> sniff(b"\xa3\x95\x80\x80YFMT\x00BBnNZ"), sniff(b"FMT, 128, 89, FMT, BBnNZ, Type")
    (True, False)
    """
    return head.startswith(MARK) or len(_DEFINITION.findall(head)) >= 2


def read(
    path: str | Path, columns: Mapping[str, object] | None = None, *, content: Content | None = None
) -> Recording:
    """Read a binary DataFlash log.

    Parameters
    ----------
    path : str or Path
        File.
    columns : None
        The log names its own fields; a column map is an error.
    content : Content, optional
        The file's bytes, where they are already at hand.

    Raises
    ------
    LogError
        If a column map is given.
    UnreadableLogError
        If it holds no record beyond definitions.

    Notes
    -----
    Time 0 is the first sample of any channel. A record that no other follows where it should end is left out
    and told, as are records whose time lies more than 10 s from their neighbours in the file.
    """
    content = content or load_content(path)
    refuse_columns(columns, "a DataFlash log", content.path)
    walk = walk_records(content.data)
    tables = [_Table(content.data, message) for message in walk.messages]
    if all(table.form.name in ("FMT", "FMTU", "UNIT", "MULT") for table in tables):
        reason = " beyond its definitions" if tables else ": no whole record was found"
        if walk.strays:
            reason = f" that can be read: {sum(walk.strays.values())} records have lost their definitions"
        raise UnreadableLogError(
            f"the DataFlash log holds no data{reason}",
            where=content.path,
            hint="check that the logger was recording, or copy the file again",
        )
    builder = RecordingBuilder(content, NAME)
    _tell_walk(builder, walk)
    fill_recording(builder, tables, _read_units(content.data, walk))
    return builder.build()


class _Table:
    """A message type of a binary log, as :class:`flightproc.readers.dataflash_fill.Table`."""

    def __init__(self, data: bytes, message: Message) -> None:
        self._data = data
        self._message = message
        self.form: Format = message.form
        self.places: Places = message.starts
        self._codes = dict(zip(self.form.columns, self.form.codes, strict=True))
        self._columns: dict[str, NDArray[np.generic]] = {}

    def prepare(self, names: Collection[str]) -> None:
        wanted = {name for name in names if self._codes.get(name, "Z") not in TEXT_CODES}
        self._columns = self._message.columns(self._data, wanted)

    def column(self, name: str, rows: Places | None = None) -> Array:
        raw = self._columns.get(name)
        if raw is None:
            return np.full(self.places.size if rows is None else rows.size, np.nan)
        with np.errstate(invalid="ignore"):  # damage may look like a signalling NaN
            values = (raw if rows is None else raw[rows]).astype(np.float64)
        code = self._codes[name]
        if code in SCALES:
            values /= SCALES[code]  # dividing gives the nearest number, multiplying by 0.01 does not
        return values


def _read_units(data: bytes, walk: Walk) -> UnitTable:
    """Return what the UNIT, MULT and FMTU records say."""
    table = UnitTable()

    def rows(name: str, *columns: str) -> list[tuple[object, ...]]:
        out: list[tuple[object, ...]] = []
        for message in walk.messages:
            if message.form.name == name:
                found = message.columns(data, columns)
                if len(found) == len(columns):
                    out += zip(*(found[column].tolist() for column in columns), strict=True)
        return out

    for key, label in rows("UNIT", "Id", "Label"):
        if isinstance(key, int) and isinstance(label, bytes):
            table.labels[chr(key & 255)] = label.decode("latin-1").strip()
    for key, factor in rows("MULT", "Id", "Mult"):
        if isinstance(key, int) and isinstance(factor, float):
            table.factors[chr(key & 255)] = factor
    for number, units, factors in rows("FMTU", "FmtType", "UnitIds", "MultIds"):
        if isinstance(number, int) and isinstance(units, bytes) and isinstance(factors, bytes):
            table.uses[number] = units.decode("latin-1"), factors.decode("latin-1")
    return table


def _tell_walk(builder: RecordingBuilder, walk: Walk) -> None:
    size = builder.content.size
    data = builder.content.data
    for gap in walk.gaps[:_TOLD]:
        length = gap.stop - gap.start
        if gap.stop < size:
            builder.tell(
                "corrupt",
                f"bytes {gap.start} to {gap.stop}",
                f"{length} bytes that are no whole record were skipped",
            )
        elif len(set(data[gap.start : gap.stop])) == 1 and length > 2:
            builder.tell(
                "cut",
                f"byte {gap.start} of {size}",
                f"the log ends here; {length} bytes of filling ({data[gap.start]:02x}) follow",
            )
        else:
            builder.tell(
                "cut",
                f"byte {gap.start} of {size}",
                f"the file ends within a record; its last {length} bytes were left out",
            )
    rest = walk.gaps[_TOLD:]
    if rest:
        builder.tell(
            "corrupt",
            f"bytes {rest[0].start} to {rest[-1].stop}",
            f"{len(rest)} further stretches, {sum(gap.stop - gap.start for gap in rest)} bytes in all, that "
            "are no whole record were skipped",
        )
    for fault in walk.faults[:_TOLD]:
        builder.tell("corrupt", "definitions", fault)
    if len(walk.faults) > _TOLD:
        builder.tell("corrupt", "definitions", f"{len(walk.faults) - _TOLD} further faults of this kind")
    if walk.strays:
        ids = ", ".join(f"{number}" for number in sorted(walk.strays)[:8])
        count = sum(walk.strays.values())
        builder.tell(
            "corrupt",
            "data",
            f"{count} records have an id that no FMT record defines, or whose FMT record is damaged ({ids})",
            count,
        )
