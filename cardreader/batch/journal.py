"""What a batch has found so far, in one SQLite file; the only state a run has.

Every outcome is committed within half a second. A process killed at any instant
leaves the file as of its last commit, and what was not committed is done again.
Measurements are kept by content, judgements by content and by all they rest on,
so nothing is in twice and a new calibration adds judgements beside the old.
"""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import Self

from cardreader.batch.journalfile import JournalFile
from cardreader.batch.listing import Listing, Met
from cardreader.batch.score import Failure, Job, Outcome, Task, Trouble
from cardreader.batch.sources import PhotoFile

_FAILURES = frozenset(Failure)
_NOT_AT_HAND = (
    "not measured by this version with these --lots: give those of before, or the photos again"
)


class Journal:
    """The journal of one output folder; held by one process at a time.

    ``photos`` are those of the table, ``met`` what this run has come across.
    JournalError where the file is another's or damaged.
    """

    def __init__(self, path: Path) -> None:
        self._file = JournalFile(path)
        self.photos = Listing(self._file)
        self.met = Met(self._file)

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
        self._file.close()

    def commit(self) -> None:
        """Bring everything added so far to disk."""
        self._file.commit()

    def known(self, version: str) -> frozenset[str]:
        """Contents that are measured by this version."""
        rows = self._file.ask("SELECT sha256 FROM measured WHERE version = ?", (version,))
        return frozenset(sha256 for (sha256,) in rows)

    # --- what is still to do -----------------------------------------------------------

    def task(self, photo: PhotoFile, job: Job, *, reopen: bool = True) -> Task | None:
        """What is still to be done about a photo; None when nothing is.

        With ``reopen`` False the photo is not at hand: it is judged from its
        record or not at all.
        """
        sha256 = self._content(photo, trust=not reopen)
        if sha256 is None:
            return _to_read(photo) if reopen else None
        measured = self._measured(sha256, job)
        if measured is not None:
            number, record = measured
            key = job.judge_key(number, photo.subject, photo.paper)
            if self._judged(sha256, key) is not None:
                return None
            return Task(photo.name, photo.subject, record, sha256, paper=photo.paper)
        trouble = self._trouble(photo.name)
        if trouble is not None and trouble[0].sha256 == sha256 and trouble[1] == job.version:
            return None
        return _to_read(photo) if reopen else None

    def _content(self, photo: PhotoFile, *, trust: bool) -> str | None:
        row = self._file.one("SELECT stamp, sha256 FROM content WHERE name = ?", (photo.name,))
        if row is None:
            return None
        stamp, sha256 = row
        same = trust or (stamp is not None and stamp == photo.stamp)
        return str(sha256) if same else None

    def _measured(self, sha256: str, job: Job) -> tuple[int | None, bytes] | None:
        match self._file.one(
            "SELECT version, lot_number, lot_key, record FROM measured WHERE sha256 = ?", (sha256,)
        ):
            case None:
                return None
            case [version, None | int() as number, key, bytes(record)]:
                fits = version == job.version and key == job.lot_key(number)
                return (number, record) if fits else None
        raise self._file.damaged()

    def _judged(self, sha256: str, key: str) -> bytes | None:
        return self._file.blob(
            "SELECT reading FROM judged WHERE sha256 = ? AND judge_key = ?", (sha256, key)
        )

    def _trouble(self, name: str) -> tuple[Trouble, str] | None:
        return self._trouble_where("name", name)

    def _trouble_of(self, sha256: str | None) -> tuple[Trouble, str] | None:
        """Trouble that the same content brought under another name."""
        return None if sha256 is None else self._trouble_where("sha256", sha256)

    def _trouble_where(self, column: str, value: str) -> tuple[Trouble, str] | None:
        match self._file.one(
            f"SELECT kind, detail, sha256, version FROM trouble WHERE {column} = ? ORDER BY name",
            (value,),
        ):
            case None:
                return None
            case [str(kind), str(detail), None | str() as sha256, version] if kind in _FAILURES:
                return Trouble(Failure(kind), detail, sha256), version
        raise self._file.damaged()

    # --- what was found ------------------------------------------------------------------

    def add(self, outcome: Outcome, photo: PhotoFile, job: Job) -> None:
        """Keep an outcome; on disk within `journalfile.COMMIT_EVERY_S` of further outcomes."""
        self._file.begin()
        if outcome.sha256 is not None:
            self.note(photo, outcome.sha256)
        if outcome.trouble is not None:
            t = outcome.trouble
            self._file.ask(
                "INSERT OR REPLACE INTO trouble VALUES (?, ?, ?, ?, ?)",
                (outcome.name, t.sha256, job.version, str(t.kind), t.detail),
            )
        if outcome.record is not None:
            number = outcome.lot_number
            self._file.ask(
                "INSERT OR REPLACE INTO measured VALUES (?, ?, ?, ?, ?)",
                (outcome.sha256, job.version, number, job.lot_key(number), outcome.record),
            )
        if outcome.reading is not None:
            key = job.judge_key(outcome.lot_number, photo.subject, photo.paper)
            self._file.ask(
                "INSERT OR REPLACE INTO judged VALUES (?, ?, ?)",
                (outcome.sha256, key, outcome.reading),
            )
        self._file.commit_now_and_then()

    def note(self, photo: PhotoFile, sha256: str) -> None:
        """Keep what a photo's content is."""
        self._file.begin()
        self._file.ask(
            "INSERT OR REPLACE INTO content VALUES (?, ?, ?)", (photo.name, photo.stamp, sha256)
        )

    # --- what the table is made of -----------------------------------------------------------

    def outcome(self, photo: PhotoFile, job: Job, *, reopened: bool = True) -> Outcome:
        """What became of a photo of the table."""
        sha256 = self._content(photo, trust=not reopened)
        if sha256 is not None and (measured := self._measured(sha256, job)) is not None:
            reading = self._judged(sha256, job.judge_key(measured[0], photo.subject, photo.paper))
            if reading is not None:
                return Outcome(photo.name, sha256, measured[0], reading=reading)
        trouble = self._trouble(photo.name) or self._trouble_of(sha256)
        if trouble is not None:
            return Outcome(photo.name, trouble[0].sha256, trouble=trouble[0])
        absent = Trouble(Failure.CANT_OPEN, _NOT_AT_HAND, sha256)
        return Outcome(photo.name, sha256, trouble=absent)

    def record(self, sha256: str) -> bytes | None:
        """Record of a measured content."""
        return self._file.blob("SELECT record FROM measured WHERE sha256 = ?", (sha256,))


def _to_read(photo: PhotoFile) -> Task:
    return Task(photo.name, photo.subject, beside=photo.beside, paper=photo.paper)
