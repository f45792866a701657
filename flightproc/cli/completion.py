"""Completion scripts for bash, zsh and fish, made from the commands themselves.

A script knows commands, options and which of them take a value; where a value or an argument stands, files
are completed. It asks the program nothing, so that a press of the tab key costs no start of Python.
"""

from __future__ import annotations

from typing import Any

from .manual import Page, walk

__all__ = ["SHELLS", "completion_script"]

_HEAD = "# Completion of flightproc in {shell}, made by: flightproc --show-completion {shell}\n"

_BASH = """_flightproc() {
    local word path="flightproc" i
    for ((i = 1; i < COMP_CWORD; i++)); do
        word="$path ${COMP_WORDS[i]}"
        case "$word" in
            %(paths)s) path="$word" ;;
        esac
    done
    local options="" valued="" commands=""
    case "$path" in
%(cases)s
    esac
    local current="${COMP_WORDS[COMP_CWORD]}" before="${COMP_WORDS[COMP_CWORD - 1]}"
    COMPREPLY=()
    if [[ " $valued " == *" $before "* ]]; then
        mapfile -t COMPREPLY < <(compgen -f -- "$current")
    elif [[ "$current" == -* ]]; then
        mapfile -t COMPREPLY < <(compgen -W "$options" -- "$current")
    elif [[ -n "$commands" ]]; then
        mapfile -t COMPREPLY < <(compgen -W "$commands" -- "$current")
    else
        mapfile -t COMPREPLY < <(compgen -f -- "$current")
    fi
}
complete -o filenames -F _flightproc flightproc
"""

_ZSH = """#compdef flightproc
%(head)s
_flightproc() {
    local place="flightproc" i
    for ((i = 2; i < CURRENT; i++)); do
        case "$place $words[i]" in
            %(paths)s) place="$place $words[i]" ;;
        esac
    done
    local -a options valued commands
    case "$place" in
%(cases)s
    esac
    if (( ${valued[(Ie)$words[CURRENT-1]]} )); then
        _files
    elif [[ "$PREFIX" == -* ]]; then
        _describe -o option options
    elif (( $#commands )); then
        _describe command commands
    else
        _files
    fi
}
if [[ "${funcstack[1]}" == "_flightproc" ]]; then
    _flightproc "$@"
else
    compdef _flightproc flightproc
fi
"""


def _quoted(text: str) -> str:
    """Return a text in single quotes, as all three shells take it."""
    return "'" + text.replace("\\", "\\\\").replace("'", "'\\''") + "'"


def _names(page: Page, *, valued: bool = False) -> list[str]:
    return [name for entry in page.options if entry.value or not valued for name in entry.names]


def _first(text: str) -> str:
    """Return the first sentence of an explanation, short enough to stand beside a name."""
    sentence = text.split(" [")[0].split(". ")[0].rstrip(".")
    return sentence if len(sentence) <= 70 else sentence[:67].rsplit(" ", 1)[0] + " ..."


def _paths(pages: list[Page]) -> str:
    return "|".join(f'"{" ".join(page.path)}"' for page in pages[1:])


def _bash(pages: list[Page]) -> str:
    cases = []
    for page in pages:
        names = " ".join(name for name, _ in page.commands)
        cases.append(
            f'        "{" ".join(page.path)}")\n'
            f'            options="{" ".join(_names(page))}"\n'
            f'            valued="{" ".join(_names(page, valued=True))}"\n'
            f'            commands="{names}" ;;'
        )
    return _HEAD.format(shell="bash") + _BASH % {"paths": _paths(pages), "cases": "\n".join(cases)}


def _zsh(pages: list[Page]) -> str:
    def pairs(found: list[tuple[str, str]]) -> str:
        return " ".join(_quoted(f"{name}:{_first(words).replace(':', ' -')}") for name, words in found)

    cases = []
    for page in pages:
        options = [(name, entry.words) for entry in page.options for name in entry.names]
        cases.append(
            f'        "{" ".join(page.path)}")\n'
            f"            options=({pairs(options)})\n"
            f"            valued=({' '.join(_names(page, valued=True))})\n"
            f"            commands=({pairs(list(page.commands))}) ;;"
        )
    head = _HEAD.format(shell="zsh").rstrip()
    return _ZSH % {"head": head, "paths": _paths(pages), "cases": "\n".join(cases)}


def _fish(pages: list[Page]) -> str:
    lines = [_HEAD.format(shell="fish").rstrip()]
    for page in pages:
        words, below = page.path[1:], [name for name, _ in page.commands]
        seen = [f"__fish_seen_subcommand_from {word}" for word in words]
        seen += [f"not __fish_seen_subcommand_from {' '.join(below)}"] if below else []
        when = f"complete -c flightproc -n {_quoted('; and '.join(seen) or 'true')}"
        lines += [f"{when} -f -a {name} -d {_quoted(_first(told))}" for name, told in page.commands]
        for entry in page.options:
            names = " ".join(f"-l {n[2:]}" if n.startswith("--") else f"-s {n[1:]}" for n in entry.names)
            takes = " -r -F" if entry.value else ""
            lines.append(f"{when} {names}{takes} -d {_quoted(_first(entry.words))}")
    return "\n".join(lines) + "\n"


SHELLS = {"bash": _bash, "zsh": _zsh, "fish": _fish}
"""Shell to the function that writes its script."""


def completion_script(command: Any, shell: str) -> str:
    """Return the script that makes a shell complete the program.

    Parameters
    ----------
    command : typer group
        The whole program.
    shell : str
        One of `SHELLS`.
    """
    return SHELLS[shell](walk(command))
