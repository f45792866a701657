"""Tables of plain numbers, read without pandas, held against the same tables read with it."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from flightproc.readers import table as module
from flightproc.readers.table import parse_table

pytestmark = pytest.mark.reference

PLAIN = {
    "numbers": "time (s),rpm,egt\n0.0,2000,610.5\n0.1,2010,-3e2\n0.2,2025,.5\n",
    "whole": "n;rpm\n1;2000\n2;2010\n3;2020\n",
    "spaces": "t, rpm\n0.0, 2000\n0.5, 2010\n",
    "long": "t,rpm\n0.0,2000\n0.1,2010,7\n0.2,2020\n",  # the line is left out before
    "tabs": "t\trpm\n0.0\t2000\n0.5\t+2010\n",
}
OTHER = {
    "empty": "t,rpm\n0.0,2000\n0.1,\n0.2,2020\n",
    "text": "t,rpm\n0.0,2000\n0.1,off\n0.2,2020\n",
    "short": "t,rpm\n0.0,2000\n0.1\n0.2,2020\n",
    "comma": "t;rpm\n0,0;2000\n0,1;2010\n",
    "large": "stamp,rpm\n18446744073709551000,2000\n18446744073709551100,2010\n",
    "dates": "t,rpm\n2026-05-01,2000\n2026-05-02,2010\n",
    "minus": "t,rpm\n0.0,2000\n0.1,-\n0.2,1e\n",
}


def read(text: str) -> list[dict[str, object]]:
    columns = parse_table(text.encode(), "a.csv").columns
    return [{item.name: getattr(column, item.name) for item in fields(column)} for column in columns]


@pytest.mark.parametrize("name", [*PLAIN, *OTHER])
def test_same_table_with_and_without_pandas(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    text = (PLAIN | OTHER)[name]
    calls = []
    original = module._read_block
    monkeypatch.setattr(module, "_read_block", lambda *args: calls.append(args) or original(*args))
    without = read(text)
    assert bool(calls) == (name in OTHER)
    monkeypatch.setattr(module, "_SMALL", 0)
    for mine, expected in zip(without, read(text), strict=True):
        for key, value in expected.items():
            if isinstance(value, np.ndarray) and value.dtype == float:
                # pandas may be off by one unit in the last place
                np.testing.assert_allclose(np.asarray(mine[key], dtype=float), value, rtol=3e-16)
            elif isinstance(value, np.ndarray):
                assert list(np.asarray(mine[key])) == list(value)
            else:
                assert mine[key] == value, key
