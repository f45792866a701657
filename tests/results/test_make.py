"""Provenance names every file that a result rests on."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from flightproc.results.make import make_provenance
from flightproc.sheets import load_sortie

pytestmark = pytest.mark.regression

SAMPLE = Path(__file__).resolve().parents[2] / "sample_logs" / "school-wing-28"


def test_tables_that_sheets_name_are_inputs_once_each(tmp_path: Path) -> None:
    for path in SAMPLE.iterdir():
        if path.suffix == ".toml":
            (tmp_path / path.name).write_bytes(path.read_bytes())
        else:
            (tmp_path / path.name).symlink_to(path)
    table = b"time [s],left,right\n0,59,59\n1,59,59\n"
    (tmp_path / "scales.csv").write_bytes(table)
    with (tmp_path / "rig.toml").open("a", encoding="utf-8") as rig:
        for rpm in (0, 5000):
            rig.write(f'[[series]]\nfile = "scales.csv"\nrpm = {rpm}\n')
            rig.write('left_column = "left"\nright_column = "right"\n')
    inputs = make_provenance(load_sortie(tmp_path / "sortie.toml"), {}, 8.0).inputs
    assert [item.role for item in inputs] == ["sheet"] * 4 + ["table"]
    assert inputs[-1].name == "scales.csv"
    assert (inputs[-1].sha256, inputs[-1].size) == (hashlib.sha256(table).hexdigest(), len(table))
