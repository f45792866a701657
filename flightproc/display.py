"""How objects show themselves: a few lines of text at the prompt, a small table in a notebook.

A class decorated with :func:`displayed` tells every field in a few characters, however long the arrays are.
One that has more to say returns a :class:`Card` from ``_card``; text and HTML are made from the same card.
"""

from __future__ import annotations

import dataclasses
import math
import os
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass
from enum import Enum
from typing import Any, TypeVar

__all__ = ["Card", "brief", "displayed", "time_text"]

_T = TypeVar("_T")

_LINES = 12
_WIDE = 100  # characters of a line of text
_ITEM = 60  # characters of one field
_ROWS = 8  # rows of a table


@dataclass(frozen=True)
class Card:
    """What is shown of an object.

    Attributes
    ----------
    title : str
        What it is, in one line, without the name of its class.
    facts : tuple of (str, str)
        Name and value.
    heads : tuple of str
        Headings of a table; empty where there is none.
    rows : tuple of tuple of str
        Its rows.
    line : bool
        Whether text shows the title alone; a notebook shows all in any case.
    """

    title: str
    facts: tuple[tuple[str, str], ...] = ()
    heads: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    line: bool = False


def displayed(cls: type[_T]) -> type[_T]:
    """Give a dataclass a short text for the prompt and a small table for notebooks.

    The class may have a method ``_card`` that returns a :class:`Card`; without one its fields are listed.

    Examples
    --------
    >>> import numpy as np
    >>> @displayed
    ... @dataclass(frozen=True)
    ... class Track:
    ...     name: str
    ...     points: object
    ...     note: str = ""
    >>> Track("field", np.linspace(0.0, 5.0, 1000))
    Track(name='field', points=array of 1000: 0 to 5)
    """
    cls.__repr__ = _text  # type: ignore[method-assign]
    cls._repr_html_ = _html  # type: ignore[attr-defined]
    return cls


def brief(value: object, limit: int = _ITEM) -> str:
    """Tell any value in at most ``limit`` characters.

    Examples
    --------
    >>> import numpy as np
    >>> brief(np.arange(100.0)), brief([1.0, 2.0]), brief({"unit": 1, "gps": 2}), brief(0.123456789)
    ('array of 100: 0 to 99', '[1, 2]', '{unit: 1, gps: 2}', '0.123457')
    """
    return _clip(_tell(value), limit)


def _tell(value: Any) -> str:
    if value is None or isinstance(value, bool):
        return str(value)
    if isinstance(value, Enum):
        return str(value.value)
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, str):
        return repr(_clip(value, _ITEM))
    if isinstance(value, bytes):
        return f"{len(value)} bytes"
    if isinstance(value, os.PathLike):
        return repr(str(value))
    if hasattr(value, "dtype") and hasattr(value, "shape"):
        return _array(value)
    if hasattr(value, "columns") and hasattr(value, "index"):
        return f"table of {len(value.index)} rows, {len(value.columns)} columns"
    if isinstance(value, Mapping):
        return _names(value)
    if isinstance(value, (Sequence, Set)):
        return _several(value)
    if hasattr(value, "text") and hasattr(value, "low95"):
        return str(value.text(interval=True))
    if dataclasses.is_dataclass(value):
        return repr(value).partition("\n")[0]
    if callable(value):
        return str(getattr(value, "__qualname__", type(value).__name__))
    return repr(value)


def _array(value: Any) -> str:
    shape = " × ".join(str(n) for n in value.shape)
    if value.ndim == 0:
        return _tell(value.item())
    if value.ndim == 1 and value.size <= 6 and value.dtype.kind in "biuf":
        return "[" + ", ".join(_tell(x) for x in value.tolist()) + "]"
    words = f"array of {shape}"
    if value.dtype.kind in "iuf" and value.size:
        numbers = value[value == value]
        if numbers.size:
            words += f": {_tell(float(numbers.min()))} to {_tell(float(numbers.max()))}"
        missing = value.size - numbers.size
        if missing:
            words += f", {missing} missing"
    return words


def _names(value: Mapping[Any, Any]) -> str:
    scalars = all(isinstance(x, (int, float)) for x in value.values())
    if scalars and 0 < len(value) <= 3:
        return "{" + ", ".join(f"{key}: {_tell(x)}" for key, x in value.items()) + "}"
    listed = ", ".join(str(key) for key in list(value)[:6])
    return "{" + listed + (f", … {len(value) - 6} more" if len(value) > 6 else "") + "}"


def _several(value: Sequence[Any] | Set[Any]) -> str:
    items = list(value)
    left, right = ("(", ")") if isinstance(value, tuple) else ("[", "]")
    if len(items) <= 4 and all(x is None or isinstance(x, (int, float, str, Enum)) for x in items):
        return left + ", ".join(_tell(x) for x in items) + right
    kinds = sorted({type(x).__name__ for x in items})
    return f"{len(items)} × {kinds[0]}" if len(kinds) == 1 else f"{len(items)} items"


def _clip(text: str, limit: int) -> str:
    text = " ".join(text.split())
    return text if len(text) <= limit else text[: limit - 1].rstrip() + "…"


def _fields(value: Any) -> list[tuple[str, str]]:
    """Return names and values of the fields that do not just hold their default."""
    out = []
    for item in dataclasses.fields(value):
        content = getattr(value, item.name)
        if item.default is not dataclasses.MISSING and (
            content is item.default
            or (isinstance(content, (str, int, float, tuple)) and content == item.default)
        ):
            continue
        out.append((item.name, brief(content)))
    return out


def _card_of(value: Any) -> Card | None:
    own = getattr(value, "_card", None)
    if own is None:
        return None
    card: Card = own()
    return card


def _text(self: object) -> str:
    name = type(self).__name__
    card = _card_of(self)
    if card is None:
        facts = _fields(self)
        line = f"{name}(" + ", ".join(f"{key}={value}" for key, value in facts) + ")"
        if len(line) <= _WIDE:
            return line
        return "\n".join([name, *_listed(facts, _LINES - 1)])
    if card.line:
        return _clip(f"{name}({card.title})", 2 * _WIDE)
    lines = [_clip(f"{name}: {card.title}", _WIDE)]
    rows = _cut(card.rows, _ROWS if len(card.rows) <= _ROWS else _ROWS - 1)
    table = _columns([card.heads, *rows]) if card.heads and rows else []
    if len(card.rows) > len(rows):
        table.append(f"  … {len(card.rows) - len(rows)} more")
    lines += _listed(card.facts, max(2, _LINES - 1 - len(table)))
    return "\n".join(lines + [line[:_WIDE].rstrip() for line in table])


def _listed(facts: Sequence[tuple[str, str]], most: int) -> list[str]:
    """Return lines of facts, at most so many; names of what is left out stand in the last."""
    if not facts:
        return []
    listed = facts if len(facts) <= most else facts[: most - 1]
    wide = max(len(key) for key, _ in listed)
    lines = [_clip_line(f"  {key:<{wide}}  {value}") for key, value in listed]
    if len(listed) < len(facts):
        lines.append(_clip_line("  and " + ", ".join(key for key, _ in facts[len(listed) :])))
    return lines


def _clip_line(line: str) -> str:
    line = line.replace("\n", " ")
    return line if len(line) <= _WIDE else line[: _WIDE - 1].rstrip() + "…"


def _cut(rows: Sequence[tuple[str, ...]], most: int) -> Sequence[tuple[str, ...]]:
    return rows[:most]


def _columns(rows: Iterable[Sequence[str]]) -> list[str]:
    table = [list(row) for row in rows]
    wide = [max(len(row[k]) for row in table) for k in range(len(table[0]))]
    return [
        "  " + "  ".join(cell.ljust(n) for cell, n in zip(row, wide, strict=True)).rstrip() for row in table
    ]


# In a notebook --------------------------------------------------------------------------------------------

_LINE = "border-bottom:1px solid rgba(128,128,128,.35)"
_CELL = "padding:.15em .7em;background:transparent;color:inherit;font-variant-numeric:tabular-nums"
_NAME = f"{_CELL};text-align:left;font-weight:normal;white-space:nowrap;opacity:.75"
_MOST_ROWS = 40


def _html(self: object) -> str:
    import html

    name = type(self).__name__
    card = _card_of(self)
    if card is None:
        card = Card("", tuple(_fields(self)))
    parts = [
        '<div style="font-size:.92em;color:inherit;overflow-x:auto">',
        f"<p style='margin:.2em 0'><b>{html.escape(name)}</b> {html.escape(card.title)}</p>",
    ]
    if card.facts:
        rows = [
            f'<tr style="{_LINE}">'
            f'<th scope="row" style="{_NAME}">{html.escape(key)}</th>'
            f'<td style="{_CELL};text-align:left">{html.escape(value)}</td></tr>'
            for key, value in card.facts
        ]
        parts.append(f'<table style="border-collapse:collapse;margin:.2em 0">{"".join(rows)}</table>')
    if card.heads and card.rows:
        sides = ["right" if _numeric(row[k] for row in card.rows) else "left" for k in range(len(card.heads))]
        head = "".join(
            f'<th scope="col" style="{_CELL};text-align:{side}">{html.escape(cell)}</th>'
            for cell, side in zip(card.heads, sides, strict=True)
        )
        rows = [
            f'<tr style="{_LINE}">'
            + "".join(
                f'<td style="{_CELL};text-align:{side}">{html.escape(cell)}</td>'
                for cell, side in zip(row, sides, strict=True)
            )
            + "</tr>"
            for row in card.rows[:_MOST_ROWS]
        ]
        parts.append(
            f'<table style="border-collapse:collapse;margin:.2em 0"><thead><tr style="{_LINE}">{head}</tr>'
            f"</thead><tbody>{''.join(rows)}</tbody></table>"
        )
        if len(card.rows) > _MOST_ROWS:
            parts.append(f"<p style='margin:.2em 0;opacity:.75'>… {len(card.rows) - _MOST_ROWS} more</p>")
    return "".join([*parts, "</div>"])


def _numeric(cells: Iterable[str]) -> bool:
    """Return whether most cells of a column begin with a number."""
    filled = [cell for cell in cells if cell]
    return bool(filled) and sum(cell[0].isdigit() or cell[0] in "-−" for cell in filled) * 2 > len(filled)


def time_text(seconds: float) -> str:
    """Return a time on a sortie's time base as minutes and seconds.

    Examples
    --------
    >>> time_text(754.6)
    '12:35'
    """
    if not math.isfinite(seconds):
        return "unknown"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02d}"
