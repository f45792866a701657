"""Every command explains itself as a page of a manual does: whole, true and with an example that runs."""

from __future__ import annotations

import re
import shlex

import pytest
import typer.main

from flightproc.cli import main
from flightproc.cli.app import build_app
from flightproc.cli.manual import Page, render, walk

pytestmark = pytest.mark.synthetic

APP = typer.main.get_command(build_app())
PAGES = {page.path[1:]: page for page in walk(APP)}
ALL = tuple(path for path in PAGES if path)
RESULTS = tuple(path for path in ALL if path[0] not in ("new", "serve", "simulate") and path != ("logbook",))


def shown(command: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> str:
    assert main([*command, "--help"]) == 0
    return capsys.readouterr().out


def parse(words: list[str]) -> None:
    """Parse a call as the program would, without running it."""
    command, context = APP, None
    while True:
        context = command.make_context(words[0], words[1:], parent=context)
        below = getattr(command, "commands", None)
        if below is None or context.params.get("help"):
            return
        words = [*context._protected_args, *context.args]
        command = below[words[0]]


@pytest.mark.parametrize("command", PAGES, ids=lambda path: " ".join(path) or "flightproc")
def test_help_is_a_page(
    command: tuple[str, ...], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    out = shown(command, capsys)
    page = PAGES[command]
    assert out == render(page, 80)
    assert "\b" not in out and "\\b" not in out  # the mark that keeps lines apart is not for the reader
    assert max(len(line) for line in out.splitlines()) <= 80
    assert out.startswith(f"Usage: {' '.join(page.path)}")
    assert page.summary and len(page.summary) <= 110
    for code in ("0", "2", "130"):
        assert code in dict(page.exit_codes), f"exit code {code} is not told"
    for entry in (*page.arguments, *page.options):
        assert re.search(r"\w", entry.words), entry.label
        assert entry.words.split(" [")[0].endswith((".", ")")), entry.label
        if entry.value:  # a word for the value, not the name of a variable
            assert entry.value.upper() == entry.value or "." in entry.value, entry.label


@pytest.mark.parametrize("command", ALL, ids=" ".join)
def test_help_has_a_worked_example(command: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    example = re.search(r"^ *Example: .+\n((?:(?: {2,}\S.*)?\n)+)", shown(command, capsys), flags=re.M)
    assert example is not None
    assert f"  flightproc {' '.join(command)} " in example[1].replace("\n", " \n")


def calls(page: Page) -> list[str]:
    lines = [line for _, lines in page.examples for line in lines]
    return [re.sub(r"\s{2,}\(.*|>.*", "", line) for line in lines if line.startswith("flightproc ")]


@pytest.mark.parametrize("page", PAGES.values(), ids=lambda page: " ".join(page.path))
def test_examples_are_calls_that_the_program_takes(page: Page) -> None:
    assert calls(page)
    for call in calls(page):
        parse(shlex.split(call))


@pytest.mark.parametrize("command", ALL, ids=" ".join)
def test_what_writes_says_what(command: tuple[str, ...]) -> None:
    page = PAGES[command]
    asked = {word for entry in (*page.options, *page.arguments) for word in (entry.value, *entry.names)}
    if asked & {"FOLDER", "--out", "DIR"}:
        assert page.writes.startswith("Writes ")


@pytest.mark.parametrize("command", RESULTS, ids=" ".join)
def test_what_gives_a_result_gives_it_as_json(command: tuple[str, ...]) -> None:
    assert any("--json" in entry.names for entry in PAGES[command].options)


def test_a_long_example_is_broken_as_a_shell_takes_it() -> None:
    page = PAGES[("together",)]
    text = render(page, 80)
    joined = re.sub(r" \\\n +", " ", text)
    for call in page.examples[0][1]:
        assert f"    {call}\n" in joined
    assert re.search(r" \\\n {8}\S", text)


@pytest.mark.parametrize("columns", ["1", "25", "40", "300"])
def test_any_terminal_gets_all_the_words(
    columns: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    out = shown(("gliders",), capsys)
    for entry in PAGES[("gliders",)].options:
        assert entry.words in " ".join(out.split())
    assert max(len(line) for line in out.splitlines()) <= 80
