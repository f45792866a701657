"""What the pages tell a reader to type is what the program takes: commands, options, scripts, extras."""

from __future__ import annotations

import re
import shlex
import tomllib
from doctest import DocTestParser
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import typer.main

from flightproc.cli.app import build_app

pytestmark = pytest.mark.regression

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted(DOCS.glob("*.md")), *sorted(DOCS.glob("*/*.md"))]
PROGRAM = re.compile(r"(?:\S*/)?flightproc(?= |$)")
OWN_OPTIONS = {"--help"}
"""Of every command."""


def all_commands(command: Any, path: tuple[str, ...]) -> dict[tuple[str, ...], Any]:
    """Return a command and all below it, by the words that call them."""
    found = {path: command}
    for name, below in getattr(command, "commands", {}).items():
        found |= all_commands(below, (*path, name))
    return found


COMMANDS = all_commands(typer.main.get_command(build_app()), ("flightproc",))


def of_page(path: Path) -> str:
    return str(path.relative_to(ROOT))


@cache
def blocks(path: Path) -> list[tuple[str, str]]:
    """Return the fenced and the indented blocks of a page, each with its language."""
    text = path.read_text(encoding="utf-8")
    fenced = re.findall(r"^( *)```(\w*)[^\n]*\n(.*?)^\1```", text, re.S | re.M)
    rest = re.sub(r"^( *)```.*?^\1```", "", text, flags=re.S | re.M)
    indented = re.findall(r"(?<=\n\n)((?: {4}[^\n]*\n)+)", rest)
    return [(language, body) for _, language, body in fenced] + [("", body) for body in indented]


@cache
def prose(path: Path) -> str:
    """Return a page without its blocks."""
    text = re.sub(r"^( *)```.*?^\1```", "", path.read_text(encoding="utf-8"), flags=re.S | re.M)
    return re.sub(r"(?<=\n\n)(?: {4}[^\n]*\n)+", "", text)


def typed(body: str) -> list[list[str]]:
    """Return the calls of the program in a block: what follows its name, up to a pipe or the next command."""
    found = []
    lines = re.sub(r"\\\n\s*", " ", body).splitlines()
    prompted = any(line.lstrip().startswith("$ ") for line in lines)
    for line in lines:
        line = line.strip()
        if prompted and not line.startswith("$ "):
            continue  # what is printed
        for part in re.split(r" (?:&&|\||>|2>) ", line.removeprefix("$ ")):
            if PROGRAM.match(part):
                found.append(shlex.split(part, comments=True)[1:])
    return found


def leads_to(words: list[str]) -> tuple[tuple[str, ...], list[str]]:
    """Return the command that some words call, and its arguments."""
    path, rest = ("flightproc",), list(words)
    while rest and (*path, rest[0]) in COMMANDS:
        path, rest = (*path, rest[0]), rest[1:]
    return path, rest


def options(command: Any) -> set[str]:
    return {name for entry in command.params for name in (*entry.opts, *entry.secondary_opts)} | OWN_OPTIONS


CALLS = [
    pytest.param(words, id=f"{of_page(path)}: {' '.join(words)[:60]}")
    for path in PAGES
    for _, body in blocks(path)
    for words in typed(body)
    if "COMMAND" not in words and not any(word.startswith("[") or word == "..." for word in words)
]


@pytest.mark.parametrize("words", CALLS)
def test_a_command_in_a_block_can_be_typed(words: list[str]) -> None:
    path, rest = leads_to(words)
    command = COMMANDS[path]
    if {"--help", "--version"} & set(rest):
        return
    assert not getattr(command, "commands", None), f"{' '.join(words)}: no such command"
    command.make_context(path[-1], rest)  # ends with a usage error where it cannot be parsed


def test_enough_commands_were_found() -> None:
    assert len(CALLS) > 40
    named = {leads_to(call.values[0])[0][1] for call in CALLS if leads_to(call.values[0])[0][1:]}
    assert named >= {path[1] for path in COMMANDS if len(path) > 1}


@pytest.mark.parametrize("path", PAGES, ids=of_page)
def test_commands_and_options_in_prose_exist(path: Path) -> None:
    for code in re.findall(r"(?<!`)`([^`\n]+(?:\n[^`\n]+)?)`(?!`)", prose(path)):
        words = code.split()
        if PROGRAM.fullmatch(words[0]) and len(words) > 1 and words[1].islower() and words[1].isalpha():
            at, rest = leads_to(words[1:])
            assert len(at) > 1, f"`{code}`: no such command"
            below = [command for name, command in COMMANDS.items() if name[: len(at)] == at]
            known = set().union(*(options(command) for command in below))
            wrong = {word.partition("=")[0] for word in rest if word.startswith("--")} - known
            assert not wrong, f"`{code}`: no such option"
        elif words[0].startswith("--"):
            name = words[0].partition("=")[0].rstrip(",.;")
            known = set().union(*(options(command) for command in COMMANDS.values()))
            assert name in known or name in script_options(), f"`{code}`: no program here has this option"


@cache
def script_options() -> str:
    """Return the text of all scripts, in which their options stand."""
    return "\n".join(
        script.read_text(encoding="utf-8")
        for folder in (DOCS, ROOT / "tests" / "benchmarks")
        for script in folder.glob("*.py")
    )


@pytest.mark.parametrize("path", PAGES, ids=of_page)
def test_scripts_that_are_named_are_there_and_take_their_options(path: Path) -> None:
    text = re.sub(r"\\\n\s*", " ", path.read_text(encoding="utf-8"))
    for name, rest in re.findall(r"python3? ((?:docs|tests)/[\w/]+\.py)((?: [^\s`)|&]+)*)", text):
        script = ROOT / name
        assert script.is_file(), name
        for option in re.findall(r"--[a-z][\w-]+", rest):
            assert f'"{option}"' in script.read_text(encoding="utf-8"), f"{name} has no {option}"
    for name in re.findall(r"`((?:docs|tests|flightproc|sample_logs)/[\w./-]+)`", text):
        assert (ROOT / name).exists(), f"{name} is not there"


@pytest.mark.parametrize("path", PAGES, ids=of_page)
def test_extras_that_are_named_exist(path: Path) -> None:
    have = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"][
        "optional-dependencies"
    ]
    for names in re.findall(r"(?:\.|flightproc)\[([a-z,]+)\]", path.read_text(encoding="utf-8")):
        assert set(names.split(",")) <= set(have), names


@pytest.mark.parametrize("path", PAGES, ids=of_page)
def test_blocks_are_what_they_say_they_are(path: Path) -> None:
    for language, body in blocks(path):
        if language == "toml":
            tomllib.loads(body)
        elif language == "python" and body.lstrip().startswith(">>>"):
            for example in DocTestParser().get_examples(body):
                compile(example.source, str(path), "single")
        elif language == "python":
            compile(body, str(path), "exec")


@pytest.mark.parametrize("path", PAGES, ids=of_page)
def test_measured_figures_stand_beside_what_prints_them(path: Path) -> None:
    for section in re.split(r"^##+ ", path.read_text(encoding="utf-8"), flags=re.M)[1:]:
        heading = section.partition("\n")[0]
        if re.fullmatch(r"(What was )?measured|How (good|honest|fast) .*", heading, re.I):
            assert re.search(r"tests/[\w/]+\.py", section), f"{heading}: names no command"
