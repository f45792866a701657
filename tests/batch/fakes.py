"""What stands in for an analysis where a batch itself is tried; the pilot's notes say what is to happen."""

from __future__ import annotations

import hashlib
import os
import signal
import sys
import time
from pathlib import Path
from typing import Any

from flightproc.errors import SortieError
from flightproc.sheets import Sheets
from flightproc.sheets.inputs import input_paths


def _tell(sheets: Sheets, what: str) -> None:
    """Add a line to a file beside the sorties' folder, whoever does the work."""
    log = next(folder / "log" for folder in sheets.folder.absolute().parents if (folder / "log").is_file())
    with log.open("ab") as file:
        file.write(f"{what}\t{sheets.sortie.title}\t{os.getpid()}\n".encode())


def analyse(sheets: Sheets) -> tuple[dict[str, Any], None]:
    what, *rest = sheets.sortie.pilot_notes.split(" ", 1)
    argument = rest[0] if rest else ""
    _tell(sheets, "begun")
    if what == "sleep":
        time.sleep(float(argument))
    elif what == "refuse":
        raise SortieError("the clocks of the logs do not meet", where="unit.ulg", hint="another log")
    elif what == "bug":
        raise ZeroDivisionError("nobody thought of this")
    elif what == "hog":
        bytearray(10**13)
    elif what == "die" or (what == "die_once" and not Path(argument).exists()):
        if argument:
            Path(argument).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    elif what == "segfault":
        os.kill(os.getpid(), signal.SIGSEGV)
    elif what == "change":
        sheets.files["unit"].write_bytes(b"another log")
    _tell(sheets, "ended")
    return document(sheets), None


def document(sheets: Sheets) -> dict[str, Any]:
    quantity = {"value": 1.25, "std": 0.1, "low95": 1.0, "high95": 1.5}
    inputs = [hashlib.sha256(item.path.read_bytes()).hexdigest() for item in input_paths(sheets)]
    return {
        "title": sheets.sortie.title,
        "aircraft": sheets.aircraft.name,
        "glider": sheets.glider.name,
        "time_base": {"start_utc": "2026-05-14T17:00:00.000Z", "end_s": 600.0},
        "answer": ["The unit is rolled by 20 N m."],
        "holds": [{"kind": "power", "start_s": 1.0, "rpm": quantity, "hands_off": None}],
        "comparison": [{"rpm": quantity, "torque_ratio": quantity, "holds": [0]}],
        "provenance": {
            "version": "0",
            "created_utc": "2026-05-14T18:00:00Z",
            "inputs": [{"name": "x", "sha256": sha256} for sha256 in inputs],
        },
    }


if __name__ == "__main__":
    # the whole command line, with this analysis in place of the true one
    import flightproc.cli
    from flightproc.batch import run_batch

    sys.path.insert(0, str(Path(__file__).parent))
    run_batch.__kwdefaults__["analyse"] = "fakes:analyse"
    sys.exit(flightproc.cli.main(sys.argv[1:]))
