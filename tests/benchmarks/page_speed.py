"""Print how long the page takes: from the end of upload to the first result, and until it can be used.

::

    python tests/benchmarks/page_speed.py --runs 7

Times are those of a browser (Chromium). Times of the processor of the analysis are printed beside them, for
a machine that has other things to do.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import statistics
import tempfile
import time
from pathlib import Path

from page_hostile import load


def main() -> None:
    """Run, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=7)
    options = parser.parse_args()
    from playwright.sync_api import sync_playwright

    helpers = load("helpers")
    program = os.environ.get("FLIGHTPROC_CHROMIUM") or shutil.which("chromium")
    firsts, wholes, interactive = [], [], []
    used = []
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright:
        server = helpers.start_server(Path(name))
        browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        page = browser.new_page(base_url=server.address)
        time.sleep(8.0)  # the first worker is warm by then
        for _ in range(options.runs):
            page.goto("/")
            interactive.append(page.evaluate("performance.getEntriesByType('navigation')[0].domInteractive"))
            page.set_input_files(
                "#files", [str(helpers.SAMPLE / n) for n in (*helpers.LOGS, *helpers.SHEETS)]
            )
            with page.expect_response(lambda answer: answer.request.method == "POST") as sent:
                page.click("#drop button[type=submit]")
            at = time.monotonic()
            assert sent.value.status == 201
            page.wait_for_selector("#first table, #answer table", timeout=300_000)
            firsts.append(time.monotonic() - at)
            page.wait_for_selector("#change-holds", timeout=300_000)
            wholes.append(time.monotonic() - at)
            interactive.append(page.evaluate("performance.getEntriesByType('navigation')[0].domInteractive"))
            print(f"first result {firsts[-1]:.2f} s, whole result {wholes[-1]:.2f} s", flush=True)
        for path in sorted(Path(name).glob("serve/jobs/*/runs/*/outcome.json")):
            used.append(json.loads(path.read_text())["first_cpu_s"])
        browser.close()
        server.stop()
    print(f"processors {os.cpu_count()}, load {os.getloadavg()[0]:.1f}")
    print(f"first result after the end of upload: median {statistics.median(firsts):.2f} s, of {len(firsts)}")
    print(f"whole result: median {statistics.median(wholes):.2f} s")
    print(f"processor time to the first result: median {statistics.median(used):.2f} s")
    middle = statistics.median(interactive)
    print(f"page interactive: median {middle:.0f} ms, longest {max(interactive):.0f} ms")


if __name__ == "__main__":
    main()
