"""One photo in one worker: Task -> Outcome. Nothing else of the batch runs in a worker."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property
from typing import Any

from cardreader import __version__
from cardreader.batch.packed import DamagedError, packed, unpacked
from cardreader.batch.record import pack, unpack
from cardreader.batch.sources import read_bytes
from cardreader.card.cgats import write_lot
from cardreader.core.oneline import reason
from cardreader.decide.subject import Subject
from cardreader.pipeline import measure_photo, measure_together, reading_of
from cardreader.reader import Reader
from cardreader.result.asjson import reading_json
from cardreader.result.reading import Measurement


class Failure(StrEnum):
    """Why a photo has no reading at all; the value is what the table carries."""

    CANT_OPEN = "cant_open"
    CRASHED = "crashed"
    TOO_SLOW = "too_slow"
    DEFECT = "defect"


@dataclass(frozen=True)
class Trouble:
    """A photo that came to no reading, not even a refused one."""

    kind: Failure
    detail: str
    sha256: str | None = None


@dataclass(frozen=True)
class Task:
    """One photo to be read, or, given the record of its content, only to be judged.

    ``paper`` is the batch of its blotting paper, None for that of the run.
    Photos ``beside`` it show the same blot, and are read as one with it.
    """

    name: str
    subject: Subject
    record: bytes | None = None
    content: str | None = None
    beside: tuple[str, ...] = ()
    paper: str | None = None


@dataclass(frozen=True)
class Outcome:
    """What became of a task.

    ``record`` is None for a photo judged from its record; ``known`` says that
    the content was already measured, under another name, and wasn't again.
    """

    name: str
    sha256: str | None = None
    lot_number: int | None = None
    record: bytes | None = None
    reading: bytes | None = None
    trouble: Trouble | None = None
    known: bool = False


@dataclass(frozen=True)
class Job:
    """What every task of a run shares."""

    reader: Reader
    known: frozenset[str] = frozenset()
    version: str = __version__

    @cached_property
    def lot_hashes(self) -> dict[int, str]:
        """Hash of every lot's content, by number."""
        return {n: _hash(write_lot(lot)) for n, lot in self.reader.lots.items()}

    def lot_key(self, number: int | None) -> str:
        """What a measurement rests on besides the photo: the card lot's own content."""
        return "" if number is None else self.lot_hashes.get(number, "unknown")

    def reader_on(self, paper: str | None) -> Reader:
        """The reader for a blot on a batch of paper; None for that of the run."""
        return self.reader if paper is None else replace(self.reader, paper=paper)

    def judge_key(self, number: int | None, subject: Subject, paper: str | None = None) -> str:
        """What a judgement rests on besides the measurement."""
        reader = self.reader
        lot = None if number is None else reader.lots.get(number)
        return _hash(
            json.dumps(
                [
                    self.version,
                    reader.calibration.sha256,
                    reader.protocol.sha256,
                    reader.paper if paper is None else paper,
                    self.lot_key(number),
                    lot is not None and lot.is_expired(reader.today),
                    subject.known_trimester,
                    subject.gestation_weeks,
                    subject.elevation_m,
                    subject.smoking,
                ]
            )
        )


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _nothing(sha256: str) -> None:
    """What a worker tells no one."""


def score(
    task: Task,
    job: Job,
    begun: Callable[[str], None] = _nothing,
    fetched: Callable[[], list[bytes]] | None = None,
) -> Outcome:
    """Read or judge one photo; never raises for what a file holds.

    ``begun`` is told the content's hash before anything looks at the content,
    so that a photo that takes the process down is known by it. ``fetched`` gives
    the contents, or raises what `contents_of` does, where they were asked for before.
    """
    sha256 = None
    try:
        if task.record is not None:
            return _judged(task, job)
        contents = fetched() if fetched else contents_of(task.name, *task.beside)
        sha256 = content_hash(contents)
        if sha256 in job.known:
            return Outcome(task.name, sha256, known=True)
        begun(sha256)
        lots = job.reader.lots
        if len(contents) == 1:
            return _measured(task, job, sha256, measure_photo(contents[0], lots, sha256))
        return _measured(task, job, sha256, measure_together(contents, lots)[1])
    except DamagedError as error:
        return failed(task, Failure.DEFECT, reason(error), sha256)
    except (OSError, ValueError) as error:
        if sha256 is None:  # ValueError: a null byte in the name
            return failed(task, Failure.CANT_OPEN, reason(error), None)
        return failed(task, Failure.DEFECT, reason(error), sha256)
    except Exception as error:
        return failed(task, Failure.DEFECT, f"{type(error).__name__}: {reason(error)}", sha256)


def contents_of(*names: str) -> list[bytes]:
    """Contents of photos of one blot, each once. OSError for one that can't be opened."""
    return list(dict.fromkeys(map(read_bytes, names)))


def content_hash(contents: Sequence[bytes]) -> str:
    """What the content of a photo, or of several of one blot, is known by."""
    hashes = [hashlib.sha256(data).hexdigest() for data in contents]
    return hashes[0] if len(hashes) == 1 else _hash("+".join(hashes))


def _measured(task: Task, job: Job, sha256: str, measured: Measurement) -> Outcome:
    return Outcome(
        task.name,
        sha256,
        measured.findings.lot_number,
        record=pack(measured),
        reading=_reading(measured, task, job),
    )


def _judged(task: Task, job: Job) -> Outcome:
    assert task.record is not None
    measured = unpack(task.record, job.reader.lots)
    number = measured.findings.lot_number
    content = task.content or measured.sha256
    return Outcome(task.name, content, number, reading=_reading(measured, task, job))


def unpack_reading(reading: bytes) -> dict[str, Any]:
    """The reading of an outcome, as `report.reading_json` gave it; DamagedError if it is none."""
    return unpacked(reading)


def _reading(measured: Measurement, task: Task, job: Job) -> bytes:
    reading: dict[str, Any] = reading_json(
        reading_of(measured, job.reader_on(task.paper), task.subject)
    )
    return packed(reading, ascii_only=False)


def failed(task: Task, kind: Failure, detail: str, sha256: str | None) -> Outcome:
    """A task that came to nothing."""
    return Outcome(task.name, sha256, trouble=Trouble(kind, detail, sha256))


def prepare_process() -> None:
    """Keep libraries to one thread each: the processes are the threads here."""
    import cv2
    from threadpoolctl import threadpool_limits

    cv2.setNumThreads(1)
    threadpool_limits(1)
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"  # what is loaded later asks there
