"""Registers on both databases."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from postgreskit import Postgres

from cardreader.decide.protocolfile import load_protocol
from cardreader.register.base import utc_now
from cardreader.register.database import Database, sqlite_url


@pytest.fixture(scope="session")
def postgres() -> Iterator[Postgres]:
    """A PostgreSQL server for the whole run."""
    server = Postgres()
    yield server
    server.stop()


@pytest.fixture(params=["sqlite", "postgresql"])
def database(request, tmp_path) -> Iterator[Database]:
    """An empty register, on either database."""
    if request.param == "sqlite":
        file = shutil.copy(request.getfixturevalue("empty_register"), tmp_path / "register.db")
        database = Database(sqlite_url(file))
    else:
        database = Database(request.getfixturevalue("postgres").migrated_url())
    yield database
    database.close()


@pytest.fixture
def sqlite(tmp_path, empty_register) -> Iterator[Database]:
    """An empty register on SQLite."""
    database = Database(sqlite_url(shutil.copy(empty_register, tmp_path / "register.db")))
    yield database
    database.close()


@pytest.fixture(scope="session")
def empty_register(tmp_path_factory) -> Path:
    """The file of an empty register, made once, to be copied."""
    file = tmp_path_factory.mktemp("empty") / "register.db"
    database = Database(sqlite_url(file))
    database.migrate()
    with database.engine.connect() as connection:
        connection.exec_driver_sql("COMMIT")
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    database.close()
    return file


@pytest.fixture(scope="session")
def protocol():
    """The default protocol."""
    return load_protocol()


def days_ago(days: float) -> dt.datetime:
    """A time some days ago."""
    return utc_now() - dt.timedelta(days=days)
