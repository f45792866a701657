"""The pages beside the main flow: what they answer to good, odd and hostile questions."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from flightproc.errors import Fault, FlightprocError, SheetError
from flightproc.web import Settings
from flightproc.web.aside import Aside
from flightproc.web.pages.plan import run_plan
from flightproc.web.pages.rigs import pasted

from .helpers import SAMPLE, Page, Running
from .sample import flown_folder

pytestmark = pytest.mark.synthetic

READINGS = {
    "kind": "two_point",
    "spacing_m": "0.38",
    "gear_ratio": "2.8",
    "diameter_m": "1.28",
    "air.pressure_hPa": "987",
    "air.temperature_C": "16",
    "_rows.readings": "4",
    "readings.0.rpm": "0",
    "readings.0.left_kg": "59",
    "readings.0.right_kg": "59",
    "readings.1.rpm": "5500",
    "readings.1.left_kg": "56.75",
    "readings.1.right_kg": "61.25",
    "readings.2.rpm": "6500",
    "readings.2.left_kg": "55.15",
    "readings.2.right_kg": "62.85",
    "readings.3.rpm": "8450",
    "readings.3.left_kg": "51,8",
    "readings.3.right_kg": "66,2",
}


@pytest.fixture(scope="module")
def flown(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Running, str]]:
    folder, job = flown_folder(tmp_path_factory)
    running = Running(Settings(folder=folder / "serve", logbook=str(folder / "book")))
    yield running, job
    running.stop()


@pytest.fixture
def page(flown: tuple[Running, str]) -> Page:
    return flown[0].page()


# Rig -------------------------------------------------------------------------------------------------------


def test_the_rig_page_gives_the_torque_of_common_practice(site: Page) -> None:
    """4.5, 7.7 and 14.4 kg at 380 mm are 8.38, 14.35 and 26.83 N m."""
    text = site.post("/rigs/answer", READINGS).text
    found = [float(x) for x in re.findall(r'<td class="n">(\d+\.\d+) <span class="ci">', text)]
    for expected in (8.38, 14.35, 26.83):
        assert any(abs(value - expected) < 0.006 for value in found), (expected, found)
    assert "k n²" in text and "used" in text
    assert "data-chart" in text and "<script" not in text


def test_the_whole_rig_page_keeps_what_was_typed_and_shows_faults_at_their_fields(site: Page) -> None:
    answer = site.post("/rigs", {**READINGS, "readings.2.left_kg": "heavy", "spacing_m": "380"})
    assert answer.status_code == 200
    assert 'value="heavy"' in answer.text and 'value="380"' in answer.text
    for anchor in ("f-readings-2-left_kg", "f-spacing_m"):
        assert f'href="#{anchor}"' in answer.text
        assert re.search(rf'id="{anchor}"[^>]*aria-invalid="true"', answer.text), anchor


def test_an_empty_rig_page_says_what_to_do_and_names_no_fault(site: Page) -> None:
    text = site.client.get("/rigs").text
    assert "No curve yet" in text and "aria-invalid" not in text
    assert "data-chart" in site.client.get("/rigs?start=example").text


def test_what_is_pasted_is_taken_over(site: Page) -> None:
    table = "rpm\tright\tleft\n0\t59\t59\n5500\t61.25\t56.75\n6500\t62.85\t55.15"
    text = site.post("/rigs", {"kind": "two_point", "spacing_m": "0.38", "air.density_kg_m3": "1.2",
                               "pasted": table, "do": "paste"}).text  # fmt: skip
    assert "3 readings were taken over" in text
    assert 'name="readings.1.left_kg" id="f-readings-1-left_kg" value="56.75"' in text
    assert ">8.38 <" in text


@pytest.mark.parametrize(
    ("text", "first"),
    [
        ("5500;56,75;61,25", {"rpm": 5500.0, "left_kg": 56.75, "right_kg": 61.25}),
        ("5500, 56.75, 61.25, 320", {"rpm": 5500.0, "left_kg": 56.75, "right_kg": 61.25, "thrust_N": 320.0}),
        ("Speed | left | right min\n5500|56|60", {"rpm": 5500.0, "left_kg": 56.0, "right_low_kg": 60.0}),
        ("nothing here", None),
        ("", None),
        ("5500 <b>x</b> 3", {"rpm": 5500.0, "left_kg": "<b>x</b>", "right_kg": 3.0}),
    ],
)  # fmt: skip
def test_tables_are_read_however_they_are_parted(text: str, first: dict[str, object] | None) -> None:
    found = pasted(text, "two_point")
    assert (found[0] if found else None) == first


def test_the_rig_is_kept_as_sheet_and_figures(site: Page) -> None:
    sheet = site.post("/rigs/rig.toml", READINGS)
    assert "attachment" in sheet.headers["content-disposition"]
    assert "spacing_m = 0.38" in sheet.text and "rpm = 8450" in sheet.text
    figures = site.post("/rigs/rig.json", READINGS).json()
    assert figures["schema"] == "flightproc-rig/1" and len(figures["days"][0]["points"]) == 3
    broken = site.post("/rigs/rig.json", {**READINGS, "spacing_m": "x"})
    assert broken.status_code == 422 and "Traceback" not in broken.text


def test_a_sheet_with_series_does_not_make_the_page_read_files(page: Page) -> None:
    text = page.client.get("/rigs", params={"start": "sheet-" + "0" * 64})
    assert text.status_code == 409 and "not there any more" in text.text
    answer = page.post(
        "/rigs/answer", {**READINGS, "_rows.series": "1", "series.0.file": "/etc/passwd", "series.0.rpm": "1"}
    )
    assert "passwd" not in answer.text and "root:" not in answer.text


# Blade -----------------------------------------------------------------------------------------------------


def test_the_blade_is_worked_out_from_the_logbook(page: Page) -> None:
    text = page.client.get("/blade").text
    aircraft = re.search(r'<option value="([^"]+)"[^>]*>training frame A', text)
    rig = re.search(r'<option value="([^"]+)"[^>]*>two-point rig', text)
    assert aircraft and rig
    asked = {"aircraft": aircraft[1], "rig": rig[1], "airspeed": "8, 10", "rpm": "6000", "density": "1.2"}
    answer = page.post("/blade", asked)
    assert answer.status_code == 200, answer.text
    assert answer.text.count("data-chart") == 3 and "Angle of attack" in answer.text
    found = page.post("/blade/blade.json", asked).json()
    assert found["schema"].startswith("flightproc-blade/")


def test_a_blade_needs_a_sheet_and_sound_numbers(site: Page) -> None:
    empty = site.client.get("/blade").text
    assert "No aircraft sheet yet" in empty
    answer = site.post("/blade", {"airspeed": "fast", "density": "12", "rpm": "1,2,3,4,5,6,7"})
    assert answer.status_code == 422
    for anchor in ("f-aircraft", "f-airspeed", "f-density", "f-rpm"):
        assert f'href="#{anchor}"' in answer.text


def test_a_pasted_aircraft_sheet_is_told_its_faults(site: Page) -> None:
    answer = site.post("/blade", {"pasted": "name = 3\n<script>", "airspeed": "10", "density": "1.2"})
    assert answer.status_code == 422 and "aircraft.toml" in answer.text
    assert "<script>" not in answer.text.replace("<script src", "")
    sheet = (SAMPLE / "aircraft.toml").read_text()
    secret = sheet.replace("[propeller]", '[propeller]\nsection = "/etc/hosts.csv"')
    answer = site.post("/blade", {"pasted": secret, "airspeed": "10", "rpm": "6000", "density": "1.2"})
    assert answer.status_code == 200 and "not at hand here" in answer.text


# Gliders, compensation -------------------------------------------------------------------------------------


def test_gliders_are_compared_by_address(page: Page) -> None:
    assert "Sorties to compare" in page.client.get("/gliders").text
    answer = page.client.get("/gliders", params={"s": ["sortie-1"], "matters": "0.5"})
    assert answer.status_code == 200 and "school wing 28" in answer.text
    assert answer.text.count("data-chart") == 2
    assert page.client.get("/gliders/gliders.csv?s=sortie-1").text.startswith("name,")
    assert page.client.get("/gliders/gliders.json?s=sortie-1").json()["gliders"]
    assert page.client.get("/gliders/gliders.json").status_code == 404
    assert page.client.get("/gliders?s=sortie-1&matters=much").status_code == 422
    assert page.client.get("/gliders?s=../../etc").status_code == 200


def test_without_results_the_pages_say_where_to_begin(site: Page) -> None:
    for address in ("/gliders", "/compensation", "/logbook"):
        answer = site.client.get(address)
        assert answer.status_code == 200 and "Drop the logs of a sortie" in answer.text


def test_a_change_is_answered_with_what_it_leaves(page: Page) -> None:
    shown = page.client.get("/compensation?result=sortie-1&hang=8")
    assert shown.status_code == 200 and 'value="8.0"' in shown.text and "What leaves least" in shown.text
    asked = {"result": "sortie-1", "hang": 20.0}
    found = page.call("POST", "/compensation/answer", json=asked).json()
    now = page.call("POST", "/compensation/answer", json={"result": "sortie-1"}).json()
    moved = found["drawn"]["moment"]["lines"][1]["y"][-1] - now["drawn"]["moment"]["lines"][1]["y"][-1]
    assert moved == pytest.approx(-0.02 * 100.0 * 9.80665, rel=0.05)  # to the right, with 100 kg hung
    assert found["rows"][0]["phase"] and "root mean square" in found["said"]
    assert found["drawn"]["turn"]["y"]["range"] == now["drawn"]["turn"]["y"]["range"]


@pytest.mark.parametrize(
    "asked",
    [
        {"result": "sortie-1", "hang": "NaN"},
        {"result": "sortie-1", "hang": 1e308, "extra": 1},
        {"hang": 1.0},
        {"result": "x" * 300},
    ],
)
def test_an_unfit_question_is_refused_in_words(page: Page, asked: dict[str, object]) -> None:
    answer = page.call("POST", "/compensation/answer", json=asked)
    assert answer.status_code == 422


def test_beyond_the_limit_the_limit_counts_and_what_is_gone_is_told(page: Page) -> None:
    most = page.call("POST", "/compensation/answer", json={"result": "sortie-1", "hang": 1e9}).json()
    limit = page.call("POST", "/compensation/answer", json={"result": "sortie-1", "hang": 30.0}).json()
    assert most == limit
    gone = page.call("POST", "/compensation/answer", json={"result": "sortie-99"})
    assert gone.status_code in (404, 409, 422)
    assert page.client.get("/compensation?result=sortie-99").status_code == 422
    refused = page.client.post("/compensation/answer", json={"result": "sortie-1"})
    assert refused.status_code == 403  # without the session's token


# Plan ------------------------------------------------------------------------------------------------------


def test_a_plan_is_filled_in_from_a_sortie_and_gives_a_card(page: Page) -> None:
    text = page.client.get("/plan?result=sortie-1").text
    boxes = dict(re.findall(r'<input type="text" name="([^"]+)"[^>]* value="([^"]*)"', text))
    assert boxes["holds.cruise_rpm"] == "6000" and float(boxes["ballast.arm_m"]) > 0.0
    chosen = {kind: re.search(rf'id="f-{kind}".*?value="(sheet-\w+)" selected', text, re.DOTALL)
              for kind in ("aircraft", "glider", "rig")}  # fmt: skip
    assert all(chosen.values())
    asked = {**boxes, **{kind: found[1] for kind, found in chosen.items() if found}, "seen": "sortie-1"}
    asked["goal.difference_percent"] = "15"
    answer = page.post("/plan", asked)
    assert answer.status_code == 200, answer.text
    card = re.search(r'src="(/plan/\w+/sortie-card.png)"', answer.text)
    assert card
    assert page.client.get(card[1]).content.startswith(b"\x89PNG")
    assert page.client.get(card[1].replace("png", "pdf")).content.startswith(b"%PDF")
    sheet = page.client.get(card[1].replace("sortie-card.png", "sortie.toml"))
    assert 'aircraft = "aircraft.toml"' in sheet.text
    assert page.client.get(card[1].replace("sortie-card.png", "secret")).status_code == 404


def test_a_plan_says_that_series_of_the_rig_are_left_out() -> None:
    folder = Path(__file__).resolve().parents[2] / "sample_logs" / "school-wing-28"
    aircraft, glider, rig = ((folder / f"{name}.toml").read_bytes() for name in ("aircraft", "glider", "rig"))
    names = "".join(f'{name} = "{name}.toml"\n' for name in ("aircraft", "glider", "rig"))
    sheet = f"{names}[holds]\ncruise_rpm = 6000.0\n[ballast]\nmasses_kg = [5.0]\narm_m = 0.3\n".encode()
    series = b'[[series]]\nfile = "scales.csv"\nrpm = 5000\nleft_column = "left"\nright_column = "right"\n'
    remarks = run_plan(sheet, aircraft, glider, rig + series, None).remarks
    assert remarks[0].startswith("series of the rig day are not at hand here")


def test_a_plan_tells_its_faults_at_their_fields(site: Page) -> None:
    answer = site.post("/plan", {"holds.cruise_rpm": "many", "air.gust_m_s": "9"})
    assert answer.status_code == 422
    for anchor in ("f-holds-cruise_rpm", "f-air-gust_m_s", "f-aircraft", "f-glider"):
        assert f'href="#{anchor}"' in answer.text, anchor
        assert f'id="{anchor}"' in answer.text, anchor


# Logbook ---------------------------------------------------------------------------------------------------


def test_the_logbook_is_searched_and_shown(page: Page) -> None:
    assert "School wing 28" in page.client.get("/logbook").text
    assert "School wing 28" in page.client.get("/logbook?text=calm&since=2026-01-01&glider=wing").text
    assert "Nothing fits" in page.client.get("/logbook", params={"text": "<i>zebra</i>"}).text
    assert page.client.get("/logbook?since=yesterday").status_code == 422
    shown = page.client.get("/logbook/1")
    assert shown.status_code == 200 and "log of the unit" in shown.text and "The answer" in shown.text
    assert page.client.get("/logbook/99").status_code == 404
    assert page.client.get("/logbook/x").status_code == 422
    for number in ("99999999999999999999999", "-1", "9223372036854775808"):
        assert page.client.get(f"/logbook/{number}").status_code in (404, 422), number


def test_what_is_kept_is_given_back_as_it_was(page: Page) -> None:
    listed = page.client.get("/logbook/1").text
    place = re.search(r'href="(/logbook/1/files/\d+)">[^<]+</a></th><td>GPS log', listed)
    assert place
    assert page.client.get(place[1]).content == (SAMPLE / "gps.gpx").read_bytes()
    report = page.client.get("/logbook/1/report.html")
    assert report.status_code == 200 and "sandbox" in report.headers["content-security-policy"]
    assert page.client.get("/logbook/1/results.json").json()["schema"].startswith("flightproc-results/")
    assert page.client.get("/logbook/1/files/99").status_code == 404


def test_a_sortie_is_taken_up_again_and_can_be_deleted(flown: tuple[Running, str], page: Page) -> None:
    running, _ = flown
    opened = page.post("/logbook/1/open")
    assert opened.status_code == 303
    job = running.desk.store.get(opened.headers["location"].rpartition("/")[2])
    assert job is not None and len(job.logs) == 3
    running.desk.delete(job)
    assert page.client.post("/logbook/1/delete").status_code in (403, 415)
    assert page.client.get("/logbook/1").status_code == 200


# Time histories --------------------------------------------------------------------------------------------


def test_time_histories_of_a_sortie(flown: tuple[Running, str], page: Page) -> None:
    address = f"/sorties/{flown[1]}/histories"
    shown = page.client.get(address)
    assert shown.status_code == 200 and "data-histories" in shown.text
    found = page.client.get(f"{address}.json?width=800").json()
    assert found["about"]["panels"][0]["key"] == "rpm"
    assert len(found["about"]["holds"]) >= 10 and "N\u00a0m" in found["about"]["holds"][1]["words"]
    assert len(found["t"]) <= 1602
    near = page.client.get(f"{address}.json?start=300&end=310&width=800").json()
    assert near["t"][0] >= 299.5 and "about" not in near
    assert page.client.get(f"{address}.json?start=nan").status_code == 422
    assert page.client.get("/sorties/" + "0" * 24 + "/histories.json").status_code == 404


def test_the_drawing_library_is_served_from_here(site: Page) -> None:
    found = site.client.get("/charts/plotly.min.js")
    assert found.headers["content-encoding"] == "gzip" and "plotly.js" in found.text[:100]
    again = site.client.get("/charts/plotly.min.js", headers={"If-None-Match": found.headers["etag"]})
    assert again.status_code == 304 and not again.content


NASTY = (
    *("", "%00", "../../../etc/passwd", "sheet-" + "f" * 64, "job-" + "0" * 24, "sortie-999999999", "-1"),
    *("1e999", "nan", "<script>alert(1)</script>", "{{7*7}}", "\u202e\u0000", "x" * 5000, "sortie-1"),
    "9" * 400,
)
QUESTIONS = (
    ("/rigs", "start"),
    ("/blade", "aircraft"),
    ("/blade", "rig"),
    ("/gliders", "s"),
    ("/gliders", "matters"),
    ("/gliders/gliders.json", "matters"),
    ("/compensation", "result"),
    ("/compensation", "hang"),
    ("/plan", "result"),
    ("/logbook", "text"),
    ("/logbook", "since"),
    ("/logbook", "start"),
    ("/sorties/JOB/histories.json", "start"),
    ("/sorties/JOB/histories.json", "width"),
)
NAMES = (
    *("kind", "spacing_m", "pasted", "do", "aircraft", "rig", "seen", "holds.cruise_rpm", "date"),
    *("air.density_kg_m3", "_rows.readings", "readings.0.rpm", "readings.0.left_kg", "ballast.masses_kg"),
)


@pytest.mark.parametrize(("address", "name"), QUESTIONS)
def test_odd_questions_are_answered_in_words(
    flown: tuple[Running, str], page: Page, address: str, name: str
) -> None:
    for value in NASTY:
        answer = page.client.get(address.replace("JOB", flown[1]), params={name: value})
        assert answer.status_code < 500, (address, name, value)
        assert (
            "Traceback" not in answer.text
            and "<script>alert" not in answer.text
            and ">49<" not in answer.text
        )


@pytest.mark.parametrize("address", ["/rigs", "/rigs/answer", "/rigs/rig.toml", "/blade", "/plan"])
def test_odd_forms_are_answered_in_words(site: Page, address: str) -> None:
    for value in NASTY:
        answer = site.post(address, dict.fromkeys(NAMES, value))
        assert answer.status_code < 500, (address, value)
        assert "Traceback" not in answer.text
        assert "<script>alert" not in answer.text or address.endswith(".toml")


# Work aside ------------------------------------------------------------------------------------------------


def test_work_aside_gives_back_values_and_errors() -> None:
    runs = Aside(seconds=20.0)
    assert runs.run(json.dumps, [1, 2]) == "[1, 2]"
    assert runs.run(json.dumps, [1, 2]) == "[1, 2]"  # from memory
    with pytest.raises(SheetError) as told:
        runs.run(fail_with_faults)
    assert told.value.faults[0].field == "c"
    with pytest.raises(FlightprocError, match="too hot"):
        runs.run(fail_in_words)


@pytest.mark.parametrize("name", ["sleep_long", "take_memory", "die"])
def test_work_aside_is_ended(name: str) -> None:
    with pytest.raises(FlightprocError, match=r"longer than|could not be worked out"):
        Aside(seconds=4.0).run(globals()[name])


def fail_with_faults() -> None:
    raise SheetError([Fault("a", "b", "c", "d", "e")])


def fail_in_words() -> None:
    raise FlightprocError("too hot")


def sleep_long() -> None:
    import time

    time.sleep(600.0)


def take_memory() -> int:
    return len(bytearray(20_000_000_000))


def die() -> None:
    import os
    import signal

    os.kill(os.getpid(), signal.SIGKILL)
