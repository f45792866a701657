"""``flightproc logbook``: keep sorties with their logs, sheets and results, find them, hand them on."""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from .show import print_error, print_json
from .terminal import progress

if TYPE_CHECKING:
    from ..logbook import Added, Logbook
    from ..logbook.files import Content
    from ..logbook.gather import Gathered

__all__ = ["group"]

group: typer.Typer = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    help="Keep sorties with their logs, sheets and results; find them again, hand them on.\n\n"
    "\b\nExample: two sorties kept, found again, and handed on\n"
    "  flightproc logbook add may-14/sortie.toml may-20/sortie.toml\n"
    "  flightproc logbook list --glider school\n"
    "  flightproc logbook show 2\n"
    "  flightproc logbook export sorties.zip\n\n"
    "Writes only what its commands say.\n\n"
    "Exit code 0: done; 2: something to mend.",
)

Where = Annotated[
    str | None,
    typer.Option(
        "--logbook",
        metavar="FOLDER|URL",
        envvar="FLIGHTPROC_LOGBOOK",
        help="The logbook: a folder, sqlite:///FILE or postgresql://USER@HOST/DATABASE; one of this user's "
        "own if not given.",
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON instead of text.")]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Print neither progress nor text.")]
Number = Annotated[int, typer.Argument(metavar="ID", help="Number of the sortie, as list prints it.")]


def _open(where: str | None, *, create: bool = False) -> Logbook:
    from ..logbook import Logbook

    return Logbook(where, create=create)


def _print_json(value: Any) -> None:
    print_json(json.dumps(value, ensure_ascii=False, indent=1) + "\n")


@group.command("add")
def add(
    sheets: Annotated[list[Path], typer.Argument(metavar="SORTIE.toml...", help="Sortie sheets.")],
    results: Annotated[
        Path | None,
        typer.Option(
            "--results",
            metavar="FILE|FOLDER",
            help="Take these results instead of analysing: results.json, or the folder of a report, whose "
            "page is then kept as well. Only with one sheet.",
        ),
    ] = None,
    store_only: Annotated[
        bool, typer.Option("--store-only", help="Keep logs and sheets without analysing them.")
    ] = False,
    with_report: Annotated[
        bool, typer.Option("--with-report", help="Keep report.html and holds.csv with the result.")
    ] = False,
    logbook: Where = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Analyse sorties and add them: logs, sheets and results. What is there already is not added twice.

    The faults of all sheets are told together, before anything is added. Then each sortie is added by itself;
    what has been told as added is on the disk.

    Writes into the logbook, which is made where it does not exist.

    \b
    Example: a new sortie, and one whose report is there already
      flightproc logbook add may-14/sortie.toml
      flightproc logbook add may-20/sortie.toml --results may-20/report

    Exit code 0: done; 2: something to mend.
    """  # noqa: D301
    from ..errors import FlightprocError, LogbookError

    if results is not None and (len(sheets) != 1 or store_only or with_report):
        raise LogbookError(
            "--results goes with one sheet, and neither with --store-only nor with --with-report",
            hint="one flightproc logbook add for each sortie",
        )
    if store_only and with_report:
        raise LogbookError("--with-report needs an analysis, and --store-only makes none")
    gathered = _gather_all(sheets)
    told: list[dict[str, Any]] = []
    failed: list[str] = []
    with _open(logbook, create=True) as book, progress(quiet) as tell:
        for i, (sheet, found) in enumerate(zip(sheets, gathered, strict=True)):
            part = _Part(tell, i, len(sheets))
            try:
                if results is not None:
                    added = book.add(found, *_given(results))
                elif store_only:
                    added = book.add(found)
                else:
                    added = _analyse_and_add(book, sheet, found, with_report, part)
            except FlightprocError as error:
                failed.append(str(error))
                told.append({"sheet": str(sheet), "error": str(error)})
                continue
            told.append(
                {
                    "sheet": str(sheet),
                    "sortie": added.sortie,
                    "set": added.revision,
                    "new_sortie": added.new_sortie,
                    "new_set": added.new_revision,
                    "new_results": added.new_results,
                    "new_files": added.new_files,
                }
            )
            if not as_json and not quiet:
                typer.echo(f"{sheet}: {_words(added)}")
        where = book.place.shown
    if as_json:
        _print_json({"logbook": where, "added": told})
    elif not quiet:
        typer.echo(f"logbook  {where}")
    for text in failed:
        print_error(text)
    if failed:
        raise typer.Exit(2)


class _Part:
    """Progress of one sortie among several."""

    def __init__(self, tell: Any, number: int, count: int) -> None:
        self._tell, self._number, self._count = tell, number, count

    def __call__(self, words: str, share: float) -> None:
        self._tell(words, (self._number + share) / self._count)


def _gather_all(sheets: list[Path]) -> list[Gathered]:
    """Read all sheets and tell the faults of all of them together."""
    from ..errors import FlightprocError, SheetError
    from ..logbook import gather

    found, faults = [], []
    others: list[FlightprocError] = []
    for sheet in sheets:
        try:
            found.append(gather(sheet))
        except SheetError as error:
            faults += [fault for fault in error.faults if fault not in faults]
        except FlightprocError as error:
            others.append(error)
    for other in others[: None if faults else -1]:
        print_error(str(other))
    if faults:
        raise SheetError(faults)
    if others:
        raise others[-1]
    return found


def _given(results: Path) -> tuple[bytes, dict[str, Content]]:
    """Return results.json and the files to keep with it."""
    from ..errors import LogbookError
    from ..logbook.restore import stored_files

    path = results / "results.json" if results.is_dir() else results
    try:
        document = path.read_bytes()
    except OSError as error:
        raise LogbookError(f"the results cannot be read: {error.strerror}", where=str(path)) from error
    return document, stored_files(results) if results.is_dir() else {}


def _analyse_and_add(book: Logbook, sheet: Path, found: Gathered, with_report: bool, tell: Any) -> Added:
    from .. import __version__

    known = None if with_report else book.known(found.entry, __version__)
    if known is not None:
        return known
    from ..analysis import analyse
    from ..report import results_json, write_report

    results = analyse(sheet, progress=lambda words, share: tell(words, 0.85 * share))
    files: dict[str, Content] = {}
    if with_report:
        import tempfile

        with tempfile.TemporaryDirectory(prefix="flightproc-") as folder:
            write_report(results, folder, lambda words, share: tell(words, 0.85 + 0.1 * share))
            files = {name: (Path(folder) / name).read_bytes() for name in ("report.html", "holds.csv")}
    tell("adding to the logbook", 0.97)
    return book.add(found, results_json(results), files)


def _words(added: Added) -> str:
    place = f"sortie {added.sortie}" + (f", set {added.revision}" if added.revision > 1 else "")
    if not added.new:
        return f"already in the logbook as {place}; nothing was added"
    what = [
        "new sortie" if added.new_sortie else "new set of sheets and logs" if added.new_revision else "",
        "" if not added.new_results else "result" if added.new_sortie else "new result",
        f"{added.new_files} files with the result" if added.new_files else "",
    ]
    return f"added as {place}: {', '.join(word for word in what if word)}"


def _checked_day(parameter: typer.CallbackParam, value: str | None) -> str | None:
    if value is not None and not re.fullmatch(r"\d{4}(-\d\d(-\d\d)?)?", value):
        from ..errors import FlightprocError

        raise FlightprocError(
            "this is no day",
            where=parameter.opts[0],
            found=value,
            allowed="a day such as 2026-05-14, a month such as 2026-05, or a year",
        )
    return value


@group.command("list")
def list_sorties(
    glider: Annotated[str, typer.Option("--glider", metavar="WORDS", help="Part of the glider's name.")] = "",
    aircraft: Annotated[
        str, typer.Option("--aircraft", metavar="WORDS", help="Part of the aircraft's name.")
    ] = "",
    since: Annotated[
        str | None,
        typer.Option("--since", metavar="DAY", callback=_checked_day, help="First day, such as 2026-05-14."),
    ] = None,
    until: Annotated[
        str | None,
        typer.Option("--until", metavar="DAY", callback=_checked_day, help="Last day, such as 2026-05-14."),
    ] = None,
    text: Annotated[
        str,
        typer.Option(
            "--text", metavar="WORDS", help="Words in title, notes, names, file names or answer; all of them."
        ),
    ] = "",
    logbook: Where = None,
    as_json: AsJson = False,
) -> None:
    """List the sorties, newest day first.

    \b
    Example: those of one glider since spring
      flightproc logbook list --glider school --since 2026-03

    Exit code 0: done; 2: something to mend.
    """  # noqa: D301
    with _open(logbook) as book:
        rows = book.sorties(
            glider=glider,
            aircraft=aircraft,
            since=since,
            # no day of a month or a year given comes after this
            until=None if until is None else until + "-99-99"[len(until) - 4 :],
            text=text,
        )
        where = book.place.shown
    if as_json:
        _print_json({"logbook": where, "sorties": [row.to_json() for row in rows]})
        return
    from .logbook_view import show_list

    show_list(rows, where)


@group.command("show")
def show(
    number: Number,
    out: Annotated[
        Path | None,
        typer.Option(
            "-o",
            "--out",
            metavar="FOLDER",
            help="Write everything kept of it there: sheets, logs, results.json, and the report where kept.",
        ),
    ] = None,
    report: Annotated[
        Path | None,
        typer.Option(
            "--report", metavar="FOLDER", help="Analyse it again from what is kept, and write a report."
        ),
    ] = None,
    set_number: Annotated[
        int | None,
        typer.Option(
            "--set", metavar="N", min=1, help="Which set of its sheets and logs; the newest if not given."
        ),
    ] = None,
    logbook: Where = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Show a sortie as its newest result tells it; take it out as files; write its report anew.

    Writes sheets, logs and results.json into the folder of -o, a report into that of --report.

    \b
    Example: the answer, then everything kept of it, then a new report
      flightproc logbook show 2
      flightproc logbook show 2 -o taken-out
      flightproc logbook show 2 --report again

    Exit code 0: done; 2: something to mend.
    """  # noqa: D301
    from ..errors import LogbookError
    from ..logbook import restore_files, restore_inputs

    with _open(logbook) as book:
        view = book.get(number)
        if set_number is not None and set_number > len(view.revisions):
            raise LogbookError(
                "there is no such set", found=set_number, allowed=f"1 to {len(view.revisions)}"
            )
        newest = view.result
        if set_number is not None:
            chosen = view.revisions[set_number - 1]
            result = chosen.results[-1] if chosen.results else None
        elif newest is not None and newest[0].number == view.newest.number:
            chosen, result = newest
        else:
            chosen, result = view.newest, None
        # a set that was stored only, after one that was analysed: the older answer is still worth showing
        told = (chosen, result) if result is not None or set_number is not None else newest
        document = None if told is None or told[1] is None else book.document(told[1])
        if out is not None:
            files = {file.path: file.sha256 for file in chosen.entry.files}
            if result is not None:
                files |= {f"report/{path}": sha256 for path, sha256 in result.files.items()}
                files["report/results.json"] = result.sha256
            restore_files(book, files, out)
        if report is not None:
            import tempfile

            from ..analysis import analyse
            from ..report import write_report
            from ..report.output import check_folder

            check_folder(report)
            with (
                tempfile.TemporaryDirectory(prefix="flightproc-") as folder,
                progress(quiet) as tell,
            ):
                sheet = restore_inputs(book, chosen, folder)
                made = analyse(sheet, progress=lambda words, share: tell(words, 0.85 * share))
                write_report(made, report, lambda words, share: tell(words, 0.85 + 0.15 * share))
    if as_json:
        _print_json({**view.to_json(), "document": document})
        return
    if quiet:
        return
    from .logbook_view import show_sortie

    show_sortie(view, told, document)
    if out is not None:
        typer.echo(f"\nfiles   {out / chosen.entry.file('sortie').path}")
    if report is not None:
        typer.echo(f"\nreport  {report / 'report.html'}")


@group.command("remove")
def remove(
    number: Number,
    yes: Annotated[bool, typer.Option("--yes", help="Remove without asking.")] = False,
    logbook: Where = None,
    as_json: AsJson = False,
) -> None:
    """Remove a sortie with its results, and the logs and sheets that nothing else needs.

    \b
    Example: look first, then remove
      flightproc logbook show 2
      flightproc logbook remove 2

    Exit code 0: done; 2: something to mend.
    """  # noqa: D301
    with _open(logbook) as book:
        row = book.get(number).row
        if not yes and not (
            sys.stdin.isatty()
            and typer.confirm(f"Remove sortie {number}, {row.title!r}, for good?", err=True)
        ):
            from ..errors import LogbookError

            raise LogbookError("nothing was removed", hint=f"flightproc logbook remove {number} --yes")
        book.delete(number)
    if as_json:
        _print_json({"removed": number})
    else:
        typer.echo(f"removed sortie {number}, {row.title}")


@group.command("export")
def export(
    file: Annotated[Path, typer.Argument(metavar="FILE.zip", help="The archive to write.")],
    skip_damaged: Annotated[
        bool, typer.Option("--skip-damaged", help="Leave out what is damaged, and say so.")
    ] = False,
    logbook: Where = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Write everything in the logbook to one archive.

    Writes FILE.zip, whole or not at all.

    \b
    Example: take a logbook to another computer
      flightproc logbook export sorties.zip
      flightproc logbook import sorties.zip     (on the other one)

    Exit code 0: done; 2: something to mend.
    """  # noqa: D301
    from ..logbook import export_archive

    with _open(logbook) as book, progress(quiet) as tell:
        done = export_archive(book, file, skip_damaged=skip_damaged, progress=tell)
    if as_json:
        _print_json({"archive": str(file), **vars(done)})
    elif not quiet:
        for words in done.left_out:
            typer.echo(f"left out  {words}")
        typer.echo(
            f"archive  {file}: {done.entries} sets of sheets and logs, {done.results} results, "
            f"{done.contents} files, {done.size / 1e6:.1f} MB"
        )


@group.command("import")
def import_(
    file: Annotated[Path, typer.Argument(metavar="FILE.zip", help="The archive to read.")],
    logbook: Where = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Add everything in an archive to the logbook; what is there already stays as it is.

    Writes into the logbook; what is there already stays as it is.

    \b
    Example: into a logbook in a folder of its own
      flightproc logbook import sorties.zip --logbook school-logbook

    Exit code 0: done; 2: something to mend.
    """  # noqa: D301
    from ..errors import LogbookError
    from ..logbook import import_archive

    if not file.is_file():
        raise LogbookError("there is no such file", where=str(file))
    with _open(logbook, create=True) as book, progress(quiet) as tell:
        done = import_archive(book, file, progress=tell)
        where = book.place.shown
    numbers = {
        "entries": len(done.added),
        "new_sorties": done.new_sorties,
        "new_sets": done.new_revisions,
        "new_results": done.new_results,
    }
    if as_json:
        _print_json({"logbook": where, **numbers})
    elif not quiet:
        typer.echo(
            f"{len(done.added)} sets of sheets and logs read; new: {done.new_sorties} sorties, "
            f"{done.new_revisions} sets, {done.new_results} results"
        )
        typer.echo(f"logbook  {where}")


@group.command("check")
def check(
    repair: Annotated[
        bool, typer.Option("--repair", help="Take away what a crash left behind and nothing points to.")
    ] = False,
    again: Annotated[
        bool,
        typer.Option(
            "--again", help="Analyse every sortie again, and hold its newest result against what comes out."
        ),
    ] = False,
    logbook: Where = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Check the logbook: database, every file against its hash, every result against its files.

    \b
    Example: once a month, and after a change of version
      flightproc logbook check
      flightproc logbook check --again

    Exit code 0: nothing that was confirmed is lost; 2: something is lost or damaged, or comes out otherwise.
    """  # noqa: D301
    from ..logbook import check_logbook

    with _open(logbook) as book, progress(quiet) as tell:
        found = check_logbook(book, repair=repair, again=again, progress=tell)
        where = book.place.shown
    if as_json:
        _print_json({"logbook": where, **found.to_json()})
    elif not quiet:
        from .logbook_view import show_check

        show_check(found, where)
    if not found.sound:
        raise typer.Exit(2)
