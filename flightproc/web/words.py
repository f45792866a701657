"""Numbers, sizes and times in words, as filters for the templates."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable
from typing import Any

__all__ = ["FILTERS", "length_words", "moment_words", "size_words"]


def size_words(size: float) -> str:
    """Return a size of data.

    Examples
    --------
    >>> size_words(980), size_words(6_097_274)
    ('980 bytes', '6.1 MB')
    """
    if size < 1000:
        return f"{size:.0f} bytes"
    for unit in ("kB", "MB", "GB"):
        size /= 1000.0
        if size < 1000.0 or unit == "GB":
            return f"{size:.1f} {unit}" if size < 100 else f"{size:.0f} {unit}"
    raise AssertionError("unreachable")


def length_words(seconds: float | None) -> str:
    """Return a length of time.

    Examples
    --------
    >>> length_words(8.25), length_words(2120), length_words(None)
    ('8.2 s', '35 min 20 s', 'unknown')
    """
    if seconds is None or not math.isfinite(seconds):
        return "unknown"
    if seconds < 60:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min" if hours else f"{minutes} min {rest} s"


def moment_words(stamp: float | None) -> str:
    """Return a moment given in POSIX seconds, in UTC.

    Examples
    --------
    >>> moment_words(0.0), moment_words(None)
    ('1970-01-01 00:00 UTC', 'unknown')
    """
    if stamp is None or not math.isfinite(stamp) or not 0.0 <= stamp < 2.0**36:
        return "unknown"
    return dt.datetime.fromtimestamp(stamp, dt.UTC).strftime("%Y-%m-%d %H:%M UTC")


def _number(value: float | None, places: int = 1) -> str:
    return "–" if value is None or not math.isfinite(value) else f"{value:.{places}f}".replace("-", "−")


def _plural(count: int, word: str, many: str = "") -> str:
    return f"{count} {word if count == 1 else many or word + 's'}"


FILTERS: dict[str, Callable[..., Any]] = {
    "size": size_words,
    "lasting": length_words,
    "moment": moment_words,
    "num": _number,
    "plural": _plural,
}
"""By the name that templates use."""
