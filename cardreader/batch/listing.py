"""The photos of a run's table, as its journal keeps them, and what the run has met of them."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from typing import Any

from cardreader.batch.journalfile import JournalFile
from cardreader.batch.sources import PhotoFile, listed_twice
from cardreader.decide.subject import Smoking, Subject, Trimester

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


class Listing:
    """The photos of the table, in order of name; iterating holds a page of them at a time.

    The journal may be written to meanwhile. JournalError where it lists what is no photo.
    """

    def __init__(self, file: JournalFile) -> None:
        self._file = file

    def replace(self, photos: Iterable[PhotoFile]) -> None:
        """Make these the photos of the table, replacing any earlier list.

        A photo may come twice with the same facts. SourceError if it comes with
        others, and then, as after any error of ``photos``, the earlier list stays.
        """
        self._file.begin()
        try:
            self._file.ask("DELETE FROM listed")
            for p in photos:
                facts = p.name, p.stamp, _subject_text(p.subject), p.phone, p.light, p.size
                if self._file.ask(_LIST, facts):
                    continue
                if self._file.one(f"{_LISTED} WHERE name = ?", (p.name,)) != facts:
                    raise listed_twice(p)
        except BaseException:
            self._file.rollback()
            raise
        self._file.commit()

    def __iter__(self) -> Iterator[PhotoFile]:
        last, first = "", True
        while True:
            rows = self._file.ask(
                f"{_LISTED} WHERE name > ? OR ? ORDER BY name LIMIT {_PAGE}", (last, first)
            )
            if not rows:
                return
            for row in rows:
                yield self._photo(row)
            last, first = rows[-1][0], False

    def __len__(self) -> int:
        return int(self._file.ask("SELECT count(*) FROM listed")[0][0])

    def __getitem__(self, name: str) -> PhotoFile:
        row = self._file.one(f"{_LISTED} WHERE name = ?", (name,))
        if row is None:
            raise self._file.damaged()
        return self._photo(row)

    def share_size(self, size: int) -> bool:
        """Whether more than one photo has as many bytes."""
        return len(self._file.ask("SELECT 1 FROM listed WHERE size = ? LIMIT 2", (size,))) > 1

    def _photo(self, row: tuple[Any, ...]) -> PhotoFile:
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
        raise self._file.damaged()


class Met:
    """What this run has met, of any kind; forgotten at its end."""

    def __init__(self, file: JournalFile) -> None:
        self._file = file

    def claim(self, kind: str, key: str) -> bool:
        """Whether ``key`` of ``kind`` is met for the first time."""
        return self.first(kind, key, "") is None

    def claimed(self, kind: str, key: str) -> bool:
        """Whether ``key`` of ``kind`` was met."""
        self._file.ask(_MEMORY)
        found = self._file.one("SELECT 1 FROM met WHERE kind = ? AND key = ?", (kind, key))
        return found is not None

    def first(self, kind: str, key: str, name: str) -> str | None:
        """Who met ``key`` of ``kind`` first: None when it is ``name`` now."""
        self._file.ask(_MEMORY)
        if self._file.ask(
            "INSERT OR IGNORE INTO met VALUES (?, ?, ?) RETURNING 1", (kind, key, name)
        ):
            return None
        found = self._file.one("SELECT name FROM met WHERE kind = ? AND key = ?", (kind, key))
        return None if found is None else str(found[0])


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
