"""A PostgreSQL server of the tests' own, from the system's packages."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from contextlib import suppress
from functools import cached_property
from pathlib import Path

import psycopg
import pytest

from cardreader.register.database import Database

_AS_MADE = """
SELECT attrelid::regclass || '.' || attname,
  format_type(atttypid, atttypmod) || attnotnull || coalesce(pg_get_expr(adbin, adrelid), '')
FROM pg_attribute JOIN pg_class ON pg_class.oid = attrelid
LEFT JOIN pg_attrdef ON adrelid = attrelid AND adnum = attnum
WHERE relnamespace = 'public'::regnamespace AND relkind = 'r' AND attnum > 0 AND NOT attisdropped
UNION ALL SELECT indexname, indexdef FROM pg_indexes WHERE schemaname = 'public'
UNION ALL SELECT conname, pg_get_constraintdef(oid) FROM pg_constraint
UNION ALL SELECT tgname, pg_get_triggerdef(oid) || tgenabled::text FROM pg_trigger
WHERE NOT tgisinternal
UNION ALL SELECT proname, prosrc FROM pg_proc WHERE pronamespace = 'public'::regnamespace
UNION ALL SELECT 'revision', version_num FROM alembic_version
ORDER BY 1, 2
"""
"""All that tables are made of, and their revision. The standard's views take twice as long."""
_TABLES = """
SELECT tablename FROM pg_tables WHERE schemaname = 'public' AND tablename <> 'alembic_version'
"""


def missing(what: str) -> None:
    """Skip where a program is not installed; in CI that is a failure."""
    if os.environ.get("CI"):
        pytest.fail(f"{what} is needed in CI and not installed")
    pytest.skip(f"{what} is not installed")


def postgres_bin() -> Path:
    """Folder of the server's programs, the newest version."""
    on_path = shutil.which("initdb")
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: int(p.parts[-3]))
    if on_path is None and not found:
        missing("PostgreSQL")
    return (found[-1] if found else Path(str(on_path))).parent


class Postgres:
    """A server on a socket in its own folder; nothing listens on the network."""

    def __init__(self) -> None:
        self.bin = postgres_bin()
        self.folder = Path(tempfile.mkdtemp(prefix="crpg-"))
        # The server refuses to run as root.
        self.user = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
        if self.user:
            shutil.chown(self.folder, "postgres")
        self.data = self.folder / "data"
        self._run("initdb", "-D", self.data, "-U", "postgres", "-A", "trust", "-E", "UTF8", "-N")
        self._run(
            *("pg_ctl", "-D", self.data, "-l", self.folder / "log", "-w", "start", "-o"),
            f"-k {self.folder} -c listen_addresses='' -c fsync=off",
        )
        # Two, since a backup moves from one to another; emptied, not made anew, each time.
        self._names = ["register_a", "register_b"]
        for name in self._names:
            self._run("createdb", "-h", self.folder, "-U", "postgres", name)
        self._copies = ["copy_a", "copy_b"]
        self._kept: dict[str, psycopg.Connection] = {}

    def new_url(self) -> str:
        """URL of an empty database; the one before the last is taken again."""
        name = self._names[0]
        self._names.reverse()
        empty = "DROP SCHEMA public CASCADE; CREATE SCHEMA public"
        self._run("psql", "-h", self.folder, "-U", "postgres", "-d", name, "-c", empty)
        return self._url(name)

    def migrated_url(self) -> str:
        """URL of a register without records, its tables copied; names as in `new_url`.

        Where the one before left the tables as they were made only their records go, in a
        hundredth of the time of a copy.
        """
        return self._url(self._copy())

    def rows(self, url: str) -> dict[str, bytes]:
        """What the tables of a database hold, by table, for `filled_url`."""
        held = {}
        with psycopg.connect(url) as connection:
            for (table,) in connection.execute(_TABLES).fetchall():
                with connection.cursor().copy(f'COPY "{table}" TO STDOUT') as copy:
                    held[table] = b"".join(copy)
        return {table: rows for table, rows in held.items() if rows}

    def filled_url(self, rows: dict[str, bytes]) -> str:
        """As `migrated_url`, of a register that holds these rows."""
        name = self._copy()
        for table, held in rows.items():
            with self._inside(name).cursor().copy(f'COPY "{table}" FROM STDIN') as copy:
                copy.write(held)
        return self._url(name)

    def _copy(self) -> str:
        name = self._copies[0]
        self._copies.reverse()
        template = self._migrated
        if not self._emptied(name):
            with psycopg.connect(self._url("postgres"), autocommit=True) as connection:
                connection.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
                connection.execute(f"CREATE DATABASE {name} TEMPLATE {template}")
        return name

    def _emptied(self, name: str) -> bool:
        """Whether a copy is there, as it was made but for its records, which are gone now."""
        for _ in range(2):  # a test may have ended the connection that is kept
            with suppress(psycopg.OperationalError):
                if self._empty(self._inside(name)):
                    return True
            if (ended := self._kept.pop(name, None)) is not None:
                ended.close()
        return False

    def _inside(self, name: str) -> psycopg.Connection:
        """A connection that is kept: to make one costs the server twice what the rest does."""
        if name not in self._kept:
            self._kept[name] = psycopg.connect(self._url(name), autocommit=True)
            # As a replica: neither what refers to a record nor the audit trail holds it back.
            self._kept[name].execute("SET session_replication_role = replica")
        return self._kept[name]

    def _empty(self, connection: psycopg.Connection) -> bool:
        connection.execute(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
            "WHERE pid <> pg_backend_pid() AND datname = current_database()"
        )
        if connection.execute(_AS_MADE).fetchall() != self._as_made:
            return False
        tables = connection.execute(_TABLES).fetchall()
        connection.execute("; ".join(f'DELETE FROM "{table}"' for (table,) in tables))
        return True

    @cached_property
    def _as_made(self) -> list[tuple[object, ...]]:
        with psycopg.connect(self._url(self._migrated)) as connection:
            return connection.execute(_AS_MADE).fetchall()

    @cached_property
    def _migrated(self) -> str:
        """Name of a database with all tables, made once."""
        self._run("createdb", "-h", self.folder, "-U", "postgres", "migrated")
        database = Database(self._url("migrated"))
        database.migrate()
        database.close()
        return "migrated"

    def _url(self, name: str) -> str:
        return f"postgresql://postgres@/{name}?host={self.folder}"

    def drop_connections(self) -> None:
        """End every connection to the databases, as a server that is started anew does."""
        with psycopg.connect(self._url("postgres"), autocommit=True) as connection:
            connection.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
                "WHERE pid <> pg_backend_pid() AND datname IS NOT NULL"
            )

    def stop(self) -> None:
        """Stop and clean up."""
        for connection in self._kept.values():
            connection.close()
        self._run("pg_ctl", "-D", self.data, "-m", "immediate", "-w", "stop")
        shutil.rmtree(self.folder, ignore_errors=True)

    def _run(self, program: str, *arguments: object) -> None:
        subprocess.run(
            [*self.user, str(self.bin / program), *map(str, arguments)],
            check=True,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            cwd=self.folder,
            timeout=60,
        )
