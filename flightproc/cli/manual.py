r"""Help of a command in the order of a manual page, made from its docstring and its parameters.

A docstring has paragraphs, one that begins with ``Writes``, one with ``Exit code``, and a part marked by
``\b`` whose lines stay as they are and begin with ``Example:``.
"""

from __future__ import annotations

import inspect
import re
import shutil
import textwrap
from dataclasses import dataclass
from typing import Any

from typer.core import TyperCommand, TyperGroup

__all__ = ["Entry", "Page", "PagedCommand", "PagedGroup", "describe", "render", "walk"]

WIDEST = 80  # columns
BROKEN_OFF = ("130", "ended with Ctrl+C; nothing is left half written")


@dataclass(frozen=True)
class Entry:
    """An argument, an option or a command below, as the help shows it."""

    names: tuple[str, ...]
    """Names of an option; none for an argument."""
    value: str
    """What stands for the value, such as ``FOLDER``; empty for a flag."""
    words: str
    """What it is, with default, limits and environment variable."""
    required: bool = False
    repeated: bool = False

    @property
    def label(self) -> str:
        """What stands in the left column."""
        return f"{', '.join(self.names)} {self.value}".strip() if self.names else self.value

    @property
    def usage(self) -> str:
        """What stands in the synopsis."""
        if not self.names:
            word = f"{self.value}..." if self.repeated else self.value
            return word if self.required else f"[{word}]"
        word = f"{self.names[0]} {self.value}".strip()
        word = word if self.required else f"[{word}]"
        return f"{word}..." if self.repeated else word


@dataclass(frozen=True)
class Page:
    """What there is to say of one command."""

    path: tuple[str, ...]
    """The words that call it."""
    summary: str
    text: tuple[str, ...]
    """Paragraphs between the summary and what follows."""
    arguments: tuple[Entry, ...]
    options: tuple[Entry, ...]
    commands: tuple[tuple[str, str], ...]
    """Name and summary of each command below."""
    writes: str
    exit_codes: tuple[tuple[str, str], ...]
    examples: tuple[tuple[str, tuple[str, ...]], ...]
    """Title and lines of each example; a line is kept as it is."""

    @property
    def synopsis(self) -> tuple[str, ...]:
        """The pieces of the usage line; none of them is to be broken."""
        shown = [entry.usage for entry in self.options if entry.names != ("--help",)]
        rest = ["COMMAND", "..."] if self.commands else []
        return (" ".join(self.path), *shown, *(entry.usage for entry in self.arguments), *rest)


def _limits(parameter: Any) -> str:
    """Return the limits of a number, from the parameter or from its type, as the version of typer has it."""
    for holder in (parameter, getattr(parameter, "type", None)):
        low, high = getattr(holder, "min", None), getattr(holder, "max", None)
        if low is not None or high is not None:
            return f"{low:g} to {high:g}" if low is not None and high is not None else f"from {low:g}"
    return ""


def _entry(parameter: Any) -> Entry:
    option = parameter.param_type_name == "option"
    flag = bool(getattr(parameter, "is_flag", False))
    default = parameter.default
    extra = []
    if isinstance(default, str | int | float) and not isinstance(default, bool) and default != "":
        extra.append(f"default: {default}")
    if limits := _limits(parameter):
        extra.append(limits)
    if parameter.envvar:
        extra.append(f"or set {parameter.envvar}")
    if option and parameter.required:
        extra.append("required")
    words = " ".join((parameter.help or "").split())
    names = sorted(parameter.opts, key=len) if option else ()
    return Entry(
        names=tuple(names),
        value="" if flag else str(parameter.metavar or parameter.name).removesuffix("..."),
        words=f"{words} [{'; '.join(extra)}]" if extra else words,
        required=bool(parameter.required),
        repeated=bool(getattr(parameter, "multiple", False)) or parameter.nargs == -1,
    )


def _exit_codes(part: str) -> tuple[tuple[str, str], ...]:
    """Return number and meaning of each exit code in ``Exit code 0: done; 2: something to mend``."""
    body = re.sub(r"^Exit code\s+", "", part)
    pieces = re.split(r"(?:^|[;.]\s+)(\d+):\s+", body)
    found = [
        (code, " ".join(words.split()).rstrip("."))
        for code, words in zip(pieces[1::2], pieces[2::2], strict=True)
    ]
    return (*found, BROKEN_OFF) if found else ()


def _example(part: str) -> tuple[str, tuple[str, ...]]:
    head, *lines = part.removeprefix("\b").strip("\n").splitlines()
    if not head.startswith("Example:"):
        head, lines = "", [head, *lines]
    return head.removeprefix("Example:").strip(), tuple(textwrap.dedent("\n".join(lines)).splitlines())


def describe(command: Any, path: tuple[str, ...]) -> Page:
    """Return what there is to say of a command.

    Parameters
    ----------
    command : typer command or group
        As ``typer.main.get_command`` gives it.
    path : tuple of str
        The words that call it.
    """
    summary, *parts = inspect.cleandoc(command.help or "").split("\n\n")
    text: list[str] = []
    writes = ""
    codes: tuple[tuple[str, str], ...] = ()
    examples: list[tuple[str, tuple[str, ...]]] = []
    for part in parts:
        if part.startswith("\b"):
            examples.append(_example(part))
        elif part.startswith("Exit code"):
            codes = _exit_codes(part)
        elif part.startswith("Writes "):
            writes = " ".join(part.split())
        else:
            text.append(" ".join(part.split()))
    shown = [p for p in command.params if not getattr(p, "hidden", False) and p.name != "help"]
    entries = [(p.param_type_name == "option", _entry(p)) for p in shown]
    below = getattr(command, "commands", {})
    return Page(
        path=path,
        summary=" ".join(summary.split()),
        text=tuple(text),
        arguments=tuple(entry for option, entry in entries if not option),
        options=(
            *(entry for option, entry in entries if option),
            Entry(("--help",), "", "Show this and exit."),
        ),
        commands=tuple((name, describe(item, (*path, name)).summary) for name, item in below.items()),
        writes=writes,
        exit_codes=codes,
        examples=tuple(examples),
    )


def walk(command: Any, path: tuple[str, ...] = ("flightproc",)) -> list[Page]:
    """Return the pages of a command and of all below it, in the order of the help."""
    pages = [describe(command, path)]
    for name, below in getattr(command, "commands", {}).items():
        pages += walk(below, (*path, name))
    return pages


def _filled(text: str, width: int, indent: str = "  ", later: str | None = None) -> str:
    return textwrap.fill(
        text,
        max(width, len(later or indent) + 12),
        initial_indent=indent,
        subsequent_indent=indent if later is None else later,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _columns(rows: list[tuple[str, str]], width: int) -> list[str]:
    """Return rows of label and words; a label too long for its column stands on a line of its own."""
    left = min(max((len(label) for label, _ in rows), default=0), max(width // 3, 8))
    lines = []
    for label, words in rows:
        hang = " " * (left + 4)
        if len(label) <= left:
            lines.append(_filled(words, width, f"  {label:<{left}}  ", hang))
        else:
            lines += [f"  {label}", _filled(words, width, hang)]
    return lines


def _pieces(pieces: tuple[str, ...], width: int, prefix: str) -> list[str]:
    """Return the usage on as many lines as it needs, no piece broken."""
    lines, line = [], f"{prefix}{pieces[0]}"
    hang = " " * min(len(line) + 1, 24)
    for piece in pieces[1:]:
        if len(line) + 1 + len(piece) > width:
            lines.append(line)
            line = hang + piece
        else:
            line = f"{line} {piece}"
    return [*lines, line]


def _call(line: str, width: int) -> list[str]:
    """Return a line of an example, a long call broken before an option as a shell takes it."""
    if len(line) <= width or not line.lstrip().startswith("flightproc "):
        return [line]
    space = " " * (len(line) - len(line.lstrip()))
    lines, rest = [], line
    while len(rest) > width:
        at = max(rest.rfind(" -", len(space) + 10, width - 2), 0) or rest.rfind(
            " ", len(space) + 10, width - 2
        )
        if at <= 0:
            break
        lines.append(f"{rest[:at]} \\")
        rest = f"{space}    {rest[at + 1 :]}"
    return [*lines, rest]


def render(page: Page, width: int = WIDEST) -> str:
    """Return the help of a command as text, at most ``width`` columns where its words allow."""
    lines = [*_pieces(page.synopsis, width, "Usage: "), "", _filled(page.summary, width)]
    for paragraph in page.text:
        lines += ["", _filled(paragraph, width)]
    for head, entries in (("Arguments:", page.arguments), ("Options:", page.options)):
        if entries:
            lines += ["", head, *_columns([(entry.label, entry.words) for entry in entries], width)]
    if page.commands:
        lines += ["", "Commands:", *_columns(list(page.commands), width)]
    if page.writes:
        lines += ["", _filled(page.writes, width)]
    if page.exit_codes:
        lines += ["", "Exit codes:", *_columns(list(page.exit_codes), width)]
    for title, calls in page.examples:
        lines += ["", _filled(f"Example: {title}", width)] if title else [""]
        for call in calls:
            lines += _call(f"    {call}".rstrip(), width)
    return "\n".join(lines) + "\n"


def _width() -> int:
    return max(min(shutil.get_terminal_size().columns, WIDEST), 40)


class _Paged:
    """A command or group that shows itself as a page of the manual, and its usage as the page does."""

    def get_usage(self, ctx: Any) -> str:
        """Return the usage, for the page and for a call that cannot be understood."""
        page = describe(self, tuple(ctx.command_path.split()))
        return "\n".join(_pieces(page.synopsis, _width(), "Usage: "))

    def format_help(self, ctx: Any, formatter: Any) -> None:
        """Write the page."""
        formatter.write(render(describe(self, tuple(ctx.command_path.split())), _width()))


class PagedCommand(_Paged, TyperCommand):
    """A command whose help is a page of the manual."""


class PagedGroup(_Paged, TyperGroup):
    """A group of commands whose help is a page of the manual."""
