"""What commands show alike: the bar of progress, tables of figures, intervals, notes and cautions."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import ProgressColumn
    from rich.table import Table

    from ..quantity import Quantity

__all__ = ["bar_columns", "capital", "figure_table", "interval", "print_notes", "progress"]

_WORD = re.compile(r"[a-z]+\b(?! [+=*/^])")  # not the letter that a formula begins with


@contextmanager
def progress(quiet: bool = False) -> Iterator[Callable[[str, float], None]]:
    """Show a bar on standard error while the work runs, or nothing where that is no terminal."""
    if quiet or not sys.stderr.isatty():
        yield lambda words, fraction: None
        return
    from rich.console import Console
    from rich.progress import Progress, TaskProgressColumn

    words, *rest = bar_columns()
    columns = (words, rest[0], TaskProgressColumn(), *rest[1:])
    with Progress(*columns, console=Console(stderr=True), transient=True, expand=True) as bar:
        task = bar.add_task("starting", total=1.0)
        yield lambda words, fraction: bar.update(task, description=words, completed=fraction)


def bar_columns() -> tuple[ProgressColumn, ...]:
    """Return words, bar and time of a line of progress."""
    from rich.progress import BarColumn, TextColumn, TimeElapsedColumn
    from rich.table import Column

    words = Column(ratio=1, no_wrap=True, overflow="ellipsis")
    return TextColumn("{task.description}", table_column=words), BarColumn(bar_width=24), TimeElapsedColumn()


def figure_table(*heads: tuple[str, str], left: Collection[int] = (), **look: Any) -> Table:
    """Return an empty table of figures.

    Parameters
    ----------
    heads : tuple of (str, str)
        Name and unit of each column.
    left : collection of int
        Columns of words, set to the left.
    look : dict
        Given to each column: ``no_wrap``, ``overflow``.
    """
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 1, 0, 0))
    for place, (head, unit) in enumerate(heads):
        words = Text(f"{head}\n{unit}")  # a plain string would have its brackets read as markup
        table.add_column(words, justify="left" if place in left else "right", **look)
    return table


def interval(quantity: Quantity, factor: float = 1.0) -> str:
    """Return value and 95 % interval without the unit, or a question mark.

    Examples
    --------
    >>> from flightproc import Quantity
    >>> interval(Quantity.of(26.8, 0.9, "N m")), interval(Quantity.unknown("N m", "no rig"))
    ('26.8 [25.0, 28.6]', '?')
    """
    shown = quantity.scaled(factor, "")
    if shown.value is None:
        return "?"
    places = shown.decimals()
    if shown.std and shown.std * 10.0**places >= 30.0:
        places = max(places - 1, 0)  # one digit of the uncertainty is enough for a narrow table
    text = f"{shown.value:.{places}f}"
    if shown.low95 is None or shown.high95 is None or not shown.std:
        return text
    return f"{text} [{shown.low95:.{places}f}, {shown.high95:.{places}f}]"


def capital(sentence: str) -> str:
    """Return a sentence with a capital first letter, unless it begins with a formula.

    Examples
    --------
    >>> capital("a sortie without ballast"), capital("k n^2 is refused"), capital("a + b n is refused")
    ('A sortie without ballast', 'k n^2 is refused', 'a + b n is refused')
    """
    first = _WORD.match(sentence)
    if first is None or (len(first[0]) == 1 and first[0] != "a"):
        return sentence
    return sentence[:1].upper() + sentence[1:]


def print_notes(
    console: Console, *groups: tuple[str, Iterable[str]], before: bool = False, most: int | None = None
) -> None:
    """Print sentences, each with what it is: note, warning, caution.

    Parameters
    ----------
    console : Console
        Where to.
    groups : tuple of (str, iterable of str)
        Label and sentences; a group without any leaves nothing behind.
    before : bool
        Whether an empty line comes before, where there is anything to print.
    most : int, optional
        How many of the first group are printed; the others are counted.
    """
    from rich.table import Table
    from rich.text import Text

    grid = Table.grid(padding=(0, 2))
    for place, (label, sentences) in enumerate(groups):
        told = [capital(sentence) for sentence in sentences]
        kept = told if place or most is None else told[:most]
        for sentence in kept:
            grid.add_row(Text(label, style="bold"), Text(sentence))
        if len(kept) < len(told):
            grid.add_row(Text(""), Text(f"{len(told) - len(kept)} more {label}s are on the page"))
    if grid.row_count:
        if before:
            console.print()
        console.print(grid)
