"""Make the page of all commands from the command line itself: ``python docs/make_docs.py`` writes it."""

from __future__ import annotations

import re
from collections.abc import Sequence

import typer.main

from flightproc.cli.app import build_app
from flightproc.cli.manual import Entry, Page, walk

__all__ = ["command_page"]

HEAD = """# Commands

What `flightproc COMMAND --help` says, on one page; `python docs/make_docs.py` makes it from the program.
"""
WIDTH = 100
"""Characters after which a synopsis goes on in another line."""


def _words(text: str) -> str:
    """Return a text safe in a cell of a table, with the pages it names as links."""
    text = text.replace("|", "\\|").replace("<", "&lt;")
    return re.sub(r"docs/([\w-]+\.md)", r"[docs/\1](\1)", text)


def _synopsis(pieces: Sequence[str]) -> str:
    lines = [pieces[0]]
    for piece in pieces[1:]:
        if len(lines[-1]) + len(piece) < WIDTH:
            lines[-1] += f" {piece}"
        else:
            lines.append(f"    {piece}")
    return "\n".join(lines)


def _table(head: str, entries: Sequence[Entry]) -> list[str]:
    rows = [f"| `{entry.label.replace('|', chr(92) + '|')}` | {_words(entry.words)} |" for entry in entries]
    return [f"| {head} | what it is |", "|---|---|", *rows, ""] if rows else []


def _typed(call: str) -> str:
    """Return a line of an example with what is said beside it as a comment, so that a shell takes it."""
    return re.sub(r"(^|\s+)\((.+)\)$", lambda found: f"{'  ' if found[1] else ''}# {found[2]}", call)


def _section(page: Page) -> list[str]:
    lines = [f"{'#' * len(page.path)} {' '.join(page.path[1:])}", ""] if len(page.path) > 1 else []
    lines += ["```text", _synopsis(page.synopsis), "```", "", page.summary, ""]
    for paragraph in page.text:
        lines += [_words(paragraph), ""]
    for title, calls in page.examples:
        lines += [f"Example: {title}", ""] if title else []
        language = "sh" if calls[0].startswith("flightproc") else "toml"
        lines += [f"```{language}", *map(_typed, calls), "```", ""]
    lines += _table("argument", page.arguments)
    lines += _table("option", [entry for entry in page.options if entry.names != ("--help",)])
    if page.commands:
        lines += ["| command | what it does |", "|---|---|"]
        anchors = [" ".join((*page.path[1:], name)) for name, _ in page.commands]
        for (name, summary), anchor in zip(page.commands, anchors, strict=True):
            lines.append(f"| [`{name}`](#{anchor.replace(' ', '-')}) | {_words(summary)} |")
        lines.append("")
    lines += [_words(page.writes), ""] if page.writes else []
    if page.exit_codes:
        told = "; ".join(f"{code}: {words}" for code, words in page.exit_codes)
        lines += [f"Exit codes: {told}.", ""]
    return lines


def command_page() -> str:
    """Return the page of all commands, Markdown."""
    pages = walk(typer.main.get_command(build_app()))
    return "\n".join([HEAD, *(line for page in pages for line in _section(page))]).rstrip() + "\n"
