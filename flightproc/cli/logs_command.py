"""``flightproc logs``: what each log holds, what it lacks, what was damaged, what was guessed."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from ..readers import Recording
    from ..readers.summary import SeriesSummary
    from ..readers.together import Choice

__all__ = ["command"]

_FEW_FIELDS = 60  # up to so many fields are listed without being asked


def command(
    files: Annotated[
        list[str],
        typer.Argument(metavar="FILE", help="Log files of any known format, told by their content."),
    ],
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON instead of tables.")] = False,
    fields: Annotated[
        bool, typer.Option("--fields", help="List every raw field, and all sources of a channel, best first.")
    ] = False,
    check: Annotated[
        bool,
        typer.Option("--check", help="Check the instruments on a two-minute ground recording."),
    ] = False,
    aircraft: Annotated[
        Path | None,
        typer.Option(
            "--aircraft",
            metavar="AIRCRAFT.toml",
            help="With --check: gear ratio and blades for the engine's line, and the stated mount.",
        ),
    ] = None,
    figure: Annotated[
        Path | None,
        typer.Option("--figure", metavar="FILE", help="With --check: draw the Allan deviations (PNG, SVG)."),
    ] = None,
) -> None:
    """Print what logs hold: channels, rates, gaps, damage, and what a moment estimate still lacks.

    With --check, say of each instrument whether it is ready, to be looked at, or to be mended, and how.
    Record a minute at rest with the engine off, tilt the unit by hand, then run the engine where it is safe.

    \b
    Example: two loggers before a sortie
      flightproc logs --check unit.ulg gps.gpx --aircraft aircraft.toml

    Writes nothing but the drawing of --figure.

    Exit code 0: done, or with --check nothing to mend; 1: with --check, something to mend; 2: a log that
    cannot be read, or a fault in what was asked.
    """  # noqa: D301 - the mark keeps the lines of the example
    if check or aircraft is not None or figure is not None:
        from .check_view import run_check

        if not check or fields:
            raise typer.BadParameter(
                "--fields does not go with --check"
                if check
                else "--aircraft and --figure go with --check only"
            )
        raise typer.Exit(run_check(files, aircraft, figure, as_json=as_json))
    from rich.console import Console

    from ..errors import FlightprocError
    from ..readers import read_log
    from .show import print_error, print_json

    console = Console(highlight=False, soft_wrap=False)
    recordings: list[Recording] = []
    entries: list[dict[str, Any]] = []
    failed = 0
    for file in files:
        try:
            recording = read_log(file)
        except FlightprocError as error:
            failed += 1
            entries.append({"path": file, "error": str(error)})
            print_error(str(error))
            continue
        recordings.append(recording)
        if as_json:
            entries.append(_to_json(recording))
        else:
            _show(console, recording, fields)
    if as_json:
        import json

        print_json(json.dumps(entries, indent=2, ensure_ascii=False, allow_nan=False) + "\n")
    elif recordings:
        _show_together(console, recordings)
    if failed:
        if not as_json and len(files) > 1:
            print_error(f"{failed} of {len(files)} files could not be read")
        raise typer.Exit(2)


# Words ----------------------------------------------------------------------------------------------------


def _size_text(size: int) -> str:
    value = float(size)
    for unit in ("bytes", "kB", "MB"):
        if value < 1000 or unit == "MB":
            return f"{size} bytes" if unit == "bytes" else f"{value:.1f} {unit}"
        value /= 1000
    return f"{size} bytes"


def _time_text(seconds: float) -> str:
    """Return seconds as they are read most easily: 12.3 s, 5:04 min, 1:02:03 h."""
    if seconds < 100:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    hours, minutes = whole // 3600, whole % 3600 // 60
    if hours:
        return f"{hours}:{minutes:02d}:{whole % 60:02d} h"
    return f"{minutes}:{whole % 60:02d} min"


def _rate_text(rate: float) -> str:
    if rate != rate:
        return "-"
    return f"{rate:.2g}" if rate < 10 else f"{rate:.0f}"


def _utc_text(utc: float | None) -> str:
    from datetime import UTC, datetime

    if utc is None:
        return "UTC unknown"
    try:
        return datetime.fromtimestamp(utc, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
    except (OverflowError, OSError, ValueError):
        return "UTC unknown"


def _share_text(share: float) -> str:
    if share == 0:
        return "-"
    return "< 1 %" if share < 0.01 else f"{100 * share:.0f} %"


def _gap_text(numbers: SeriesSummary) -> str:
    return f"{numbers.gaps}, {numbers.longest_gap:.3g} s" if numbers.gaps else "-"


# Tables ---------------------------------------------------------------------------------------------------


def _table(*columns: tuple[str, dict[str, Any]], header: bool = True) -> Table:
    from rich.table import Table
    from rich.text import Text

    table = Table(
        box=None,
        show_header=header,
        show_edge=False,
        pad_edge=False,
        collapse_padding=True,
        padding=(0, 2, 0, 0),
        header_style="bold underline",
    )
    for name, options in columns:
        table.add_column(Text(name), **options)  # a plain string would have its brackets read as markup
    return table


def _show(console: Console, recording: Recording, all_fields: bool) -> None:
    from rich.text import Text

    start, end = recording.span
    lasts = "nothing placed in time" if start != start else _time_text(end - start)
    console.print()
    console.rule(Text(Path(recording.path).name, style="bold"), align="left", characters="─")
    console.print(
        Text(
            f"{recording.format}, {_size_text(recording.size)}, {lasts}, "
            f"{_utc_text(recording.start_utc)} at its own time 0"
            if recording.start_utc is not None
            else f"{recording.format}, {_size_text(recording.size)}, {lasts}, UTC unknown"
        )
    )
    console.print(Text(f"SHA-256 {recording.sha256[:16]}…", style="dim"))
    if recording.channels:
        console.print()
        _show_channels(console, recording)
        if all_fields:
            _show_sources(console, recording)
    for waveform in recording.waveforms:
        rate = f"{waveform.rate:.0f} Hz" if waveform.rate < 1e4 else f"{waveform.rate / 1000:g} kHz"
        console.print(Text(f"sound: {waveform.source}, {rate}, {_time_text(waveform.end - waveform.start)}"))
    _show_lacking(console, recording)
    _show_damage(console, recording)
    _show_list(console, "To confirm, and worth knowing", recording.notes, "cyan")
    _show_fields(console, recording, all_fields)


def _show_channels(console: Console, recording: Recording) -> None:
    """Print the channels, those of one ULog topic under its name."""
    from rich.text import Text

    from ..channels import CHANNELS
    from ..readers.summary import summarise

    by_topic: dict[str, list[str]] = {}
    for name, group in recording.channels.items():
        topic = group[0].source.split(".")[0] if recording.format == "ULog" else ""
        by_topic.setdefault(topic, []).append(name)
    width = max(map(len, ("channel", *recording.channels)))

    def table(header: bool) -> Table:
        return _table(
            ("channel", {"no_wrap": True, "width": width}),
            ("unit", {"no_wrap": True, "width": 5}),
            ("Hz", {"justify": "right", "no_wrap": True, "width": 5}),
            ("from–to [s]", {"justify": "right", "no_wrap": True, "width": 11}),
            ("gaps", {"no_wrap": True, "width": 10}),
            ("missing", {"justify": "right", "no_wrap": True, "width": 7}),
            ("fed by", {"overflow": "fold"}),
            header=header,
        )

    console.print(table(True))
    for topic, names in by_topic.items():
        if topic:
            console.print(Text(topic, style="italic"))
        rows = table(False)
        for name in names:
            best, *others = recording.channels[name]
            numbers = summarise(best)
            source = best.source.removeprefix(f"{topic}.") if topic else best.source
            source += (", worked out" if best.derived else "") + (f" +{len(others)}" if others else "")
            places = 1 if numbers.end < 1000 else 0
            rows.add_row(
                Text(name),
                Text(CHANNELS[name].unit),
                _rate_text(numbers.rate_hz),
                f"{numbers.start:.{places}f}–{numbers.end:.{places}f}",
                Text(_gap_text(numbers), style="yellow" if numbers.gaps else ""),
                Text(_share_text(numbers.missing), style="yellow" if numbers.missing > 0.01 else ""),
                Text(source),
            )
        console.print(rows)
    if any(len(group) > 1 for group in recording.channels.values()):
        words = "+1: one more source of that channel; the best is shown, --fields shows all."
        console.print(Text(words, style="dim"))


def _show_sources(console: Console, recording: Recording) -> None:
    """Print all sources of each channel that has several, best first."""
    from rich.text import Text

    from ..readers.summary import summarise

    several = {name: group for name, group in recording.channels.items() if len(group) > 1}
    if not several:
        return
    console.print(
        Text("\nSources, best first; another is forced by [logs.sources] in the sheet", style="bold")
    )
    table = _table(
        ("channel", {"no_wrap": True}),
        ("", {"justify": "right", "no_wrap": True}),
        ("source", {"overflow": "fold"}),
        ("Hz", {"justify": "right", "no_wrap": True}),
        ("missing", {"justify": "right", "no_wrap": True}),
    )
    for name, group in several.items():
        for rank, series in enumerate(group, start=1):
            numbers = summarise(series)
            table.add_row(
                Text(name if rank == 1 else ""),
                str(rank),
                Text(series.source + (", worked out" if series.derived else "")),
                _rate_text(numbers.rate_hz),
                _share_text(numbers.missing),
            )
    console.print(table)


def _show_lacking(console: Console, recording: Recording) -> None:
    from rich.text import Text

    from ..readers.summary import lacking

    missing = lacking(recording.channels)
    if not missing:
        console.print(Text("\nThis log alone has all that a moment estimate needs.", style="green"))
        return
    console.print(Text("\nNot in this log (another log of the sortie may have it)", style="bold"))
    table = _table(
        ("what", {"no_wrap": True, "width": 15}), ("", {"no_wrap": True}), ("how to get it", {}), header=False
    )
    for need in missing:
        style = "yellow" if need.required else "dim"
        table.add_row(
            Text(need.name, style=style),
            Text("needed" if need.required else "helps", style=style),
            Text(need.how),
        )
    console.print(table)


def _show_damage(console: Console, recording: Recording) -> None:
    lines = [f"{damage.code}, {damage.where}: {damage.what}" for damage in recording.damage]
    _show_list(console, "Damage", lines, "red")


def _show_list(console: Console, title: str, lines: Sequence[str], style: str) -> None:
    from rich.table import Table
    from rich.text import Text

    if not lines:
        return
    console.print(Text(f"\n{title}", style="bold"))
    for line in lines:
        grid = Table.grid(padding=(0, 1))
        grid.add_row(Text("-", style=style), Text(line))
        console.print(grid)


def _show_fields(console: Console, recording: Recording, all_fields: bool) -> None:
    from rich.text import Text

    fields = recording.fields
    feeding = sum(1 for field in fields if field.feeds)
    console.print(Text(f"\nRaw fields: {len(fields)}, of which {feeding} feed a channel", style="bold"))
    if not (all_fields or len(fields) <= _FEW_FIELDS):
        topics: dict[str, bool] = {}
        for field in fields:
            topic = field.name.split(".")[0]
            topics[topic] = topics.get(topic, False) or bool(field.feeds)
        used = ", ".join(topic for topic, feeds in topics.items() if feeds)
        unused = ", ".join(topic for topic, feeds in topics.items() if not feeds)
        console.print(Text(f"topics in use: {used or 'none'}"))
        console.print(Text(f"not in use: {unused or 'none'}", style="dim"))
        console.print(Text("--fields lists every field.", style="dim"))
        return
    table = _table(
        ("field", {"overflow": "fold"}),
        ("unit", {"no_wrap": True}),
        ("values", {"justify": "right", "no_wrap": True}),
        ("Hz", {"justify": "right", "no_wrap": True}),
        ("feeds, or why not", {"overflow": "fold"}),
    )
    for field in fields:
        words = "; ".join(filter(None, (field.feeds, field.note))) or "-"
        table.add_row(
            Text(field.name, style="" if field.feeds else "dim"),
            Text(field.unit),
            str(field.samples),
            _rate_text(field.rate_hz),
            Text(words, style="" if field.feeds else "dim"),
        )
    console.print(table)


def _show_together(console: Console, recordings: Sequence[Recording]) -> None:
    """Print the best set of channels, what is missing, the clocks, and tables for the sortie sheet."""
    from rich.text import Text

    from ..readers.together import best_set, guess_roles, sheet_lines

    roles = guess_roles(recordings)
    if len(recordings) > 1:
        console.print()
        console.rule(Text("All logs together", style="bold"), align="left", characters="─")
        choices = best_set(recordings, roles)
        _show_needs(console, recordings, [choice.channel for choice in choices])
        _show_best(console, recordings, choices)
        _show_clocks(console, recordings, roles)
    console.print(Text("\nFor sortie.toml, once you have checked it:", style="bold"))
    for line in sheet_lines(recordings, roles):
        console.print(Text(line), soft_wrap=True)


def _show_needs(console: Console, recordings: Sequence[Recording], channels: Sequence[str]) -> None:
    from rich.text import Text

    from ..readers.summary import NEEDS

    table = _table(("for the moment", {"no_wrap": True}), ("", {"no_wrap": True}), ("in", {}))
    for need in NEEDS:
        met = need.met_by(channels)
        holders = [Path(r.path).name for r in recordings if need.met_by(r.channels)]
        sound = [Path(r.path).name for r in recordings if r.waveforms]
        words = ", ".join(holders)
        if met and not holders:
            words = "several logs together"
        elif not met and need.name == "engine speed" and sound:
            words = f"{', '.join(sound)}: from the sound, where the engine is heard clearly"
        elif not met and holders:
            words = f"{words}, but not in the log of the unit's own sensor"
        style = "" if met else ("yellow" if need.required else "dim")
        table.add_row(
            Text(need.name, style=style),
            Text("needed" if need.required else "helps", style=style),
            Text(words or f"in none of them: {need.how}", style=style),
        )
    console.print(table)


def _show_best(console: Console, recordings: Sequence[Recording], choices: Sequence[Choice]) -> None:
    """Print which log feeds what, channels of one source in one row."""
    from rich.text import Text

    from ..readers.summary import summarise

    if not choices:
        return
    console.print(Text("\nThe best set of channels", style="bold"))
    table = _table(
        ("channel", {"no_wrap": True}),
        ("from", {"overflow": "fold"}),
        ("source", {"overflow": "fold"}),
        ("Hz", {"justify": "right", "no_wrap": True}),
        ("gaps", {"no_wrap": True}),
        ("more", {"justify": "right", "no_wrap": True}),
    )
    before = -1
    for choice in choices:
        numbers = summarise(choice.series)
        name = Path(recordings[choice.log].path).name
        table.add_row(
            Text(choice.channel),
            Text(name if choice.log != before else '"'),
            Text(choice.series.source + (", worked out" if choice.series.derived else "")),
            _rate_text(numbers.rate_hz),
            Text(_gap_text(numbers), style="yellow" if numbers.gaps else ""),
            f"+{choice.others}" if choice.others else "-",
        )
        before = choice.log
    console.print(table)


def _show_clocks(console: Console, recordings: Sequence[Recording], roles: Sequence[str]) -> None:
    from rich.text import Text

    from ..readers.together import clocks

    console.print(Text("\nClocks", style="bold"))
    table = _table(
        ("log", {"overflow": "fold"}), ("begins", {}), ("lasts", {"no_wrap": True}), ("how it is placed", {})
    )
    for clock in clocks(recordings, roles):
        log = recordings[clock.log]
        start, end = log.span
        common = f", {_time_text(clock.common)} in common" if clock.common > 0 else ""
        table.add_row(
            Text(Path(log.path).name),
            Text(_utc_text(log.start_utc + start if log.start_utc is not None and start == start else None)),
            Text(_time_text(end - start) if start == start else "-"),
            Text(clock.words + common),
        )
    console.print(table)


# JSON -----------------------------------------------------------------------------------------------------


def _finite(value: float | None) -> float | None:
    return None if value is None or value != value or value in (float("inf"), float("-inf")) else value


def _to_json(recording: Recording) -> dict[str, Any]:
    """Return what the tables show, in full."""
    from dataclasses import asdict

    from ..channels import CHANNELS
    from ..readers.summary import lacking, summarise

    channels: dict[str, list[dict[str, Any]]] = {}
    for name, group in recording.channels.items():
        channels[name] = []
        for series in group:
            numbers = summarise(series)
            channels[name].append(
                {
                    "unit": CHANNELS[name].unit,
                    "source": series.source,
                    "derived": series.derived,
                    "samples": numbers.samples,
                    "rate_hz": _finite(numbers.rate_hz),
                    "start_s": _finite(numbers.start),
                    "end_s": _finite(numbers.end),
                    "gaps": numbers.gaps,
                    "longest_gap_s": numbers.longest_gap,
                    "missing": numbers.missing,
                }
            )
    start, end = recording.span
    return {
        "path": recording.path,
        "format": recording.format,
        "sha256": recording.sha256,
        "size": recording.size,
        "start_utc": _finite(recording.start_utc),
        "span_s": [_finite(start), _finite(end)],
        "channels": channels,
        "lacking": [
            {"name": need.name, "required": need.required, "how": need.how}
            for need in lacking(recording.channels)
        ],
        "fields": [asdict(field) | {"rate_hz": _finite(field.rate_hz)} for field in recording.fields],
        "damage": [asdict(damage) for damage in recording.damage],
        "notes": list(recording.notes),
    }
