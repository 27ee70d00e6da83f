"""Nothing waits for the disk: what tests write need not outlive a power failure.

A wait takes some milliseconds, and thousands of small files are written; SQLite waits at each
commit of a register. Programs that the tests start wait as shipped.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from typing import Any

import pytest
from sqlalchemy import Pool, event

AS_SHIPPED = False
"""Whether registers wait all the same: for tests of what is shipped."""


@pytest.fixture(scope="session", autouse=True)
def _no_waiting_for_the_disk() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda _file: None)
        yield


@event.listens_for(Pool, "checkout")
def _leave_it_to_the_system(connection: Any, record: Any, _proxy: Any) -> None:
    if isinstance(connection, sqlite3.Connection) and not AS_SHIPPED:
        # Not as it is opened: there the register's own settings come last.
        if "unsynced" not in record.info:
            connection.execute("PRAGMA synchronous=OFF")
        record.info["unsynced"] = True
