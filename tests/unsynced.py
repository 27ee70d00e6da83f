"""Nothing waits for the disk: what tests write need not outlive a power failure.

A wait takes some milliseconds, and thousands of small files are written. Programs that the tests
start wait as shipped.
"""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest


@pytest.fixture(scope="session", autouse=True)
def _no_waiting_for_the_disk() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda _file: None)
        yield
