"""GPX 1.0 and 1.1, read with gpxpy.

Only tracks are flights: routes and waypoints are listed and feed no channel.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..errors import UnreadableLogError
from .build import RecordingBuilder, median_rate
from .content import Content, load_content, refuse_columns
from .geodesy import centred_rate, velocity_from_positions
from .recording import RawField, Recording

if TYPE_CHECKING:
    from .gpx_points import Points

__all__ = ["NAME", "read", "sniff"]

NAME = "GPX"

Array = NDArray[np.float64]

_FIRST_UTC = 631_152_000.0  # s, 1990-01-01
_LAST_UTC = 4_102_444_800.0  # s, 2100-01-01
_BREAK = 10.0  # median steps without a point that part two pieces of track
_FAST = 2.0  # m/s, median speed from which logged speed and positions can be compared
_SPEED_UNITS = {"m/s": 1.0, "km/h": 3.6, "kt": 3600.0 / 1852.0, "mph": 3600.0 / 1609.344}
_EXTENSION_UNITS = {"speed": "m/s", "course": "deg", "hr": "1/min", "cad": "1/min", "atemp": "C"}
_NAMES = {"hr": "heart rate", "cad": "cadence", "atemp": "temperature at the logger"}


def sniff(head: bytes) -> bool:
    """Return whether the content is GPX, also in UTF-16.

    Examples
    --------
    >>> sniff(b'<?xml version="1.0"?><gpx version="1.1">'), sniff(b"<kml>")
    (True, False)
    """
    text = head.replace(b"\x00", b"").lstrip(b"\xef\xbb\xbf\xff\xfe \t\r\n")
    return text.startswith(b"<") and re.search(rb"<(?:[\w.-]+:)?gpx[\s>]", text) is not None


def read(
    path: str | Path, columns: Mapping[str, object] | None = None, *, content: Content | None = None
) -> Recording:
    """Read a GPX file.

    Parameters
    ----------
    path : str or Path
        File.
    columns : None
        GPX names its own fields; a column map is an error.
    content : Content, optional
        The file's bytes, where they are already at hand.

    Raises
    ------
    LogError
        If a column map is given.
    UnreadableLogError
        If no point can be read.

    Notes
    -----
    Time 0 is the first point with a usable time; ``start_utc`` is its UTC. Where speed and course are logged
    the ground velocity comes from them; velocity from positions, by centred differences on the WGS 84
    ellipsoid within each unbroken piece of track, is the second choice, or the only one.
    """
    content = content or load_content(path)
    refuse_columns(columns, "GPX", content.path)
    points, losses = _load(content)
    builder = RecordingBuilder(content, NAME)
    for loss in losses:
        builder.tell(*loss)
    for words, (count, first) in sorted(points.counts.items()):
        example = f', such as "{first}"' if first else ""
        builder.tell("bad_value", "points", f"left out: {words}{example} ({count} times)", count)
    routes, waypoints = points.routes, points.waypoints
    if not (points.lat.size or routes or waypoints):
        raise UnreadableLogError(
            "this GPX holds no point", where=content.path, hint="export the flight again, with its track"
        )
    for name, count in (("rtept", routes), ("wpt", waypoints)):
        if count:
            builder.fields.append(
                RawField(name, count, float("nan"), "deg", "", "not a track: feeds nothing")
            )
    if not points.lat.size:
        listed = " and ".join(
            f"{n} {word}{'s' if n > 1 else ''}"
            for n, word in ((routes, "route point"), (waypoints, "waypoint"))
            if n
        )
        builder.tell("no_time", "tracks", f"there is no track, only {listed}: nothing can be placed in time")
        return builder.build()
    _fill(builder, points)
    return builder.build()


def _load(content: Content) -> tuple[Points, list[tuple[str, str, str, int]]]:
    """Read the points as the file is, or, where it is broken or not UTF-8, as it can be mended."""
    import xml.etree.ElementTree as ET

    from .gpx_mend import decode_xml, is_plain, mend_text
    from .gpx_points import read_points

    if is_plain(content.data):
        try:
            return read_points(content.data, content.path), []
        except ET.ParseError:
            pass
    mended = mend_text(decode_xml(content.data, content.path), content.path)
    try:
        return read_points(mended.text.encode("utf-8"), content.path), mended.losses
    except ET.ParseError as error:
        raise UnreadableLogError(
            f"the XML cannot be read ({error})", where=content.path, hint="export the flight again"
        ) from error


def _in_order(points: Points) -> slice | NDArray[np.int64]:
    """Return the points with the segments in the order of their first times."""
    edges = np.flatnonzero(np.diff(points.piece)) + 1
    if not edges.size:
        return slice(None)
    first = np.where(np.isfinite(points.time), points.time, np.inf)
    timed = [next((float(t) for t in part if t < np.inf), np.inf) for part in np.split(first, edges)]
    parts = np.split(np.arange(points.time.size), edges)
    return np.concatenate([parts[k] for k in sorted(range(len(parts)), key=lambda k: timed[k])])


def _fill(builder: RecordingBuilder, track: Points) -> None:
    order = _in_order(track)
    time = track.time[order]
    total = time.size
    timed = int(np.count_nonzero(np.isfinite(time)))
    if timed == 0:
        builder.tell(
            "no_time",
            "trkpt",
            f"none of the {total} track points has a time: nothing can be placed in time",
            total,
        )
        keep = np.zeros(total, dtype=bool)
    else:
        keep = builder.clock(time, "trkpt", 2e-6)
    if track.naive:
        builder.note("some times name no time zone: taken as UTC, as the format says")
    used = time[keep]
    if used.size:
        if _FIRST_UTC < used[0] < _LAST_UTC:
            builder.start_utc = float(used[0])
        else:
            builder.note("the dates in this file are not credible: it is treated as having no UTC")
        chosen = slice(None) if isinstance(order, slice) and keep.all() else np.arange(total)[order][keep]
        _feed(builder, track, chosen, np.round(used - used[0], 6))
    _list(builder, track, used)


def _feed(builder: RecordingBuilder, track: Points, keep: slice | NDArray[np.int64], time: Array) -> None:
    latitude, longitude = np.radians(track.lat[keep]), np.radians(track.lon[keep])
    height = track.column("ele")[keep]
    builder.add("latitude", time, latitude, "trkpt.lat")
    builder.add("longitude", time, longitude, "trkpt.lon")
    if np.isfinite(height).any():
        builder.add("height", time, height, "ele")
    north, east, climb = (np.full(time.size, np.nan) for _ in range(3))
    for part in _pieces(time, track.piece[keep]):
        north[part], east[part] = velocity_from_positions(
            time[part], latitude[part], longitude[part], height[part]
        )
        climb[part] = centred_rate(time[part], height[part])
    for prefix in ("", "extensions/"):
        if f"{prefix}speed" not in track.values:
            continue
        speed = track.column(f"{prefix}speed")[keep]
        if not _speed_agrees(builder, f"{prefix}speed", speed, np.hypot(north, east)):
            continue
        builder.add("ground_speed", time, speed, f"{prefix}speed")
        if f"{prefix}course" in track.values:
            course = np.radians(track.column(f"{prefix}course")[keep])
            builder.add("track", time, course, f"{prefix}course")
            source = f"{prefix}speed and {prefix}course"
            if np.isfinite(speed * course).any():
                builder.add("velocity_north", time, speed * np.cos(course), source)
                builder.add("velocity_east", time, speed * np.sin(course), source)
    builder.add("velocity_north", time, north, "trkpt.lat", derived=True)
    builder.add("velocity_east", time, east, "trkpt.lon", derived=True)
    if np.isfinite(climb).any():
        builder.add("climb", time, climb, "ele", derived=True)


def _pieces(time: Array, piece: NDArray[np.int64]) -> list[slice]:
    """Return the unbroken pieces of the track: one segment, without a long pause."""
    if time.size < 2:
        return [slice(0, time.size)]
    step = np.diff(time)
    broken = (np.diff(piece) != 0) | (step > _BREAK * np.median(step))
    edges = [0, *(np.flatnonzero(broken) + 1).tolist(), time.size]
    return [slice(a, b) for a, b in itertools.pairwise(edges)]


def _speed_agrees(builder: RecordingBuilder, name: str, speed: Array, derived: Array) -> bool:
    """Return whether a logged speed agrees with the positions; where it is in another unit, say so."""
    both = np.isfinite(speed) & np.isfinite(derived) & (derived > _FAST)
    if np.count_nonzero(both) < 20:
        return True
    ratio = float(np.median(speed[both] / derived[both]))
    if 0.75 < ratio < 1.33:
        return True
    near = min(_SPEED_UNITS, key=lambda unit: abs(np.log(max(ratio, 1e-9) / _SPEED_UNITS[unit])))
    builder.note(
        f"{name} is {ratio:.2f} times what the positions give"
        + (f", as if it were in {near}" if near != "m/s" else "")
        + ": it is not used"
    )
    return False


def _list(builder: RecordingBuilder, track: Points, used: Array) -> None:
    from .gpx_points import STANDARD

    rate = median_rate(used)
    total = track.lat.size
    feeds = {
        source: ", ".join(
            channel
            for channel, group in builder.channels.items()
            if any(source in re.split(r" and ", s.source) for s in group)
        )
        for source in ("trkpt.lat", "trkpt.lon", *track.values)
    }
    builder.fields.append(RawField("trkpt.lat", total, rate, "deg", feeds["trkpt.lat"]))
    builder.fields.append(RawField("trkpt.lon", total, rate, "deg", feeds["trkpt.lon"]))
    timed = int(np.count_nonzero(np.isfinite(track.time)))
    if timed:
        builder.fields.append(RawField("time", timed, rate, "UTC", "", "time"))
    for name, (rows, values) in track.values.items():
        last = name.rsplit("/", 1)[-1]
        unit = STANDARD[name][1] if name in STANDARD else _EXTENSION_UNITS.get(last, "")
        text = bool(np.isnan(values).all())
        note = "text" if text else _NAMES.get(last, "")
        builder.fields.append(RawField(name, rows.size, rate, unit, feeds[name], note))
