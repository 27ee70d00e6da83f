"""A whole run: list, do what the journal lacks, write the tables.

Killed at any instant and started again with the same words it ends with the
same tables: they are made from the journal alone, in order of name.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Generator, Iterable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from functools import partial
from itertools import chain
from pathlib import Path
from typing import Any

from cardreader import __version__
from cardreader.batch.advice import Remedy
from cardreader.batch.dictionary import data_package
from cardreader.batch.doubtful import Doubtful
from cardreader.batch.journal import Journal
from cardreader.batch.paper import paper_of
from cardreader.batch.results import results_of
from cardreader.batch.score import Job, Outcome, Task, unpack_reading
from cardreader.batch.sessions import SessionOff
from cardreader.batch.sources import PhotoFile, read_bytes
from cardreader.batch.table import TableFiles
from cardreader.batch.tally import Tallier, ranked
from cardreader.core.files import write_atomic
from cardreader.reader import Reader
from cardreader.terminal.progress import Progress

JOURNAL, PARQUET, CSV, LINES = "journal.sqlite", "results.parquet", "results.csv", "results.jsonl"
SUMMARY, ABOUT, DICTIONARY = "summary.html", "run.json", "datapackage.json"
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
    of_several: int = 0
    """Rows for which several photos of one blot were read as one."""
    follows: tuple[int, int, int] = (0, 0, 0)
    """Photos that were read, each content once: to refer now, to confirm, neither of them."""
    reasons: tuple[tuple[str, int], ...] = ()
    """Why photos gave no reading, and how many of each; the most frequent first."""
    remedies: tuple[tuple[Remedy, int], ...] = ()
    """What is left to do about those, each content once."""
    sessions_off: tuple[SessionOff, ...] = ()
    """Sessions whose readings as a whole lie off, the farthest first."""


def run_batch(
    photos: Iterable[PhotoFile] | None, reader: Reader, settings: Settings, progress: Progress
) -> Counts:
    """Read what isn't read yet and write the tables.

    ``photos`` are listed as they come; a name may come again with the same facts. With
    None those of the run before are judged from their records, and none is opened.
    SourceError for ``photos`` that can't be listed: the run before stays as it is.
    """
    settings.out.mkdir(parents=True, exist_ok=True)
    with Journal(settings.out / JOURNAL) as journal:
        _clear_up(settings.out)
        try:
            job = Job(reader, journal.known(__version__))
            now = _do(journal, job, settings, progress, photos)
            progress.start("tables", len(journal.photos))
            return _write(journal, job, settings, now, progress, reopened=photos is not None)
        finally:
            progress.end()  # so that an error has a line of its own


def _clear_up(out: Path) -> None:
    """Remove tables that a killed run had begun to write; the journal keeps others away."""
    for name in (PARQUET, CSV, LINES, SUMMARY, ABOUT, DICTIONARY):
        for part in out.glob(f".{name}.*.part"):
            part.unlink(missing_ok=True)


def _do(
    journal: Journal,
    job: Job,
    settings: Settings,
    progress: Progress,
    photos: Iterable[PhotoFile] | None,
) -> tuple[int, int]:
    measured = judged = refused = failed = 0
    for tasks in _passes(journal, job, progress, photos):
        with closing(_outcomes(tasks, job, settings)) as outcomes:
            for outcome in outcomes:
                journal.add(outcome, journal.photos[outcome.name], job)
                if outcome.sha256 is not None:
                    journal.met.claim("content", outcome.sha256)
                if outcome.known:
                    continue
                journal.met.claim("tried", outcome.name)
                measured += outcome.record is not None
                judged += outcome.reading is not None and outcome.record is None
                failed += outcome.trouble is not None
                refused += _is_refused(outcome)
                progress.step(refused=refused, failed=failed)
    progress.complete()
    journal.commit()
    return measured, judged


def _passes(
    journal: Journal, job: Job, progress: Progress, photos: Iterable[PhotoFile] | None
) -> Iterator[Iterator[Task]]:
    """The tasks of each pass over the photos: the first one as they are listed.

    What may be there twice waits until all are listed.
    """
    reopen = photos is not None
    if photos is None:
        progress.start("photos", len(journal.photos), patience_s=0)
    else:
        progress.start("photos", patience_s=0)
        coming = journal.photos.coming(photos, progress.expect)
        yield _tasks(journal, job, progress, coming, reopen=True, all_listed=False)
    for number in range(PASSES):
        shown = progress if number == 0 and not reopen else Progress()
        tasks = _tasks(journal, job, shown, journal.photos, reopen=reopen, all_listed=True)
        first = next(tasks, None)
        if first is None:
            return
        yield chain((first,), tasks)


def _is_refused(outcome: Outcome) -> bool:
    if outcome.reading is None or outcome.trouble is not None:
        return False
    return bool(unpack_reading(outcome.reading)["status"] == "refused")


def _tasks(
    journal: Journal,
    job: Job,
    progress: Progress,
    photos: Iterable[PhotoFile],
    *,
    reopen: bool,
    all_listed: bool,
) -> Iterator[Task]:
    """What is to be done about photos; a content that is there twice is left for a later pass.

    Only photos that may be double are looked into beforehand, once all are listed.
    """
    for photo in photos:
        if photo.blot is not None and not all_listed:
            continue  # others of its blot may still come
        task = journal.task(photo, job, reopen=reopen)
        if task is None or journal.met.claimed("tried", photo.name):
            progress.skip()
            continue
        if task.record is None and journal.photos.may_be_double(photo):
            if not all_listed:
                continue
            with suppress(OSError, ValueError):  # the worker will say what is wrong
                content = hashlib.sha256(read_bytes(photo.name)).hexdigest()
                journal.note(photo, content)
                if not journal.met.claim("content", content):
                    continue
        if task.record is not None:
            what = hashlib.sha256(task.record).hexdigest()
            if not journal.met.claim("judged", f"{what} {task.subject} {task.paper}"):
                continue
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
    journal: Journal,
    job: Job,
    settings: Settings,
    now: tuple[int, int],
    progress: Progress,
    *,
    reopened: bool,
) -> Counts:
    """The tables and the summary, in one pass over the results and a page of them at a time."""
    out = settings.out
    found = ((photo, journal.outcome(photo, job, reopened=reopened)) for photo in journal.photos)
    tally, doubtful, of_several, papers = Tallier(), Doubtful(), 0, Counter[str]()
    tables = TableFiles(out / PARQUET, out / CSV, out / LINES)
    with tables as add:
        for result in results_of(found, partial(journal.met.first, "result")):
            cells = result.cells
            add(result, cells)
            tally.add(cells)
            doubtful.add(cells)
            of_several += cells["photos"] > 1
            if result.photo.paper is not None:
                papers[result.photo.paper] += 1
            progress.step()
    numbers = tally.result()
    status = tally.rows
    counts = Counts(
        numbers.photos,
        status["read"],
        status["refused"],
        status["failed"],
        *now,
        of_several,
        (numbers.refer, numbers.confirm, numbers.as_protocol),
        ranked(tally.row_reasons),
        numbers.remedies,
        numbers.sessions_off,
    )
    about = _about(job.reader, counts) | {"papers_listed": dict(sorted(papers.items()))}
    write_atomic(out / ABOUT, json.dumps(about, indent=2, sort_keys=True) + "\n")
    write_atomic(out / DICTIONARY, json.dumps(data_package(CSV), indent=2) + "\n")
    if settings.summary:
        from cardreader.batch.summary import summary_page

        page = summary_page(numbers, doubtful, about, job.reader.protocol, journal)
        write_atomic(out / SUMMARY, page)
    return counts


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
        "paper": paper_of(reader),
        "lots": sorted(lot.lot_id for lot in reader.lots.values()),
        "today": reader.today.isoformat(),
        "photos": counts.photos,
        "read": counts.read,
        "refused": counts.refused,
        "failed": counts.failed,
        "sessions_off": [
            {
                "session": off.name,
                "read": off.read,
                "shift_g_dl": round(off.shift_g_dl, 2),
                "anaemia_unlikely_doubted": off.doubted,
            }
            for off in counts.sessions_off
        ],
    }
