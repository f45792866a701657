"""Write the page of all commands from the command line itself: ``python docs/make_docs.py``."""

from __future__ import annotations

import inspect
import re
from typing import Any

import typer.main

from flightproc.cli.app import build_app

__all__ = ["command_page", "commands"]

HEAD = """# Commands

What `flightproc COMMAND --help` says, on one page; `python docs/make_docs.py` makes it from the program.
"""


def commands(command: Any = None, path: tuple[str, ...] = ("flightproc",)) -> dict[tuple[str, ...], Any]:
    """Return every command by the words that call it, in the order of the help.

    Parameters
    ----------
    command : click command, optional
        Where to begin; the whole program if not given.
    path : tuple of str
        The words that call it.
    """
    command = typer.main.get_command(build_app()) if command is None else command
    found = {path: command}
    for name, below in getattr(command, "commands", {}).items():
        found |= commands(below, (*path, name))
    return found


def _words(text: str) -> str:
    """Return a text on one line, safe in a cell of a table."""
    return " ".join(text.split()).replace("|", "\\|").replace("<", "&lt;")


def _help(command: Any) -> list[str]:
    """Return what a command says of itself: paragraphs, and its examples as they stand."""
    lines = []
    for part in inspect.cleandoc(command.help or "").split("\n\n"):
        if part.startswith("\b"):
            head, *rest = part.removeprefix("\b").strip("\n").splitlines()
            if head.startswith(" "):
                head, rest = "", [head, *rest]
            shown = inspect.cleandoc("\n".join(["", *rest])) if rest else ""
            lines += [head if head.endswith((".", ":")) else f"{head}:", ""] if head else []
            lines += ["```sh" if "flightproc" in shown else "```text", shown, "```", ""] if shown else []
        else:
            text = " ".join(part.split())
            lines += [re.sub(r"docs/([\w-]+\.md)", r"[docs/\1](\1)", text), ""]
    return lines


def _metavar(entry: Any) -> str:
    if getattr(entry, "is_flag", False):
        return ""
    return str(entry.metavar or "VALUE")


def _default(entry: Any) -> str:
    value = entry.default
    if callable(value) or value is None or isinstance(value, bool) or value in ((), [], ""):
        return ""
    if not isinstance(value, str | int | float):
        return ""  # a sentinel of the library, or a list told in the help
    return "" if str(value) in (entry.help or "") else f" Default: `{value}`."


def _is_option(entry: Any) -> bool:
    return bool(entry.param_type_name == "option")


def _parameters(command: Any) -> list[str]:
    shown = [
        entry for entry in command.params if not getattr(entry, "hidden", False) and entry.name != "help"
    ]
    if not shown:
        return []
    lines = ["| argument or option | what it is |", "|---|---|"]
    for entry in sorted(shown, key=_is_option):
        if _is_option(entry):
            name = ", ".join((*entry.opts, *entry.secondary_opts))
            name = f"{name} {_metavar(entry)}".strip()
        else:
            name = (entry.metavar or entry.name or "").strip("[]{}")
        needed = " Required." if entry.required and _is_option(entry) else ""
        more = " Can be given more than once." if getattr(entry, "multiple", False) else ""
        told = _words(entry.help or "")
        lines.append(f"| `{name.replace('|', chr(92) + '|')}` | {told}{_default(entry)}{needed}{more} |")
    return [*lines, ""]


def _usage(path: tuple[str, ...], command: Any) -> str:
    words = [*path]
    if any(_is_option(entry) and entry.name != "help" for entry in command.params):
        words.append("[OPTIONS]")
    for entry in command.params:
        if not _is_option(entry):
            name = re.sub(r"[\[\]{}.]*$|^[\[{]*", "", entry.metavar or entry.name)
            name += "..." if entry.nargs == -1 else ""
            words.append(name if entry.required else f"[{name}]")
    return " ".join([*words, *(["COMMAND ..."] if getattr(command, "commands", None) else [])])


def command_page() -> str:
    """Return the page of all commands, Markdown."""
    lines = [HEAD]
    for path, command in commands().items():
        if len(path) > 1:
            lines += [f"{'#' * min(len(path), 4)} {' '.join(path[1:])}", ""]
        lines += ["```text", _usage(path, command), "```", "", *_help(command), *_parameters(command)]
    return "\n".join(lines).rstrip() + "\n"
