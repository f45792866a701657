"""The Python reference: a page a room, made from what each room promises in ``__all__``.

The pages are written to ``docs/reference`` when a build begins and are not kept in the repository. A name
that a docstring refers to must exist; where it is not on a page of its own, it stays plain code.
"""

from __future__ import annotations

import dataclasses
import inspect
import pkgutil
import re
import sys
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from docutils import nodes
from sphinx.addnodes import pending_xref
from sphinx.application import Sphinx
from sphinx.domains.python import PyObject
from sphinx.environment import BuildEnvironment
from sphinx.pycode import ModuleAnalyzer
from sphinx.util.nodes import make_refnode

import flightproc

__all__ = ["ROOMS", "public_names", "rooms", "setup"]

ROOMS = {
    "analysis": "The whole way",
    "together": "Several sorties together",
    "batch": "Many sorties",
    "readers": "Logs",
    "sheets": "Sheets",
    "sortie": "Channels on one clock",
    "holds": "Holds",
    "moment": "Moments",
    "rig": "The rig and ground tests",
    "propeller": "The propeller",
    "compare": "Comparison",
    "decide": "Balance and plan",
    "results": "Results",
    "report": "Report",
    "logbook": "Logbook",
    "statistics": "Statistics",
    "quantity": "Quantities",
    "channels": "Channel table",
    "errors": "Errors",
    "cautions": "Cautions",
    "frames": "Data frames",
    "display": "How objects show themselves",
    "threads": "Threads of linear algebra",
    "whole": "Files written whole",
    "simulate": "Simulator",
    "web": "Page",
}
"""Room of the package to the title of its page, in the order of the reference; others follow by name."""

EXTRAS = {"web": "fastapi"}
"""Room that cannot be imported without an extra, to a package of that extra."""

FACES = {"cli", "__main__"}
"""Rooms that a program does not call; the command line has a page of its own."""


def rooms() -> dict[str, str]:
    """Return the rooms that a program may call, with titles; without those whose extra is not installed."""
    here = sorted({entry.name for entry in pkgutil.iter_modules(flightproc.__path__)} - FACES - set(ROOMS))
    named = {**ROOMS, **{room: room.capitalize() for room in here}}
    return {room: title for room, title in named.items() if room not in EXTRAS or _installed(EXTRAS[room])}


def _installed(package: str) -> bool:
    return find_spec(package) is not None


def public_names(room: str) -> dict[str, object]:
    """Return a room's public names with what they name; those of its modules where it lists none itself."""
    module = import_module(f"flightproc.{room}")
    homes = [module]
    if not getattr(module, "__all__", ()):
        homes = [
            import_module(f"{module.__name__}.{found.name}")
            for found in pkgutil.iter_modules(module.__path__)
        ]
    names = {
        f"{home.__name__}.{name}": getattr(home, name)
        for home in homes
        for name in getattr(home, "__all__", ())
    }
    there = {id(thing) for thing in names.values()}
    for home, more in flightproc._HOMES.items():
        if home.partition(".")[0] == room:
            things = {f"flightproc.{home}.{name}": getattr(flightproc, name) for name in more}
            names |= {path: thing for path, thing in things.items() if id(thing) not in there}
    return names


def _is_value(thing: object) -> bool:
    return not inspect.isclass(thing) and not inspect.isfunction(thing)


def _value_docs(path: str) -> list[str]:
    """Return the lines that stand below a value in the module that makes it."""
    package = path.split(".")[1]
    name = path.rpartition(".")[2]
    for module in [f"flightproc.{package}", *sorted(sys.modules)]:
        if module == f"flightproc.{package}" or module.startswith(f"flightproc.{package}."):
            docs = ModuleAnalyzer.for_module(module).find_attr_docs()
            if ("", name) in docs:
                return docs["", name]
    return []


def _summary(path: str, thing: object) -> str:
    """Return the first sentence of what is said of an object."""
    text = "\n".join(_value_docs(path)) if _is_value(thing) else inspect.getdoc(thing) or ""
    return " ".join(text.split("\n\n", 1)[0].split())


def _directive(path: str, thing: object) -> list[str]:
    if _is_value(thing):
        home, _, name = path.rpartition(".")
        return [
            f".. py:data:: {name}",
            f"   :module: {home}",
            *([f"   :value: {thing!r}"] if isinstance(thing, str | int | float) else []),
            "",
            *(f"   {line}" for line in _value_docs(path)),
            "",
        ]
    if inspect.isclass(thing):
        kind = "exception" if issubclass(thing, BaseException) else "class"
        return [f".. auto{kind}:: {path}", "   :members:", "   :exclude-members: model_config", ""]
    return [f".. autofunction:: {path}", ""]


def _plain(lines: list[str]) -> list[str]:
    """Return lines with references numbered for the eye alone, as each docstring begins at 1 again."""
    made, inside = [], False
    for line in lines:
        entry = re.match(r"(\s*)\.\. (\[\d+\] .*)", line)
        if entry:
            made += [*([""] if not inside else []), f"{entry[1]}* {entry[2]}"]
        elif inside and line.startswith("   "):
            made.append(line[1:])
        else:
            text = re.sub(r"(\[\d+\])_(?=\W|$)", r"\1", line)
            made.append(re.sub(r"(?<![\w`])\|(\w[^|`]*)\|", r"\|\1\|", text))
        inside = bool(entry) or (inside and line.startswith("   "))
    return made


def _one_each(lines: list[str]) -> list[str]:
    """Give attributes that share a line in the docstring a line each."""
    made: list[str] = []
    shared = re.compile(r"(\s*)(\w+(?:, \w+)+) : (.+)")
    at = 0
    while at < len(lines):
        entry = shared.fullmatch(lines[at])
        if not entry:
            made.append(lines[at])
            at += 1
            continue
        end = at + 1
        while end < len(lines) and lines[end].startswith(entry[1] + "    "):
            end += 1
        for name in entry[2].split(", "):
            made += [f"{entry[1]}{name} : {entry[3]}", *lines[at + 1 : end]]
        at = end
    return made


def _docs(thing: object) -> list[str]:
    return _plain((inspect.getdoc(thing) or "").splitlines())


def _docstring(app: Sphinx, what: str, name: str, thing: object, options: object, lines: list[str]) -> None:
    lines[:] = _one_each(_plain(lines))


def _title(text: str, mark: str = "=") -> list[str]:
    return [text, mark * len(text), ""]


def _room_page(room: str, title: str) -> str:
    module = import_module(f"flightproc.{room}")
    lines = [*_title(title), f".. py:module:: {module.__name__}", "", *_docs(module), ""]
    home = module.__name__
    for path, thing in public_names(room).items():
        at = path.rpartition(".")[0]
        if at != home:
            home = at
            lines += [*_title(at.rpartition(".")[2].capitalize(), "-"), f".. py:module:: {at}", ""]
            lines += [*_docs(import_module(at)), ""]
        lines += _directive(path, thing)
    return "\n".join(lines) + "\n"


def _front_part() -> str:
    """Return what the site adds to the page of the reference: the public names, and the way to the rooms."""
    homes = {name: room for room, names in flightproc._HOMES.items() for name in names}
    lines = ["", "## Public names", "", "```{eval-rst}", ".. list-table::", "   :widths: 30 70", ""]
    for name in flightproc.__all__:
        path = f"flightproc.{homes[name]}.{name}"
        lines += [f"   * - :py:obj:`fp.{name} <{path}>`"]
        lines += [f"     - {_summary(path, getattr(flightproc, name))}"]
    lines += ["```", "", "## Rooms", "", "```{toctree}", ":maxdepth: 1", ""]
    return "\n".join([*lines, *(f"reference/{room}" for room in rooms()), "```", ""])


def _front(app: Sphinx, docname: str, source: list[str]) -> None:
    if docname == "python":
        source[0] += _front_part()


def write_pages(folder: Path) -> None:
    """Write the pages; one that has not changed keeps its time, so that it is not built anew."""
    folder.mkdir(exist_ok=True)
    pages = {room: _room_page(room, title) for room, title in rooms().items()}
    for name, text in pages.items():
        path = folder / f"{name}.rst"
        if not path.is_file() or path.read_text(encoding="utf-8") != text:
            path.write_text(text, encoding="utf-8", newline="\n")
    for path in folder.glob("*.rst"):
        if path.stem not in pages:
            path.unlink()


def _signature(
    app: Sphinx,
    what: str,
    name: str,
    thing: object,
    options: object,
    signature: str | None,
    returned: str | None,
) -> tuple[str, None] | None:
    """Leave out the signature of a container: its attributes stand below it."""
    if what == "class" and (dataclasses.is_dataclass(thing) or hasattr(thing, "model_fields")):
        return ("", None)
    return None


def _find(names: list[str]) -> object | None:
    """Return what the first of some dotted names leads to."""
    for name in names:
        parts = name.split(".")
        for cut in range(len(parts), 0, -1):
            found: Any = sys.modules.get(".".join(parts[:cut]))
            if found is None:
                continue
            try:
                for part in parts[cut:]:
                    fields = getattr(found, "__dataclass_fields__", {}) or getattr(found, "model_fields", {})
                    found = fields[part] if part in fields else getattr(found, part)
            except AttributeError:
                break
            return found
    return None


def _resolve(
    app: Sphinx, env: BuildEnvironment, node: pending_xref, shown: nodes.Element
) -> nodes.Element | None:
    """Lead a reference to the page of what it names; let it stand as code where that has none but exists."""
    if node.get("refdomain") != "py":
        return None
    target = str(node["reftarget"]).lstrip(".~")
    if not hasattr(env, "flightproc_homes"):
        env.flightproc_homes = {
            id(thing): path for room in rooms() for path, thing in public_names(room).items()
        }
    module = str(node.get("py:module") or "flightproc")
    room = ".".join(module.split(".")[:2])
    bases = [module, *(name for name in sorted(sys.modules) if name.startswith(f"{room}."))]
    within = str(node.get("py:class") or "")
    names = [target, f"flightproc.{target}", f"{room}.{target}"]
    names += [f"{base}.{within}.{target}" for base in bases if within] + [
        f"{base}.{target}" for base in bases
    ]
    found = _find(names)
    path = env.flightproc_homes.get(id(found)) if found is not None else None
    if path is not None and node["reftype"] != "mod":
        docname = f"reference/{path.split('.')[1]}"
        return make_refnode(app.builder, node["refdoc"], docname, path, shown, path)
    if found is not None or node["reftype"] == "class":
        return shown  # the words of a docstring's type are not all names
    return None


def setup(app: Sphinx) -> dict[str, Any]:
    """Write the pages before they are read, and look after what docstrings refer to."""
    app.connect("builder-inited", lambda app: write_pages(Path(app.srcdir) / "reference"))
    app.connect("autodoc-process-docstring", _docstring, priority=100)  # before napoleon
    app.connect("autodoc-process-signature", _signature)
    app.connect("missing-reference", _resolve)
    app.connect("source-read", _front)
    app.connect("env-get-outdated", lambda *_: ["python"])  # its list of rooms is not in the file
    for field in PyObject.doc_field_types:
        if field.name == "variable":
            field.label = "Attributes"
    return {"version": "1", "parallel_read_safe": True, "parallel_write_safe": True}
