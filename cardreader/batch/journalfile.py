"""The journal's SQLite file: its lock, its tables, and one kind of error for all that is wrong."""

from __future__ import annotations

import os
import sqlite3
import time
from pathlib import Path
from typing import Any

from cardreader.core.oneline import one_line

SCHEMA = 3
COMMIT_EVERY_S = 0.5
_ADDED = {1: ("blot", "beside", "paper"), 2: ("paper",)}
"""Columns of what is listed that journals of earlier schemas lack."""

_TABLES = """
CREATE TABLE IF NOT EXISTS listed (
    name TEXT PRIMARY KEY, stamp TEXT, subject TEXT NOT NULL, phone TEXT, light TEXT, size INTEGER,
    blot TEXT, beside TEXT, paper TEXT
) WITHOUT ROWID;
DROP INDEX IF EXISTS listed_size;
CREATE INDEX IF NOT EXISTS listed_size_and_stamp ON listed (size, stamp);
CREATE TABLE IF NOT EXISTS content (
    name TEXT PRIMARY KEY, stamp TEXT, sha256 TEXT NOT NULL
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS measured (
    sha256 TEXT PRIMARY KEY, version TEXT NOT NULL, lot_number INTEGER, lot_key TEXT NOT NULL,
    record BLOB NOT NULL
);
CREATE TABLE IF NOT EXISTS judged (
    sha256 TEXT, judge_key TEXT, reading BLOB NOT NULL, PRIMARY KEY (sha256, judge_key)
);
CREATE TABLE IF NOT EXISTS trouble (
    name TEXT PRIMARY KEY, sha256 TEXT, version TEXT NOT NULL, kind TEXT NOT NULL,
    detail TEXT NOT NULL
) WITHOUT ROWID;
"""

_FULL = "the disk is full: free some space and give the same command again, which goes on from here"
_NOT_OURS = "this user may not write the journal there: give the right to, or name another folder"
_NOT_WRITTEN = frozenset(
    (
        sqlite3.SQLITE_CANTOPEN,
        sqlite3.SQLITE_IOERR_WRITE,
        sqlite3.SQLITE_IOERR_FSYNC,
        sqlite3.SQLITE_IOERR_TRUNCATE,
    )
)
_PERHAPS_NOT_OURS = frozenset(
    (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_IOERR)
)


class JournalError(Exception):
    """A journal that can't be used; one line says why."""


class JournalFile:
    """The journal of one output folder; held by one process at a time."""

    def __init__(self, path: Path) -> None:
        self._path = path
        try:
            self._db = sqlite3.connect(path, timeout=1.0, isolation_level=None)
        except sqlite3.Error as error:
            raise self._fault(error) from None
        try:
            # The lock goes with the process, however it ends.
            self._db.execute("PRAGMA locking_mode = EXCLUSIVE")
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = FULL")
            (schema,) = self._db.execute("PRAGMA user_version").fetchone()
            if schema not in (0, *_ADDED, SCHEMA):
                raise JournalError(f"{path} was written by another version of this program")
            self._db.execute("BEGIN IMMEDIATE")
            for statement in _TABLES.split(";"):
                self._db.execute(statement)
            for column in _ADDED.get(schema, ()):
                self._db.execute(f"ALTER TABLE listed ADD COLUMN {column} TEXT")
            self._db.execute(f"PRAGMA user_version = {SCHEMA}")
            self._db.execute("COMMIT")
        except sqlite3.OperationalError as error:
            self._db.close()
            if "locked" in str(error):
                raise JournalError(f"another batch is writing to {path.parent}") from None
            raise self._fault(error) from None
        except sqlite3.DatabaseError as error:
            self._db.close()
            raise JournalError(f"{path} is not a journal: {one_line(error)}") from None
        except UnicodeDecodeError:  # a table's name that is no text
            self._db.close()
            raise JournalError(f"{path} is not a journal, or is damaged") from None
        except JournalError:
            self._db.close()
            raise
        self._committed = time.monotonic()

    def close(self) -> None:
        """Commit what there is and let go of the file."""
        try:
            self.commit()
        finally:
            self._db.close()

    def ask(self, statement: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        """All rows; OSError on a full disk, JournalError for everything else."""
        try:
            return self._db.execute(statement, values).fetchall()
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            raise self._fault(error) from None

    def _fault(self, error: sqlite3.Error | UnicodeDecodeError) -> OSError | JournalError:
        """A full disk is no fault of the journal's, nor is one that isn't ours to write."""
        code = getattr(error, "sqlite_errorcode", 0)
        if code & 0xFF == sqlite3.SQLITE_FULL or code == sqlite3.SQLITE_IOERR_SHMSIZE:
            return OSError(_FULL)
        if code & 0xFF in _PERHAPS_NOT_OURS and not self._may_be_written():
            return OSError(_NOT_OURS)
        if {code, code & 0xFF} & _NOT_WRITTEN:
            return OSError(f"{self._path.name}: {one_line(error)}")
        return JournalError(f"{self._path}: {one_line(error)}")

    def _may_be_written(self) -> bool:
        """SQLite says of some that aren't that the disk errs."""
        folder = self._path.parent
        there = self._path.exists()
        return os.access(folder, os.W_OK) and (not there or os.access(self._path, os.W_OK))

    def one(self, statement: str, values: tuple[Any, ...]) -> tuple[Any, ...] | None:
        """The first row, or None where there is none."""
        rows = self.ask(statement, values)
        return rows[0] if rows else None

    def damaged(self) -> JournalError:
        """SQLite puts any kind of value into any column, so what comes out is looked at."""
        return JournalError(
            f"{self._path} holds what this program doesn't write: remove it and run again"
        )

    def blob(self, statement: str, values: tuple[str, ...]) -> bytes | None:
        """The only value of the first row; JournalError where it is none."""
        match self.one(statement, values):
            case None:
                return None
            case [bytes(blob)]:
                return blob
        raise self.damaged()

    def commit(self) -> None:
        """Bring everything added so far to disk."""
        if self._db.in_transaction:
            self.ask("COMMIT")
        self._committed = time.monotonic()

    def begin(self) -> None:
        """Open a transaction unless one is open."""
        if not self._db.in_transaction:
            self.ask("BEGIN")

    def commit_now_and_then(self) -> None:
        """Commit where the last time is longer ago than `COMMIT_EVERY_S`."""
        if time.monotonic() - self._committed > COMMIT_EVERY_S:
            self.commit()

    def rollback(self) -> None:
        """Undo what was not committed."""
        self.ask("ROLLBACK")
