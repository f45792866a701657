"""What runs in a process of its own: reading logs, analysing, drawing. It may be stopped at any moment.

It gets a job's folder and writes into it: ``progress.json`` again and again, the products of its task, and
``outcome.json`` last of all. Whatever else happens to it, the server sees from how it ended.
"""

from __future__ import annotations

import dataclasses
import os
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from multiprocessing import connection, parent_process
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import Fault, FlightprocError, SheetError
from ..whole import write_whole
from .files import write_json

if TYPE_CHECKING:
    from ..analysis import Prepared
    from ..readers import Recording
    from ..results import Results
    from ..sheets import Sheets

__all__ = ["Order", "run"]

_BETWEEN = 0.08  # [s] from one note of progress to the next
_ORPHANED = 75
_SERIES_POINTS = 1600


@dataclass(frozen=True)
class Order:
    """What a worker is to do.

    Attributes
    ----------
    task : str
        ``read``, ``analyse`` or ``pdf``.
    folder : Path
        Folder of the run, made already; products go there.
    logs : tuple of (str, Path)
        Name as shown and place of each log.
    columns : mapping
        Column maps of tables, by the log's name as shown.
    names : mapping of str to str
        What stands for a stored name in messages.
    job : str
        The job's number, for addresses.
    memory_bytes : int
        Cap on the address space.
    seconds : float
        Cap on the processor's time.
    """

    task: str
    folder: Path
    logs: tuple[tuple[str, Path], ...]
    columns: Mapping[str, Mapping[str, object]] = field(default_factory=dict)
    names: Mapping[str, str] = field(default_factory=dict)
    job: str = ""
    memory_bytes: int = 0
    seconds: float = 0.0


def run(order: Order) -> None:
    """Do a task; the process ends with it."""
    _confine(order)
    _end_with_parent()
    begun = time.monotonic()
    tell = _Progress(order.folder)
    try:
        {"read": _read, "analyse": _analyse, "pdf": _pdf}[order.task](order, tell)
    except SheetError as error:
        faults = [dataclasses.asdict(_renamed(fault, order)) for fault in error.faults]
        outcome: dict[str, Any] = {"ok": False, "words": "The sheets have faults.", "faults": faults}
    except FlightprocError as error:
        outcome = {"ok": False, "words": _plain(str(error), order), "faults": []}
    except MemoryError:
        outcome = {"ok": False, "words": "It needed more memory than an analysis may have.", "faults": []}
    else:
        outcome = {"ok": True, "words": "", "faults": []}
    outcome["seconds"] = round(time.monotonic() - begun, 3)
    outcome["first_cpu_s"] = round(tell.first_cpu_s, 3)
    write_json(order.folder / "outcome.json", outcome)


def _plain(text: str, order: Order) -> str:
    """Return a message without the server's own places."""
    for stored, shown in order.names.items():
        text = text.replace(stored, shown)
    return text.replace(f"{order.folder}{os.sep}", "").replace(str(order.folder), "")


def _renamed(fault: Fault, order: Order) -> Fault:
    return Fault(
        Path(fault.file).name,
        fault.table,
        fault.field,
        *(_plain(t, order) for t in (fault.value, fault.allowed)),
    )


def _confine(order: Order) -> None:
    """Give the process a group of its own, and its caps."""
    if os.name != "posix":
        return
    import resource

    os.setsid()
    caps = [(resource.RLIMIT_CORE, 0), (resource.RLIMIT_FSIZE, 2_000_000_000)]
    if order.memory_bytes:
        caps.append((resource.RLIMIT_AS, order.memory_bytes))
    if order.seconds:
        caps.append((resource.RLIMIT_CPU, int(order.seconds) + 1))
    for what, cap in caps:
        _, hard = resource.getrlimit(what)
        top = cap if hard == resource.RLIM_INFINITY else min(cap, hard)
        resource.setrlimit(what, (top, top))
    log = os.open(order.folder / "worker.log", os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    os.dup2(log, 1)
    os.dup2(log, 2)
    os.close(log)


def _end_with_parent() -> None:
    """End this process when the server ends, however that happens."""
    parent = parent_process()
    if parent is None:
        return

    def watch() -> None:
        connection.wait([parent.sentinel])
        os._exit(_ORPHANED)

    threading.Thread(target=watch, daemon=True).start()


class _Progress:
    """Notes what is being done, no more often than a reader of it could follow."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / "progress.json"
        self._last = 0.0
        self._share = 0.0
        self.stage = ""
        self.first_cpu_s = 0.0

    def __call__(self, words: str, share: float) -> None:
        self._share = max(self._share, min(share, 1.0))
        now = time.monotonic()
        if now - self._last >= _BETWEEN:
            self._last = now
            note = {"words": words, "share": round(self._share, 4), "stage": self.stage}
            write_json(self._path, note, sync=False)

    def reached(self, stage: str, words: str, share: float) -> None:
        """Note a stage whose product is there; never left out."""
        self.stage, self._last = stage, 0.0
        self(words, share)


# ------------------------------------------------------------------------------------------------- reading


def _read(order: Order, tell: _Progress) -> None:
    from .reading import describe_logs

    write_json(order.folder / "logs.json", describe_logs(order.logs, order.columns, tell))


# ------------------------------------------------------------------------------------------------ analysing


def _analyse(order: Order, tell: _Progress) -> None:
    from ..analysis import calibrated_blade, compare_sortie, finish_sortie, follow_sortie, solve_sortie
    from ..report import holds_csv, results_json
    from .charts import make_histories, write_histories
    from .reading import describe_recordings

    prepared = _prepare(order, tell)
    tell("solving for the moment", 0.5)
    solution = solve_sortie(prepared)
    _write_series(order, prepared)
    _write_first(order, prepared, solution)
    tell.first_cpu_s = time.process_time()
    tell.reached("first", "following the whole sortie", 0.58)
    write_json(
        order.folder / "logs.json", describe_recordings(list(prepared.recordings.values())), sync=False
    )
    trace = follow_sortie(prepared)
    tell("setting it against rig and blade", 0.62)
    blade = calibrated_blade(prepared)
    comparison = compare_sortie(prepared, solution, blade)
    results = finish_sortie(prepared, solution, comparison, trace, blade)
    write_whole(order.folder / "results.json", results_json(results).encode(), sync=False)
    write_whole(order.folder / "holds.csv", holds_csv(results).encode(), sync=False)
    histories = make_histories(results.sortie, results.holds, results.rejected, results.title)
    write_histories(order.folder / "histories.npz", histories)
    _write_chapters(order, results, {}, {})
    tell.reached("answer", "drawing the figures", 0.75)
    _draw(order, results, tell)
    tell.reached("done", "done", 1.0)


def _prepare(order: Order, tell: _Progress) -> Prepared:
    from ..analysis import prepare_sortie
    from ..sheets import load_sortie

    tell("reading the sheets", 0.0)
    sheets = load_sortie(order.folder / "input" / "sortie.toml")
    recordings = _recordings(sheets, order, tell)
    return prepare_sortie(
        sheets, recordings, progress=lambda words, share: tell(words, 0.1 + (share - 0.3) * 1.1)
    )


def _recordings(sheets: Sheets, order: Order, tell: _Progress) -> dict[str, Recording]:
    from .reading import read_as

    recordings = {}
    for number, entry in enumerate(sheets.sortie.logs):
        name = order.names.get(entry.file, entry.file)
        tell(f"reading {name}", 0.1 * number / len(sheets.sortie.logs))
        columns = {key: vars(column) for key, column in entry.columns.items()}
        recordings[entry.name] = read_as(sheets.files[entry.name], name, columns or None)
    return recordings


def _write_first(order: Order, prepared: Prepared, solution: Any) -> None:
    """Write the first result: moments against the rig, before the blade is calibrated."""
    from ..analysis import compare_sortie, finish_sortie
    from ..report.page import render_chapters

    results = finish_sortie(prepared, solution, compare_sortie(prepared, solution, None), None, None)
    chapters = render_chapters(results, {}, {})
    write_whole(order.folder / "first.html", chapters["answer"].encode(), sync=False)


def _write_chapters(
    order: Order, results: Results, pictures: Mapping[str, Any], addresses: Mapping[str, str]
) -> None:
    from ..report.chapters import CHAPTERS
    from ..report.page import render_chapters

    made = render_chapters(results, pictures, addresses)
    chapters = [
        {"key": chapter.key, "title": chapter.title, "html": made[chapter.key]}
        for chapter in CHAPTERS
        if chapter.key in made
    ]
    facts = {
        "title": results.title,
        "aircraft": results.aircraft,
        "glider": results.glider,
        "start_utc": results.sortie.start_utc,
        "length_s": float(results.sortie.time[-1]) if results.sortie.time.size else None,
        "answer": list(results.answer),
        "caution": results.cautions[0] if results.cautions else "",
        "warnings": list(results.warnings),
        "version": results.provenance.version,
        "whole": bool(pictures),
        "chapters": chapters,
    }
    write_json(order.folder / "result.json", facts, sync=False)


def _draw(order: Order, results: Results, tell: _Progress) -> None:
    """Draw the figures, then write the report as one file and as chapters."""
    import matplotlib

    from ..report.chapters import CHAPTERS
    from ..report.figures import STYLE, Picture, svg_text
    from ..report.page import render_page

    figures = order.folder / "figures"
    figures.mkdir(exist_ok=True)
    drawn = [chapter for chapter in CHAPTERS if chapter.draw is not None]
    pictures, svgs, addresses = {}, {}, {}
    with matplotlib.rc_context(STYLE):
        for number, chapter in enumerate(drawn):
            tell(f"drawing: {chapter.title.lower()}", 0.75 + 0.22 * number / len(drawn))
            assert chapter.draw is not None
            picture = pictures[chapter.key] = chapter.draw(results)
            if isinstance(picture, Picture):
                svgs[chapter.key] = svg_text(picture.figure)
                addresses[chapter.key] = f"/sorties/{order.job}/figures/{chapter.key}.svg?{order.folder.name}"
                write_whole(figures / f"{chapter.key}.svg", svgs[chapter.key].encode(), sync=False)
    tell("writing the report", 0.98)
    write_whole(order.folder / "report.html", render_page(results, pictures, svgs).encode(), sync=False)
    _write_chapters(order, results, pictures, addresses)


def _write_series(order: Order, prepared: Prepared) -> None:
    """Write what the chart of the holds shows: a few channels, thinned, with the holds on them."""
    import numpy as np

    from ..report.figures import decimate
    from .reading import finite

    sortie, search = prepared.sortie, prepared.search
    channels = []
    for name, label, factor, unit in (
        ("rpm", "Engine speed", 1.0, "1/min"),
        ("airspeed", "True airspeed", 1.0, "m/s"),
        ("hang_roll", "Hang roll", 180.0 / np.pi, "deg"),
        ("turn_rate", "Turn rate", 180.0 / np.pi, "deg/s"),
    ):
        values = sortie.column(name)
        if values is None or not np.isfinite(values).any():
            continue
        time_s, thinned = decimate(sortie.time, np.asarray(values) * factor, _SERIES_POINTS)
        channels.append(
            {
                "name": name,
                "label": label,
                "unit": unit,
                "time": [round(float(t), 2) for t in time_s],
                "values": [None if (v := finite(x)) is None else round(v, 4) for x in thinned],
            }
        )
    write_json(
        order.folder / "series.json",
        {
            "start": float(sortie.time[0]),
            "end": float(sortie.time[-1]),
            "channels": channels,
            "holds": [
                {
                    "start": round(hold.start, 2),
                    "end": round(hold.end, 2),
                    "kind": str(hold.kind),
                    "origin": hold.origin,
                    "rpm": finite(hold.rpm),
                }
                for hold in search.holds
            ],
            "rejected": [
                {"start": round(r.start, 2), "end": round(r.end, 2), "code": r.code, "words": r.words}
                for r in search.rejected
            ],
        },
        sync=False,
    )


# ------------------------------------------------------------------------------------------------------ pdf


def _pdf(order: Order, tell: _Progress) -> None:
    from ..report.paper import page_pdf

    tell("setting the PDF", 0.1)
    page = (order.folder / "report.html").read_text(encoding="utf-8")
    write_whole(order.folder / "report.pdf", page_pdf(page))
