"""README and DEVELOPERS keep their word: the five lines print what stands there, and links lead somewhere."""

from __future__ import annotations

import contextlib
import io
import re
from pathlib import Path

import pytest

pytestmark = pytest.mark.regression

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text()


def test_the_five_lines_print_what_stands_below_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    code, printed = re.findall(r"```python\n(.*?)```\n\n```\n(.*?)```", README, re.S)[0]
    assert len(code.strip().splitlines()) == 5
    (tmp_path / "sample_logs").symlink_to(ROOT / "sample_logs")
    monkeypatch.chdir(tmp_path)
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        exec(compile(code, "README.md", "exec"), {})
    number = re.compile(r"-?\d+(?:\.\d+)?")
    assert number.sub("#", said.getvalue()) == number.sub("#", printed)
    for now, then in zip(number.findall(said.getvalue()), number.findall(printed), strict=True):
        # another linear-algebra library may round the last digit the other way
        places = len(then.partition(".")[2])
        assert abs(float(now) - float(then)) < 1.5 * 10.0**-places, f"{now} where README has {then}"
    assert (tmp_path / "demo-out" / "report.html").is_file()


def test_the_test_command_is_the_one_that_ci_runs() -> None:
    command = "python -m pytest -q -n auto"
    assert f".venv/bin/{command}" in README
    assert command in (ROOT / ".ci" / "run").read_text()


@pytest.mark.parametrize(
    "page", ["README.md", "DEVELOPERS.md", *sorted(p.name for p in ROOT.glob("docs/*.md"))]
)
def test_links_lead_somewhere(page: str) -> None:
    path = ROOT / page if (ROOT / page).is_file() else ROOT / "docs" / page
    for target in re.findall(r"\]\(([^)#:\s]+)(?:#[^)]*)?\)", path.read_text()):
        assert (path.parent / target).exists(), f"{page}: {target}"
