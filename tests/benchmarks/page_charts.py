"""How smooth the time histories are: frame times while 200,000 samples a channel are pulled along and zoomed.

    python tests/benchmarks/page_charts.py [--samples 200000] [--channels 5]

Prints the time of a window on the server, its size, the time until the chart stands, and the frame times of
dragging and of zooming, in Chromium without a screen. Needs the extra ``test``.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import shutil
import socket
import statistics
import tempfile
import threading
import time
from itertools import pairwise
from pathlib import Path

import numpy as np
import uvicorn
from playwright.sync_api import Page, sync_playwright

from flightproc.web import Settings, create_app
from flightproc.web.charts import PANELS, Histories, history_window, write_histories

WATCH = """() => {
  window.__frames = []; let last = performance.now();
  const step = now => {
    window.__frames.push(now - last); last = now; window.__watch = requestAnimationFrame(step);
  };
  window.__watch = requestAnimationFrame(step);
}"""
TAKE = "() => { cancelAnimationFrame(window.__watch); return window.__frames.slice(1); }"


def made_up(samples: int, channels: int) -> Histories:
    """Return wandering channels at 10 Hz with holds on them."""
    rng = np.random.default_rng(7)
    t = np.arange(samples) * 0.1
    values = rng.standard_normal((channels, samples))
    values += np.cumsum(rng.standard_normal((channels, samples)), axis=1) * 0.02
    panels = [{"key": key, "name": name, "unit": unit} for key, name, unit, _ in PANELS[:channels]]
    count = 24
    edges = np.linspace(0.0, t[-1], count + 1)
    holds = [
        {"number": k + 1, "label": f"P{k + 1}", "kind": ("power", "glide", "ballast")[k % 3],
         "origin": "found", "start": a + 0.1 * (b - a), "end": a + 0.7 * (b - a), "words": "hold"}
        for k, (a, b) in enumerate(pairwise(edges))
    ]  # fmt: skip
    about = {
        "title": "made up",
        "panels": panels,
        "holds": holds,
        "turned_down": [],
        "airborne": [[0.0, t[-1]]],
    }
    return Histories(t, values, about)


def told(name: str, frames: list[float]) -> None:
    """Print frame times."""
    frames = sorted(frames)
    late = frames[min(int(0.95 * len(frames)), len(frames) - 1)]
    print(
        f"{name:32s} median {statistics.median(frames):5.1f} ms, 95 % below {late:5.1f} ms, "
        f"longest {frames[-1]:5.1f} ms ({len(frames)} frames)"
    )


def drag(page: Page, steps: int = 90) -> list[float]:
    """Pull the chart along, one move of the mouse a frame."""
    box = page.locator("[data-plot]").bounding_box()
    assert box is not None
    x, y = box["x"] + 0.8 * box["width"], box["y"] + 0.5 * box["height"]
    page.mouse.move(x, y)
    page.mouse.down()
    page.evaluate(WATCH)
    for k in range(steps):
        page.mouse.move(x - 6.0 * k, y)
    frames = page.evaluate(TAKE)
    page.mouse.up()
    return list(frames)


def zoom(page: Page, times: int = 8) -> list[float]:
    """Zoom in by key, and wait for the finer samples each time."""
    page.evaluate("() => { document.querySelector('[data-histories]').flightprocHistory.act('whole'); }")
    time.sleep(1.0)
    page.focus("[data-plot]")
    page.evaluate(WATCH)
    for _ in range(times):
        page.keyboard.press("+")
        time.sleep(0.25)
    return list(page.evaluate(TAKE))


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=int, default=200_000)
    parser.add_argument("--channels", type=int, default=5)
    asked = parser.parse_args()
    histories = made_up(asked.samples, asked.channels)
    best, size = math.inf, 0
    for _ in range(10):
        begin = time.perf_counter()
        size = len(json.dumps(history_window(histories, width=2400)))
        best = min(best, time.perf_counter() - begin)
    print(
        f"{asked.samples} samples, {asked.channels} channels; load of the computer {os.getloadavg()[0]:.1f}"
    )
    print(f"{'a window on the server':32s} {1e3 * best:5.1f} ms, {size / 1e3:.0f} kB")
    with tempfile.TemporaryDirectory() as name:
        settings = Settings(folder=Path(name) / "serve", logbook=str(Path(name) / "book"))
        app = create_app(settings)
        desk = app.inner.state.desk  # type: ignore[attr-defined]
        job = desk.store.create()
        job.title, job.state, job.runs, job.result_run = "made up", "done", 1, 1
        job.run_folder(1).mkdir(parents=True)
        write_histories(job.run_folder(1) / "histories.npz", histories)
        desk.store.save(job)
        listening = socket.socket()
        listening.bind(("127.0.0.1", 0))
        config = uvicorn.Config(app, log_level="error", lifespan="on")
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.05)
        program = os.environ.get("FLIGHTPROC_CHROMIUM") or shutil.which("chromium")
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
            page = browser.new_page(viewport={"width": 1440, "height": 900})
            for attempt in ("first visit", "next visit"):
                begin = time.perf_counter()
                page.goto(f"http://localhost:{listening.getsockname()[1]}/sorties/{job.id}/histories")
                usable = page.evaluate("() => performance.getEntriesByType('navigation')[0].domInteractive")
                page.wait_for_selector("[data-histories][data-drawn=yes]", timeout=60_000)
                print(
                    f"{attempt + ': page usable, chart there':32s} {usable:5.0f} ms, "
                    f"{1e3 * (time.perf_counter() - begin):.0f} ms"
                )
            time.sleep(1.0)
            told("dragging, the whole sortie", drag(page))
            page.evaluate(
                "() => { const h = document.querySelector('[data-histories]').flightprocHistory;"
                " const s = h.data.last - h.data.first; return h.show(0.4 * s, 0.5 * s); }"
            )
            time.sleep(1.5)
            told("dragging, a tenth of it", drag(page))
            told("zooming in, step by step", zoom(page))
            browser.close()
        server.should_exit = True
        thread.join(timeout=20)


if __name__ == "__main__":
    main()
