"""A walk over the records of a binary DataFlash log: which are whole, where the file breaks.

The format has no checksum and no record length of its own: a record is two fixed bytes, an id, and as many
bytes as the FMT record of that id says. So each place that may be a header is found at once, each record is
confirmed by the header that follows where it ends, and only where that fails is a way back sought.

References
----------
ArduPilot project, "Logger Notes": format characters; FMT records define ids, lengths and columns.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from .dataflash_format import FMT_COLUMNS, FMT_ID, FMT_LENGTH, Format, find_fault, layout, parse_record

__all__ = ["MARK", "Gap", "Message", "Walk", "walk_records"]

MARK = b"\xa3\x95"
"""First two bytes of every record."""

_WORD = 0x95A3  # the same as a little-endian word
_BLOCK = 1 << 22  # words searched at a time
_FMT = Format(FMT_ID, FMT_LENGTH, "FMT", "BBnNZ", FMT_COLUMNS)
_ROWS = 4096  # records copied at a time
_EVIDENCE = 2000  # records looked at when the length of a type is in doubt

Places = NDArray[np.int64]


@dataclass(frozen=True)
class Gap:
    """A stretch of bytes that holds no whole record.

    Attributes
    ----------
    start, stop : int
        Bytes of the file, ``stop`` not included.
    """

    start: int
    stop: int


@dataclass(frozen=True)
class Message:
    """All records of one message type.

    Attributes
    ----------
    form : Format
        Its definition.
    starts : ndarray of int, shape (n,)
        Where each record begins in the file, increasing.
    """

    form: Format
    starts: Places

    def columns(self, data: bytes, names: Collection[str]) -> dict[str, NDArray[np.generic]]:
        """Return columns of every record in their own types, not scaled.

        The records are copied out block by block, so that each is fetched from memory once for all columns.
        """
        places = {name: place for name, place in layout(self.form).items() if name in names}
        types = {name: np.dtype(kind) for name, (kind, _, _) in places.items()}
        out: dict[str, NDArray[np.generic]] = {
            name: np.empty((self.starts.size, *dtype.shape), dtype.base) for name, dtype in types.items()
        }
        if not out or not self.starts.size:
            return out
        length = self.form.length
        record = np.dtype(
            {
                "names": list(places),
                "formats": list(types.values()),
                "offsets": [offset for _, offset, _ in places.values()],
                "itemsize": length,
            }
        )
        windows: NDArray[np.void] = np.ndarray((len(data) - length + 1,), f"V{length}", data, strides=(1,))
        for at in range(0, self.starts.size, _ROWS):
            rows = windows[self.starts[at : at + _ROWS]].view(record)
            for name, column in out.items():
                column[at : at + _ROWS] = rows[name]
        return out


@dataclass
class Walk:
    """What the walk found.

    Attributes
    ----------
    messages : list of Message
        Every type with at least one record, in the order of their first definition.
    gaps : list of Gap
        Damaged stretches, in file order.
    strays : dict of int to int
        For each id without a definition how many records it has.
    faults : list of str
        What was wrong among the definitions.
    records : int
        How many whole records of known types there are.
    """

    messages: list[Message] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    strays: dict[int, int] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)
    records: int = 0


def walk_records(data: bytes) -> Walk:
    """Find the whole records of a binary log.

    Parameters
    ----------
    data : bytes
        The whole file.
    """
    return _Walker(data).run()


def _find_marks(data: bytes) -> Places:
    """Return every place at which a header may begin."""
    found = []
    for odd in (0, 1):
        words = np.frombuffer(data, dtype="<u2", count=(len(data) - odd) // 2, offset=odd)
        for start in range(0, words.size, _BLOCK):
            hits = np.flatnonzero(words[start : start + _BLOCK] == _WORD)
            found.append(2 * (hits + start) + odd)
    marks = np.concatenate(found) if found else np.empty(0, dtype=np.int64)
    marks.sort(kind="stable")
    return marks[marks + 3 <= len(data)]


class _Walker:
    def __init__(self, data: bytes) -> None:
        self.data = data
        self.raw = np.frombuffer(data, dtype=np.uint8)
        self.end = len(data)
        self.marks = _find_marks(data) if self.end >= 3 else np.empty(0, dtype=np.int64)
        self.ids = self.raw[self.marks + 2]
        self.forms: dict[int, list[tuple[int, Format]]] = {FMT_ID: [(0, _FMT)]}
        self.walk = Walk()

    def run(self) -> Walk:
        """Do the walk."""
        self._read_formats()
        keep = self._follow(self._lengths())
        self._sort_out(keep)
        return self.walk

    # Definitions ---------------------------------------------------------------------------------------

    def _read_formats(self) -> None:
        """Read every FMT record in the file, so that one that comes late serves earlier records too."""
        places = self.marks[(self.ids == FMT_ID) & (self.marks + FMT_LENGTH <= self.end)]
        places = places[(self.raw[places + 4] > 3) & ((self.raw[places + 5] | 32) - 97 < 26)]
        seen: dict[bytes, Format | None] = {}
        for place in places.tolist():
            record = self.data[place : place + FMT_LENGTH]
            if record not in seen:
                seen[record] = self._accept(place, parse_record(record))
            form = seen[record]
            if form is None or form.number == FMT_ID:
                continue
            known = self.forms.setdefault(form.number, [])
            if not known or known[-1][1] != form:
                known.append((place, form))
        for number, known in self.forms.items():
            if len({form.length for _, form in known}) > 1 or len({form.name for _, form in known}) > 1:
                names = " and ".join(dict.fromkeys(form.name for _, form in known))
                self.walk.faults.append(
                    f"id {number} is defined {len(known)} times over ({names}): each record is read by the "
                    "definition before it"
                )

    def _accept(self, place: int, form: Format) -> Format | None:
        """Return a definition that makes sense, its length put right where the records say so."""
        follows = place + FMT_LENGTH == self.end or self.data[place + 89 : place + 91] == MARK
        fault = find_fault(form)
        if fault:
            if follows:
                self.walk.faults.append(f"the FMT record at byte {place} cannot be used ({fault})")
            return None
        if form.number == FMT_ID:
            return _FMT
        if form.size == form.length:
            return form
        starts = self.marks[self.ids == form.number][:_EVIDENCE]
        fits = [self._share_followed(starts, length) for length in (form.length, form.size)]
        if fits[1] > fits[0] and form.size < 256:
            self.walk.faults.append(
                f"{form.name}: the FMT record says {form.length} bytes, its records have {form.size}"
            )
            return Format(form.number, form.size, form.name, form.codes, form.columns)
        if form.length <= 3 or not follows:
            return None
        self.walk.faults.append(
            f"{form.name}: records of {form.length} bytes, but the format describes {form.size}"
            + (": what does not fit is left out" if form.size > form.length else "")
        )
        return form

    def _share_followed(self, starts: Places, length: int) -> float:
        ends = starts + length
        ends = ends[ends + 2 <= self.end]
        if length < 4 or not ends.size:
            return 0.0
        return float(np.mean((self.raw[ends] == MARK[0]) & (self.raw[ends + 1] == MARK[1])))

    def _lengths(self) -> NDArray[np.int64]:
        """Return for each mark how long its record is; let go of those whose length cannot be told."""
        table = np.zeros(256, dtype=np.int64)
        for number, known in self.forms.items():
            table[number] = known[0][1].length
        present = np.bincount(self.ids, minlength=256)
        for number in np.flatnonzero((present >= 3) & (table == 0)).tolist():
            table[number] = self._usual_length(number)
        if np.any((table == 0) & (present > 0)):
            told = table[self.ids] > 0
            self.marks, self.ids = self.marks[told], self.ids[told]
        lengths = table[self.ids]
        for number, known in self.forms.items():
            if len({form.length for _, form in known}) > 1:
                mine = np.flatnonzero(self.ids == number)
                each = np.array([form.length for _, form in known])
                lengths[mine] = each[_in_force(known, self.marks[mine])]
        return lengths

    def _usual_length(self, number: int) -> int:
        """Return the length that most records of an undefined id seem to have, 0 where there is none."""
        at = np.flatnonzero(self.ids == number)[:_EVIDENCE]
        at = at[at + 1 < self.marks.size]
        steps = self.marks[at + 1] - self.marks[at]
        steps = steps[(steps > 3) & (steps < 256)]
        if steps.size < 3:
            return 0
        tally = np.bincount(steps)
        return int(tally.argmax()) if tally.max() > 0.5 * steps.size else 0

    # Records -------------------------------------------------------------------------------------------

    def _follow(self, lengths: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Follow the records from one to the next; return which marks begin a whole one."""
        marks, size = self.marks, self.marks.size
        keep = np.zeros(size, dtype=bool)
        ends = marks + lengths
        link, credible = self._links(lengths, ends)
        halts = np.flatnonzero(link != np.arange(1, size + 1))
        i = 0
        if size == 0 or marks[0] != 0:
            i = int(credible[0]) if credible.size else size
            self._lose(0, int(marks[i]) if i < size else self.end)
        while i < size:
            k = int(np.searchsorted(halts, i))
            if k == halts.size:
                keep[i:] = True
                break
            b = int(halts[k])
            keep[i:b] = True
            if link[b] > b:  # what looked like headers in between was data
                keep[b] = True
                i = int(link[b])
                continue
            k = int(np.searchsorted(credible, b, side="right"))
            j = int(credible[k]) if k < credible.size else size
            place = int(marks[j]) if j < size else self.end
            start, stop = int(marks[b]), int(ends[b])
            if stop <= place and self._ends_well(stop, place):
                keep[b] = True
                self._lose(stop, place)
            else:
                self._lose(start, place)
            i = j
        return keep

    def _links(self, lengths: NDArray[np.int64], ends: Places) -> tuple[Places, Places]:
        """Return the mark that each record leads to (size for the end, -1 for none), and the credible marks.

        A mark is credible where three records follow each other from it, or fewer just to the end.
        """
        marks, size = self.marks, self.marks.size
        following = np.append(marks[1:], self.end)
        link = np.where(ends == following, np.arange(1, size + 1), -1)
        rest = np.flatnonzero((link < 0) & (ends <= self.end))
        hit = np.searchsorted(marks, ends[rest])
        exact = np.append(marks, self.end)[hit] == ends[rest]
        link[rest[exact]] = hit[exact]
        good = np.append(link >= 0, True)
        second = good[link] & good[:-1]
        third = np.append(second, True)[link] & second
        return link, np.flatnonzero(third)

    def _ends_well(self, stop: int, place: int) -> bool:
        """Whether the record that ends at ``stop`` is whole although no header follows it.

        It is taken for whole where half a header follows, or nothing but one filling byte that differs from
        its own last byte: then the damage began behind it.
        """
        if stop >= place:
            return stop == self.end
        if self.raw[stop] == MARK[0] or self.data[stop + 1 : stop + 2] == MARK[1:]:
            return True
        fill = self.raw[stop]
        return bool(fill in (0, 255) and self.raw[stop - 1] != fill and np.all(self.raw[stop:place] == fill))

    def _lose(self, start: int, stop: int) -> None:
        if stop > start:
            self.walk.gaps.append(Gap(start, stop))

    def _sort_out(self, keep: NDArray[np.bool_]) -> None:
        """Give each type its records."""
        starts, ids = self.marks[keep], self.ids[keep]
        if not ids.size:
            return
        order = np.argsort(ids, kind="stable")
        numbers, firsts = np.unique(ids[order], return_index=True)
        merged: dict[Format, list[tuple[Format, Places]]] = {}
        for number, at in zip(numbers.tolist(), np.split(order, firsts[1:]), strict=True):
            known = self.forms.get(number)
            if known is None:
                self.walk.strays[number] = self.walk.strays.get(number, 0) + at.size
                continue
            self.walk.records += at.size
            mine = starts[at]
            use = _in_force(known, mine) if len(known) > 1 else None
            for k, (_, form) in enumerate(known):
                part = mine if use is None else mine[use == k]
                if part.size:
                    merged.setdefault(replace(form, number=0), []).append((form, part))
        for parts in merged.values():
            together = parts[0][1]
            if len(parts) > 1:
                together = np.sort(np.concatenate([part for _, part in parts]))
            self.walk.messages.append(Message(parts[0][0], together))
        self.walk.messages.sort(key=lambda message: self.forms[message.form.number][0][0])


def _in_force(known: list[tuple[int, Format]], places: Places) -> NDArray[np.int64]:
    """Return for each place which definition counts: the last before it, or the first of all."""
    defined = np.array([place for place, _ in known])
    return np.maximum(np.searchsorted(defined, places, side="right") - 1, 0)
