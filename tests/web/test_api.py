"""The JSON endpoints do what their description says, whatever is sent to them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from flightproc.web import Settings
from flightproc.web.security import RateLimit

from .helpers import Page, Running

schemathesis = pytest.importorskip("schemathesis", reason="schemathesis is not installed")

pytestmark = pytest.mark.regression

OPERATIONS = [
    ("GET", "/api/session"),
    ("GET", "/api/sorties"),
    ("POST", "/api/sorties"),
    ("GET", "/api/sorties/{job_id}"),
    ("DELETE", "/api/sorties/{job_id}"),
    ("GET", "/api/sorties/{job_id}/logs"),
    ("GET", "/api/sorties/{job_id}/sheets/{kind}"),
    ("POST", "/api/sorties/{job_id}/analyse"),
    ("POST", "/api/sorties/{job_id}/cancel"),
    ("PUT", "/api/sorties/{job_id}/holds"),
    ("POST", "/api/sorties/{job_id}/save"),
    ("GET", "/api/sorties/{job_id}/results"),
]


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    """Return a client of a server that does not slow it down."""
    folder: Path = tmp_path_factory.mktemp("api")
    running = Running(Settings(folder=folder / "serve", logbook=str(folder / "book")))
    running.app.looks = running.app.changes = RateLimit(1e9, 1e9)
    yield running.page()
    running.stop()


def test_the_description_names_every_operation(page: Page) -> None:
    told = page.client.get("/api/openapi.json").json()
    found = {(method.upper(), path) for path, item in told["paths"].items() for method in item}
    # Further pages may have endpoints of their own; these are the flow's.
    assert found >= set(OPERATIONS)
    assert all(item.get("description") for path in told["paths"].values() for item in path.values())


@pytest.mark.parametrize(("method", "path"), OPERATIONS)
def test_an_operation_keeps_to_its_description(page: Page, method: str, path: str) -> None:
    schema = schemathesis.openapi.from_dict(page.running.app.inner.openapi())
    operation = schema[path][method]
    headers = {"X-CSRF-Token": page.csrf}
    headers["Cookie"] = "; ".join(f"{name}={value}" for name, value in page.client.cookies.items())

    @settings(
        max_examples=12,
        deadline=None,
        derandomize=True,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(st.data())
    def hold(data: st.DataObject) -> None:
        case = data.draw(operation.as_strategy())
        if case.path_parameters and data.draw(st.booleans()):
            made = page.call("POST", "/api/sorties", files=[("files", ("a.csv", b"t,rpm\n0,1\n1,2\n"))])
            case.path_parameters["job_id"] = made.json()["id"]
        case.call_and_validate(base_url=page.running.address, headers=headers)

    hold()


def test_an_address_tells_all_the_methods_it_knows(page: Page) -> None:
    answer = page.call("PATCH", "/api/sorties")
    assert answer.status_code == 405 and answer.headers["allow"] == "GET, POST"
