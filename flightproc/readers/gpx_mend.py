"""Makes a damaged GPX text readable again, and says what that cost.

A text in another encoding than UTF-8 is decoded, and one that is broken is rebuilt from its whole points. A
sound file in UTF-8 never comes here.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from xml.parsers import expat

from ..errors import UnreadableLogError

__all__ = ["Mended", "decode_xml", "is_plain", "mend_text"]

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


def is_plain(data: bytes) -> bool:
    """Return whether an XML file may be parsed as it is: it claims to be UTF-8 and declares no entities.

    Examples
    --------
    >>> is_plain(b'<?xml version="1.0"?><gpx/>'), is_plain(b'<?xml version="1.0" encoding="latin-1"?><gpx/>')
    (True, False)
    """
    declared = _DECLARED.match(data[:400])
    return (
        not data.startswith((b"\xff\xfe", b"\xfe\xff"))
        and (declared is None or declared[1].lower() in (b"utf-8", b"utf8", b"us-ascii"))
        and b"<!ENTITY" not in data
    )


_DECLARED = re.compile(rb"[^<]*<\?xml[^>]*encoding\s*=\s*[\"']([A-Za-z0-9._-]+)[\"']")


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
        declared = _DECLARED.match(data[:400])
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
    parser = expat.ParserCreate("utf-8", namespace_separator="}")  # whatever the text declares
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
