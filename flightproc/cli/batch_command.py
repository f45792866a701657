"""``flightproc batch``: every sortie below some folders."""

from __future__ import annotations

import json
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from .show import print_json

if TYPE_CHECKING:
    from ..batch import Tick

__all__ = ["command"]

_STOPPED = 130
_SOME_FAILED = 1


def command(
    folders: Annotated[
        list[Path],
        typer.Argument(
            metavar="FOLDER...", help="Where to look: every sortie sheet in them and below. Or single sheets."
        ),
    ],
    out: Annotated[
        Path,
        typer.Option(
            "-o", "--out", metavar="FOLDER", help="Where the results are kept, and found again next time."
        ),
    ] = Path("batch-results"),
    jobs: Annotated[
        int | None,
        typer.Option(
            "-j", "--jobs", metavar="N", min=1, help="Most sorties at once; as many as cores if not given."
        ),
    ] = None,
    memory: Annotated[
        str | None,
        typer.Option(
            "--memory",
            metavar="SIZE",
            help="Memory for all workers together, such as 8GB; four fifths of what is free if not given.",
        ),
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(
            "--scheduler",
            metavar="ADDRESS",
            help="Work on a Dask cluster: address of its scheduler, such as tcp://10.0.0.5:8786. Logs and "
            "FOLDER must lie on a disk that all its machines share. Needs the extra: pip install "
            "'flightproc[cluster]'.",
        ),
    ] = None,
    report: Annotated[
        bool, typer.Option("--report", help="Write the report of each sortie too, into FOLDER/reports.")
    ] = False,
    again: Annotated[bool, typer.Option("--again", help="Analyse what is finished once more.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print batch.json instead of the table.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Print neither progress nor table.")] = False,
) -> None:
    """Analyse every sortie below some folders; go on where an earlier run stopped.

    Each result is kept by the content of its sheets and logs: what is finished is not done again, however
    often the command is run. A sortie that fails is told and stops no other; the next run tries it again.

    \b
    Example: a season on this machine, and on a cluster
      flightproc batch flights -o season-2026
      flightproc batch flights -o season-2026 --jobs 4 --memory 6GB --report
      flightproc batch /shared/flights -o /shared/season --scheduler tcp://10.0.0.5:8786

    Writes results.parquet (one row a sortie, hold and throttle setting), summary.csv and batch.json into
    FOLDER, each result into FOLDER/store, and reports into FOLDER/reports with --report. Without pyarrow
    (pip install 'flightproc[parquet]') the table is results.csv.

    Exit code 0: every sortie has its result; 1: some failed or were not reached, the others have theirs;
    2: the command cannot be run as given.
    """  # noqa: D301
    from ..batch import BatchStopped, run_batch
    from ..batch.machine import parse_memory
    from ..errors import BatchError

    if scheduler is not None and (jobs is not None or memory is not None):
        raise BatchError(
            "--jobs and --memory are for this machine, and --scheduler leaves it to the cluster's workers",
            hint="dask worker --nthreads 1 --nworkers N --memory-limit SIZE ADDRESS",
        )
    with _progress(not quiet) as tell, _one_interrupt() as asked:

        def told(tick: Tick) -> None:
            if asked:  # somebody's code has swallowed it
                raise KeyboardInterrupt
            tell(tick)

        try:
            batch = run_batch(
                folders,
                out,
                jobs=jobs,
                memory=None if memory is None else parse_memory(memory),
                scheduler=scheduler,
                report=report,
                again=again,
                progress=told,
            )
        except BatchStopped as stopped:
            batch, code = stopped.batch, _STOPPED
        else:
            code = 0 if batch.good else _SOME_FAILED
    from .batch_view import show_batch, show_problems

    show_problems(batch, stopped=code == _STOPPED)
    if as_json:
        from ..batch.tables import batch_json

        text = json.dumps(batch_json(batch.folder, batch.outcomes), ensure_ascii=False, indent=1)
        print_json(text + "\n")
    elif not quiet and code != _STOPPED:
        show_batch(batch)
    if code:
        raise typer.Exit(code)


@contextmanager
def _one_interrupt() -> Iterator[list[int]]:
    """Stop the batch at Ctrl-C or a request to end, once: what comes after must not disturb the stopping."""
    asked: list[int] = []

    def stop(number: int, frame: Any) -> None:
        if not asked:
            asked.append(number)
            raise KeyboardInterrupt

    before = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield asked
    finally:
        for number, handler in before.items():
            # where it was stopped the program ends now, and a second Ctrl-C has nothing more to stop
            signal.signal(number, signal.SIG_IGN if asked else handler)


@contextmanager
def _progress(shown: bool) -> Iterator[Callable[[Tick], None]]:
    """Show a bar on a terminal, and a line now and then elsewhere; all of it on standard error."""
    from .batch_view import Lines, tick_words

    if not shown:
        yield lambda tick: None
        return
    if not sys.stderr.isatty():
        yield Lines(sys.stderr)
        return
    from rich.console import Console
    from rich.progress import Progress

    from .terminal import bar_columns

    with Progress(*bar_columns(), console=Console(stderr=True), transient=True, expand=True) as bar:
        task = bar.add_task("looking for sorties", total=None)
        yield lambda tick: bar.update(
            task, description=tick_words(tick), completed=tick.ended, total=tick.total
        )
