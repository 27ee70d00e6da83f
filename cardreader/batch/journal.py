"""What a batch has found so far, in one SQLite file; the only state a run has.

Every outcome is committed within half a second. A process killed at any instant
leaves the file as of its last commit, and what was not committed is done again.
Measurements are kept by content, judgements by content and by all they rest on,
so nothing is in twice and a new calibration adds judgements beside the old.
"""

from __future__ import annotations

import json
import os
import sqlite3
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from cardreader.batch.score import Failure, Job, Outcome, Task, Trouble
from cardreader.batch.sources import PhotoFile, listed_twice
from cardreader.core.oneline import one_line
from cardreader.decide.subject import Smoking, Subject, Trimester

SCHEMA = 1
COMMIT_EVERY_S = 0.5
_FAILURES = frozenset(Failure)

_TABLES = """
CREATE TABLE IF NOT EXISTS listed (
    name TEXT PRIMARY KEY, stamp TEXT, subject TEXT NOT NULL, phone TEXT, light TEXT, size INTEGER
) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS listed_size ON listed (size);
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


_LIST = (
    "INSERT OR IGNORE INTO listed (name, stamp, subject, phone, light, size) "
    "VALUES (?, ?, ?, ?, ?, ?) RETURNING 1"
)
_LISTED = "SELECT name, stamp, subject, phone, light, size FROM listed"
_PAGE = 1000
"""Photos of the table held at a time."""
_MEMORY = """
CREATE TEMP TABLE IF NOT EXISTS met (
    kind TEXT, key TEXT, name TEXT, PRIMARY KEY (kind, key)
) WITHOUT ROWID
"""
"""On disk as soon as it is large, so that a run of a million photos doesn't hold their names."""

_NOT_WRITTEN = frozenset(
    (
        sqlite3.SQLITE_FULL,
        sqlite3.SQLITE_CANTOPEN,
        sqlite3.SQLITE_IOERR_WRITE,
        sqlite3.SQLITE_IOERR_FSYNC,
        sqlite3.SQLITE_IOERR_TRUNCATE,
        sqlite3.SQLITE_IOERR_SHMSIZE,
    )
)


class JournalError(Exception):
    """A journal that can't be used; one line says why."""


class Journal:
    """The journal of one output folder; held by one process at a time."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._db = sqlite3.connect(path, timeout=1.0, isolation_level=None)
        try:
            # The lock goes with the process, however it ends.
            self._db.execute("PRAGMA locking_mode = EXCLUSIVE")
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = FULL")
            (schema,) = self._db.execute("PRAGMA user_version").fetchone()
            if schema not in (0, SCHEMA):
                raise JournalError(f"{path} was written by another version of this program")
            self._db.execute("BEGIN IMMEDIATE")
            for statement in _TABLES.split(";"):
                self._db.execute(statement)
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

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Commit what there is and let go of the file."""
        try:
            self.commit()
        finally:
            self._db.close()

    def _ask(self, statement: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        try:
            return self._db.execute(statement, values).fetchall()
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            raise self._fault(error) from None

    def _fault(self, error: sqlite3.Error | UnicodeDecodeError) -> OSError | JournalError:
        """A full disk is no fault of the journal's."""
        code = getattr(error, "sqlite_errorcode", 0)
        read_only = code & 0xFF == sqlite3.SQLITE_READONLY and not os.access(self._path, os.W_OK)
        if read_only or {code, code & 0xFF} & _NOT_WRITTEN:
            return OSError(one_line(error))
        return JournalError(f"{self._path}: {one_line(error)}")

    def _one(self, statement: str, values: tuple[Any, ...]) -> tuple[Any, ...] | None:
        """The first row, or None where there is none."""
        rows = self._ask(statement, values)
        return rows[0] if rows else None

    def _damaged(self) -> JournalError:
        """SQLite puts any kind of value into any column, so what comes out is looked at."""
        return JournalError(
            f"{self._path} holds what this program doesn't write: remove it and run again"
        )

    # --- the list ------------------------------------------------------------------

    def list_photos(self, photos: Iterable[PhotoFile]) -> None:
        """Make these the photos of the table, replacing any earlier list.

        A photo may come twice with the same facts. SourceError if it comes with
        others, and then, as after any error of ``photos``, the earlier list stays.
        """
        self._begin()
        try:
            self._ask("DELETE FROM listed")
            for p in photos:
                facts = p.name, p.stamp, _subject_text(p.subject), p.phone, p.light, p.size
                if self._ask(_LIST, facts):
                    continue
                if self._one(f"{_LISTED} WHERE name = ?", (p.name,)) != facts:
                    raise listed_twice(p)
        except BaseException:
            self._ask("ROLLBACK")
            raise
        self.commit()

    def photos(self) -> Iterator[PhotoFile]:
        """The photos of the table in order of name; JournalError if it lists what is none.

        A page of them is held at a time, and the journal may be written to meanwhile.
        """
        last, first = "", True
        while True:
            rows = self._ask(
                f"{_LISTED} WHERE name > ? OR ? ORDER BY name LIMIT {_PAGE}", (last, first)
            )
            if not rows:
                return
            for row in rows:
                yield self._listed(row)
            last, first = rows[-1][0], False

    def count(self) -> int:
        """How many photos the table has."""
        return int(self._ask("SELECT count(*) FROM listed")[0][0])

    def listed(self, name: str) -> PhotoFile:
        """The photo of that name."""
        row = self._one(f"{_LISTED} WHERE name = ?", (name,))
        if row is None:
            raise self._damaged()
        return self._listed(row)

    def size_is_shared(self, size: int) -> bool:
        """Whether another photo of the table has as many bytes."""
        return len(self._ask("SELECT 1 FROM listed WHERE size = ? LIMIT 2", (size,))) > 1

    # --- what a run remembers of itself -------------------------------------------------

    def claim(self, kind: str, key: str) -> bool:
        """Whether this run meets ``key`` of ``kind`` for the first time; forgotten at the end."""
        return self.first(kind, key, "") is None

    def claimed(self, kind: str, key: str) -> bool:
        """Whether this run has met ``key`` of ``kind``."""
        self._ask(_MEMORY)
        return self._one("SELECT 1 FROM met WHERE kind = ? AND key = ?", (kind, key)) is not None

    def first(self, kind: str, key: str, name: str) -> str | None:
        """Who claimed ``key`` of ``kind`` first in this run: None when it is ``name`` now."""
        self._ask(_MEMORY)
        if self._ask("INSERT OR IGNORE INTO met VALUES (?, ?, ?) RETURNING 1", (kind, key, name)):
            return None
        found = self._one("SELECT name FROM met WHERE kind = ? AND key = ?", (kind, key))
        return None if found is None else str(found[0])

    def _listed(self, row: tuple[Any, ...]) -> PhotoFile:
        match row:
            case (
                str(name),
                None | str() as stamp,
                str(subject),
                None | str() as phone,
                None | str() as light,
                None | int() as size,
            ):
                try:
                    return PhotoFile(name, stamp, _subject(subject), phone, light, size)
                except (ValueError, TypeError, RecursionError):
                    pass
        raise self._damaged()

    def known(self, version: str) -> frozenset[str]:
        """Contents that are measured by this version."""
        rows = self._ask("SELECT sha256 FROM measured WHERE version = ?", (version,))
        return frozenset(sha256 for (sha256,) in rows)

    # --- what is still to do -----------------------------------------------------------

    def task(self, photo: PhotoFile, job: Job, *, reopen: bool = True) -> Task | None:
        """What is still to be done about a photo; None when nothing is.

        With ``reopen`` False the photo is not at hand: it is judged from its
        record or not at all.
        """
        sha256 = self._content(photo, trust=not reopen)
        if sha256 is None:
            return Task(photo.name, photo.subject) if reopen else None
        measured = self._measured(sha256, job)
        if measured is not None:
            number, record = measured
            key = job.judge_key(number, photo.subject)
            if self._judged(sha256, key) is not None:
                return None
            return Task(photo.name, photo.subject, record)
        trouble = self._trouble(photo.name)
        if trouble is not None and trouble[0].sha256 == sha256 and trouble[1] == job.version:
            return None
        return Task(photo.name, photo.subject) if reopen else None

    def _content(self, photo: PhotoFile, *, trust: bool) -> str | None:
        row = self._one("SELECT stamp, sha256 FROM content WHERE name = ?", (photo.name,))
        if row is None:
            return None
        stamp, sha256 = row
        same = trust or (stamp is not None and stamp == photo.stamp)
        return str(sha256) if same else None

    def _measured(self, sha256: str, job: Job) -> tuple[int | None, bytes] | None:
        match self._one(
            "SELECT version, lot_number, lot_key, record FROM measured WHERE sha256 = ?", (sha256,)
        ):
            case None:
                return None
            case [version, None | int() as number, key, bytes(record)]:
                fits = version == job.version and key == job.lot_key(number)
                return (number, record) if fits else None
        raise self._damaged()

    def _judged(self, sha256: str, key: str) -> bytes | None:
        return self._blob(
            "SELECT reading FROM judged WHERE sha256 = ? AND judge_key = ?", (sha256, key)
        )

    def _blob(self, statement: str, values: tuple[str, ...]) -> bytes | None:
        match self._one(statement, values):
            case None:
                return None
            case [bytes(blob)]:
                return blob
        raise self._damaged()

    def _trouble(self, name: str) -> tuple[Trouble, str] | None:
        match self._one(
            "SELECT kind, detail, sha256, version FROM trouble WHERE name = ?", (name,)
        ):
            case None:
                return None
            case [str(kind), str(detail), None | str() as sha256, version] if kind in _FAILURES:
                return Trouble(Failure(kind), detail, sha256), version
        raise self._damaged()

    # --- what was found ------------------------------------------------------------------

    def add(self, outcome: Outcome, photo: PhotoFile, job: Job) -> None:
        """Keep an outcome; on disk within `COMMIT_EVERY_S` of further outcomes."""
        self._begin()
        if outcome.sha256 is not None:
            self.note(photo, outcome.sha256)
        if outcome.trouble is not None:
            t = outcome.trouble
            self._ask(
                "INSERT OR REPLACE INTO trouble VALUES (?, ?, ?, ?, ?)",
                (outcome.name, t.sha256, job.version, str(t.kind), t.detail),
            )
        if outcome.record is not None:
            number = outcome.lot_number
            self._ask(
                "INSERT OR REPLACE INTO measured VALUES (?, ?, ?, ?, ?)",
                (outcome.sha256, job.version, number, job.lot_key(number), outcome.record),
            )
        if outcome.reading is not None:
            key = job.judge_key(outcome.lot_number, photo.subject)
            self._ask(
                "INSERT OR REPLACE INTO judged VALUES (?, ?, ?)",
                (outcome.sha256, key, outcome.reading),
            )
        if time.monotonic() - self._committed > COMMIT_EVERY_S:
            self.commit()

    def note(self, photo: PhotoFile, sha256: str) -> None:
        """Keep what a photo's content is."""
        self._begin()
        self._ask(
            "INSERT OR REPLACE INTO content VALUES (?, ?, ?)", (photo.name, photo.stamp, sha256)
        )

    def commit(self) -> None:
        """Bring everything added so far to disk."""
        if self._db.in_transaction:
            self._ask("COMMIT")
        self._committed = time.monotonic()

    def _begin(self) -> None:
        if not self._db.in_transaction:
            self._ask("BEGIN")

    # --- what the table is made of -----------------------------------------------------------

    def outcome(self, photo: PhotoFile, job: Job, *, reopened: bool = True) -> Outcome:
        """What became of a photo of the table."""
        sha256 = self._content(photo, trust=not reopened)
        if sha256 is not None and (measured := self._measured(sha256, job)) is not None:
            reading = self._judged(sha256, job.judge_key(measured[0], photo.subject))
            if reading is not None:
                return Outcome(photo.name, sha256, measured[0], reading=reading)
        trouble = self._trouble(photo.name)
        if trouble is not None:
            return Outcome(photo.name, trouble[0].sha256, trouble=trouble[0])
        absent = Trouble(Failure.CANT_OPEN, "not measured, and not at hand", sha256)
        return Outcome(photo.name, sha256, trouble=absent)

    def record(self, sha256: str) -> bytes | None:
        """Record of a measured content."""
        return self._blob("SELECT record FROM measured WHERE sha256 = ?", (sha256,))


def _subject_text(subject: Subject) -> str:
    return json.dumps(
        [subject.trimester, subject.gestation_weeks, subject.elevation_m, subject.smoking]
    )


def _subject(text: str) -> Subject:
    trimester, weeks, elevation_m, smoking = json.loads(text)
    return Subject(
        None if trimester is None else Trimester(trimester),
        weeks,
        elevation_m,
        None if smoking is None else Smoking(smoking),
    )
