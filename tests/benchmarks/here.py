"""A visit to ``cardreader serve --here``: how long its steps take, and what it holds in memory.

    python tests/benchmarks/here.py [--shots FOLDER] [-- COMMAND ...]

Starts the server (COMMAND before its options; this checkout's own without one), begins as a
worker on her own phone does, sends a synthetic photo three times, and reads times and memory
off the process. COMMAND may start it elsewhere, as tests/arm64.sh does in another machine's
Debian: it is reached by its address alone. With ``--shots`` a browser of this machine takes
pictures of its pages. Seconds are of the clock and of the server's own processor time: on a
busy machine only the latter says something.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.parse
import urllib.request
import uuid
from collections.abc import Callable
from http.cookiejar import CookieJar
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
PHOTO = ROOT / "sample_images" / "good" / "moderate-8.3-tube.jpg"
PIN = "273914"
PIECE = 500_000
"""Bytes sent at once; the server takes a million."""
TICKS = os.sysconf("SC_CLK_TCK")


class Here:
    """A server and the one who works with it."""

    def __init__(self, command: list[str], data: str) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        options = ["serve", "--here", "--no-open", "--port", str(self.port), "--data", data]
        self.began = time.monotonic()
        self.process = subprocess.Popen([*command, *options], stdout=subprocess.PIPE, text=True)
        assert self.process.stdout is not None
        self.shown = re.search(r"http://\S+", self.process.stdout.readline())[0]
        self.url = f"http://127.0.0.1:{self.port}"
        self.csrf = ""
        jar = urllib.request.HTTPCookieProcessor(CookieJar())
        self.opener = urllib.request.build_opener(jar)

    def call(self, path: str, data: bytes | None = None, kind: str = "", method: str = "") -> bytes:
        headers = {"X-CSRF-Token": self.csrf, **({"Content-Type": kind} if kind else {})}
        request = urllib.request.Request(
            self.url + path, data, headers, method=method or ("POST" if data else "GET")
        )
        with self.opener.open(request, timeout=600) as answer:
            return answer.read()

    def form(self, path: str, **fields: str) -> bytes:
        body = urllib.parse.urlencode(fields).encode()
        return self.call(path, body, "application/x-www-form-urlencoded")

    def wait(self) -> None:
        """Until the first page comes."""
        while True:
            try:
                self.call(self.shown.removeprefix(self.url))
                return
            except (ConnectionError, urllib.error.URLError):
                if self.process.poll() is not None:
                    raise
                time.sleep(0.05)

    def begin(self) -> None:
        token = urllib.parse.parse_qs(urllib.parse.urlsplit(self.shown).query)["token"][0]
        self.form("/first", token=token, name="Amina", pin=PIN, again=PIN)
        self.csrf = json.loads(self.call("/api/session"))["csrf"]

    def read(self) -> dict[str, Any]:
        """Send the photo as another file, as a second photo of the blot would be."""
        key = uuid.uuid4().hex
        data = PHOTO.read_bytes()
        note = b"\xff\xfe" + (len(key) + 2).to_bytes(2, "big") + key.encode()
        data = data[:2] + note + data[2:]
        for at in range(0, len(data), PIECE):
            path = f"/api/uploads/{key}?size={len(data)}&offset={at}"
            self.call(path, data[at : at + PIECE], "application/octet-stream", "PUT")
        sent = self.form("/api/photos", submission_key=key, uploaded="true", code="HERE-1")
        return json.loads(sent)

    @property
    def cpu(self) -> float:
        """Seconds of processor time so far."""
        fields = Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / TICKS

    def memory(self, key: str) -> float:
        """MB that the process holds (VmRSS), or held at most (VmHWM)."""
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        return int(re.search(rf"{key}:\s+(\d+)", status)[1]) * 1024 / 1e6


def timed(here: Here, what: str, work: Callable[[], object]) -> None:
    """Do it, and print how long it took."""
    clock, cpu = time.monotonic(), here.cpu
    work()
    print(f"| {what} | {time.monotonic() - clock:.1f} | {here.cpu - cpu:.1f} |", flush=True)


def shots(here: Here, folder: Path) -> None:
    """Pictures of the pages, taken by this machine's browser."""
    from playwright.sync_api import sync_playwright

    sys.path[:0] = [str(ROOT / "tests" / "web"), str(ROOT / "tests")]
    from phone import phone_of_its_own

    folder.mkdir(parents=True, exist_ok=True)
    with (
        sync_playwright() as playwright,
        tempfile.TemporaryDirectory() as profile,
        phone_of_its_own(playwright, here.url, Path(profile)) as context,
    ):
        context.set_default_timeout(120_000)
        page = context.pages[0]

        def keep(name: str) -> None:
            page.screenshot(path=folder / f"{name}.png")

        page.goto(here.shown)
        page.get_by_label("Name").fill("Amina")
        for field in page.locator("input[type=password]").all():
            field.fill(PIN)
        keep("first")
        page.get_by_role("button", name="Begin").click()
        page.locator(".password").wait_for()
        here_cookie = {cookie["name"]: cookie["value"] for cookie in context.cookies()}
        here.opener.addheaders = [
            ("Cookie", "; ".join(f"{name}={value}" for name, value in here_cookie.items()))
        ]
        here.csrf = json.loads(here.call("/api/session"))["csrf"]
        page.goto("/unsent")
        page.get_by_label("Take the photo").set_input_files(PHOTO)
        page.get_by_label("Her code in your register").fill("HERE-0")
        page.locator(".looked").wait_for(state="attached")
        page.wait_for_timeout(3_000)
        keep("photo")
        page.get_by_role("button", name="Keep and send").click()
        page.wait_for_url("**/readings/*")
        keep("reading")


def main() -> None:
    """Visit, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--shots", type=Path, help="folder for pictures of the pages")
    parser.add_argument("--data", help="folder of the register, as the server sees it")
    parser.add_argument("command", nargs="*", help="what starts cardreader")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        command = options.command or [sys.executable, "-m", "cardreader"]
        here = Here(command, options.data or f"{folder}/register")
        try:
            here.wait()
            print("| step | seconds | of the server's processor |\n|---|---:|---:|")
            start = time.monotonic() - here.began
            print(f"| start to first page | {start:.1f} | {here.cpu:.1f} |", flush=True)
            print(f"\nMemory after the start: {here.memory('VmRSS'):.0f} MB.\n", flush=True)
            if options.shots:
                shots(here, options.shots)
            else:
                here.begin()
            for count in ("first", "second", "third"):
                timed(here, f"{count} photo sent and read", here.read)
            held, most = here.memory("VmRSS"), here.memory("VmHWM")
            print(f"\nMemory after three photos: {held:.0f} MB, {most:.0f} MB at most.")
        finally:
            here.process.kill()
            here.process.wait()


if __name__ == "__main__":
    main()
