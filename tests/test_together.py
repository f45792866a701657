"""Two simulated sorties of one frame, one without ballast legs, from logs to the page; and bad input."""

from __future__ import annotations

import json
import math
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from flightproc.cli import main
from flightproc.compare.sorties_model import Together, gain
from flightproc.errors import FlightprocError, SheetError, SortieError
from flightproc.report.together_page import together_files, together_json
from flightproc.sheets.one_frame import load_one_frame
from flightproc.together import analyse_together

from .sorties_factory import frame_world, truth_of, write_one

pytestmark = pytest.mark.synthetic


@pytest.fixture(scope="module")
def sheets(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Return the sheets of two evenings with one frame, the second without ballast legs."""
    folder = tmp_path_factory.mktemp("campaign")
    world = frame_world(7)
    first = write_one(folder / "first", world, 11, title="evening with ballast")
    second = write_one(
        folder / "second", world, 12, title="evening without", ballast=False, like=folder / "first"
    )
    return first, second


@pytest.fixture(scope="module")
def together(sheets: tuple[Path, Path]) -> Together:
    told: list[tuple[str, float]] = []
    found = analyse_together(sheets, progress=lambda words, share: told.append((words, share)))
    assert told[-1] == ("done", 1.0)
    shares = [share for _, share in told]
    assert shares == sorted(shares)
    assert any("evening without" in words for words, _ in told)
    return found


def test_a_sortie_without_ballast_takes_its_stiffness_from_the_other(
    together: Together, sheets: tuple[Path, Path]
) -> None:
    second = together.sorties[1]
    assert second.results.calibration.ballast_holds == 0
    assert second.method_alone == "prior" and together.method == "ballast"
    assert gain(second.stiffness_alone, second.stiffness) > 5.0
    assert gain(second.ratio_alone, second.ratio) > 4.0
    assert second.results.trace is not None
    assert gain(second.trace_alone, second.results.trace.ratio) > 4.0
    assert any("ballast glides of other sorties" in words for words in second.results.calibration.words)
    truth = truth_of(sheets[1])["planned_holds"][0]["hang_stiffness_N_m_rad"]
    for item in together.sorties:
        assert item.stiffness.value is not None and item.stiffness.std is not None
        assert abs(item.stiffness.value - truth) < 3.0 * item.stiffness.std


def test_moments_of_both_hold_the_truth(together: Together, sheets: tuple[Path, Path]) -> None:
    for sheet, results in zip(sheets, together.results, strict=True):
        planned = [hold for hold in truth_of(sheet)["planned_holds"] if hold["kind"] == "power"]
        held = 0
        for hold in results.holds:
            match = [p for p in planned if p["start_s"] < (hold.start + hold.end) / 2 < p["end_s"]]
            if not match or hold.roll_moment.value is None:
                continue
            held += 1
            gap = hold.roll_moment.value - match[0]["roll_moment_N_m"]
            assert abs(gap) < 3.0 * (hold.roll_moment.std or 0.0)
        assert held == 4


def test_intervals_are_narrower_than_alone_and_no_narrower_than_what_is_shared(together: Together) -> None:
    assert together.overall is not None and together.whole is not None
    for pooled in (*together.settings, together.overall, together.whole):
        ratio = pooled.ratio
        assert ratio.std is not None and ratio.value is not None
        for part in pooled.parts:
            assert part.ratio.std is not None and ratio.std < 1.02 * part.ratio.std
        assert ratio.std > pooled.shared
        assert sum(share**2 for share in ratio.budget.values()) == pytest.approx(ratio.std**2, rel=1e-6)
        # mass and arm of the ballast, stated to 1.9 %, are the same in both and stay
        assert pooled.shared > 0.018 * ratio.value
        assert sum(part.weight for part in pooled.parts) == pytest.approx(1.0)
    for item in together.sorties:
        assert gain(item.ratio_alone, item.ratio) > 0.95
        assert item.results.trace is not None
        assert gain(item.trace_alone, item.results.trace.ratio) > 0.95
    assert [round(item.rpm or 0.0, -2) for item in together.settings] == [6000.0, 7600.0]


def test_one_glider_is_one_glider(together: Together) -> None:
    (glider,) = together.gliders
    assert glider.sorties == (0, 1) and glider.measured
    assert glider.turn_coefficient.value is not None
    assert gain(glider.alone[1], glider.turn_coefficient) > 1.2


def test_the_sorties_agree_and_the_words_say_so(together: Together) -> None:
    assert together.agreement and all("agree within" in words for words in together.agreement)
    text = " ".join(together.answer)
    assert "Over 2 sorties" in text and "evening without" in text and "shared by all sorties" in text
    assert together.cautions


def test_page_and_json_hold_what_was_found(together: Together) -> None:
    files = together_files(together)
    assert list(files)[-1] == "together.html"
    page = files["together.html"].decode()
    for words in ("evening with ballast", "evening without", "Calibration, alone and with all"):
        assert words in page
    assert page.count("<svg") == 2 and "<script" not in page
    document = json.loads(files["together.json"])
    assert document["schema"] == "flightproc-together/1"
    assert document == json.loads(together_json(together))
    each = [json.loads(files[f"sortie-{number}/results.json"]) for number in (1, 2)]
    assert [item["schema"] for item in each] == ["flightproc-results/1"] * 2
    joint = document["sorties"][1]["hang_stiffness_N_m_rad"]
    assert each[1]["calibration"]["hang_stiffness_N_m_rad"] == joint


def test_every_field_of_the_json_is_described(together: Together) -> None:
    page = (Path(__file__).parents[1] / "docs" / "together.md").read_text(encoding="utf-8")

    def keys(value: object) -> set[str]:
        if isinstance(value, dict):
            if "low95" in value:
                return set()
            return set(value) | {key for item in value.values() for key in keys(item)}
        if isinstance(value, list):
            return {key for item in value for key in keys(item)}
        return set()

    missing = {key for key in keys(together.to_json()) if f"`{key}`" not in page}
    assert not missing


def test_without_a_rig_there_is_a_calibration_and_no_ratio(sheets: tuple[Path, Path], tmp_path: Path) -> None:
    from flightproc.analysis import prepare_sortie, read_recordings
    from flightproc.together import combine_prepared

    loaded, _ = load_one_frame(sheets)
    prepared = [prepare_sortie(item, read_recordings(item)) for item in loaded]
    found = combine_prepared([replace(item, rig=None) for item in prepared])
    assert found.settings == () and found.overall is None and found.whole is None
    assert "No torque ratio" in found.answer[0]
    assert math.isfinite(gain(found.sorties[1].stiffness_alone, found.sorties[1].stiffness))
    assert b"takes a rig sheet" in together_files(found)["together.html"]


def copied(sheet: Path, folder: Path) -> Path:
    shutil.copytree(sheet.parent, folder)
    return folder / sheet.name


def test_another_frame_is_refused_with_every_difference(sheets: tuple[Path, Path], tmp_path: Path) -> None:
    other = copied(sheets[1], tmp_path / "other")
    aircraft = other.parent / "aircraft.toml"
    text = aircraft.read_text(encoding="utf-8")
    name = next(line for line in text.splitlines() if line.startswith("name"))
    span = next(line for line in text.splitlines() if line.startswith("diameter_m"))
    aircraft.write_text(text.replace(name, 'name = "frame 9"').replace(span, "diameter_m = 1.32"))
    rig = other.parent / "rig.toml"
    lines = rig.read_text(encoding="utf-8").splitlines()
    place = next(i for i, line in enumerate(lines) if line.startswith("temperature_C"))
    lines[place] = "temperature_C = 3.0"
    rig.write_text("\n".join(lines) + "\n", encoding="utf-8")
    with pytest.raises(SheetError) as caught:
        analyse_together([sheets[0], other])
    text = str(caught.value)
    assert "frame 9" in text and "[propeller] diameter_m = 1.32" in text and "one rig curve" in text
    assert len(caught.value.faults) == 3


def test_masses_and_sensor_may_differ(sheets: tuple[Path, Path], tmp_path: Path) -> None:
    other = copied(sheets[1], tmp_path / "heavier")
    aircraft = other.parent / "aircraft.toml"
    lines = aircraft.read_text(encoding="utf-8").splitlines()
    changed = [
        "hung_mass_kg = 104.0"
        if line.startswith("hung_mass_kg")
        else "all_up_mass_kg = 110.5"
        if line.startswith("all_up_mass_kg")
        else line
        for line in lines
    ]
    assert changed != lines
    aircraft.write_text("\n".join(changed) + "\n", encoding="utf-8")
    loaded, words = load_one_frame([sheets[0], other])
    assert [item.aircraft.hung_mass_kg for item in loaded] == [100.0, 104.0]
    assert words == ()


def test_a_sortie_without_rig_sheet_takes_that_of_the_other(
    sheets: tuple[Path, Path], tmp_path: Path
) -> None:
    other = copied(sheets[1], tmp_path / "no-rig")
    text = other.read_text(encoding="utf-8")
    other.write_text(text.replace('rig = "rig.toml"\n', ""), encoding="utf-8")
    loaded, words = load_one_frame([sheets[0], other])
    assert loaded[1].rig == loaded[0].rig and loaded[1].rig is not None
    assert len(words) == 1 and "names no rig sheet" in words[0]


def test_faults_of_all_sheets_are_told_together(sheets: tuple[Path, Path], tmp_path: Path) -> None:
    first, second = copied(sheets[0], tmp_path / "a"), copied(sheets[1], tmp_path / "b")
    for place, wrong in ((first, "flat_area_m2 = -3.0"), (second, "flat_area_m2 = 900.0")):
        glider = place.parent / "glider.toml"
        lines = glider.read_text(encoding="utf-8").splitlines()
        lines = [wrong if line.startswith("flat_area_m2") else line for line in lines]
        glider.write_text("\n".join(lines) + "\n", encoding="utf-8")
    with pytest.raises(SheetError) as caught:
        load_one_frame([first, second, tmp_path / "nowhere.toml", first])
    text = str(caught.value)
    for words in ("-3.0", "900.0", "nowhere.toml", "given twice"):
        assert words in text


def test_one_log_does_not_count_twice(sheets: tuple[Path, Path], tmp_path: Path) -> None:
    again = copied(sheets[0], tmp_path / "again")
    with pytest.raises(SheetError, match="a log of its own"):
        analyse_together([sheets[0], again])


def test_logs_that_cannot_be_read_name_their_sortie(sheets: tuple[Path, Path], tmp_path: Path) -> None:
    broken = copied(sheets[1], tmp_path / "broken")
    (broken.parent / "unit.ulg").write_bytes(b"nothing that is a log")
    with pytest.raises(SortieError, match="broken"):
        analyse_together([sheets[0], broken])


def test_the_command_writes_all_of_it(
    sheets: tuple[Path, Path],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    together: Together,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("flightproc.together.analyse_together", lambda paths, progress: together)
    folder = tmp_path / "out"
    assert main(["together", *map(str, sheets), "--output", str(folder)]) == 0
    printed = capsys.readouterr().out
    assert "2 sorties together" in printed and "K with all" in printed and "caution" in printed
    names = {str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file()}
    assert {"together.html", "together.json", "sortie-1/results.json", "sortie-2/results.json"} <= names
    assert {"figures/ratio.svg", "figures/ratio.png", "figures/calibration.svg"} <= names
    assert main(["together", *map(str, sheets), "-o", str(folder), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["aircraft"] == together.aircraft
    assert main(["together", *map(str, sheets), "-o", str(folder), "--quiet"]) == 0
    assert capsys.readouterr().out == ""


def test_the_command_refuses_what_it_cannot_use(
    sheets: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = ["-o", str(tmp_path / "out")]
    assert main(["together", str(sheets[0]), *out]) == 2
    assert "at least two sorties" in capsys.readouterr().err
    assert main(["together", str(sheets[0]), str(tmp_path / "nothing.toml"), *out]) == 2
    assert "nothing.toml" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
    assert main(["together", "--help"]) == 0
    assert "Example:" in capsys.readouterr().out
    with pytest.raises(FlightprocError):
        load_one_frame([])
