"""SQL is compiled once a process, as on a server that has run for a while.

SQLAlchemy keeps what it compiled by engine. Tests open some hundreds of registers, each an
engine of its own, and compiled the same statements for each anew: up to half of their time.
Dialects that are told apart by their class alone let one cache serve all engines.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, Engine, event
from sqlalchemy.dialects import registry
from sqlalchemy.dialects.postgresql.psycopg import PGDialect_psycopg
from sqlalchemy.dialects.sqlite.pysqlite import SQLiteDialect_pysqlite
from sqlalchemy.util import LRUCache

_compiled: LRUCache[Any, Any] = LRUCache(2000)


class _ByClass:
    """Dialects of one class are one: the tests set none up otherwise than another."""

    supports_statement_cache = True

    def __eq__(self, other: object) -> bool:
        return type(self) is type(other)

    def __hash__(self) -> int:
        return hash(type(self))


class SQLite(_ByClass, SQLiteDialect_pysqlite):
    supports_statement_cache = True


class PostgreSQL(_ByClass, PGDialect_psycopg):
    supports_statement_cache = True


registry.register("sqlite", __name__, "SQLite")
registry.register("postgresql.psycopg", __name__, "PostgreSQL")


@event.listens_for(Engine, "engine_connect")
def _share(connection: Connection) -> None:
    connection.execution_options(compiled_cache=_compiled)
