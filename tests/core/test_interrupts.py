"""Ctrl-C goes to every process of a command; only the command itself says that it was stopped."""

from __future__ import annotations

import multiprocessing
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from cardreader.calibrate.default import draw_pairs
from cardreader.core.interrupts import deaf_processes

BLOCKED = "import signal; print(signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, []))"


def caught_by(pid: int) -> bool:
    """Whether a process has Python's own way with Ctrl-C, which ends in a traceback."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    (mask,) = (line.split()[1] for line in lines if line.startswith("SigCgt:"))
    return bool(int(mask, 16) >> (signal.SIGINT - 1) & 1)


def _told(code: str) -> str:
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True).stdout


def test_what_is_started_within_never_hears_of_it() -> None:
    with deaf_processes():
        assert _told(BLOCKED) == "True\n"
    assert _told(BLOCKED) == "False\n"


def test_the_command_itself_still_hears_of_it() -> None:
    code = (
        "import os, signal\nfrom cardreader.core.interrupts import deaf_processes\n"
        "try:\n    with deaf_processes():\n        os.kill(os.getpid(), signal.SIGINT)\n"
        "except KeyboardInterrupt:\n    print('stopped')"
    )
    assert _told(code) == "stopped\n"


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="needs /proc")
def test_processes_that_draw_end_without_a_word() -> None:
    caught: list[bool] = []

    def drawn(_count: int) -> None:
        caught.extend(caught_by(process.pid or 0) for process in multiprocessing.active_children())

    draw_pairs(251, 662010, workers=2, drawn=drawn)
    assert caught
    assert not any(caught)
