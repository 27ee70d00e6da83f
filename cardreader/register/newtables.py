"""The tables of a new register on SQLite, made in one go.

All migrations, and what runs them, take a phone seconds at the first start of all, and what they
make of nothing is always the same. So it is kept (`tablescript`), and said at once; whatever holds
tables is migrated as ever.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

from sqlalchemy.engine import Connection

SCRIPT = Path(__file__).parent / "migrations" / "newest.sql"


def make_tables(connection: Connection) -> None:
    """All tables of the newest revision, in the transaction that ``connection`` is in."""
    for statement in statements(SCRIPT.read_text("utf-8")):
        connection.exec_driver_sql(statement)


def statements(script: str) -> Iterator[str]:
    """Each statement of a script; those of a trigger hold others."""
    begun = ""
    for line in script.splitlines(keepends=True):
        begun += line
        if sqlite3.complete_statement(begun):
            yield begun.rstrip().removesuffix(";")
            begun = ""
