"""What is fuzzed: a name, good inputs to start from, and a call that must end in a result or one clear error.

A call takes bytes, whatever they are. It returns what broke a rule, or an empty string; any exception but a
`FlightprocError` that leaves it is a finding too.
"""

from __future__ import annotations

import ast
import hashlib
import json
import shutil
import tempfile
import warnings
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from flightproc.errors import FlightprocError
from flightproc.readers import READERS, recording_from_frame
from flightproc.readers.content import Content
from flightproc.readers.mavlink_ids import CHECK_SEEDS
from flightproc.readers.mavlink_messages import LAYOUTS
from flightproc.readers.registry import find_reader

from ..readers.conftest import make_flight, make_samples, mavlink_frame, sentence
from ..sheets.conftest import TEXTS, write_set
from .rules import broken_rule, record_edges, untold_loss
from .sheet_texts import BALANCE, GROUND, LEVER, PLAN, polar_tables

__all__ = ["TARGETS", "Target", "closed", "dictionary"]

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "sample_logs" / "school-wing-28"


@dataclass(frozen=True)
class Target:
    """One thing to fuzz.

    Attributes
    ----------
    name : str
        As named on the command line.
    seeds : callable
        Returns good inputs.
    run : callable
        Takes an input; returns what broke a rule, or an empty string.
    words : tuple of str
        Modules of the package whose words help to get further.
    kind : str
        ``bytes``, or ``json`` where damage goes by the tree.
    """

    name: str
    seeds: Callable[[], list[bytes]]
    run: Callable[[bytes], str]
    words: tuple[str, ...] = ()
    kind: str = "bytes"


_TARGETS: dict[str, Target] = {}
_folder: list[Path] = []


def _place() -> Path:
    """Return a folder for the files of this process; `closed` removes it."""
    if not _folder:
        _folder.append(Path(tempfile.mkdtemp(prefix="flightproc-fuzz-")))
        write_set(_folder[0])
    return _folder[0]


def closed() -> None:
    """Remove what the targets wrote."""
    if _book.cache_info().currsize:
        _book().close()
        _book.cache_clear()
    while _folder:
        shutil.rmtree(_folder.pop(), ignore_errors=True)


def dictionary(target: Target) -> list[bytes]:
    """Return words that the target's modules look for, and those of its seeds."""
    found: set[str] = set()
    for name in target.words:
        path = ROOT / "flightproc" / name
        for file in sorted(path.glob("*.py")) if path.is_dir() else [path.with_suffix(".py")]:
            for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Constant) and isinstance(node.value, str):
                    found |= {word for word in node.value.split() if 1 < len(word) < 32 and word.isascii()}
                elif isinstance(node, ast.AnnAssign | ast.arg):
                    named = node.arg if isinstance(node, ast.arg) else getattr(node.target, "id", "")
                    found.add(named)
    return [word.encode() for word in sorted(found) if word]


# Logs -----------------------------------------------------------------------------------------------------


@cache
def _samples(seconds: float) -> dict[str, bytes]:
    flight = make_flight()
    keep = flight.time < seconds
    cut = {k: v[keep] for k, v in vars(flight).items() if isinstance(v, np.ndarray)}
    return make_samples(replace(flight, **cut))


def _content(data: bytes) -> Content:
    return Content("flight.log", data, hashlib.sha256(data).hexdigest())


def _read_as(name: str) -> Callable[[bytes], str]:
    reader = next(reader for reader in READERS if name == reader.NAME)

    def run(data: bytes) -> str:
        content = _content(data or b"\n")
        if not reader.sniff(content.head):
            return ""
        try:
            recording = reader.read(content.path, content=content)
        except FlightprocError as error:
            return "" if str(error) else "an error without words"
        return broken_rule(recording)

    return run


_MODULES = {
    "ULog": "ulog",
    "GPX": "gpx",
    "IGC": "igc",
    "NMEA": "nmea",
    "DataFlash": "dataflash",
    "Text DataFlash": "dataflash",
    "MAVLink": "tlog",
    "WAV": "wav",
    "CSV": "delimited",
}


def _modules(name: str) -> tuple[str, ...]:
    stem = _MODULES[name]
    files = (ROOT / "flightproc" / "readers").glob(f"{stem}*.py")
    more = ("readers/column_map", "readers/units", "readers/table", "channels") if name == "CSV" else ()
    return (*sorted(f"readers/{file.stem}" for file in files), *more)


def _any_log(data: bytes) -> str:
    content = _content(data or b"\n")
    try:
        recording = find_reader(content).read(content.path, content=content)
    except FlightprocError:
        return ""
    return broken_rule(recording)


def _add(
    name: str, seeds: Callable[[], list[bytes]], words: tuple[str, ...] = (), kind: str = "bytes"
) -> Any:
    def keep(run: Callable[[bytes], str]) -> Callable[[bytes], str]:
        _TARGETS[name] = Target(name, seeds, run, words, kind)
        return run

    return keep


def _seed_of(name: str) -> Callable[[], list[bytes]]:
    if name == "WAV":
        return lambda: [_samples(0.5)[name]]
    return lambda: [_samples(1.5)[name], _samples(6.0)[name]]


for _reader in READERS:
    _add(_reader.NAME, _seed_of(_reader.NAME), _modules(_reader.NAME))(_read_as(_reader.NAME))
_add("any log", lambda: [data[:3000] for data in _samples(1.5).values()])(_any_log)


def _sentences(data: bytes) -> bytes:
    """Set a sound checksum behind every line, so that what is in it is looked at."""
    bodies = data.decode("ascii", "replace").replace("?", "").splitlines()
    return "".join(sentence(body.encode("ascii", "ignore").decode()) for body in bodies).encode()


def _bodies() -> list[bytes]:
    lines = _samples(1.5)["NMEA"].decode().splitlines()
    return ["\n".join(line[1:].split("*")[0] for line in lines).encode()]


@_add("NMEA sentences", _bodies, _modules("NMEA"))
def _nmea(data: bytes) -> str:
    return _read_as("NMEA")(_sentences(data) or b"\n")


_KINDS = sorted(LAYOUTS)


def _frames(data: bytes) -> bytes:
    """Make frames with sound checksums: of 40 bytes one says which message, three when, the rest what."""
    out = []
    for k in range(0, len(data) - 4, 40):
        kind = _KINDS[data[k] % len(_KINDS)]
        stamp = round(1_778_737_200e6) + int.from_bytes(data[k + 1 : k + 4], "little") * 100
        payload = data[k + 4 : k + 40]
        version = 1 if kind < 256 and data[k] & 0x80 else 2
        out.append(mavlink_frame(kind, CHECK_SEEDS[kind], payload, stamp, len(out), version=version))
    return b"".join(out)


def _payloads() -> list[bytes]:
    rng = np.random.default_rng(3)
    own = b"".join(
        bytes([k]) + (i * 1000).to_bytes(3, "little") + (i * 100).to_bytes(4, "little") + rng.bytes(32)
        for i in range(3)
        for k in range(len(_KINDS))
    )
    return [own]


@_add("MAVLink frames", _payloads)
def _mavlink(data: bytes) -> str:
    return _read_as("MAVLink")(_frames(data) or b"\n")


_MAPS = (
    {"time": {"column": "unix time [s]", "unit": "s"}, "rpm": {"column": "rpm", "unit": "rpm", "sign": -1}},
    {
        "time": {"column": "unix time [s]", "unit": "unix"},
        "height": {"column": "height [ft]", "unit": "ft", "offset": 10.0},
        "bank": {"column": "latitude [deg]", "unit": "deg", "sign": -1, "offset": 1},
    },
)


def _mapped() -> list[bytes]:
    return [json.dumps(one).encode() + b"\n" + _samples(1.5)["CSV"] for one in _MAPS]


@_add("CSV columns", _mapped, _modules("CSV"))
def _columns(data: bytes) -> str:
    """Read a CSV log, whose first line is the column map."""
    head, _, body = data.partition(b"\n")
    try:
        columns = json.loads(head)
    except (ValueError, RecursionError):
        return ""
    if not isinstance(columns, dict):
        return ""
    content = _content(body or b"\n")
    reader = next(reader for reader in READERS if reader.NAME == "CSV")
    try:
        return broken_rule(reader.read(content.path, columns, content=content))
    except FlightprocError:
        return ""


def _tables() -> list[bytes]:
    time = [0.0, 0.1, 0.2, 0.3]
    return [
        json.dumps({"columns": {"rpm": [1.0, 2.0, None, 3.0], "bank": [0, 1, 2, 3]}, "index": time}).encode(),
        json.dumps({"columns": {"time": time, "rpm": [1, 2, 3, 4]}, "units": {"rpm": "rev/s"}}).encode(),
    ]


@_add("data frame", _tables, ("readers/frame", "readers/units", "channels"), "json")
def _frame(data: bytes) -> str:
    import pandas as pd

    try:
        told = json.loads(data)
        units = told.get("units")
        with warnings.catch_warnings(action="ignore"):  # what pandas says of it is not our matter
            frame = pd.DataFrame(told["columns"], index=told.get("index"))
    except (ValueError, RecursionError, KeyError, TypeError, AttributeError, OverflowError):
        return ""  # no data frame
    if not isinstance(units, dict | None):
        return ""
    try:
        return broken_rule(recording_from_frame(frame, units=units))
    except FlightprocError:
        return ""


_FRAMED = ("ULog", "NMEA", "DataFlash", "MAVLink")


@cache
def _whole(name: str) -> tuple[bytes, Any, frozenset[int]]:
    data = _samples(6.0)[name]
    content = _content(data)
    recording = find_reader(content).read(content.path, content=content)
    return data, recording, frozenset(record_edges(name, data))


def _cuts() -> list[bytes]:
    return [bytes([k]) + (999).to_bytes(3, "little") + bytes([50, 0]) for k in range(len(_FRAMED))]


def _seamless(name: str, rest: bytes, start: int, stop: int, edges: frozenset[int]) -> bool:
    """Return whether whole records were taken out, or head and tail of two make one that looks sound."""
    if start in edges and stop in edges:
        return True
    if name == "NMEA":
        line = rest[rest.rfind(b"$", 0, start) :].split(b"\r")[0]
        return sentence(line[1:].split(b"*")[0].decode()).encode().rstrip() == line
    return name != "MAVLink" and stop + min(e for e in edges if e >= start) - start in edges


@_add("bytes taken out", _cuts)
def _taken_out(data: bytes) -> str:
    """Take bytes out of a good log whose records have a frame: what is lost is told."""
    if len(data) < 6:
        return ""
    name = _FRAMED[data[0] % len(_FRAMED)]
    good, whole, edges = _whole(name)
    start = int.from_bytes(data[1:4], "little") % len(good)
    stop = min(len(good), start + 1 + int.from_bytes(data[4:6], "little") % 3000)
    rest, width = good[:start] + good[stop:], stop - start
    content = _content(rest or b"\n")
    try:
        left = find_reader(content).read(content.path, content=content)
    except FlightprocError:
        return ""
    if left.format != name:
        return f"{name} is taken for {left.format}"
    same = (e for e in range(max(0, start - 60), start + 60) if good[:e] + good[e + width :] == rest)
    if any(_seamless(name, rest, e, e + width, edges) for e in same):
        return broken_rule(left)  # whole records, or what looks like it: nobody could tell
    return broken_rule(left) or untold_loss(whole, left, name in ("NMEA", "MAVLink"))


# Sheets ---------------------------------------------------------------------------------------------------


def _texts(*texts: str) -> Callable[[], list[bytes]]:
    return lambda: [text.encode() for text in texts]


def _written(name: str, data: bytes) -> Path:
    path = _place() / name
    path.write_bytes(data)
    return path


def _told(call: Callable[[], Any]) -> str:
    """Return a broken rule where an error says nothing."""
    try:
        call()
    except FlightprocError as error:
        return "" if str(error).strip() else "an error without words"
    return ""


_SHEETS = ("sheets",)


@_add("sortie sheet", _texts(TEXTS["sortie"]), _SHEETS)
def _sortie(data: bytes) -> str:
    from flightproc.sheets import load_sortie

    return _told(lambda: load_sortie(_written("sortie.toml", data)))


@_add(
    "aircraft sheet",
    lambda: [TEXTS["aircraft"].encode(), (TEXTS["aircraft"] + GROUND).encode()],
    _SHEETS,
)
def _aircraft(data: bytes) -> str:
    """Read the sheet, make its blade and reduce its ground tests."""
    from flightproc.propeller.sheet import blade_from_sheet, polar_from_sheet
    from flightproc.rig.ground import ground_document, reduce_ground
    from flightproc.sheets import load_aircraft

    path = _written("fuzzed aircraft.toml", data)
    try:
        sheet = load_aircraft(path)
    except FlightprocError as error:
        return "" if str(error).strip() else "an error without words"
    found = _told(lambda: blade_from_sheet(sheet, elements=8))
    if sheet.propeller.section is None or sheet.propeller.section.endswith(".csv"):
        found = found or _told(lambda: polar_from_sheet(sheet, path.parent))
    if sheet.tilt_test is not None or sheet.inertia is not None:
        found = found or _told(lambda: _strict(ground_document(reduce_ground(sheet))))
    return found


@_add("glider sheet", _texts(TEXTS["glider"]), ("sheets/glider", "sheets/fields"))
def _glider(data: bytes) -> str:
    from flightproc.sheets import load_glider

    return _told(lambda: load_glider(_written("fuzzed glider.toml", data)))


@_add("rig sheet", _texts(TEXTS["rig"], LEVER), ("sheets/rig", "sheets/fields"))
def _rig(data: bytes) -> str:
    """Read the sheet and reduce it."""
    from flightproc.rig import reduce_rig
    from flightproc.rig.document import rig_document
    from flightproc.sheets import load_rig

    path = _written("fuzzed rig.toml", data)

    def whole() -> None:
        curve = reduce_rig(load_rig(path), gear_ratio=2.8, diameter=1.3, folder=path.parent)
        _strict(rig_document([curve]))

    return _told(whole)


@_add("balance sheet", _texts(BALANCE), ("sheets/balance", "sheets/fields"))
def _balance(data: bytes) -> str:
    from flightproc.sheets import load_balance

    return _told(lambda: load_balance(_written("balance.toml", data)))


@_add("plan sheet", _texts(PLAN), ("sheets/plan", "sheets/fields"))
def _plan(data: bytes) -> str:
    from flightproc.sheets import load_plan

    return _told(lambda: load_plan(_written("plan.toml", data)))


@_add("sheets of a batch", _texts(TEXTS["sortie"], TEXTS["glider"]), ("batch/find",))
def _find(data: bytes) -> str:
    from flightproc.batch.find import find_sheets

    folder = _place() / "batch"
    folder.mkdir(exist_ok=True)
    (folder / "day.toml").write_bytes(data)
    return _told(lambda: find_sheets([folder]))


# Documents ------------------------------------------------------------------------------------------------


def _strict(document: Any) -> None:
    """Refuse a document with NaN or infinities in it."""
    json.dumps(document, allow_nan=False)


def _for_gliders() -> list[bytes]:
    from ..compare.glider_factory import document

    return [json.dumps(document(np.random.default_rng(1))).encode()]


def _for_balance() -> list[bytes]:
    from ..decide.conftest import document

    return [json.dumps(document()).encode()]


def _for_plan() -> list[bytes]:
    calibration = {
        "noise_hang_roll_60s_deg": 0.05,
        "noise_turn_rate_60s_deg_s": 0.2,
        "hang_stiffness_N_m_rad": {"value": 480.0, "std": 20.0},
    }
    return [json.dumps({"calibration": calibration}).encode()]


def _for_logbook() -> list[bytes]:
    from ..logbook.factory import document, gathered

    return [document(gathered(1))]


@_add("results for gliders", _for_gliders, ("compare/glider_facts",), "json")
def _facts(data: bytes) -> str:
    from flightproc.compare.glider_facts import read_facts

    return _told(lambda: read_facts([_written("gliders.json", data)]))


@_add("list of results", lambda: [b"balance.json\n# a remark\nnowhere.json # another\n"])
def _list(data: bytes) -> str:
    from flightproc.compare.glider_facts import read_facts

    if b"/" in data or b".." in data:
        return ""  # searches folders to the bottom, as it is meant to
    return _told(lambda: read_facts([_written("list.txt", data)]))


@_add("results for balance", _for_balance, ("decide/flown",), "json")
def _flown(data: bytes) -> str:
    from flightproc.decide.flown import read_flown

    return _told(lambda: read_flown(_written("balance.json", data)))


@_add("results for a plan", _for_plan, (), "json")
def _seen(data: bytes) -> str:
    from flightproc.decide.plan_noise import read_seen

    return _told(lambda: read_seen([_written("seen.json", data)]))


@_add("results for the logbook", _for_logbook, ("logbook/model",), "json")
def _document(data: bytes) -> str:
    from flightproc.logbook.model import read_document

    return _told(lambda: read_document(data, "results.json"))


@_add("polar table", polar_tables, ("propeller/table",))
def _polar(data: bytes) -> str:
    """Read the table; what it gives is finite everywhere."""
    from flightproc.propeller.polar import SectionFlow
    from flightproc.propeller.table import read_polar_table

    try:
        polar = read_polar_table(_written("section.csv", data))
    except FlightprocError:
        return ""
    alpha = np.linspace(-np.pi, np.pi, 25)[None, :]
    flow = SectionFlow(*(np.full(alpha.shape, value) for value in (0.15, 4e5, 0.3)))
    lift, drag = polar.coefficients(alpha, flow)
    return "" if np.isfinite(lift).all() and np.isfinite(drag).all() else "coefficients that are not finite"


# Archive of a logbook ---------------------------------------------------------------------------------------

_BETWEEN = b"\n=====\n"


@cache
def _book() -> Any:
    from flightproc.logbook import Logbook

    return Logbook(_place() / "book")


def _archive() -> bytes:
    from flightproc.logbook import Logbook, export_archive

    from ..logbook.factory import document, gathered

    with tempfile.TemporaryDirectory() as folder, Logbook(Path(folder) / "book") as book:
        found = gathered(1, size=200)
        book.add(found, document(found), {"report.html": b"page"})
        export_archive(book, Path(folder) / "all.zip")
        return (Path(folder) / "all.zip").read_bytes()


def _members() -> list[bytes]:
    """Return an archive's members one after the other: the head, the entries, the contents."""
    import io

    with zipfile.ZipFile(io.BytesIO(_archive())) as archive:
        names = [name for name in archive.namelist() if name.startswith("content/")]
        return [_BETWEEN.join(archive.read(n) for n in ("logbook.json", "entries.jsonl", *names))]


@_add("archive", lambda: [_archive()])
def _import(data: bytes) -> str:
    from flightproc.logbook import import_archive

    path = _written("all.zip", data)

    def whole() -> None:
        import_archive(_book(), path)
        _book().sorties()

    return _told(whole)


@_add("members of an archive", _members, ("logbook/model", "logbook/archive"))
def _tampered(data: bytes) -> str:
    """Import an archive that is a sound zip file and whose contents have the names that fit them."""
    head, *rest = data.split(_BETWEEN)
    path = _place() / "all.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("logbook.json", head)
        archive.writestr("entries.jsonl", rest[0] if rest else b"")
        for content in {hashlib.sha256(part).hexdigest(): part for part in rest[1:]}.items():
            archive.writestr(f"content/{content[0]}", content[1])
    return _import(path.read_bytes())


TARGETS: dict[str, Target] = _TARGETS
"""Every target by its name."""
