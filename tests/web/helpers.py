"""Clients and servers for the tests of the page."""

from __future__ import annotations

import re
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import uvicorn

from flightproc.web import Settings, create_app
from flightproc.web.desk import Desk
from flightproc.web.patience import Patient

SAMPLE = Path(__file__).resolve().parents[2] / "sample_logs" / "school-wing-28"
LOGS = ("unit.ulg", "gps.gpx", "engine.csv")
SHEETS = ("sortie.toml", "aircraft.toml", "glider.toml", "rig.toml")


def files(*names: str) -> list[tuple[str, tuple[str, bytes]]]:
    """Return files of the sample sortie as an upload takes them."""
    return [("files", (name, (SAMPLE / name).read_bytes())) for name in names]


@dataclass
class Page:
    """A client with its session's form token."""

    client: httpx.Client
    running: Any = None

    @property
    def csrf(self) -> str:
        return str(self.client.get("/api/session").json()["csrf"])

    def post(self, address: str, data: dict[str, str] | None = None, **more: Any) -> Any:
        return self.client.post(address, data={"csrf": self.csrf, **(data or {})}, **more)

    def call(self, method: str, address: str, **more: Any) -> Any:
        headers = {"X-CSRF-Token": self.csrf, **more.pop("headers", {})}
        return self.client.request(method, address, headers=headers, **more)

    def upload(self, *names: str, address: str = "/api/sorties") -> Any:
        return self.call("POST", address, files=files(*names))

    def state(self, job: str) -> dict[str, Any]:
        answer = self.client.get(f"/api/sorties/{job}")
        assert answer.status_code == 200, answer.text
        return dict(answer.json())

    def wait(
        self, job: str, until: Callable[[dict[str, Any]], bool] | None = None, seconds: float = 150
    ) -> Any:
        done = until or (lambda state: not state["busy"])
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            state = self.state(job)
            if done(state):
                return state
            time.sleep(0.05)
        raise AssertionError(f"still {state['state']}: {state['progress']}")


class Running:
    """The application, served by a thread of this process."""

    def __init__(self, settings: Settings) -> None:
        self.app = create_app(settings)
        listening = socket.socket()
        listening.bind(("127.0.0.1", 0))
        self.port = int(listening.getsockname()[1])
        config = uvicorn.Config(
            self.app,
            http=Patient,
            ws="none",
            log_level="error",
            access_log=False,
            lifespan="on",
            timeout_graceful_shutdown=2,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._server.run, kwargs={"sockets": [listening]}, daemon=True)
        self._thread.start()
        while not self._server.started:
            time.sleep(0.01)
            assert self._thread.is_alive()
        self.address = f"http://localhost:{self.port}"
        self._clients: list[httpx.Client] = []
        self.desk: Desk = self.app.inner.state.desk  # type: ignore[attr-defined]

    def page(self) -> Page:
        """Return a client with a session of its own."""
        self._clients.append(httpx.Client(base_url=self.address, timeout=60))
        return Page(self._clients[-1], self)

    def stop(self) -> None:
        """Stop, as at the end of a server."""
        for client in self._clients:
            client.close()
        self._server.should_exit = True
        self._thread.join(timeout=30)
        assert not self._thread.is_alive()


@dataclass
class Server:
    """A server in a process of its own."""

    process: subprocess.Popen[str]
    address: str
    said: str
    clients: list[httpx.Client] = field(default_factory=list)

    @property
    def token(self) -> str:
        found = re.search(r"told only here and now: (\S+)", self.said)
        return found[1] if found else ""

    def page(self) -> Page:
        self.clients.append(httpx.Client(base_url=self.address, timeout=60))
        return Page(self.clients[-1])

    def stop(self) -> None:
        for client in self.clients:
            client.close()
        self.process.terminate()
        self.process.communicate(timeout=20)


def free_port() -> int:
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        return int(listening.getsockname()[1])


def start_server(folder: Path, *arguments: str, host: str = "127.0.0.1") -> Server:
    port = free_port()
    command = [sys.executable, "-m", "flightproc", "serve", "--host", host, "--port", str(port)]
    command += ["--folder", str(folder / "serve"), "--logbook", str(folder / "book"), *arguments]
    with (folder / "server.log").open("a") as log:
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=log, text=True)
    assert process.stdout is not None
    said = process.stdout.readline()
    if "--token" in arguments or host != "127.0.0.1":
        said += process.stdout.readline()
    address = f"http://127.0.0.1:{port}"
    end = time.monotonic() + 60
    while time.monotonic() < end:
        try:
            httpx.get(f"{address}/static/mark.svg", timeout=5)
            return Server(process, address, said)
        except httpx.TransportError:
            assert process.poll() is None, (folder / "server.log").read_text()
            time.sleep(0.1)
    raise AssertionError("the server did not come up")
