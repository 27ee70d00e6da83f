"""A whole run: list, do what the journal lacks, write the tables.

Killed at any instant and started again with the same words it ends with the
same tables: they are made from the journal alone, in order of name.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Generator, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cardreader import __version__
from cardreader.batch.journal import Journal
from cardreader.batch.progress import Progress
from cardreader.batch.score import Job, Outcome, Task
from cardreader.batch.sources import PhotoFile, read_bytes
from cardreader.batch.table import Result, arrow_table, json_line, results_of, write_table
from cardreader.core.files import open_atomic, write_atomic
from cardreader.reader import Reader

JOURNAL, PARQUET, CSV, LINES = "journal.sqlite", "results.parquet", "results.csv", "results.jsonl"
SUMMARY, ABOUT = "summary.html", "run.json"
PASSES = 3
"""A content met under a second name is judged, from its record, in the pass after."""


@dataclass(frozen=True)
class Settings:
    """How to run.

    Attributes
    ----------
    out : Path
        Folder of journal, tables and summary; made if it isn't there.
    workers : int
        Processes on this machine, where no ``cluster`` is given.
    cluster : str or None
        Address of a Dask scheduler.
    timeout_s : float
        After which a photo is given up; on this machine only.
    summary : bool
        Whether to make the summary page.
    """

    out: Path
    workers: int = 1
    cluster: str | None = None
    timeout_s: float = 120.0
    summary: bool = True


@dataclass(frozen=True)
class Counts:
    """What a run came to."""

    photos: int
    read: int
    refused: int
    failed: int
    measured_now: int
    judged_now: int


def run_batch(
    photos: list[PhotoFile] | None, reader: Reader, settings: Settings, progress: Progress
) -> Counts:
    """Read what isn't read yet and write the tables.

    With ``photos`` None those of the run before are judged from their records,
    and none is opened.
    """
    settings.out.mkdir(parents=True, exist_ok=True)
    with Journal(settings.out / JOURNAL) as journal:
        _clear_up(settings.out)
        if photos is not None:
            journal.list_photos(photos)
        job = Job(reader, journal.known(__version__))
        try:
            now = _do(journal, job, settings, progress, reopen=photos is not None)
        finally:
            progress.end()  # so that an error has a line of its own
        return _write(journal, job, settings, now, reopened=photos is not None)


def _clear_up(out: Path) -> None:
    """Remove tables that a killed run had begun to write; the journal keeps others away."""
    for name in (PARQUET, CSV, LINES, SUMMARY, ABOUT):
        for part in out.glob(f".{name}.*.part"):
            part.unlink(missing_ok=True)


def _do(
    journal: Journal, job: Job, settings: Settings, progress: Progress, *, reopen: bool
) -> tuple[int, int]:
    by_name = {photo.name: photo for photo in journal.photos()}
    measured = judged = 0
    tried: set[str] = set()
    for number in range(PASSES):
        todo = [
            photo
            for name, photo in by_name.items()
            if name not in tried and journal.task(photo, job, reopen=reopen) is not None
        ]
        if number == 0:
            progress.start(len(by_name))
        progress.reach(len(by_name) - len(todo))
        if not todo:
            break
        tasks = _tasks(todo, journal, job, reopen=reopen)
        with closing(_outcomes(tasks, job, settings)) as outcomes:
            for outcome in outcomes:
                journal.add(outcome, by_name[outcome.name], job)
                if not outcome.known:
                    tried.add(outcome.name)
                    measured += outcome.record is not None
                    judged += outcome.reading is not None and outcome.record is None
                    progress.step(outcome)
    journal.commit()
    return measured, judged


def _tasks(photos: list[PhotoFile], journal: Journal, job: Job, *, reopen: bool) -> Iterator[Task]:
    """What is to be done about photos; a content that is there twice is left for the next pass.

    Two photos of the same size may be one: only those are looked into beforehand.
    """
    sizes = Counter(photo.size for photo in photos)
    taken: set[str] = set()
    judged: set[tuple[bytes, object]] = set()
    for photo in photos:
        task = journal.task(photo, job, reopen=reopen)
        if task is None:
            continue
        if task.record is None and photo.size is not None and sizes[photo.size] > 1:
            with suppress(OSError, ValueError):  # the worker will say what is wrong
                content = hashlib.sha256(read_bytes(photo.name)).hexdigest()
                journal.note(photo, content)
                if content in taken:
                    continue
                taken.add(content)
        if task.record is not None:
            what = hashlib.sha256(task.record).digest(), task.subject
            if what in judged:
                continue
            judged.add(what)
        yield task


def _outcomes(
    tasks: Iterator[Task], job: Job, settings: Settings
) -> Generator[Outcome, None, None]:
    if settings.cluster is not None:
        from cardreader.batch.cluster import run_on_cluster

        return run_on_cluster(tasks, job, settings.cluster)
    from cardreader.batch.workers import run_here

    return run_here(tasks, job, settings.workers, settings.timeout_s)


def _write(
    journal: Journal, job: Job, settings: Settings, now: tuple[int, int], *, reopened: bool
) -> Counts:
    found = ((photo, journal.outcome(photo, job, reopened=reopened)) for photo in journal.photos())
    results = _write_lines(settings.out / LINES, results_of(found))
    table = arrow_table(results)
    write_table(table, settings.out / PARQUET, settings.out / CSV)
    tally = {status: 0 for status in ("read", "refused", "failed")}
    for status in table.column("status").to_pylist():
        tally[status] += 1
    counts = Counts(table.num_rows, tally["read"], tally["refused"], tally["failed"], *now)
    about = _about(job.reader, counts)
    write_atomic(settings.out / ABOUT, json.dumps(about, indent=2, sort_keys=True) + "\n")
    if settings.summary:
        from cardreader.batch.summary import summary_page

        write_atomic(
            settings.out / SUMMARY, summary_page(table, about, job.reader.protocol, journal)
        )
    return counts


def _write_lines(path: Path, results: Iterator[Result]) -> Iterator[Result]:
    """Pass results on, writing each as a line; the file takes its name after the last."""
    with open_atomic(path) as stream:
        for result in results:
            stream.write(json_line(result).encode())
            yield result


def _about(reader: Reader, counts: Counts) -> dict[str, Any]:
    return {
        "version": __version__,
        "screening_only": True,
        "calibration": {
            "id": reader.calibration.id,
            "basis": reader.calibration.basis,
            "sha256": reader.calibration.sha256,
        },
        "protocol": {"id": reader.protocol.id, "sha256": reader.protocol.sha256},
        "lots": sorted(lot.lot_id for lot in reader.lots.values()),
        "today": reader.today.isoformat(),
        "photos": counts.photos,
        "read": counts.read,
        "refused": counts.refused,
        "failed": counts.failed,
    }
