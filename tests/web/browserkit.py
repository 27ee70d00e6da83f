"""The real server as a process, a real browser at phone width, and axe-core."""

from __future__ import annotations

import datetime as dt
import fcntl
import os
import shutil
import socket
import subprocess
import tempfile
import threading
import time
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

import httpx2
import pytest
from forked import Forked

from cardreader.register import accounts, recording, women
from cardreader.register.base import utc_now
from cardreader.register.database import Database, sqlite_url
from cardreader.register.kinds import Regimen, Role

ROOT = Path(__file__).parents[2]
PASSWORD = "a long invented password"
CHROMIUM_OPTIONS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    # What it shows beside a page is loaded anew with each phone, and takes four times as long to
    # start as the page. A second list of features replaces Playwright's: its names are here again.
    "--disable-features=WebUIOmniboxPopup,WebUIOmniboxAimPopup,"
    "AvoidUnnecessaryBeforeUnloadCheckSync,DestroyProfileOnBrowserClose,HttpsUpgrades,"
    "HttpsFirstBalancedModeAutoEnable,LensOverlay,MediaRouter,PaintHolding,"
    "ThirdPartyStoragePartitioning,AvoidCorsURLLoaderRestartOnRedirect,OptimizationHints,"
    "NetworkTimeServiceQuerying,AimEnabled,PreconnectToSearch",
]
AXE_VERSION = "4.14.1"
AXE_FOLDER = ROOT / "build" / "axe"
PHONE = {"width": 360, "height": 740}


def missing(what: str) -> None:
    """Skip where a program is not installed; in CI that is a failure."""
    if os.environ.get("CI"):
        pytest.fail(f"{what} is needed in CI and not installed")
    pytest.skip(f"{what} is not installed")


def chromium_path(whole: bool = False) -> str:
    """Debian's Chromium; its shell without a window where that is installed and is enough.

    The shell shows pages by the same engine and is without what surrounds them, which takes more of
    the processor than the pages. Whether a page can be installed is asked of the whole browser.
    """
    names = ["chromium", "chromium-browser"]
    if not whole:
        names.insert(0, "chromium-headless-shell")
    path = next(filter(None, map(shutil.which, names)), None)
    if path is None:
        missing("chromium")
    return str(path)


def axe_source() -> str:
    """The text of axe-core, installed by npm into an ignored folder when missing."""
    script = AXE_FOLDER / "node_modules" / "axe-core" / "axe.min.js"
    AXE_FOLDER.mkdir(parents=True, exist_ok=True)
    with (AXE_FOLDER / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # by the first of the run's processes that asks
        if not script.exists():
            if shutil.which("npm") is None:
                missing("npm (for axe-core)")
            words = ["--no-save", "--no-audit", "--no-fund", f"axe-core@{AXE_VERSION}"]
            subprocess.run(
                ["npm", "install", *words],
                cwd=AXE_FOLDER,
                check=True,
                capture_output=True,
                timeout=120,
            )
    return script.read_text(encoding="utf-8")


def free_port() -> int:
    """A port nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_for(url: str, **options) -> None:
    """Return once there is an answer, of whatever kind."""
    for _ in range(1200):
        try:
            httpx2.get(url, **options)
            return
        except httpx2.TransportError:
            time.sleep(0.1)
    raise AssertionError(f"{url} does not answer")


class Server:
    """``cardreader serve`` as its own process; can be killed and started again."""

    def __init__(self, data: Path, *options: str) -> None:
        self.data = data
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.options = options
        self.log = data.parent / f"{data.name}.log"
        self.cookies: dict[str, list[Any]] = {}
        self.process: Forked | None = None
        self._changing = threading.Lock()

    def command(self, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
        """Run another command of the register on the same data."""
        words = [*arguments, "--data", str(self.data)]
        with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
            code = Forked(words, {**self.environment(), **environment}, out, err).wait(60)
            said = []
            for file in (out, err):
                file.seek(0)
                said.append(file.read().decode())
        return subprocess.CompletedProcess(words, code, *said)

    def add_people(self) -> None:
        """One account a role."""
        self.data.mkdir(parents=True)
        database = Database(sqlite_url(self.data / "register.db"))
        database.migrate()
        with database.write() as session:
            for role in Role:
                accounts.add_account(session, role.value, role, PASSWORD)
        database.close()

    def add_history(self) -> None:
        """A woman followed for three months whose haemoglobin hardly rises; invented."""
        from builders import NOBODY, PROTOCOL, add_woman, facts, lab, photo

        database = Database(sqlite_url(self.data / "register.db"))
        with database.write() as session:
            woman = add_woman(session, "KX-400", weeks=14, days_ago=100)
            photo(session, woman, facts(8.1), days_ago=95, number=1)
            lab(session, woman, 8.4, days_ago=90)
            started = dt.date.today() - dt.timedelta(days=90)
            women.start_treatment(session, woman, Regimen.TREATMENT, started, None)
            photo(session, woman, facts(8.9), days_ago=62, number=2)
            recording.record_tube(
                *(session, woman, "tube-400", 9.5, recording.TubeUnit.G_DL),
                *(utc_now() - dt.timedelta(days=40), None, PROTOCOL, NOBODY),
            )
            photo(session, woman, facts(8.7), days_ago=8, number=3)
        database.close()

    def start(self) -> None:
        """Start, and wait until it answers."""
        # One that is being killed, by another thread perhaps, is gone before the next begins.
        with self._changing, self.log.open("ab") as log:
            process = self.process = Forked(
                [
                    *("serve", "--plain", "--host", "127.0.0.1", "--port", str(self.port)),
                    *("--data", str(self.data), *self.options),
                ],
                *(self.environment(), log, log),
            )
        for _ in range(6000):
            try:
                urllib.request.urlopen(self.url + "/sign-in", timeout=2).close()
                return
            except (urllib.error.URLError, OSError):
                if process.poll() is not None:
                    break
                time.sleep(0.02)
        raise RuntimeError(self.log.read_text())

    def kill(self) -> None:
        """``kill -9``: no chance to tidy up."""
        with self._changing:
            if self.process is not None:
                self.process.kill()
                self.process.wait()
                self.process = None

    def environment(self) -> dict[str, str]:
        return {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}


MAIN = "import sys; from cardreader.cli import main; sys.exit(main())"
