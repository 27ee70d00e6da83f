"""Keeping what makes the tables of a new register: what all migrations come to, as SQL.

After a migration was written ``python -m cardreader.register.tablescript`` keeps it anew; a test
fails until that is done.
"""

from __future__ import annotations

import sqlite3
import tempfile
from pathlib import Path

from cardreader.core.files import write_atomic
from cardreader.register.database import Database, sqlite_url, upgrade
from cardreader.register.newtables import SCRIPT


def script_of(file: Path) -> str:
    """What makes the tables of an SQLite register, and what is in them, anew."""
    connection = sqlite3.connect(file)
    try:
        told = list(connection.iterdump())
    finally:
        connection.close()
    return "".join(f"{statement}\n" for statement in told[1:-1])  # the transaction is its user's


def migrated() -> str:
    """The script that the migrations come to."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "register.db"
        database = Database(sqlite_url(file))
        with database.engine.begin() as connection:
            upgrade(connection, "head")
        database.close()
        return script_of(file)


if __name__ == "__main__":
    write_atomic(SCRIPT, migrated())
