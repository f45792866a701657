"""JSON that others wrote, read so that whatever is wrong with it is one kind of error."""

from __future__ import annotations

import json
import re
from typing import Any

__all__ = ["parse_json"]

_LONGEST_WHOLE = 300  # digits up to which a whole number is one; longer ones are read as a float
_SURROGATE = re.compile(r"\\u[dD][89a-fA-F]")


def parse_json(raw: bytes) -> Any:
    """Return what a JSON text says.

    Parameters
    ----------
    raw : bytes
        The text in UTF-8.

    Raises
    ------
    ValueError
        Where it is no JSON, no UTF-8, nested too deeply, or has a string that is no text (half of a
        surrogate pair), which could never be written again.

    Notes
    -----
    A whole number of more digits than a float holds becomes infinite, so that a check for finite numbers
    finds it.

    Examples
    --------
    >>> parse_json(b'{"rpm": 6000, "many": 1' + b"0" * 400 + b"}")
    {'rpm': 6000, 'many': inf}
    """
    text = raw.decode("utf-8-sig")
    try:
        found = json.loads(text, parse_int=_whole)
    except RecursionError as error:
        raise ValueError("objects within objects, too many levels") from error
    if _SURROGATE.search(text):
        json.dumps(found, ensure_ascii=False).encode()  # UnicodeEncodeError is a ValueError
    return found


def _whole(digits: str) -> float:
    return int(digits) if len(digits) <= _LONGEST_WHOLE else float(digits)
