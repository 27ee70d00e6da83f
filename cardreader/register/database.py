"""Opening the register's database: SQLite by default, PostgreSQL by URL.

SQLite runs with write-ahead logging and ``synchronous=FULL``: what has been
acknowledged is on the disk, also when the power goes or the process is killed.
"""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import Any

from sqlalchemy import create_engine, event, inspect, text
from sqlalchemy.engine import Connection
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from cardreader.core.oneline import one_line
from cardreader.register import changedwomen, fieldchanges
from cardreader.register.newtables import make_tables
from cardreader.register.trouble import ADVICE, Trouble, trouble_of

_MIGRATIONS = Path(__file__).parent / "migrations"
PATIENCE_MS = 15_000
"""How long a writer waits for another process to let go."""
_WRITER_LOCK, _SERVING_LOCK = 7_110_718, 7_110_719
"""Keys of PostgreSQL advisory locks; any fixed numbers do. The first lines writers up, the
second is shared by the connections of running servers."""


def sqlite_url(file: Path) -> str:
    """URL of an SQLite database in ``file``."""
    return f"sqlite:///{file}"


def full_url(url: str) -> str:
    """Name the PostgreSQL driver in URLs as people write them (``postgresql://...``)."""
    for short in ("postgresql://", "postgres://"):
        if url.startswith(short):
            return "postgresql+psycopg://" + url.removeprefix(short)
    return url


class RegisterError(Exception):
    """A register that can't be opened or is damaged; one line says why.

    ``trouble`` is its kind, where that is known.
    """

    def __init__(self, words: str, trouble: Trouble | None = None) -> None:
        super().__init__(words)
        self.trouble = trouble


class NewerError(RegisterError):
    """Tables of a revision that this version doesn't know."""


@contextmanager
def told_if_damaged() -> Iterator[None]:
    """RegisterError for whatever looking into a register raises within.

    A damaged one may hold no text where names belong, or a text where a time belongs,
    and the drivers say so each in its own way.
    """
    try:
        yield
    except (SQLAlchemyError, sqlite3.Error, OSError, ValueError, TypeError) as error:
        trouble = trouble_of(error) or Trouble.DAMAGED
        raise RegisterError(f"{ADVICE[trouble]} ({complaint(error)})", trouble) from error


def _must_be_sound(connection: Connection) -> None:
    """Better told at the start than found by writing into it."""
    found = connection.exec_driver_sql("PRAGMA quick_check(1)").scalar()
    if found != "ok":
        raise ValueError(found)


def _must_be_empty(connection: Connection) -> None:
    """Another program's file is none to put a register into."""
    if inspect(connection).get_table_names():
        raise RegisterError(
            "register.db holds another program's tables: name the register's folder with --data"
        )


def complaint(error: BaseException) -> str:
    """What a database complains of; the whole message lists every value, over many lines."""
    return one_line(getattr(error, "orig", None) or error)


class _Writing(Session):
    """Keeps what is changed through it beside the records, and the lists in step."""


# Once for all of them: to listen to each took two thirds of a change that changes nothing.
fieldchanges.watch(_Writing)
changedwomen.watch(_Writing)


class Database:
    """The register's database; ``read()`` and ``write()`` give sessions."""

    def __init__(self, url: str) -> None:
        self.url = full_url(url)
        self.is_sqlite = self.url.startswith("sqlite")
        try:
            self.engine = create_engine(self.url, pool_pre_ping=not self.is_sqlite)
        except ImportError:
            raise RegisterError(
                "nothing here speaks to that kind of database: for PostgreSQL pip install '.[web]' "
                "in the checkout"
            ) from None
        except (SQLAlchemyError, ValueError):
            # Not the URL itself: it may hold a password.
            raise RegisterError(
                "the database's URL can't be understood: it reads postgresql://user@host/name"
            ) from None
        if self.is_sqlite:
            event.listen(self.engine, "do_connect", _sqlite_keep_private)
            event.listen(self.engine, "connect", _sqlite_connect)
            event.listen(self.engine, "begin", _sqlite_begin)
        self._writer_engine = self.engine.execution_options(writes=True)
        # One writer at a time in this process: waiting here is fair, waiting in
        # SQLite is polling.
        self._writer = threading.Lock()
        self.renewer: changedwomen.Renewer | None = None
        """Keeps the women's places on the lists; None where the rules aren't known."""

    @contextmanager
    def read(self) -> Iterator[Session]:
        """Session for looking; nothing is committed."""
        with Session(self.engine) as session:
            yield session

    @contextmanager
    def write(self) -> Iterator[Session]:
        """Session for changing; commits at the end, rolls back on an exception.

        Writers come one at a time, so what one reads cannot change under it. What they
        change is kept beside the records, and the places on the lists follow in the same
        transaction.
        """
        info = changedwomen.renewed_by(self.renewer)
        made = _Writing(self._writer_engine, expire_on_commit=False, info=info)
        with self._writer, made as session:
            if not self.is_sqlite:
                session.execute(text("SELECT pg_advisory_xact_lock(:k)"), {"k": _WRITER_LOCK})
            yield session
            session.commit()

    def serve(self) -> None:
        """Let others see that a server is running on the register, while it is open.

        Each connection says so from now on, also one made after the database server was
        away. A folder's own register is guarded by the lock on the folder.
        """
        if self.is_sqlite:
            return
        self.engine.dispose()
        event.listen(self.engine, "connect", _say_serving)
        with told_if_damaged(), self.engine.connect():
            pass  # the pool keeps it

    def migrate(self, revision: str = "head") -> None:
        """Bring the tables up to ``revision``; an empty database gets all of them.

        RegisterError when it can't be opened, is damaged, or was made by a newer version.
        """
        with told_if_damaged(), self.engine.begin() as connection:
            migrate_within(connection, revision)

    def revision(self) -> str | None:
        """Revision of the tables as they are, or None in an empty database."""
        with self.engine.connect() as connection:
            return current_revision(connection)

    def close(self) -> None:
        """Give all connections back."""
        self.engine.dispose()


def migrate_within(connection: Connection, revision: str = "head") -> None:
    """As `Database.migrate`, in a transaction that the caller has begun and commits.

    NewerError when the tables or ``revision`` are of a newer version.
    """
    with told_if_damaged():
        if connection.dialect.name == "sqlite":
            _must_be_sound(connection)
        newest = newest_revision()
        wanted = newest if revision == "head" else revision
        found = current_revision(connection)
        if found is None and connection.dialect.name == "sqlite":
            _must_be_empty(connection)
        if found is None and wanted == newest and connection.dialect.name == "sqlite":
            make_tables(connection)
            found = current_revision(connection)
        if found == wanted:
            return
    upgrade(connection, revision)


def upgrade(connection: Connection, revision: str) -> None:
    """Run the migrations, where `migrate_within` finds that they are needed."""
    # Nearly every start finds nothing to do, and to load this takes a tenth of it.
    from alembic import command
    from alembic.config import Config
    from alembic.util import CommandError

    config = Config()
    config.set_main_option("script_location", str(_MIGRATIONS))
    config.attributes["connection"] = connection
    try:
        with told_if_damaged():
            command.upgrade(config, revision)
    except CommandError:
        raise NewerError(
            "the register was made by a newer version of this program: update it"
        ) from None


def current_revision(connection: Connection) -> str | None:
    """Revision of the tables that ``connection`` sees, or None in an empty database."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    found: str | None = connection.scalar(text("SELECT version_num FROM alembic_version"))
    return found


@cache
def newest_revision() -> str:
    """What this version brings tables up to: the last migration, whose file bears its number."""
    return max(file.name for file in (_MIGRATIONS / "versions").glob("[0-9]*.py"))[:4]


def may_replace(connection: Connection) -> bool:
    """Whether no server is running; holds servers that start back until the transaction ends."""
    if connection.dialect.name == "sqlite":
        return True
    free = text("SELECT pg_try_advisory_xact_lock(:k)")
    return bool(connection.scalar(free, {"k": _SERVING_LOCK}))


def _say_serving(connection: Any, _record: Any) -> None:
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT pg_advisory_lock_shared({_SERVING_LOCK})")
    connection.commit()


def _sqlite_keep_private(_dialect: Any, _record: Any, arguments: list[Any], _more: Any) -> None:
    """Make the file before SQLite does, for its owner alone, whatever umask and folder say.

    What SQLite keeps beside it takes over its mode.
    """
    name = str(arguments[0]) if arguments else ":memory:"
    if name.startswith((":memory:", "file:")):
        return
    # An existing file is never opened here: closing it would drop every lock that this
    # process's other connections hold on it (POSIX), and another process, taking itself for
    # the last, would remove the log that they write to.
    # What hinders here hinders SQLite as well, and it has the better words.
    with suppress(OSError):
        os.close(os.open(name, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
    with suppress(OSError):
        if os.stat(name).st_mode & 0o077:
            os.chmod(name, 0o600)
    for ending in ("-wal", "-shm"):
        with suppress(OSError):
            os.chmod(name + ending, 0o600)


def _sqlite_connect(connection: Any, _record: Any) -> None:
    # The driver's own way of starting transactions is switched off, so that
    # _sqlite_begin decides (and schema changes are inside the transaction too).
    connection.isolation_level = None
    cursor = connection.cursor()
    for pragma in (
        "journal_mode=WAL",
        "synchronous=FULL",
        "foreign_keys=ON",
        f"busy_timeout={PATIENCE_MS}",
        "secure_delete=ON",
    ):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _sqlite_begin(connection: Connection) -> None:
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
