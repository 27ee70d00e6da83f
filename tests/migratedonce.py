"""An empty SQLite register gets its tables as the migrations made them once in this process.

Tests make some hundreds anew: each backup is tried out in one, each restore fills one. All
migrations take a third of a second, and what they say to an empty register is always the same.
So it is kept when they go first, and said again to the next ones. Whatever holds tables is
migrated as ever.
"""

from __future__ import annotations

from typing import Any

from alembic import command
from alembic.config import Config
from sqlalchemy import Connection, event, inspect

_migrate = command.upgrade
_said: dict[tuple[str | None, str], list[tuple[str, Any]]] = {}
"""Statements with their parameters, by the folder of the migrations and the revision."""


def _upgrade(config: Config, revision: str) -> None:
    connection: Connection = config.attributes["connection"]
    if connection.dialect.name != "sqlite" or inspect(connection).get_table_names():
        _migrate(config, revision)
        return
    key = (config.get_main_option("script_location"), revision)
    if key not in _said:
        _said[key] = _listen(config, revision)
        return
    for statement, parameters in _said[key]:
        connection.exec_driver_sql(statement, parameters or None)


def _listen(config: Config, revision: str) -> list[tuple[str, Any]]:
    connection: Connection = config.attributes["connection"]
    said: list[tuple[str, Any]] = []

    def note(_connection: Any, _cursor: Any, statement: str, parameters: Any, *_: Any) -> None:
        if not statement.lstrip().startswith(("SELECT", "PRAGMA")):
            said.append((statement, parameters))

    event.listen(connection, "before_cursor_execute", note)
    try:
        _migrate(config, revision)
    finally:
        event.remove(connection, "before_cursor_execute", note)
    return said


command.upgrade = _upgrade  # type: ignore[assignment]
