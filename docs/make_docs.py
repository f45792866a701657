"""Write the parts of docs that are made from the program: ``python docs/make_docs.py``.

The pages of the sheets and of the commands, the channel table in the page of conventions, the list in the
page of cautions, and the drawing of axes. Tests hold the pages against the program.
"""

from __future__ import annotations

import re
import runpy
from pathlib import Path

from flightproc.cautions import CAUTIONS, GROUND_CAUTIONS
from flightproc.channels import CHANNELS
from flightproc.sheets.describe import describe_sheets

HERE = Path(__file__).parent


def command_page() -> str:
    """Return the page of all commands, Markdown."""
    return str(runpy.run_path(str(HERE / "make_commands.py"))["command_page"]())


def channel_table() -> str:
    """Return the channel table, Markdown."""
    rows = ["| channel | unit | meaning and sign | taken for a fault outside |", "|---|---|---|---|"]
    for channel in CHANNELS.values():
        meaning = channel.meaning + (" (wraps at a full turn)" if channel.angle else "")
        rows.append(
            f"| `{channel.name}` | {channel.unit} | {meaning} | {channel.low:g} to {channel.high:g} |"
        )
    return "\n".join(rows)


def caution_list() -> str:
    """Return the cautions, a Markdown list."""
    return "\n".join(f"{number}. {text}" for number, text in enumerate(CAUTIONS, 1))


def ground_caution_list() -> str:
    """Return the cautions of the ground tests, a Markdown list."""
    return "\n".join(f"{number}. {text}" for number, text in enumerate(GROUND_CAUTIONS, 1))


PARTS = {
    "conventions.md": channel_table,
    "cautions.md": caution_list,
    "ground-tests.md": ground_caution_list,
}


def with_part(page: str, part: str) -> str:
    """Return a page with what stands between its two marks replaced."""
    return re.sub(
        r"(<!-- made by make_docs.py -->\n).*(\n<!-- end -->)",
        lambda m: f"{m[1]}\n{part}\n{m[2]}",
        page,
        flags=re.S,
    )


def main() -> None:
    """Write all of it."""
    (HERE / "sheets.md").write_text(describe_sheets(), encoding="utf-8", newline="\n")
    (HERE / "commands.md").write_text(command_page(), encoding="utf-8", newline="\n")
    for name, make in PARTS.items():
        path = HERE / name
        path.write_text(with_part(path.read_text(encoding="utf-8"), make()), encoding="utf-8", newline="\n")
    runpy.run_path(str(HERE / "make_axes.py"), run_name="__main__")


if __name__ == "__main__":
    main()
