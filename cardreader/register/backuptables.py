"""The tables of a backup: all rows as JSON lines, and an empty database filled with them.

They travel as values, not as a copy of the database file, so that a backup of SQLite
can be restored into PostgreSQL and back.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Iterator
from typing import Any

from sqlalchemy import JSON, MetaData, Table, insert, select, text
from sqlalchemy.engine import Connection
from sqlalchemy.orm import Session

from cardreader.register import audit
from cardreader.register.backupfile import Parts
from cardreader.register.backupnote import BackupError, BackupNote
from cardreader.register.database import Database, NewerError, may_replace, migrate_within
from cardreader.register.listmodels import DERIVED
from cardreader.register.mergemodels import OwnRegister
from cardreader.register.models import Device, SignIn
from cardreader.register.rowcheck import RowError, check_meaning, checked_row

_LEFT_OUT = {
    *(SignIn.__tablename__, Device.__tablename__, OwnRegister.__tablename__),
    *DERIVED,
    "alembic_version",
}
"""Sign-ins and PINs don't travel: after a restore everybody signs in anew by password. Nor
does what tells this register from others: a copy that goes on beside it is another one. What
is derived from the records is worked out anew."""


def dump(connection: Connection) -> tuple[list[str], dict[str, int], list[str]]:
    """All rows as JSON lines, how many of each table, and the names of kept photos."""
    metadata = MetaData()
    metadata.reflect(connection)
    lines, counts, photos = [], {}, []
    for table in _travelling(metadata):
        rows = connection.execute(select(table)).mappings().all()
        counts[table.name] = len(rows)
        lines += [json.dumps([table.name, {k: _plain(v) for k, v in r.items()}]) for r in rows]
        if table.name == "reading":
            photos = [row["photo_file"] for row in rows if row["photo_file"]]
    return lines, counts, photos


def _travelling(metadata: MetaData) -> Iterator[Table]:
    return (t for t in metadata.sorted_tables if t.name not in _LEFT_OUT)


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, dt.date) else value


Noted = Callable[[Session, BackupNote], None]
"""Writes down that a register was put back from a backup."""


def fill(
    database: Database, parts: Parts, replace: bool = False, noted: Noted | None = None
) -> None:
    """Fill a database, with ``replace`` in place of what it holds: all in one transaction."""
    try:
        with database.write() as session:
            connection = session.connection()
            if replace:
                if not may_replace(connection):
                    raise BackupError(
                        "a server is running on this database: stop it first, on whichever "
                        "machine it runs"
                    )
                _drop_tables(connection)
            _fill_tables(connection, parts)
            chain = audit.check(session)
            if not chain or chain.newest_hash != parts.note.audit_hash:
                raise BackupError("the audit trail in the backup is not whole")
            check_meaning(session)
            if noted is not None:
                noted(session, parts.note)
        if database.is_sqlite:
            with database.engine.connect() as connection:
                connection.exec_driver_sql("COMMIT")
                connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    finally:
        database.close()


def _drop_tables(connection: Connection) -> None:
    old = MetaData()
    old.reflect(connection)
    old.drop_all(connection)
    if connection.dialect.name != "sqlite":
        connection.execute(text("DROP FUNCTION IF EXISTS audit_entry_append_only() CASCADE"))


def _fill_tables(connection: Connection, parts: Parts) -> None:
    try:
        migrate_within(connection, parts.note.revision)
    except NewerError:
        raise BackupError(
            "the backup was made by a newer version of this program: update it"
        ) from None
    metadata = MetaData()
    metadata.reflect(connection)
    tables = {table.name: table for table in _travelling(metadata)}
    for column in (c for table in tables.values() for c in table.c if isinstance(c.type, JSON)):
        column.type = JSON(none_as_null=True)
    for name, values in _rows(parts.rows, tables).items():
        if len(values) != parts.note.rows.get(name, 0):
            raise BackupError(f"the backup holds too few rows of {name}, or too many")
        if values:
            connection.execute(insert(tables[name]), values)
    migrate_within(connection)


def _rows(rows: list[Any], tables: dict[str, Table]) -> dict[str, list[dict[str, Any]]]:
    """Rows by table, in the order in which tables can be filled."""
    out: dict[str, list[dict[str, Any]]] = {name: [] for name in tables}
    for entry in rows:
        match entry:
            case [str(name), row] if name in tables:
                out[name].append(checked_row(tables[name], row))
            case _:
                raise RowError("a row of no table")
    return out
