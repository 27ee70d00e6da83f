"""What every process of a run needs and takes seconds to make: made by the first that asks."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable
from pathlib import Path

import pytest


def made_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """The file or folder that ``make`` makes at the path it is given; to be read, not changed."""
    folder = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        folder = folder.parent  # of this run, and of all its processes
    made, unfinished = folder / name, folder / f"unfinished-{name}"
    with (folder / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not made.exists():
            make(unfinished)
            unfinished.rename(made)
    return made
