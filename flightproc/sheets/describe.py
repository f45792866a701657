"""The page of docs that tells every table and field, made from the models."""

from __future__ import annotations

from collections.abc import Iterator

from .fields import Sheet
from .logs import ColumnEntry
from .tables import nested_tables
from .template import SHEETS, SINGLE_SHEETS, toml_value

__all__ = ["describe_sheets"]

_INTRO = """\
# Sheets

<!-- Made by docs/make_docs.py from flightproc.sheets; change the models, not this page. -->

A sortie is described by four TOML files: `sortie.toml` names the logs and the other three, `aircraft.toml`
describes the frame with its pilot, engine and propeller, `glider.toml` the wing, and `rig.toml` the static
torque measured on the ground (it may be left out). `flightproc new FOLDER` writes a commented set to fill
in. What still holds `"FILL IN"` is refused. `balance.toml` stands by itself: it tells
[`flightproc balance`](balance.md) what may be changed; `flightproc new FOLDER --balance` writes one. So does
`plan.toml`, which tells [`flightproc plan`](plan.md) what the next sortie is to resolve (`--plan`).

- Text is UTF-8. Numbers stand without quotes and with a decimal point. Units are in the names of the fields.
- A name with `_std` in it is a standard uncertainty (one sigma).
- File names are seen from the folder of the sortie sheet; absolute names are allowed.
- Sides are as the pilot sees them. Signs are those of [conventions](conventions.md).
- All faults of all sheets are told together, each with file, table, field, the value as written and what is
  allowed. Entries of a table are counted from 1: `[ballast[2]]` is the second `[[ballast]]`.
- A field that is not listed here is refused, with the nearest name that is.
- Limits are there to catch slips of the pen and of units; they are not advice.

Read in Python: `load_sortie(path)`, `load_aircraft(path)`, `load_glider(path)`, `load_rig(path)` from
`flightproc.sheets`; what is wrong is raised as one `SheetError` whose `faults` hold each fault.
"""


def describe_sheets() -> str:
    """Return the page, Markdown."""
    parts = [_INTRO]
    for name, kind in (*SHEETS.items(), *SINGLE_SHEETS.items()):
        parts.append(f"\n## {name}.toml\n\n{_summary(kind)}\n")
        parts.extend(_tables(kind, "", False))
    return "".join(parts)


def _summary(kind: type[Sheet]) -> str:
    return " ".join((kind.__doc__ or "").split("\n\n")[0].split())


def _tables(kind: type[Sheet], place: str, many: bool) -> Iterator[str]:
    nested = nested_tables(kind)
    if place:
        yield f"\n### `{f'[[{place}]]' if many else f'[{place}]'}`\n\n{_summary(kind)}\n"
    yield "\n| field | unit | meaning | how to find it, usual values | allowed | left out |\n"
    yield "|---|---|---|---|---|---|\n"
    for name in kind.model_fields:
        info = kind.info(name)
        how = "; ".join(part for part in (info.how, f"usual: {info.typical}" if info.typical else "") if part)
        cells = (f"`{name}`", info.unit, info.meaning, how, info.allowed, _default(kind, name))
        yield "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |\n"
    if kind.rules:
        yield "\nHeld across fields:\n\n"
        for check in kind.rules:
            yield f"- {check.words}\n"  # type: ignore[attr-defined]
    for name, (inner, form) in nested.items():
        path = f"{place}.{name}" if place else name
        if form != "map":
            yield from _tables(inner, path, form == "tables")
        elif inner is ColumnEntry:
            yield f"\n### `[{path}]`\n\n{_summary(inner)}\n\n"
            yield "Keys are `time` and names of the [channel table](conventions.md#channels); "
            yield "each holds an inline table of these fields:\n"
            yield from _tables(inner, "", False)


def _default(kind: type[Sheet], name: str) -> str:
    field = kind.model_fields[name]
    if field.is_required():
        return "**must be given**"
    info = kind.info(name)
    default = field.get_default(call_default_factory=True)
    if info.kind in {"table", "tables"}:
        return "defaults" if isinstance(default, Sheet) else "none"
    if default is None and (info.kind == "file" or info.choices):
        return "none"
    return "unknown" if default is None else f"`{toml_value(default)}`"
