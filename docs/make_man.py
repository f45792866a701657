"""Write the manual pages and the completion scripts from the commands: ``python docs/make_man.py``.

They lie in ``docs/man`` and ``docs/completion``; the wheel installs them under ``share``, where ``man`` and
the shells look for them. A test holds them against the program.
"""

from __future__ import annotations

from pathlib import Path

import typer.main

from flightproc.cautions import CAUTIONS
from flightproc.cli.app import build_app
from flightproc.cli.completion import SHELLS, completion_script
from flightproc.cli.manual import Entry, Page, walk

HERE = Path(__file__).parent
SCRIPTS = {"bash": "flightproc", "zsh": "_flightproc", "fish": "flightproc.fish"}
"""Shell to the name under which it looks for a script."""


def _escaped(text: str) -> str:
    """Return a text that roff takes as it stands."""
    text = text.replace("\\", "\\e").replace("-", "\\-")
    return f"\\&{text}" if text[:1] in (".", "'") else text


def _list(rows: list[tuple[str, str]]) -> list[str]:
    lines = []
    for label, words in rows:
        lines += [".TP", f".B {_escaped(label)}", _escaped(words)]
    return lines


def _entries(entries: tuple[Entry, ...]) -> list[tuple[str, str]]:
    return [(entry.label, entry.words) for entry in entries]


def man_page(page: Page, others: list[str]) -> str:
    """Return one manual page, roff with the ``man`` macros.

    Parameters
    ----------
    page : Page
        What there is to say of the command.
    others : list of str
        Names of the pages to see also.
    """
    name = "-".join(page.path)
    call, *pieces = page.synopsis
    lines = [
        '.\\" Made by docs/make_man.py.',
        f'.TH {_escaped(name.upper())} 1 "" "flightproc" "flightproc manual"',
        ".nh",
        ".ad l",
        ".SH NAME",
        f"{_escaped(name)} \\- {_escaped(page.summary.rstrip('.'))}",
        ".SH SYNOPSIS",
        f".B {_escaped(call)}",
        _escaped(" ".join(pieces)),
    ]
    if page.text:
        lines += [".SH DESCRIPTION"]
        for text in page.text:
            lines += [".PP", _escaped(text)]
    for head, rows in (
        ("ARGUMENTS", _entries(page.arguments)),
        ("OPTIONS", _entries(page.options)),
        ("COMMANDS", list(page.commands)),
    ):
        if rows:
            lines += [f".SH {head}", *_list(rows)]
    if page.writes:
        lines += [".SH FILES", _escaped(page.writes)]
    lines += [".SH EXIT STATUS", *_list(list(page.exit_codes)), ".SH EXAMPLES"]
    for title, calls in page.examples:
        lines += [".PP", _escaped(f"{title[:1].upper()}{title[1:]}:"), ".PP", ".RS 4", ".nf"]
        lines += [_escaped(call) or ".sp" for call in calls]
        lines += [".fi", ".RE"]
    lines += [".SH CAUTIONS", _escaped(" ".join(CAUTIONS[:2])), ".SH SEE ALSO"]
    lines += [", ".join(f"\\fB{_escaped(other)}\\fP(1)" for other in others)]
    return "\n".join(lines) + "\n"


def made() -> dict[str, str]:
    """Return every file by its path below ``docs``."""
    app = typer.main.get_command(build_app())
    pages = walk(app)
    files = {}
    for page in pages:
        near = [p for p in pages if p is not page and (p.path[:-1] == page.path or p.path == page.path[:-1])]
        files[f"man/{'-'.join(page.path)}.1"] = man_page(page, ["-".join(p.path) for p in near])
    return files | {f"completion/{SCRIPTS[shell]}": completion_script(app, shell) for shell in SHELLS}


def main() -> None:
    """Write all of them, and take away those of commands that are no more."""
    files = made()
    for folder in ("man", "completion"):
        (HERE / folder).mkdir(exist_ok=True)
        for path in (HERE / folder).iterdir():
            if f"{folder}/{path.name}" not in files:
                path.unlink()
    for name, text in files.items():
        (HERE / name).write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
