"""Points of a GPX file, read one by one, so that a long file costs little memory.

gpxpy builds the tree of the whole file, then an object for every point with all that it may hold, and keeps
both. Here the tree is built by the standard library as the bytes come in; when the end tag of a point has
come, its values go into columns and it is forgotten. A point that is not sound throughout is handed to
gpxpy, which says what to make of it; what gpxpy would refuse a whole file for is mended in the one point that
has it.
"""

from __future__ import annotations

import datetime
import itertools
import math
import re
import xml.etree.ElementTree as ET
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, cast

import numpy as np
from gpxpy.gpx import GPXException, GPXRoutePoint, GPXTrackPoint, GPXWaypoint
from gpxpy.gpxfield import gpx_fields_from_xml, parse_time
from numpy.typing import NDArray

from ..errors import UnreadableLogError

__all__ = ["STANDARD", "Points", "local_name", "read_points"]

Array = NDArray[np.float64]

STANDARD = {
    "ele": ("elevation", "m"),
    "speed": ("speed", "m/s"),
    "course": ("course", "deg"),
    "magvar": ("magnetic_variation", "deg"),
    "geoidheight": ("geoid_height", "m"),
    "sat": ("satellites", ""),
    "hdop": ("horizontal_dilution", ""),
    "vdop": ("vertical_dilution", ""),
    "pdop": ("position_dilution", ""),
}
"""Numbers that a point may have: gpxpy's name and the unit."""

_NUMBERS = frozenset((*STANDARD, "ageofdgpsdata", "dgpsid"))
_WHOLE = frozenset(("sat", "dgpsid"))
_FIXES = ("none", "2d", "3d", "dgps", "pps")
_MOVING = frozenset(("speed", "course"))
_READ = _NUMBERS | {"time", "fix"}
_CLASSES: dict[str, Any] = {
    "trkpt": GPXTrackPoint,
    "rtept": GPXRoutePoint,
    "wpt": GPXWaypoint,
}
_BLOCK = 1 << 13  # bytes handed to the XML parser at once: few elements alive, little work for the collector
_ROWS = 4_096  # points of a segment that are read before they are dropped from the tree
_EPOCH = datetime.datetime(1970, 1, 1)
_COMMON = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d{1,6})?Z", re.ASCII)  # nearly every time


def local_name(tag: object) -> str:
    """Return an element's name without its namespace; empty for comments.

    Examples
    --------
    >>> local_name("{http://www.topografix.com/GPX/1/1}trkpt")
    'trkpt'
    """
    return tag.rsplit("}", 1)[-1] if isinstance(tag, str) else ""


@dataclass
class Points:
    """The track points of a file as columns, in file order, and what was lost.

    Attributes
    ----------
    lat, lon, time : ndarray, shape (n,)
        Position [deg] and UTC [s since 1970]; NaN without a time.
    piece : ndarray of int, shape (n,)
        Number of the segment.
    values : dict of str to (ndarray of int, ndarray of float)
        For every other field the points that have it and its values there; NaN where it is text.
    naive : bool
        Whether a time names no zone.
    routes, waypoints : int
        Points that belong to no track.
    counts : dict of str to (int, str)
        What was left out, in words, how often, and the first of it.
    """

    lat: Array
    lon: Array
    time: Array
    piece: NDArray[np.int64]
    values: dict[str, tuple[NDArray[np.int64], Array]]
    naive: bool = False
    routes: int = 0
    waypoints: int = 0
    counts: dict[str, tuple[int, str]] = field(default_factory=dict)

    def column(self, name: str) -> Array:
        """Return one field at every point, NaN where a point lacks it."""
        rows, values = self.values.get(name, (np.empty(0, dtype=np.int64), np.empty(0)))
        if rows.size == self.lat.size:
            return values
        out = np.full(self.lat.size, np.nan)
        out[rows] = values
        return out


def read_points(data: bytes, where: str) -> Points:
    """Read the points of a sound XML file.

    Parameters
    ----------
    data : bytes
        XML in an encoding that the parser knows.
    where : str
        File name, for errors.

    Raises
    ------
    xml.etree.ElementTree.ParseError
        If the XML is broken.
    UnreadableLogError
        If the root is not ``gpx``.
    """
    opening = re.search(rb"<(?:[\w.-]+:)?gpx\b[^<>]*>", data)
    version = re.search(rb"\sversion\s*=\s*['\"]([^'\"]*)['\"]", opening[0]) if opening else None
    collector = _Collector("1.0" if version is None or version[1] == b"1.0" else "1.1")
    parser: ET.XMLPullParser[ET.Element] = ET.XMLPullParser(events=("start", "end"))
    root: ET.Element | None = None
    passed: set[str] = set()  # tags of elements that are looked at with their point, or not at all
    for block in itertools.chain(_blocks(data, opening), (b"",)):
        if block:
            try:
                parser.feed(block)
            except (LookupError, ValueError) as error:  # an encoding that the parser does not know
                raise ET.ParseError(str(error)) from error
        else:
            parser.close()
        for event, root in cast(Iterator[tuple[str, ET.Element]], parser.read_events()):
            if root.tag not in passed and not collector.take(root, event == "end"):
                passed.add(root.tag)
    name = local_name(root.tag) if root is not None else ""
    if name != "gpx":
        raise UnreadableLogError("the root of this XML is not gpx", where=where, found=name, allowed="gpx")
    del parser, root  # and with them the tree
    return collector.done()


def _blocks(data: bytes, opening: re.Match[bytes] | None) -> Iterator[bytes]:
    """Yield the file in blocks, its root without the default namespace, as gpxpy wants it."""
    start = 0
    if opening:
        yield data[: opening.start()] + re.sub(rb"\sxmlns=(['\"])[^'\"]+\1", b"", opening[0], count=1)
        start = opening.end()
    for at in range(start, len(data), _BLOCK):
        yield data[at : at + _BLOCK]


@lru_cache(maxsize=256)
def _only(name: str, version: str, tags: frozenset[str]) -> type:
    """Return gpxpy's class of a point, narrowed to its position and to what one point has."""
    whole = _CLASSES[name]
    fields = whole.gpx_10_fields if version == "1.0" else whole.gpx_11_fields
    kept = [f for f in fields if not isinstance(f, str) and (f.attribute in ("lat", "lon") or f.tag in tags)]
    return type(whole.__name__, (whole,), {"__slots__": (), "gpx_10_fields": kept, "gpx_11_fields": kept})


_Point = tuple[float, float, list[tuple[str, float]]]
"""Latitude and longitude [deg], and the other numbers of a point."""


def _plain(element: ET.Element, given: list[tuple[str, str | None]]) -> _Point | None:
    """Return a point of which all is sound, as nearly all are; None where gpxpy is to judge."""
    numbers: dict[str, float] = {}
    try:
        latitude, longitude = float(element.attrib["lat"]), float(element.attrib["lon"])
        for tag, text in given:
            if text is None:
                continue
            if tag == "fix":
                if text not in _FIXES:
                    return None
            elif tag in numbers:
                return None
            else:
                numbers[tag] = int(text) if tag in _WHOLE else float(text)
    except (KeyError, ValueError):
        return None
    return latitude, longitude, [(tag, x) for tag, x in numbers.items() if tag in STANDARD]


class _Collector:
    """Takes elements as their end tags come."""

    def __init__(self, version: str) -> None:
        self.version = version
        self.lat, self.lon, self.time, self.pieces = array("d"), array("d"), array("d"), array("q")
        self.cells: dict[str, tuple[array[int], array[float]]] = {}
        self.piece = 0
        self.naive = False
        self.other = {"rtept": 0, "wpt": 0}
        self.counts: dict[str, tuple[int, str]] = {}
        self.names: dict[object, str] = {}
        self.segment = ET.Element("trkseg")

    def lose(self, words: str, example: str = "") -> None:
        count, first = self.counts.get(words, (0, example.strip()[:30]))
        self.counts[words] = (count + 1, first)

    def take(self, element: ET.Element, complete: bool) -> bool:
        """Take an element that begins or is complete; return whether its kind is of interest by itself."""
        tag = element.tag
        name = tag if tag in _CLASSES else local_name(tag)
        if name in _CLASSES:
            if complete:
                self._point(name, element)
                element.clear()
                if len(self.segment) > _ROWS:
                    self.segment.clear()  # what it held has been read
        elif name == "trkseg":
            self.segment = element
            self.piece += complete
        else:
            return False
        return True

    def _point(self, name: str, element: Any) -> None:
        leaves: list[tuple[str, str]] = []
        given: list[tuple[str, str | None]] = []
        stamp = ""
        for child in list(element):
            tag = child.tag
            if tag not in _READ:
                bare = local_name(tag)
                if bare == "extensions":
                    for part in child.iter():
                        if part.text and part is not child:
                            leaves.append((self.names.get(part.tag) or self._name(part.tag), part.text))
                if bare not in _READ:
                    continue
                tag = child.tag = bare
            if tag == "time":
                stamp = stamp or child.text or ""  # of two the first, as gpxpy has it
            elif tag in _MOVING and self.version == "1.1":
                self._moving(tag, child.text, leaves)
            else:
                given.append((tag, child.text))
        point = _plain(element, given)
        if point is None:
            point = self._by_gpxpy(name, element, frozenset(tag for tag, _ in given))
            if point is None:
                return
        latitude, longitude, numbers = point
        if not (-90.0 <= latitude <= 90.0 and -360.0 <= longitude <= 360.0):
            self.lose(f"{name} without a valid position")
            return
        time = self._time(stamp)
        if name != "trkpt":
            self.other[name] += 1
            return
        i = len(self.lat)
        self.lat.append(latitude)
        self.lon.append(longitude)
        self.time.append(time)
        self.pieces.append(self.piece)
        for field_name, value in numbers:
            if value - value != 0.0:  # NaN or infinite
                self.lose(f"{field_name} that is no number", str(value))
            else:
                self._cell(field_name, i, value)
        for leaf, text in leaves:
            text = text.strip()
            if text:
                self._cell(f"extensions/{leaf}", i, _number(text))

    def _by_gpxpy(self, name: str, element: Any, present: frozenset[str]) -> _Point | None:
        """Return a point as gpxpy reads it, mended where gpxpy refuses it; None where it is past mending."""
        kind = _only(name, self.version, present)
        try:
            point = gpx_fields_from_xml(kind, element, self.version)
        except GPXException:
            if not self._mend(name, element):
                return None
            try:
                point = gpx_fields_from_xml(kind, element, self.version)
            except GPXException as error:
                self.lose(f"{name} that gpxpy refuses", str(error))
                return None
        numbers = [(tag, getattr(point, attribute)) for tag, (attribute, _) in STANDARD.items()]
        return point.latitude, point.longitude, [(tag, x) for tag, x in numbers if x is not None]

    def _name(self, tag: object) -> str:
        self.names[tag] = local_name(tag)
        return self.names[tag]

    def _moving(self, tag: str, text: str | None, leaves: list[tuple[str, str]]) -> None:
        """Take a speed or course that GPX 1.1 has no place for as an extension."""
        text = (text or "").strip()
        if _is_number(text):
            leaves.append((tag, text))
        elif text:
            self.lose(f"{tag} that is no number", text)

    def _cell(self, name: str, i: int, value: float) -> None:
        cells = self.cells.get(name)
        if cells is None:
            cells = self.cells[name] = (array("q"), array("d"))
        rows, values = cells
        if rows and rows[-1] == i:
            values[-1] = value  # of two in one point the last counts
        else:
            rows.append(i)
            values.append(value)

    def _time(self, text: str) -> float:
        """Return the time of a point [s since 1970], NaN without one."""
        if _COMMON.fullmatch(text):
            try:
                return datetime.datetime.fromisoformat(text).timestamp()
            except (ValueError, OverflowError):
                pass
        text = text.strip()
        if not text:
            return math.nan
        try:
            time = parse_time(text)
        except (GPXException, ValueError):
            time = None
        if time is None:
            self.lose("time that is none", text)
            return math.nan
        seconds = (time.replace(tzinfo=None) - _EPOCH).total_seconds()
        if time.tzinfo is None:
            self.naive = True
            return seconds
        zone: Any = time.tzinfo
        return seconds - 60.0 * float(zone.offset)

    def _mend(self, name: str, element: ET.Element) -> bool:
        """Take out of a point what gpxpy refuses; return whether it has a position."""
        if not (_is_number(element.get("lat")) and _is_number(element.get("lon"))):
            self.lose(f"{name} without a valid position")
            return False
        for child in list(element):
            text = (child.text or "").strip()
            tag = local_name(child.tag)
            if not text:
                element.remove(child)
            elif tag in _NUMBERS and not _is_number(text, whole=tag in _WHOLE):
                self.lose(f"{tag} that is no number", text)
                element.remove(child)
            elif tag == "fix":
                child.text = text
                if text not in _FIXES:
                    self.lose("fix that the format does not know", text)
                    element.remove(child)
        return True

    def done(self) -> Points:
        return Points(
            lat=np.frombuffer(self.lat),
            lon=np.frombuffer(self.lon),
            time=np.frombuffer(self.time),
            piece=np.frombuffer(self.pieces, np.int64),
            values={
                name: (np.frombuffer(self.cells[name][0], np.int64), np.frombuffer(self.cells[name][1]))
                for name in sorted(self.cells, key=lambda name: _PLACE.get(name, len(_PLACE)))
            },
            naive=self.naive,
            routes=self.other["rtept"],
            waypoints=self.other["wpt"],
            counts=self.counts,
        )


_PLACE = {name: place for place, name in enumerate(STANDARD)}


def _number(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        return math.nan
    return value if math.isfinite(value) else math.nan


def _is_number(text: str | None, *, whole: bool = False) -> bool:
    try:
        value = float(int(text or "")) if whole else float(text or "")
    except (ValueError, OverflowError):
        return False
    return math.isfinite(value)
