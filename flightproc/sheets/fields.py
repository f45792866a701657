"""What every sheet is made of: fields with a unit, limits and words, and rules across fields."""

from __future__ import annotations

import datetime as dt
import unicodedata
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, ClassVar, TypeVar

from pydantic import BaseModel, ConfigDict, GetCoreSchemaHandler, ValidationInfo, model_validator
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

__all__ = ["LOADING", "PLACEHOLDER", "Field", "Finding", "Sheet", "is_placeholder", "rule"]

PLACEHOLDER = "FILL IN"
"""What a template holds where the user has to write a value."""

LOADING = {"loading": True}
"""Validation context of the loader, which runs the rules itself to report them beside other faults."""

Finding = tuple[str | tuple[str | int, ...], str]
"""What a rule found: the field (or the path to it), and what is allowed, in words."""


def is_placeholder(value: object) -> bool:
    """Return whether a value is a template's placeholder that was never filled in."""
    return isinstance(value, str) and value.strip().upper() == PLACEHOLDER


def _figure(value: float) -> str:
    return f"{value:.10g}"


@dataclass(frozen=True)
class Field:
    """What a field means and what it may hold.

    Attributes
    ----------
    meaning : str
        What it is, with its sign where it has one.
    unit : str
        Unit as printed; empty for words and pure numbers.
    low, high : float or None
        Limits, both included.
    choices : tuple
        The only values allowed, where there are few.
    kind : str
        ``number``, ``whole``, ``text``, ``file``, ``date``, ``time``, ``flag``, ``table``, ``tables``, or
        ``numbers`` and ``texts`` for a list of them, whose limits or choices hold for each.
    words : str
        What is allowed, where the limits do not say it well.
    how : str
        How to measure or find it.
    typical : str
        Usual values.
    example : object
        A value that could stand in a real sheet.
    """

    meaning: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    choices: tuple[Any, ...] = ()
    kind: str = "number"
    words: str = ""
    how: str = ""
    typical: str = ""
    example: Any = None

    @property
    def allowed(self) -> str:
        """What is allowed, in plain words."""
        if self.words:
            return self.words
        if self.choices:
            shown = [f'"{c}"' if isinstance(c, str) else str(c) for c in self.choices]
            words = "one of " + ", ".join(shown) if len(shown) > 1 else shown[0]
            return f"a list in square brackets, each {words}" if self.kind == "texts" else words
        if self.kind == "text":
            return "text in quotes" + (
                f", at most {self.high:.0f} characters" if self.high is not None else ""
            )
        if self.low is not None and self.high is not None:
            unit = f" {self.unit}" if self.unit else ""
            whole = {
                "whole": "a whole number from ",
                "numbers": "a list of numbers in square brackets, each ",
            }.get(self.kind, "")
            return f"{whole}{_figure(self.low)} to {_figure(self.high)}{unit}"
        return {
            "file": "a file name in quotes",
            "flag": "true or false",
            "date": "a date such as 2026-05-01, without quotes",
            "time": "a date and time with its zone, such as 2026-05-01T17:03:20Z, without quotes",
            "table": "a table",
            "tables": "one or more tables",
        }.get(self.kind, "a number")

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Hold the type strictly (no text for a number, no true for 1) and check the limits."""
        schema = handler(source)
        self._tighten(schema)
        return core_schema.no_info_after_validator_function(self.check, schema)

    def _tighten(self, schema: Any) -> None:
        inner = schema.get("schema")
        if schema.get("type") in {"nullable", "default"} and isinstance(inner, dict):
            self._tighten(inner)
        elif schema.get("type") in {"float", "int", "str", "bool", "date", "datetime"}:
            schema["strict"] = True
        elif schema.get("type") == "tuple" and self.kind in {"numbers", "texts"}:
            for item in schema["items_schema"]:
                self._tighten(item)

    def check(self, value: Any) -> Any:
        """Return the value, or raise where it lies outside what is allowed."""
        if value is None:
            return value
        if self.kind in {"numbers", "texts"} and isinstance(value, tuple | list):
            for item in value:
                self.check(item)
            return value
        sound = True
        if self.choices and not (type(value) is type(self.choices[0]) and value in self.choices):
            sound = False
        if isinstance(value, int | float) and not isinstance(value, bool):
            sound = sound and (self.low is None or value >= self.low)
            sound = sound and (self.high is None or value <= self.high)
        elif isinstance(value, str):
            limit = self.high if self.high is not None else 2000
            sound = sound and not is_placeholder(value) and len(value) <= limit
            sound = sound and (self.low is None or len(value.strip()) >= self.low)
            printable = all(c in "\n\t\r" or unicodedata.category(c) not in {"Cc", "Cs"} for c in value)
            sound = sound and printable and not (self.kind == "file" and set(value) & set("\n\t\r"))
        elif isinstance(value, dt.date):  # a datetime is one, too
            sound = 1980 <= value.year <= 2100
        elif isinstance(value, tuple) and self.low is not None:
            sound = len(value) >= self.low
        if not sound:
            raise PydanticCustomError("limits", "{allowed}", {"allowed": self.allowed})
        return value


_Rule = TypeVar("_Rule", bound=Callable[..., Iterator[Finding]])


def rule(*needs: str, words: str) -> Callable[[_Rule], _Rule]:
    """Mark a method as a rule across fields.

    Parameters
    ----------
    *needs : str
        The fields it reads (``"logs.role"`` for a field of a nested table). The rule is skipped while one of
        them has a fault of its own, so that one mistake is told once.
    words : str
        What the rule holds, for the docs.
    """

    def mark(method: _Rule) -> _Rule:
        method.needs = needs  # type: ignore[attr-defined]
        method.words = words  # type: ignore[attr-defined]
        return method

    return mark


class Sheet(BaseModel):
    """A sheet or one table of it: frozen, and without unknown fields."""

    model_config: ClassVar[ConfigDict] = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    rules: ClassVar[tuple[Callable[[Any], Iterator[Finding]], ...]] = ()

    @classmethod
    def __pydantic_init_subclass__(cls, **kwargs: Any) -> None:
        """Collect the rules of the class."""
        inherited: list[Any] = [f for base in cls.__mro__[1:] for f in vars(base).get("rules", ())]
        own: list[Any] = [f for f in vars(cls).values() if callable(f) and hasattr(f, "needs")]
        cls.rules = tuple(dict.fromkeys([*inherited, *own]))

    @model_validator(mode="after")
    def _hold_rules(self, info: ValidationInfo) -> Sheet:
        if not (isinstance(info.context, dict) and info.context.get("loading")):
            found = [f"{where}: {words}" for check in self.rules for where, words in check(self)]
            if found:
                raise ValueError("; ".join(found))
        return self

    @classmethod
    def info(cls, name: str) -> Field:
        """Return what is known of a field."""
        for item in cls.model_fields[name].metadata:
            if isinstance(item, Field):
                return item
        raise KeyError(name)
