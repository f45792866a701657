"""Line ends and a byte order mark, as editors and other systems leave them, change nothing in a text log."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from flightproc.readers import Recording, read_log

pytestmark = pytest.mark.synthetic

TEXTS = ("GPX", "CSV", "IGC", "NMEA", "Text DataFlash")
MARK = b"\xef\xbb\xbf"


def plain(data: bytes) -> bytes:
    return data.replace(b"\r\n", b"\n")


CHANGES: dict[str, Callable[[bytes], bytes]] = {
    "unix": plain,
    "windows": lambda data: plain(data).replace(b"\n", b"\r\n"),
    "mark": lambda data: MARK + plain(data),
    "mark and windows": lambda data: MARK + plain(data).replace(b"\n", b"\r\n"),
    "no last line end": lambda data: plain(data).rstrip(b"\n"),
    "empty lines at the end": lambda data: data + b"\r\n\r\n\n",
}


# a text DataFlash line has no checksum: without its end its last number may be cut, and is told so
LEFT_OUT = ("Text DataFlash", "no last line end")
PAIRS = [(name, change) for name in TEXTS for change in CHANGES if (name, change) != LEFT_OUT]


@pytest.mark.parametrize(("name", "change"), PAIRS)
def test_text_log_reads_alike(name: str, change: str, samples: dict[str, bytes], tmp_path: Path) -> None:
    def read(data: bytes) -> Recording:
        path = tmp_path / "flight"
        path.write_bytes(data)
        return read_log(path)

    first, second = read(samples[name]), read(CHANGES[change](samples[name]))
    assert second.format == name
    assert second.damage == first.damage == ()
    assert second.start_utc == first.start_utc
    assert list(second.channels) == list(first.channels)
    for channel, group in first.channels.items():
        for one, other in zip(group, second.channels[channel], strict=True):
            assert one.source == other.source
            np.testing.assert_array_equal(one.time, other.time)
            np.testing.assert_array_equal(one.values, other.values)
