"""Numbers and quantities as words and as cells of HTML tables."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime

from markupsafe import Markup, escape

from ..quantity import Quantity

__all__ = [
    "Notes",
    "clock",
    "data_size",
    "number",
    "pair_cell",
    "quantity_cell",
    "row_head",
    "sentence",
    "typeset",
    "utc",
]

MINUS = "\N{MINUS SIGN}"


def number(value: float | None, places: int = 2, missing: str = "–") -> str:
    """Return a number with a true minus sign, or a dash where there is none.

    Examples
    --------
    >>> number(-2.345, 1), number(float("nan"))
    ('−2.3', '–')
    """
    if value is None or not math.isfinite(value):
        return missing
    text = f"{value:.{places}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def clock(seconds: float) -> str:
    """Return seconds as minutes and seconds, with hours where there are any.

    Examples
    --------
    >>> clock(754.6), clock(3725), clock(-3)
    ('12:35', '1:02:05', '−0:03')
    """
    if not math.isfinite(seconds):
        return "–"
    total = round(abs(seconds))
    hours, rest = divmod(total, 3600)
    minutes, left = divmod(rest, 60)
    sign = MINUS if seconds < 0 and total else ""
    return f"{sign}{hours}:{minutes:02d}:{left:02d}" if hours else f"{sign}{minutes}:{left:02d}"


def utc(posix: float | None) -> str:
    """Return a UTC time as date and time of day, or an empty string."""
    if posix is None or not math.isfinite(posix):
        return ""
    return datetime.fromtimestamp(posix, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def data_size(count: float) -> str:
    """Return a number of bytes as B, kB or MB.

    Examples
    --------
    >>> data_size(812), data_size(412_000), data_size(5_412_876)
    ('812 B', '412 kB', '5.4 MB')
    """
    if count < 1000:
        return f"{count:.0f} B"
    return f"{count / 1000:.0f} kB" if count < 1e6 else f"{count / 1e6:.1f} MB"


_TIES = re.compile(
    r"(?<=\d) (?=(?:%|N m|m/s|deg|1/min|rpm|kg|kPa|hPa|Hz|km|min|rad|mm|m|s|W|N)(?![A-Za-z]))"  # number, unit
    r"|(?<=N) (?=m\b)"
    r"|(?<=\d) (?=±)|(?<=±) (?=\d)"
)
_HYPHEN = re.compile(r"(?<![\w.-])-(?=\d)")


def typeset(text: str) -> str:
    """Return a sentence with true minus signs and no line break between a number and its unit.

    Examples
    --------
    >>> typeset("26.8 N m (95 %: -4 to 29) in all").replace(chr(0xa0), "_")
    '26.8_N_m (95_%: −4 to 29) in all'
    """
    return _HYPHEN.sub(MINUS, _TIES.sub("\N{NO-BREAK SPACE}", text))


def sentence(text: str) -> str:
    """Return words as a sentence of a list: typeset, with a capital at the start and a stop at the end.

    Examples
    --------
    >>> sentence("the sum changes"), sentence("Left alone."), sentence("")
    ('The sum changes.', 'Left alone.', '')
    """
    text = typeset(text.strip())
    if not text:
        return text
    return text[0].upper() + text[1:] + ("" if text[-1] in ".!?:" else ".")


class Notes:
    """Footnotes of one table: each reason once, with a letter."""

    def __init__(self) -> None:
        self._reasons: list[str] = []

    def mark(self, reason: str) -> str:
        """Return the letter of a reason, a new one where it was not met before."""
        if reason not in self._reasons:
            self._reasons.append(reason)
        index = self._reasons.index(reason)
        first, last = divmod(index, 26)
        return (chr(ord("a") + first - 1) if first else "") + chr(ord("a") + last)

    @property
    def items(self) -> list[tuple[str, str]]:
        """Letters with their reasons."""
        return [(self.mark(reason), reason) for reason in self._reasons]


def _places(quantity: Quantity) -> int | None:
    """Return decimals by the uncertainty, or None where there is none to round by."""
    if quantity.std is None or not math.isfinite(quantity.std) or quantity.std <= 0:
        return None
    return quantity.decimals()


def _value(quantity: Quantity, places: int | None) -> str:
    assert quantity.value is not None
    if places is None:
        return f"{quantity.value + 0.0:.5g}".replace("-", MINUS)  # + 0.0 turns -0.0 into 0.0
    return number(quantity.value, places)


def _flag(quantity: Quantity, notes: Notes) -> Markup:
    return Markup("<sup>{}</sup>").format(notes.mark(quantity.reason)) if quantity.reason else Markup("")


def _unknown(quantity: Quantity, notes: Notes) -> Markup:
    return Markup('<td class="n none">unknown{}</td>').format(_flag(quantity, notes))


def quantity_cell(quantity: Quantity, notes: Notes) -> Markup:
    """Return a table cell with the value and its 95 % interval; an unknown value refers to its reason."""
    if quantity.value is None or not math.isfinite(quantity.value):
        return _unknown(quantity, notes)
    places = _places(quantity)
    low, high = quantity.low95, quantity.high95
    bounds = Markup("")
    if low is not None and high is not None and places is not None and math.isfinite(low + high):
        bounds = Markup('<span class="ci">{} to {}</span>').format(number(low, places), number(high, places))
    return Markup('<td class="n">{}{}{}</td>').format(
        _value(quantity, places), _flag(quantity, notes), bounds
    )


def pair_cell(quantity: Quantity, notes: Notes) -> Markup:
    """Return a table cell with the value and its standard uncertainty."""
    if quantity.value is None or not math.isfinite(quantity.value):
        return _unknown(quantity, notes)
    places = _places(quantity)
    spread = Markup("")
    if places is not None and quantity.std is not None:
        spread = Markup(' <span class="pm">± {}</span>').format(escape(number(quantity.std, places)))
    return Markup('<td class="n">{}{}{}</td>').format(
        _value(quantity, places), spread, _flag(quantity, notes)
    )


def row_head(quantity: Quantity, notes: Notes) -> Markup:
    """Return the head of a table row that a quantity names, rounded to a whole number."""
    if quantity.value is None or not math.isfinite(quantity.value):
        return Markup('<th scope="row" class="n none">unknown{}</th>').format(_flag(quantity, notes))
    return Markup('<th scope="row" class="n">{}</th>').format(number(quantity.value, 0))
