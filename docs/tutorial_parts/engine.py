"""What all made pages share: the workshop with its data, commands run once, and the marks in a page.

A page is plain Markdown. What a command printed stands between ``<!-- made by make_tutorial.py: NAME -->``
and ``<!-- end -->``; a figure in a sentence between ``<!-- made: NAME -->`` and ``<!-- end -->``.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import runpy
import shutil
import tempfile
import textwrap
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from flightproc.cli import main as flightproc

DOCS = Path(__file__).parents[1]
FIGURES = DOCS / "figures" / "tutorial"
EXTRAS = runpy.run_path(str(DOCS / "tutorial_extras.py"))
SAMPLE: str = EXTRAS["SAMPLE"]
CRUISE: float = EXTRAS["CRUISE"]
FULL: float = EXTRAS["FULL"]
WIDTH = 92
"""Of the terminal, in characters: what fits a page of the site."""
OUT = re.compile(r"(?<= -o )\S+")
BLOCK = re.compile(r"(<!-- made by make_tutorial\.py: (.+?) -->\n)(.*?)(<!-- end -->)", re.S)
WORD = re.compile(r"(<!-- made: (.+?) -->)(.*?)(<!-- end -->)", re.S)


class Bench:
    """Runs commands in the workshop, each once; one that differs by its folder alone copies what was made."""

    def __init__(self) -> None:
        self._printed: dict[str, tuple[str, str]] = {}

    def run(self, command: str, code: int = 0) -> str:
        """Return what a command prints.

        Parameters
        ----------
        command : str
            What is typed after ``flightproc``.
        code : int
            The exit code it must end with.
        """
        out = OUT.search(command)
        folder = out[0] if out else ""
        key = OUT.sub("", command)
        if key not in self._printed:
            self._printed[key] = folder, _run(command, code)
        first, printed = self._printed[key]
        if folder != first:
            shutil.copytree(first, folder, dirs_exist_ok=True)
            printed = printed.replace(first, folder)
        return printed


def _run(command: str, code: int) -> str:
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        found = flightproc(command.split())
    if found != code:
        raise SystemExit(f"flightproc {command}: exit code {found}, not {code}\n{said.getvalue()}")
    return "\n".join(line.rstrip() for line in said.getvalue().splitlines()).strip("\n")


@contextlib.contextmanager
def workshop() -> Iterator[Bench]:
    """Work in a folder with the sample and the extras in it, and a terminal of one width."""
    columns, before = os.environ.get("COLUMNS"), Path.cwd()
    with tempfile.TemporaryDirectory() as name:
        shutil.copytree(DOCS.parent / SAMPLE, Path(name) / SAMPLE)
        os.environ["COLUMNS"] = str(WIDTH)
        os.chdir(name)
        try:
            EXTRAS["write_extras"](Path("tutorial"))
            yield Bench()
        finally:
            os.chdir(before)
            del os.environ["COLUMNS"]
            if columns is not None:
                os.environ["COLUMNS"] = columns


@dataclass
class Steps:
    """What the commands of a page printed and wrote.

    Attributes
    ----------
    commands : dict
        What is typed after ``flightproc``, by step.
    printed : dict
        Output by step.
    document : dict
        Written or printed JSON by step.
    """

    commands: Mapping[str, str]
    printed: dict[str, str] = field(default_factory=dict)
    document: dict[str, Any] = field(default_factory=dict)

    def go(self, bench: Bench, step: str, code: int = 0) -> None:
        """Run one step."""
        command = self.commands[step]
        printed = self.printed[step] = bench.run(command, code)
        out = OUT.search(command)
        for name in ("results", "plan", "balance", "rig", "gliders", "together"):
            path = Path(out[0] if out else "nowhere") / f"{name}.json"
            if path.exists():
                self.document[step] = json.loads(path.read_text(encoding="utf-8"))
        if "--json" in command:
            self.document[step] = json.loads(printed)

    def shown(self, step: str, *, keep: str | None = None) -> str:
        """Return the command of a step as typed, and what it prints or the part of it that is given."""
        output = self.printed[step] if keep is None else keep
        return f"```console\n$ {typed(self.commands[step])}\n```\n\n{said(output)}"


Part = Callable[[Steps], str]


@dataclass(frozen=True)
class Page:
    """A page and how its marked parts are made.

    Attributes
    ----------
    file : str
        Its name in docs.
    commands : mapping
        What is run for it, in order, by step.
    parts, words : mapping
        Makers of its marked blocks in their order, and of the figures in its sentences.
    codes : mapping
        Exit codes other than 0, by step.
    draw : callable
        Returns its figures, PNG, by name without suffix.
    """

    file: str
    commands: Mapping[str, str]
    parts: Mapping[str, Part]
    words: Mapping[str, Part] = field(default_factory=dict)
    codes: Mapping[str, int] = field(default_factory=dict)
    draw: Callable[[Steps], dict[str, bytes]] | None = None

    @property
    def path(self) -> Path:
        """Where it is."""
        return DOCS / self.file

    def steps(self, bench: Bench) -> Steps:
        """Run its commands."""
        steps = Steps(self.commands)
        for step in self.commands:
            steps.go(bench, step, self.codes.get(step, 0))
        return steps

    def made(self, steps: Steps) -> dict[str, str]:
        """Return all marked parts made anew, by name."""
        return {name: make(steps) for name, make in (*self.parts.items(), *self.words.items())}

    def filled(self, made: Mapping[str, str]) -> str:
        """Return the page with its marked parts replaced."""
        page = self.path.read_text(encoding="utf-8")
        if blocks(page) != list(self.parts) or set(words(page)) != set(self.words):
            raise SystemExit(f"{self.file}: its marks are {blocks(page)} and {sorted(set(words(page)))}")
        if re.search(r"^<!-- made: ", page, re.M):
            raise SystemExit(f"{self.file}: a mark at the beginning of a line ends the paragraph before it")
        page = BLOCK.sub(lambda m: f"{m[1]}\n{made[m[2]]}\n\n{m[4]}", page)
        return WORD.sub(lambda m: f"{m[1]}{made[m[2]]}{m[4]}", page)


def blocks(page: str) -> list[str]:
    """Return the names of the marked blocks of a page, in order."""
    return [found[1] for found in BLOCK.findall(page)]


def words(page: str) -> list[str]:
    """Return the names of the marked figures in the sentences of a page, in order."""
    return [found[1] for found in WORD.findall(page)]


# ---------------------------------------------------------------- parts of an output


def chunks(text: str, *wanted: str) -> str:
    """Return the paragraphs of an output in which one of the wanted words stands, told apart by dots."""
    out: list[str] = []
    for part in re.split(r"\n\s*\n", text.strip("\n")):
        if any(word in part for word in wanted):
            out.append(part)
        elif out and out[-1] != "...":
            out.append("...")
    return "\n\n".join(out).removesuffix("\n\n...")


def entries(text: str, label: str, *wanted: str) -> str:
    """Return the entries of a labelled list, such as notes or cautions, that hold one of the wanted words."""
    found = re.findall(rf"^{label}\b.*(?:\n[ ]{{4,}}\S.*)*", text, flags=re.M)
    return "\n".join(entry for entry in found if not wanted or any(word in entry for word in wanted))


def first(text: str, lines: int) -> str:
    """Return the first lines of an output."""
    kept = text.splitlines()[:lines]
    return "\n".join([*kept, "  ..."] if lines < len(text.splitlines()) else kept)


def typed(command: str) -> str:
    """Return a command as it is typed, broken where it is long; an option stays with its value."""
    pieces = re.findall(r"--?[a-z-]+ [^-\s]\S*|\S+", f"flightproc {command}")
    lines = [pieces[0]]
    for piece in pieces[1:]:
        if len(lines[-1]) + len(piece) > WIDTH - 6:
            lines.append(f"    {piece}")
        else:
            lines[-1] += f" {piece}"
    return " \\\n".join(lines)


def sheet(text: str) -> str:
    """Return a sheet as it is shown."""
    return f"```toml\n{text.rstrip()}\n```"


def said(text: str) -> str:
    """Return an output as it is shown."""
    lines = [
        textwrap.fill(line, WIDTH, subsequent_indent="    ") if len(line) > WIDTH else line
        for line in text.splitlines()
    ]
    return "```text\n" + "\n".join(lines) + "\n```"


def nearest(rows: list[dict[str, Any]], rpm: float) -> dict[str, Any]:
    """Return the row whose engine speed is nearest."""

    def off(row: dict[str, Any]) -> float:
        speed = row["rpm"]
        return abs(float(speed["value"] if isinstance(speed, dict) else speed) - rpm)

    return min(rows, key=off)


def chapter_png(report: str, name: str) -> bytes:
    """Return the figure of a chapter of a report that was run, as a small PNG."""
    found = OUT.search(report)
    assert found is not None
    path = Path(found[0]) / "figures" / f"{name}.png"
    if not path.exists():
        _run(f"{report} --png", 0)
    return small_png(path)


def small_png(path: Path | io.BytesIO, *, grey: bool = False, width: int = 1000) -> bytes:
    """Return a drawn figure as a small PNG."""
    from PIL import Image

    with Image.open(path) as picture:
        shape = picture.convert("L" if grey else "RGB")
        if shape.width > width:
            shape = shape.resize((width, round(shape.height * width / shape.width)))
        out = io.BytesIO()
        shape.quantize(16 if grey else 160).save(out, "PNG", optimize=True)
    return out.getvalue()
