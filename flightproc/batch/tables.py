"""Tables of a batch: one of all results as Parquet, or CSV; a summary as CSV; everything told as JSON."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any, TextIO

from ..errors import OutputError
from ..whole import replacing, write_whole
from .find import shown_path
from .schema import COLUMNS, TABLE, result_rows
from .store import Store
from .work import Outcome

__all__ = ["NO_PARQUET", "all_rows", "batch_json", "write_tables"]

NO_PARQUET = (
    "pyarrow is not installed, so all results were written as results.csv instead of results.parquet: "
    "pip install 'flightproc[parquet]'"
)

_GROUP = 20_000  # rows that are held at a time
_SUMMARY = tuple(part for column in COLUMNS if "sortie" in column.rows for part in column.parts())


def all_rows(store: Store, outcomes: Iterable[Outcome]) -> Iterator[dict[str, Any]]:
    """Yield every row of the table, in the order of the sorties, read from what is stored."""
    for outcome in outcomes:
        found = store.read(outcome.key) if outcome.state in ("done", "kept") else None
        if found is None:
            yield _plain_row(outcome)
        else:
            yield from result_rows(outcome.sheet, outcome.key, found["results"], found["made"])


def _plain_row(outcome: Outcome) -> dict[str, Any]:
    """Return the row of a sortie without a result."""
    row: dict[str, Any] = {"row": "sortie", "sortie": outcome.sheet, "key": outcome.key or None}
    row["state"] = outcome.state if outcome.state in ("failed", "stopped") else "failed"
    if outcome.failure is not None:
        row |= {"failure": outcome.failure.words, "failure_kind": outcome.failure.kind}
    return row


def write_tables(store: Store, outcomes: Sequence[Outcome]) -> tuple[tuple[Path, ...], tuple[str, ...]]:
    """Write ``results.parquet`` (or ``results.csv``), ``summary.csv`` and ``batch.json``, each whole.

    Returns
    -------
    files : tuple of Path
        What was written.
    words : tuple of str
        What is to be known about it.
    """
    folder = store.folder
    words: tuple[str, ...] = ()
    try:
        import pyarrow  # noqa: F401
    except ImportError:
        table, other, words = folder / "results.csv", folder / "results.parquet", (NO_PARQUET,)
    else:
        table, other = folder / "results.parquet", folder / "results.csv"
    summary, told = folder / "summary.csv", folder / "batch.json"
    try:
        with replacing(table) as draft, replacing(summary) as lines, _text(lines) as file:
            rows = _summed_up(all_rows(store, outcomes), file)
            (_write_csv if table.suffix == ".csv" else _write_parquet)(draft, rows)
        other.unlink(missing_ok=True)
        text = json.dumps(batch_json(folder, outcomes), ensure_ascii=False, indent=1) + "\n"
        write_whole(told, text.encode("utf-8", "backslashreplace"))
    except OSError as error:
        raise OutputError(
            f"the tables cannot be written: {error.strerror or error}",
            where=shown_path(folder),
            hint="make room on the disk and run the same command: the results are kept",
        ) from error
    return (table, summary, told), words


def _text(path: Path) -> TextIO:
    return path.open("x", encoding="utf-8", errors="backslashreplace", newline="")


def _summed_up(rows: Iterable[dict[str, Any]], file: TextIO) -> Iterator[dict[str, Any]]:
    """Pass rows on, and write those of the sorties as CSV."""
    writer, names = csv.writer(file), [name for name, _ in _SUMMARY]
    writer.writerow(names)
    for row in rows:
        if row["row"] == "sortie":
            writer.writerow([_cell(row.get(name)) for name in names])
        yield row


def _cell(value: Any) -> Any:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return value.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    return "" if value is None else value


def _write_csv(draft: Path, rows: Iterable[dict[str, Any]]) -> None:
    names = [name for name, _ in TABLE]
    with _text(draft) as file:
        writer = csv.writer(file)
        writer.writerow(names)
        writer.writerows([_cell(row.get(name)) for name in names] for row in rows)


def _write_parquet(draft: Path, rows: Iterable[dict[str, Any]]) -> None:
    import pyarrow as pa
    from pyarrow import parquet

    kinds = {
        "text": pa.string(),
        "whole": pa.int32(),
        "number": pa.float64(),
        "flag": pa.bool_(),
        "time": pa.timestamp("ms", tz="UTC"),
    }
    schema = pa.schema([(name, kinds[kind]) for name, kind in TABLE])
    with parquet.ParquetWriter(draft, schema, compression="zstd") as writer:
        for group in _groups(rows):
            columns = [[row.get(field.name) for row in group] for field in schema]
            arrays = [
                pa.array(column, type=field.type) for column, field in zip(columns, schema, strict=True)
            ]
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema))


def _groups(rows: Iterable[dict[str, Any]]) -> Iterator[list[dict[str, Any]]]:
    group: list[dict[str, Any]] = []
    for row in rows:
        group.append(row)
        if len(group) == _GROUP:
            yield group
            group = []
    yield group


def batch_json(folder: Path, outcomes: Sequence[Outcome]) -> dict[str, Any]:
    """Return ``batch.json`` as plain objects: counts, and what became of each sortie."""
    states = [outcome.state for outcome in outcomes]
    return {
        "schema": "flightproc-batch-summary/1",
        "folder": shown_path(folder),
        "counts": {state: states.count(state) for state in ("done", "kept", "failed", "stopped")},
        "sorties": [
            {
                "sortie": outcome.sheet,
                "state": outcome.state,
                "key": outcome.key,
                "report": shown_path(outcome.report),
                "failure": None if outcome.failure is None else asdict(outcome.failure),
                **{name: outcome.facts.get(name) for name in ("title", "answer", "cpu_s")},
            }
            for outcome in outcomes
        ],
    }
