"""How long the look at a photo takes where the processor is slowed down, as on a phone.

    python tests/benchmarks/slowlook.py [--rate 6]

Browsers slow a page's own thread down on request, not a worker's: the worker's scripts run
in a page here, on every good sample in turn at full speed and slowed. The seconds are those
of the browser's own processor time, which the slowing spends too, so that a busy machine
does not change them; decoding the photo is in them.
"""

from __future__ import annotations

import argparse
import shutil
import sys
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from statistics import median
from threading import Thread
from typing import Any

from playwright.sync_api import CDPSession, sync_playwright

ROOT = Path(__file__).resolve().parents[2]
STATIC = ROOT / "cardreader" / "web" / "static"
SAMPLES = ROOT / "sample_images" / "good"
SCRIPTS = ("card.js", "markers.js", "pictures.js", "look.js")
LOOK = """async (url) => {
  const blob = await (await fetch(url)).blob();
  const began = performance.now();
  const seen = await look({ blob });
  return { reason: seen.reason, ms: performance.now() - began };
}"""


class _Files(SimpleHTTPRequestHandler):
    """The samples, and an empty page."""

    def do_GET(self) -> None:
        if self.path != "/":
            super().do_GET()
            return
        self.send_response(200)
        self.send_header("Content-Type", "text/html")
        self.end_headers()
        self.wfile.write(b"<!doctype html><title>photos</title>")

    def log_message(self, *_args: Any) -> None:
        pass


def spent(system: CDPSession) -> float:
    """Seconds of processor time of all pages so far."""
    found = system.send("SystemInfo.getProcessInfo")["processInfo"]
    return sum(one["cpuTime"] for one in found if one["type"] == "renderer")


def main() -> None:
    """Look at every good sample, and print medians."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rate", type=int, default=6, help="how many times slower (default 6)")
    rate = parser.parse_args().rate
    server = ThreadingHTTPServer(("127.0.0.1", 0), partial(_Files, directory=SAMPLES))
    Thread(target=server.serve_forever, daemon=True).start()
    with sync_playwright() as running:
        browser = running.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        system = browser.new_browser_cdp_session()
        page = browser.new_page()
        page.goto(f"http://127.0.0.1:{server.server_address[1]}/")
        page.add_script_tag(content="window.importScripts = () => {};")
        for script in SCRIPTS:
            page.add_script_tag(path=STATIC / script)
        slowing = page.context.new_cdp_session(page)
        cpu: dict[int, list[float]] = {1: [], rate: []}
        clock: dict[int, list[float]] = {1: [], rate: []}
        photos = sorted(path.name for path in SAMPLES.glob("*.jpg"))
        page.evaluate(LOOK, photos[0])  # scripts are compiled
        for photo in photos:
            for slower in cpu:
                slowing.send("Emulation.setCPUThrottlingRate", {"rate": slower})
                before = spent(system)
                seen = page.evaluate(LOOK, photo)
                cpu[slower].append(spent(system) - before)
                clock[slower].append(seen["ms"] / 1000)
                if seen["reason"]:
                    sys.exit(f"{photo} is flagged: {seen['reason']}")
        browser.close()
    server.shutdown()
    print(f"{len(photos)} photos | processor s, median | largest | clock s, median")
    for slower in cpu:
        worst = max(cpu[slower])
        print(
            f"{slower} x slower | {median(cpu[slower]):.2f} | {worst:.2f} "
            f"| {median(clock[slower]):.2f}"
        )


if __name__ == "__main__":
    main()
