"""The bundled sortie with something missing or damaged: what can be given is given, the rest is told."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from flightproc.analysis import analyse
from flightproc.cli import main
from flightproc.errors import EstimateError, SheetError
from flightproc.holds.model import HoldKind

pytestmark = pytest.mark.synthetic

SAMPLE = Path(__file__).parent.parent / "sample_logs" / "school-wing-28"
TRUTH = json.loads((SAMPLE / "truth.json").read_text())

Edit = Callable[[str], str]


@pytest.fixture
def variant(tmp_path: Path) -> Callable[[Edit], Path]:
    """Return a function that copies the sample with an edited sortie sheet."""

    def make(edit: Edit) -> Path:
        folder = tmp_path / "a sortie, kopiert für Ä"
        shutil.copytree(SAMPLE, folder)
        sheet = folder / "sortie.toml"
        sheet.write_text(edit(sheet.read_text()), encoding="utf-8")
        return sheet

    return make


def without_log(name: str) -> Edit:
    def edit(text: str) -> str:
        parts = re.split(r"(?m)^(?=\[\[logs\]\]|\[air\])", text)
        return "".join(p for p in parts if not (p.startswith("[[logs]]") and f'name = "{name}"' in p))

    return edit


def test_without_a_rig_the_moment_still_comes(variant: Callable[[Edit], Path]) -> None:
    results = analyse(variant(lambda text: text.replace('rig = "rig.toml"\n', "")))
    assert results.rig is None
    assert len(results.comparison) == 4
    for row in results.comparison:
        assert row.roll_moment.known
        assert not row.torque_ratio.known and row.torque_ratio.reason
    assert any("rig" in words for words in results.limits)


def test_without_satellites_hang_roll_still_tells(variant: Callable[[Edit], Path]) -> None:
    results = analyse(variant(without_log("gps")))
    assert results.wind.method == "none"
    assert any("airspeed" in words for words in results.warnings)
    inside = 0
    for plan in (p for p in TRUTH["planned_holds"] if p["kind"] == "power"):
        hold = max(results.holds, key=lambda h: min(h.end, plan["end_s"]) - max(h.start, plan["start_s"]))
        low, high = hold.roll_moment.low95, hold.roll_moment.high95
        assert low is not None and high is not None
        inside += low <= plan["roll_moment_N_m"] <= high
    assert inside >= 7  # of 8


def test_without_ballast_the_interval_is_wide_and_says_why(variant: Callable[[Edit], Path]) -> None:
    def edit(text: str) -> str:
        # the legs were flown but are not told, so they are struck
        legs = [(p["start_s"] - 15.0, p["end_s"]) for p in TRUTH["planned_holds"] if p["kind"] == "ballast"]
        text = re.sub(r"(?ms)^\[\[ballast\]\].*?(?=^\[|\Z)", "", text)
        return text + "".join(
            f'\n[[holds]]\naction = "strike"\nstart_s = {a}\nend_s = {b}\nreason = "ballast"\n'
            for a, b in legs
        )

    results = analyse(variant(edit))
    assert results.calibration.method == "prior"
    assert not any(h.kind is HoldKind.BALLAST for h in results.holds)
    assert any("No ballast glide" in words for words in results.limits)
    moment = results.comparison[-1].roll_moment
    assert moment.value is not None and moment.std is not None
    assert 0.15 < moment.std / moment.value < 0.4
    assert moment.low95 is not None and moment.high95 is not None
    truth = [p["roll_moment_N_m"] for p in TRUTH["planned_holds"] if p["rpm"] > 7500]
    assert moment.low95 < min(truth) and max(truth) < moment.high95


def test_ballast_told_in_utc_counts_all_the_same(variant: Callable[[Edit], Path]) -> None:
    begin = datetime.fromisoformat(TRUTH["gps_start_utc"]).astimezone(UTC) - timedelta(
        seconds=TRUTH["clock_offsets_s"]["gps"]
    )

    def edit(text: str) -> str:
        def utc(match: re.Match[str]) -> str:
            stamp = begin + timedelta(seconds=float(match[2]))
            return f"{match[1]}_utc = {stamp.isoformat(timespec='milliseconds').replace('+00:00', 'Z')}"

        head, *legs = re.split(r"(?m)^(?=\[\[)", text)
        return head + "".join(
            re.sub(r"(start|end)_s = ([\d.]+)", utc, leg) if leg.startswith("[[ballast]]") else leg
            for leg in legs
        )

    results = analyse(variant(edit))
    assert results.calibration.ballast_holds == 4


def test_a_log_cut_in_the_middle_gives_what_is_left(
    variant: Callable[[Edit], Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = variant(lambda text: text)
    log = sheet.parent / "unit.ulg"
    log.write_bytes(log.read_bytes()[: log.stat().st_size // 2])
    assert main(["report", str(sheet), "-o", str(tmp_path / "out"), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert 5 < len(document["holds"]) < 12
    page = (tmp_path / "out" / "report.html").read_text()
    assert "the file ends within a message" in page


def test_without_engine_speed_there_is_one_clear_error(variant: Callable[[Edit], Path]) -> None:
    with pytest.raises(EstimateError, match=r"without rpm.*engine log"):
        analyse(variant(without_log("engine")))


def test_faults_of_all_sheets_come_together_and_nothing_is_written(
    variant: Callable[[Edit], Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = variant(lambda text: text.replace("mass_kg = 5.0", "mass_kg = -5.0", 1))
    aircraft = sheet.parent / "aircraft.toml"
    aircraft.write_text(aircraft.read_text().replace('rotation = "left"', 'rotation = "clockwise"'))
    with pytest.raises(SheetError) as caught:
        analyse(sheet)
    assert {fault.field for fault in caught.value.faults} == {"mass_kg", "rotation"}
    assert main(["report", str(sheet), "-o", str(tmp_path / "out")]) == 2
    said = capsys.readouterr()
    assert "2 faults" in said.err and "Traceback" not in said.err
    assert not (tmp_path / "out").exists()
