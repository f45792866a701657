"""Makes a damaged GPX text readable again, and says what that cost.

gpxpy reads GPX; it refuses a whole file for one odd word in it. Here the text is decoded, rebuilt from its
whole points where it is broken, and rid of values that gpxpy would refuse.
"""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass, field
from xml.parsers import expat

from gpxpy.gpx import GPXException
from gpxpy.gpxfield import parse_time

from ..errors import UnreadableLogError

__all__ = ["Mended", "decode_xml", "local_name", "mend_text", "mend_values"]

_NUMBERS = frozenset(
    (
        "ele",
        "magvar",
        "geoidheight",
        "hdop",
        "vdop",
        "pdop",
        "ageofdgpsdata",
        "sat",
        "dgpsid",
        "speed",
        "course",
    )
)
_WHOLE = frozenset(("sat", "dgpsid"))
_FIXES = ("none", "2d", "3d", "dgps", "pps")
_MOVING = ("speed", "course")
_ENDED = ("no element found", "unclosed token", "unclosed CDATA section", "partial character")


@dataclass
class Mended:
    """A readable text and what was done to it.

    Attributes
    ----------
    text : str
        XML.
    losses : list of tuple of (str, str, str, int)
        Damage code, place, words and count.
    """

    text: str
    losses: list[tuple[str, str, str, int]] = field(default_factory=list)


def local_name(tag: object) -> str:
    """Return an element's name without its namespace; empty for comments.

    Examples
    --------
    >>> local_name("{http://www.topografix.com/GPX/1/1}trkpt")
    'trkpt'
    """
    return tag.rsplit("}", 1)[-1] if isinstance(tag, str) else ""


def decode_xml(data: bytes, where: str) -> Mended:
    """Decode the bytes of an XML file, by its mark or its declaration, or as best they fit.

    Raises
    ------
    UnreadableLogError
        If the file declares entities, which a flight log has no need of.
    """
    losses: list[tuple[str, str, str, int]] = []
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = data.decode("utf-16", errors="replace")
    elif data[:4] in (b"<\x00?\x00", b"\x00<\x00?"):
        text = data.decode("utf-16-le" if data[0] == 60 else "utf-16-be", errors="replace")
    else:
        declared = re.match(rb"[^<]*<\?xml[^>]*encoding\s*=\s*[\"']([A-Za-z0-9._-]+)[\"']", data[:400])
        name = declared[1].decode("ascii") if declared else "utf-8"
        if name.lower().replace("_", "-") in ("utf-16", "utf16", "utf-16le", "utf-16be"):
            name = "utf-8"  # these bytes are not UTF-16, whatever the file says
            losses.append(("encoding", "declaration", "declared as UTF-16, but it is not: read as UTF-8", 0))
        for trial in (name, "utf-8", "latin-1"):
            try:
                text = data.decode("utf-8-sig" if trial.lower() in ("utf-8", "utf8") else trial)
            except (UnicodeError, LookupError):
                continue
            if trial != name:
                losses.append(("encoding", "declaration", f"declared as {name}, but read as {trial}", 0))
            break
    if re.search(r"<!ENTITY", text):
        raise UnreadableLogError(
            "the file declares XML entities, which no flight log needs and which can exhaust memory",
            where=where,
            hint="export the flight as plain GPX",
        )
    cleaned = re.sub("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]", "", text.lstrip("\ufeff \t\r\n"))
    removed = len(text.lstrip("\ufeff \t\r\n")) - len(cleaned)
    if removed:
        losses.append(
            ("corrupt", "text", f"{removed} characters that XML does not allow were left out", removed)
        )
    # The text is decoded already; a declaration of another encoding would only mislead the parser.
    return Mended(re.sub(r"^<\?xml[^>]*\?>", "", cleaned), losses)


def _fault(text: str) -> tuple[int, str, bool] | None:
    """Return line and words of the first fault of the XML, and whether the text just ends; None if sound."""
    parser = expat.ParserCreate(namespace_separator="}")
    raw = text.encode("utf-8")
    try:
        parser.Parse(raw, True)
    except expat.ExpatError as error:
        words = expat.errors.messages[error.code]
        ended = words in _ENDED or parser.ErrorByteIndex >= len(raw.rstrip())
        return error.lineno, words, ended
    return None


def mend_text(mended: Mended, where: str) -> Mended:
    """Rebuild a broken text from those of its points that are whole.

    Raises
    ------
    UnreadableLogError
        If no point is whole.
    """
    fault = _fault(mended.text)
    if fault is None:
        return mended
    line, words, ended = fault
    text = mended.text
    root = re.search(r"<(?:[\w.-]+:)?gpx\b[^<>]*>", text)
    opening = root[0] if root else '<gpx version="1.1">'
    used = set(re.findall(r"</?([A-Za-z_][\w.-]*):[\w.-]+", text, re.ASCII)) - {"xml", "xmlns"}

    def bind(start: str) -> str:
        names = [p for p in sorted(used) if f"xmlns:{p}=" not in start]
        return start.rstrip("/>") + "".join(f' xmlns:{p}="urn:{p}"' for p in names) + ">"

    opening = bind(opening)
    closing = f"</{opening[1:].split()[0].rstrip('>')}>"
    if _fault(opening + closing) is not None:
        opening, closing = bind('<gpx version="1.1">'), "</gpx>"
    prefix = closing[2:-4]
    starts = list(re.finditer(r"<(?:[\w.-]+:)?(trkpt|rtept|wpt)\b", text))
    parts: dict[str, list[str]] = {"trkpt": [], "rtept": [], "wpt": []}
    kept = 0
    for i, start in enumerate(starts):
        stop = starts[i + 1].start() if i + 1 < len(starts) else len(text)
        piece = text[start.start() : stop]
        end = re.search(rf"</(?:[\w.-]+:)?{start[1]}\s*>|^<[^<>]*/>", piece)
        whole = piece[: end.end()] if end else ""
        if whole and _fault(opening + whole + closing) is None:
            parts[start[1]].append(whole)
            kept += 1
        if re.search(r"<(?:[\w.-]+:)?trk(?:seg)?\b", piece):
            parts["trkpt"].append(f"</{prefix}trkseg><{prefix}trkseg>")
    if not kept:
        raise UnreadableLogError(
            f"the XML is damaged at line {line} ({words}) and no point of it is whole",
            where=where,
            hint="export the flight again",
        )
    lost = len(starts) - kept
    loss = (
        "cut" if ended else "corrupt",
        f"line {line}",
        ("the file breaks off here" if ended else f"the XML is damaged here ({words})")
        + f": {kept} whole points were read, {lost} lost",
        lost,
    )
    body = "".join(parts["wpt"])
    if parts["rtept"]:
        body += f"<{prefix}rte>{''.join(parts['rtept'])}</{prefix}rte>"
    if parts["trkpt"]:
        body += f"<{prefix}trk><{prefix}trkseg>{''.join(parts['trkpt'])}</{prefix}trkseg></{prefix}trk>"
    return Mended(opening + body + closing, [*mended.losses, loss])


def mend_values(mended: Mended, where: str) -> Mended:
    """Keep what a flight needs of a sound GPX, in a form that gpxpy does not refuse.

    Tracks, routes and waypoints stay; descriptions go. Numbers that are none, times that are none, fix types
    that the format does not know and points without a position go and are counted. In GPX 1.1 a speed or
    course beside the elevation is moved into the point's extensions, where gpxpy keeps it.

    Raises
    ------
    UnreadableLogError
        If the root is not ``gpx``.
    """
    root = ET.fromstring(mended.text)
    if local_name(root.tag) != "gpx":
        raise UnreadableLogError(
            "the root of this XML is not gpx", where=where, found=local_name(root.tag), allowed="gpx"
        )
    counts: dict[str, int] = {}
    old = root.get("version", "1.0") == "1.0"
    clean = ET.Element("gpx", {"version": "1.0" if old else "1.1"})
    for branch in root:
        name = local_name(branch.tag)
        if name == "wpt":
            _copy_point(branch, clean, old, counts)
        elif name == "rte":
            route = ET.SubElement(clean, "rte")
            for point in branch:
                if local_name(point.tag) == "rtept":
                    _copy_point(point, route, old, counts)
        elif name == "trk":
            track = ET.SubElement(clean, "trk")
            for segment in branch:
                if local_name(segment.tag) != "trkseg":
                    continue
                copy = ET.SubElement(track, "trkseg")
                for point in segment:
                    if local_name(point.tag) == "trkpt":
                        _copy_point(point, copy, old, counts)
    losses = [
        ("bad_value", "points", f"left out: {words} ({count} times)", count)
        for words, count in sorted(counts.items())
    ]
    return Mended(ET.tostring(clean, encoding="unicode"), [*mended.losses, *losses])


def _copy_point(point: ET.Element, parent: ET.Element, old: bool, counts: dict[str, int]) -> None:
    """Copy one point with those of its parts that are needed and sound."""

    def count(words: str) -> None:
        counts[words] = counts.get(words, 0) + 1

    lat, lon = point.get("lat"), point.get("lon")
    tag = local_name(point.tag)
    if not (_is_number(lat, 90.0) and _is_number(lon, 360.0)):
        count(f"{tag} without a valid position")
        return
    copy = ET.SubElement(parent, tag, {"lat": str(lat), "lon": str(lon)})
    beyond: list[ET.Element] = []
    for child in point:
        name, text = local_name(child.tag), (child.text or "").strip()
        if name == "extensions":
            beyond.extend(child)
        elif not text:
            continue
        elif name in _NUMBERS:
            if not _is_number(text, whole=name in _WHOLE):
                count(f'{name} that is no number, such as "{text[:20]}"')
            elif name in _MOVING and not old:
                element = ET.Element(name)
                element.text = text
                beyond.append(element)
            else:
                ET.SubElement(copy, name).text = text
        elif name == "fix":
            if text in _FIXES:
                ET.SubElement(copy, name).text = text
            else:
                count(f'fix "{text[:30]}", which the format does not know')
        elif name == "time":
            if _is_time(text):
                ET.SubElement(copy, name).text = text
            else:
                count(f'time that is none, such as "{text[:30]}"')
    if beyond:
        ET.SubElement(copy, "extensions").extend(beyond)


def _is_number(text: str | None, limit: float = float("inf"), *, whole: bool = False) -> bool:
    try:
        value = float(int(text or "")) if whole else float(text or "")
    except (ValueError, OverflowError):
        return False
    return math.isfinite(value) and abs(value) <= limit


def _is_time(text: str) -> bool:
    try:
        return parse_time(text) is not None
    except (GPXException, ValueError):
        return False
