"""What a batch has found so far, in one SQLite file; the only state a run has.

Every outcome is committed within half a second. A process killed at any instant
leaves the file as of its last commit, and what was not committed is done again.
Measurements are kept by content, judgements by content and by all they rest on,
so nothing is in twice and a new calibration adds judgements beside the old.
"""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from cardreader.batch.score import Failure, Job, Outcome, Task, Trouble
from cardreader.batch.sources import PhotoFile
from cardreader.core.oneline import one_line
from cardreader.decide.subject import Smoking, Subject, Trimester

SCHEMA = 1
COMMIT_EVERY_S = 0.5
_FAILURES = frozenset(Failure)

_TABLES = """
CREATE TABLE IF NOT EXISTS listed (
    name TEXT PRIMARY KEY, stamp TEXT, subject TEXT NOT NULL, phone TEXT, light TEXT, size INTEGER
) WITHOUT ROWID;
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
            locked = "locked" in str(error)
            raise JournalError(
                f"another batch is writing to {path.parent}"
                if locked
                else f"{path}: {one_line(error)}"
            ) from None
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
        self.commit()
        self._db.close()

    def _ask(self, statement: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        try:
            return self._db.execute(statement, values).fetchall()
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            raise JournalError(f"{self._path}: {one_line(error)}") from None

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
        """Make these the photos of the table, replacing any earlier list."""
        self._begin()
        self._ask("DELETE FROM listed")
        for p in photos:
            self._ask(
                "INSERT INTO listed VALUES (?, ?, ?, ?, ?, ?)",
                (p.name, p.stamp, _subject_text(p.subject), p.phone, p.light, p.size),
            )
        self.commit()

    def photos(self) -> Iterator[PhotoFile]:
        """The photos of the table in order of name; JournalError if it lists what is none."""
        for row in self._ask(
            "SELECT name, stamp, subject, phone, light, size FROM listed ORDER BY name"
        ):
            yield self._listed(row)

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
