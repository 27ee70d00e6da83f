"""The photos of a run's table, as its journal keeps them, and what the run has met of them."""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from cardreader.batch.ahead import Ahead
from cardreader.batch.blots import join
from cardreader.batch.journalfile import JournalFile
from cardreader.batch.sources import ListedTwice, PhotoFile
from cardreader.batch.stores import is_address
from cardreader.decide.subject import Smoking, Subject, Trimester

_COMING = """
CREATE TEMP TABLE IF NOT EXISTS coming (
    number INTEGER PRIMARY KEY, name TEXT UNIQUE, stamp TEXT, subject TEXT NOT NULL, phone TEXT,
    light TEXT, size INTEGER, blot TEXT, beside TEXT, paper TEXT
);
CREATE INDEX IF NOT EXISTS temp.coming_size ON coming (size, stamp);
CREATE INDEX IF NOT EXISTS temp.coming_blot ON coming (blot, name) WHERE blot IS NOT NULL;
DELETE FROM coming
"""
_FACTS = "name, stamp, subject, phone, light, size, blot, beside, paper"
_VALUES = f"({_FACTS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"
_KEEP = f"INSERT OR IGNORE INTO coming {_VALUES} RETURNING 1"
_SEVERAL = "SELECT blot FROM coming WHERE blot > ? GROUP BY blot HAVING count(*) > 1"
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
        self._table = "listed"

    def coming(
        self, photos: Iterable[PhotoFile], all_come: Callable[[int], None] = lambda count: None
    ) -> Iterator[PhotoFile]:
        """Hand photos on as they are listed, each once; then they are those of the table.

        Listing goes on while the caller works on a photo; ``all_come`` is told how many there
        are as soon as it has ended. A photo may come twice with the same facts. SourceError if
        it comes with others, and then, as after any error of ``photos``, the earlier list stays.
        """
        for statement in _COMING.split(";"):
            self._file.ask(statement)
        self._table = "coming"
        try:
            with Ahead(iter(photos)) as ahead:
                yield from self._handed_on(ahead, all_come)
        finally:
            self._table = "listed"

    def _handed_on(
        self, ahead: Ahead[PhotoFile], all_come: Callable[[int], None]
    ) -> Iterator[PhotoFile]:
        waiting: deque[tuple[Any, ...]] = deque()
        last = 0
        twice = ListedTwice()
        while True:
            if not ahead.ended:
                for photo in ahead.take(wait=not waiting or bool(twice)):
                    if not self._keep(photo):
                        twice.add(photo)
                if ahead.ended:
                    twice.must_be_none()
                    self._take_over()
                    all_come(len(self))
            if twice:
                continue  # what else is wrong is told too, and no further photo begun
            if not waiting:
                waiting += self._file.ask(
                    f"SELECT number, {_FACTS} FROM coming WHERE number > ? "
                    f"ORDER BY number LIMIT {_PAGE}",
                    (last,),
                )
            if not waiting:
                return
            last, *facts = waiting.popleft()
            yield self._photo(tuple(facts))

    def _keep(self, photo: PhotoFile) -> bool:
        """Whether it came for the first time, or with the facts that it had then."""
        facts = _facts(photo)
        if self._file.ask(_KEEP, facts):
            return True
        kept = self._file.one(f"SELECT {_FACTS} FROM coming WHERE name = ?", (photo.name,))
        return kept == facts

    def _take_over(self) -> None:
        """Make the photos that came those of the table."""
        self._file.commit()
        self._file.begin()
        try:
            self._file.ask("DELETE FROM listed")
            self._file.ask(
                f"INSERT INTO listed ({_FACTS}) SELECT {_FACTS} FROM coming "
                f"WHERE blot IS NULL OR blot NOT IN ({_SEVERAL})",
                ("",),
            )
            self._join_blots()
        except BaseException:
            self._file.rollback()
            raise
        self._file.commit()
        self._table = "listed"

    def _join_blots(self) -> None:
        """Make the photos of one blot one in the table, at the place of the first."""
        blot = ""
        while found := self._file.one(f"{_SEVERAL} ORDER BY blot LIMIT 1", (blot,)):
            blot = found[0]
            rows = self._file.ask(
                f"SELECT {_FACTS} FROM coming WHERE blot = ? ORDER BY name", (blot,)
            )
            self._file.ask(
                f"INSERT INTO listed {_VALUES}", _facts(join([self._photo(row) for row in rows]))
            )

    def replace(self, photos: Iterable[PhotoFile]) -> None:
        """Make these the photos of the table; errors as `coming`."""
        for _ in self.coming(photos):
            pass

    def __iter__(self) -> Iterator[PhotoFile]:
        last, first = "", True
        while True:
            rows = self._file.ask(
                f"SELECT {_FACTS} FROM listed WHERE name > ? OR ? ORDER BY name LIMIT {_PAGE}",
                (last, first),
            )
            if not rows:
                return
            for row in rows:
                yield self._photo(row)
            last, first = rows[-1][0], False

    def __len__(self) -> int:
        return int(self._file.ask("SELECT count(*) FROM listed")[0][0])

    def __getitem__(self, name: str) -> PhotoFile:
        row = self._file.one(f"SELECT {_FACTS} FROM {self._table} WHERE name = ?", (name,))
        if row is None:
            raise self._file.damaged()
        return self._photo(row)

    def may_be_double(self, photo: PhotoFile) -> bool:
        """Whether another photo listed so far may have the same content.

        It has as many bytes, and where a store tells its contents apart, the same tag.
        """
        if photo.size is None:
            return False
        # Thousands may have one size. Asked for this way the index tells them apart.
        told_apart = is_address(photo.name)
        same = self._file.ask(
            f"SELECT 1 FROM {self._table} WHERE size = ?{' AND stamp = ?' * told_apart} LIMIT 2",
            (photo.size, photo.stamp) if told_apart else (photo.size,),
        )
        return len(same) > 1

    def _photo(self, row: tuple[Any, ...]) -> PhotoFile:
        match row:
            case (
                str(name),
                None | str() as stamp,
                str(subject),
                None | str() as phone,
                None | str() as light,
                None | int() as size,
                None | str() as blot,
                None | str() as beside,
                None | str() as paper,
            ):
                try:
                    others = tuple(map(str, json.loads(beside or "[]")))
                    about = _subject(subject)
                    return PhotoFile(name, stamp, about, phone, light, size, blot, others, paper)
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


def _facts(photo: PhotoFile) -> tuple[Any, ...]:
    p = photo
    beside = json.dumps(p.beside) if p.beside else None
    about = _subject_text(p.subject)
    return p.name, p.stamp, about, p.phone, p.light, p.size, p.blot, beside, p.paper


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
