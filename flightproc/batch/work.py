"""What a worker does: one sortie, from its sheet to a stored result.

The same code on this machine and on a cluster; whatever happens to it, what is stored is whole.
"""

from __future__ import annotations

import json
import os
import socket
import sys
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .. import __version__
from ..errors import FlightprocError, SheetError, SortieError
from ..threads import keep_to_one_thread
from .schema import sortie_row
from .store import Digests, Store, digest_inputs, key_of

if TYPE_CHECKING:
    from ..results import Results
    from ..sheets import Sheets

__all__ = ["ANALYSE", "FACTS", "TRIES", "Failure", "Order", "Outcome", "do"]

ANALYSE = "flightproc.batch.work:analyse_loaded"
"""What analyses a sortie, given its sheets."""

FACTS = (
    "title",
    "answer",
    "power_holds",
    "hang_stiffness_N_m_rad",
    "sortie_torque_ratio",
    "sortie_torque_ratio_low95",
    "sortie_torque_ratio_high95",
    "cpu_s",
)
"""What is told of a sortie at once; a batch of very many holds no more of each."""

TRIES = 2
"""How often a sortie is tried whose worker dies."""

_ONE = threading.Lock()  # figures and linear algebra share state: one sortie at a time in a process


@dataclass(frozen=True)
class Order:
    """One sortie to be analysed.

    Attributes
    ----------
    sheet : str
        Path of the sortie sheet.
    shown : str
        The same as the tables show it.
    out : str
        The batch's folder.
    run : str
        Name of this run of the batch.
    report : str
        Folder for its report; empty where none is wanted.
    log_bytes : int
        Size of its logs, as far as it is known beforehand [bytes].
    again : bool
        Whether to analyse it although its result is stored.
    wait : bool
        Whether to wait where another batch is at it.
    alone : bool
        Whether nothing else should run beside it: its worker has died once.
    analyse : str
        ``module:function``, called with the sheets; see :func:`analyse_loaded`.
    """

    sheet: str
    shown: str
    out: str
    run: str
    report: str = ""
    log_bytes: int = 0
    again: bool = False
    wait: bool = False
    alone: bool = False
    analyse: str = ANALYSE


@dataclass(frozen=True)
class Failure:
    """Why a sortie has no result.

    Attributes
    ----------
    kind : str
        Name of the error's class; ``WorkerDied``, ``OutOfMemory`` or ``Unforeseen``.
    words : str
        What, where, what is allowed, what to try.
    where : str
        File, table or channel, where that is known.
    hint : str
        What to try.
    detail : str
        The call stack, where the failure was not foreseen.
    """

    kind: str
    words: str
    where: str = ""
    hint: str = ""
    detail: str = ""


@dataclass(frozen=True)
class Outcome:
    """How it went with one sortie.

    Attributes
    ----------
    sheet : str
        The sortie sheet.
    state : str
        ``done`` in this run, ``kept`` from an earlier one, ``failed``, ``busy`` (another batch is at it), or
        ``stopped`` (the batch ended before it).
    key : str
        Of the stored result; empty where it could not be told.
    failure : Failure or None
        Where it failed.
    facts : dict
        A few entries of its row of the table; see :mod:`flightproc.batch.schema`.
    report : str
        Folder of its report; empty where none was made.
    memory_bytes : int
        Most memory that the process held meanwhile; 0 where unknown [bytes].
    held_bytes : int
        Memory that it held at the end [bytes].
    """

    sheet: str
    state: str
    key: str = ""
    failure: Failure | None = None
    facts: Mapping[str, Any] = field(default_factory=dict)
    report: str = ""
    memory_bytes: int = 0
    held_bytes: int = 0


def analyse_loaded(sheets: Sheets) -> tuple[dict[str, Any], Results]:
    """Read the logs that sheets name and analyse the sortie; return results.json as objects, and results."""
    from ..analysis import analyse_sheets, read_recordings
    from ..report.tables import plain

    results = analyse_sheets(sheets, read_recordings(sheets))
    return plain(results.to_json()), results


def do(order: Order) -> Outcome:
    """Analyse one sortie and store its result, unless it is stored already."""
    with _ONE:
        return _do(order)


def _do(order: Order) -> Outcome:
    from ..sheets import load_sortie
    from ..sheets.inputs import input_paths

    keep_to_one_thread()
    key = ""
    try:
        sheets = load_sortie(order.sheet)
        digests = digest_inputs(input_paths(sheets))
        key = key_of(digests, __version__)
        store = Store(Path(order.out))
        return _stored(order, store, key, digests) or _claimed(order, store, key, digests, sheets)
    except FlightprocError as error:
        failure = Failure(type(error).__name__, str(error), _where(error), error.hint or "")
    except MemoryError:
        failure = Failure(
            "OutOfMemory",
            f"{order.shown}: its analysis needed more memory than a worker may have. "
            "Try: a larger --memory, or see whether a log is damaged: flightproc logs FILE",
            order.shown,
            "a larger --memory",
        )
    return Outcome(order.shown, "failed", key, failure)


def _where(error: FlightprocError) -> str:
    if isinstance(error, SheetError):
        return ", ".join(dict.fromkeys(fault.file for fault in error.faults))
    return error.where or ""


def _stored(order: Order, store: Store, key: str, digests: Digests) -> Outcome | None:
    """Return what is stored already, where that is all that is wanted."""
    found = None if order.again else store.read(key)
    if found is None and order.again:
        found = store.read(key)
        found = found if found is not None and found["made"].get("run") == order.run else None
    if found is None or (order.report and not _report_is_there(order, digests)):
        return None
    return _outcome(order, key, found)


def _report_is_there(order: Order, digests: Digests) -> bool:
    """Return whether the report was made from just these files by this version."""
    place = Path(order.report)
    try:
        said = json.loads((place / "results.json").read_bytes())["provenance"]
        hashes = {entry["sha256"] for entry in said["inputs"]}
        return bool(said["version"] == __version__) and hashes <= digests.hashes and _whole(place)
    except (OSError, ValueError, KeyError, TypeError):
        return False


def _whole(place: Path) -> bool:
    return (place / "report.html").is_file()


def _outcome(order: Order, key: str, found: Mapping[str, Any]) -> Outcome:
    made = found["made"]
    row = sortie_row(order.shown, key, found["results"], made)
    return Outcome(
        order.shown,
        "done" if made.get("run") == order.run else "kept",
        key,
        facts={name: row.get(name) for name in FACTS},
        report=order.report,
        memory_bytes=int(1e6 * (made.get("memory_MB") or 0.0)),
        held_bytes=held_memory(),
    )


def _claimed(order: Order, store: Store, key: str, digests: Digests, sheets: Sheets) -> Outcome:
    with store.claim(key, wait=order.wait) as claim:
        if claim is None:
            return Outcome(order.shown, "busy", key)
        ready = _stored(order, store, key, digests)  # by whoever held the claim before
        if ready is not None:
            return ready
        died = sum(entry.get("run") == order.run for entry in claim.earlier)
        if died >= TRIES:
            return Outcome(order.shown, "failed", key, worker_died(order, died))
        claim.note(
            {"run": order.run, "host": socket.gethostname(), "pid": os.getpid(), "report": order.report}
        )
        store.note(order.run, event="begun", key=key, sheet=order.shown)
        found = _make(order, store, key, digests, sheets)
        store.note(order.run, event="stored", key=key, sheet=order.shown)
        return _outcome(order, key, found)


def worker_died(order: Order, times: int, how: str = "") -> Failure:
    """Return what to say of a sortie whose worker died."""
    hint = "run the batch again with fewer --jobs, and see the logs with flightproc logs FILE"
    count = "once" if times == 1 else f"{times} times"
    words = (
        f"{order.shown}: the worker process died {count} while analysing this sortie"
        f"{f' ({how})' if how else ''}: the machine ran out of memory, or a library crashed. Try: {hint}"
    )
    return Failure("WorkerDied", words, order.shown, hint)


def _make(order: Order, store: Store, key: str, digests: Digests, sheets: Sheets) -> dict[str, Any]:
    """Analyse, check, write the report where wanted, store."""
    module, name = order.analyse.split(":")
    analyse = getattr(import_module(module), name)
    forget_peak()
    begun_cpu, begun = time.process_time(), time.monotonic()
    document, results = analyse(sheets)
    changed = {entry["sha256"] for entry in document["provenance"]["inputs"]} - digests.hashes
    if changed:
        raise SortieError(
            "a sheet or log was changed while it was being analysed",
            where=order.shown,
            hint="run the batch again once the files are at rest",
        )
    if order.report:
        from ..report import write_report

        write_report(results, Path(order.report))
        before = store.read(key)
        if before is not None and not order.again:
            return before
    found = {
        "key": key,
        "made": {
            "run": order.run,
            "host": socket.gethostname(),
            "cpu_s": round(time.process_time() - begun_cpu, 3),
            "wall_s": round(time.monotonic() - begun, 3),
            "memory_MB": None if (peak := peak_memory()) is None else round(peak / 1e6, 1),
            "input_MB": round(digests.size / 1e6, 6),
        },
        "results": document,
    }
    store.write(key, found)
    return found


# -------------------------------------------------------------------------------------------------- memory


def forget_peak() -> None:
    """Begin to measure the most memory held anew, where the system can."""
    if sys.platform.startswith("linux"):
        try:
            Path("/proc/self/clear_refs").write_text("5")
        except OSError:
            return  # not allowed here: the peak is then that of the process


def peak_memory() -> int | None:
    """Return the most memory that this process held [bytes]; None where that cannot be told."""
    if sys.platform.startswith("linux"):
        return _status("VmHWM")
    if sys.platform == "win32":
        return None
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)


def held_memory() -> int:
    """Return the memory that this process holds now [bytes]; 0 where that cannot be told."""
    return _status("VmRSS") or 0 if sys.platform.startswith("linux") else 0


def _status(name: str) -> int | None:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(f"{name}:"):
            return int(line.split()[1]) * 1024
    return None
