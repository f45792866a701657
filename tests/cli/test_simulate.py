"""``flightproc simulate``."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from flightproc.cli import main
from flightproc.simulate import FILES

pytestmark = pytest.mark.synthetic


def test_writes_a_sortie_and_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "out"
    assert main(["simulate", str(folder), "--seed", "7", "--gust-level", "0"]) == 0
    assert sorted(path.name for path in folder.iterdir()) == sorted(FILES)
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    assert truth["seed"] == 7 and truth["parameters"]["gust_level"] == 0.0
    shown = capsys.readouterr().out
    assert "17 planned holds" in shown
    assert all(name in shown for name in FILES)


def test_refuses_to_overwrite_without_force(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "unit.ulg").write_bytes(b"mine")
    assert main(["simulate", str(tmp_path)]) == 2
    error = capsys.readouterr().err
    assert "already" in error and "unit.ulg" in error and "--force" in error
    assert (tmp_path / "unit.ulg").read_bytes() == b"mine"
    assert main(["simulate", str(tmp_path), "--force"]) == 0
    assert (tmp_path / "unit.ulg").read_bytes()[:4] == b"ULog"


def test_writes_a_family_in_folders_with_an_index(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "family"
    assert main(["simulate", str(out), "--family", "2", "--seed", "3"]) == 0
    assert sorted(path.name for path in out.iterdir()) == ["family.csv", "sortie-000", "sortie-001"]
    assert all((out / "sortie-001" / name).is_file() for name in FILES)
    with (out / "family.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["folder"] for row in rows] == ["sortie-000", "sortie-001"]
    for row in rows:
        truth = json.loads((out / row["folder"] / "truth.json").read_text(encoding="utf-8"))
        assert row["calibration"] == truth["stated"]["calibration"]
        assert float(row["hung_mass_kg"]) == pytest.approx(truth["parameters"]["hung_mass"], rel=1e-4)
        assert int(row["sortie_seed"]) == truth["seed"]
    shown = capsys.readouterr().out
    assert "1/2 " in shown and "2/2 " in shown and "tilt" in shown
    assert main(["simulate", str(out), "--family", "2", "--seed", "3"]) == 2
    assert "family is there already" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["--gust-level", "-1"], "gust level"),
        (["--gust-level", "-1", "--family", "2"], "gust level"),
        (["--family", "0"], "at least one"),
        (["--seed", "-3"], "seed"),
        (["--seed", "-3", "--family", "2"], "seed"),
    ],
)
def test_bad_values_are_told(
    arguments: list[str], word: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["simulate", str(tmp_path / "out"), *arguments]) == 2
    assert word in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
