"""The tables within a table, found from the types of its fields."""

from __future__ import annotations

import types
from typing import Union, get_args, get_origin

from .fields import Sheet

__all__ = ["nested_tables"]


def nested_tables(kind: type[Sheet]) -> dict[str, tuple[type[Sheet], str]]:
    """Return the tables within a table.

    Parameters
    ----------
    kind : type of Sheet
        The table.

    Returns
    -------
    dict of str to (type of Sheet, str)
        By field: the class, and the form ``table`` ([name]), ``tables`` ([[name]]) or ``map`` ([name] with
        keys of one's own).
    """
    out: dict[str, tuple[type[Sheet], str]] = {}
    for name, field in kind.model_fields.items():
        annotation = field.annotation
        if get_origin(annotation) in (Union, types.UnionType):
            annotation = next(a for a in get_args(annotation) if a is not type(None))
        form, inner = "table", annotation
        if get_origin(annotation) is tuple:
            form, inner = "tables", get_args(annotation)[0]
        elif get_origin(annotation) is dict:
            form, inner = "map", get_args(annotation)[1]
        if isinstance(inner, type) and issubclass(inner, Sheet):
            out[name] = (inner, form)
    return out
