"""The table of MAVLink messages against the definitions that pymavlink ships."""

from __future__ import annotations

import importlib
from pathlib import Path

import pytest

from flightproc.readers.mavlink_messages import CHECK_SEEDS, LAYOUTS, MESSAGE_NAMES, checksum
from flightproc.readers.tlog_map import FEEDS, INSTANCE_FIELDS, RPM_FIELDS

pytestmark = pytest.mark.reference

PAGE = Path(__file__).resolve().parents[2] / "docs" / "formats" / "tlog.md"
NOT_THERE = {291: "ESC_STATUS"}
"""Messages that this library's definitions no longer have."""


@pytest.fixture(scope="module")
def definitions():
    return importlib.import_module("pymavlink.dialects.v20.ardupilotmega").mavlink_map


def test_layouts(definitions):
    assert {n: LAYOUTS[n].name for n in LAYOUTS if n not in definitions} in ({}, NOT_THERE)
    for number, layout in LAYOUTS.items():
        if number in definitions:
            theirs = definitions[number]
            assert layout.name == theirs.msgname
            assert list(layout.units) == theirs.fieldnames, layout.name
            assert list(layout.row.names) == theirs.ordered_fieldnames, layout.name
            assert layout.row.itemsize == theirs.unpacker.size, layout.name
            assert layout.check_seed == theirs.crc_extra, layout.name
        assert layout.check_seed == CHECK_SEEDS[number], layout.name
        assert layout.name == MESSAGE_NAMES[number]


def test_names_and_seeds(definitions):
    for number, theirs in definitions.items():
        if number in CHECK_SEEDS:
            assert (MESSAGE_NAMES[number], CHECK_SEEDS[number]) == (theirs.msgname, theirs.crc_extra)
    assert len(CHECK_SEEDS.keys() & definitions.keys()) > 250


def test_checksum_against_the_library():
    from pymavlink.generator.mavcrc import x25crc

    for text in (b"", b"\x00", b"123456789", bytes(range(256))):
        assert checksum(text) == x25crc(text).crc


def test_feeds_name_fields_that_exist():
    by_name = {layout.name: layout for layout in LAYOUTS.values()}
    for feed in FEEDS:
        names = [*feed.fields, *filter(None, (feed.beside, feed.gate and feed.gate[0]))]
        assert set(names) <= set(by_name[feed.message].units), feed
    for message, fields in RPM_FIELDS:
        assert {field.split("[")[0] for field in fields} <= set(by_name[message].units)
    for message, field in INSTANCE_FIELDS.items():
        assert field in by_name[message].units


@pytest.mark.parametrize("channel", sorted({feed.channel for feed in FEEDS} | {"rpm"}))
def test_page_lists_the_sources_in_order(channel):
    row = next(line for line in PAGE.read_text().splitlines() if line.startswith(f"| `{channel}` | "))
    listed = [cell.strip() for cell in row.split("|")[2].split(", ")]
    expected = [
        f"`{feed.message}.{'q' if feed.fields[0] == 'q1' else feed.fields[0]}`"
        for feed in FEEDS
        if feed.channel == channel
    ]
    if channel == "rpm":
        expected = [f"`{message}.{name}`" for message, names in RPM_FIELDS for name in names]
    assert listed == expected
