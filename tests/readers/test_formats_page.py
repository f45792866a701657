"""The pages in docs/formats say what the code does."""

from __future__ import annotations

from pathlib import Path

import pytest

from flightproc.channels import CHANNELS
from flightproc.readers import READERS
from flightproc.readers.ulog_map import FEEDS
from flightproc.readers.units import allowed_units

pytestmark = pytest.mark.regression

FOLDER = Path(__file__).resolve().parents[2] / "docs" / "formats"


def page(name):
    return (FOLDER / name).read_text(encoding="utf-8")


def source(feed):
    return f"`{feed.topic}.{'q' if feed.fields[0] == 'q[0]' else feed.fields[0]}`"


@pytest.mark.parametrize("channel", sorted({feed.channel for feed in FEEDS}))
def test_ulog_sources_in_order(channel):
    row = next(line for line in page("ulog.md").splitlines() if line.startswith(f"| `{channel}` | "))
    listed = [cell.strip() for cell in row.split("|")[2].split(", ")]
    expected = [source(feed) for feed in FEEDS if feed.channel == channel]
    if channel == "rpm":
        expected.append("`esc_status.esc[k].esc_rpm`")
    assert listed == expected


@pytest.mark.parametrize("channel", ["time", *CHANNELS])
def test_units(channel):
    assert any(line.endswith(f"| {allowed_units(channel)} |") for line in page("csv.md").splitlines())


@pytest.mark.parametrize("name", [reader.NAME for reader in READERS])
def test_every_reader_has_its_page(name):
    pages = [path.read_text(encoding="utf-8") for path in FOLDER.glob("*.md")]
    assert sum(text.startswith((f"# {name}\n", f"# {name} ")) for text in pages) == 1


def test_every_page_is_in_the_table():
    for path in FOLDER.glob("*.md"):
        assert path.name == "README.md" or f"]({path.name})" in page("README.md")
