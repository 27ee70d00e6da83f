"""A photo that brings its process down costs its own row and no other."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections import deque
from contextlib import closing
from dataclasses import replace
from multiprocessing import Pipe
from pathlib import Path
from typing import Any, cast

import pytest
from batchrig import OTHER_LOT, ROOT, variant
from killers import DeadlyLots

from cardreader.batch.score import Failure, Job, Outcome, Task, unpack_reading
from cardreader.batch.workers import Pool, Worker, run_here
from cardreader.decide.subject import Subject
from cardreader.pipeline import read_photo
from cardreader.reader import Reader
from cardreader.result.asjson import reading_json


def _run(tasks: list[Task], job: Job, workers: int = 2, timeout_s: float = 60) -> list[Outcome]:
    with closing(run_here(tasks, job, workers, timeout_s)) as outcomes:
        return sorted(outcomes, key=lambda outcome: outcome.name)


@pytest.fixture
def photos(tmp_path: Path, card_photo: bytes, other_lot_photo: bytes) -> list[Task]:
    """Seven photos, the fourth of the other lot."""
    tasks = []
    for i in range(7):
        path = tmp_path / f"{i}.jpg"
        path.write_bytes(other_lot_photo if i == 3 else variant(card_photo, i))
        tasks.append(Task(str(path), Subject()))
    return tasks


@pytest.mark.parametrize(
    ("manner", "detail"),
    [
        ("exit", "the reading process ended with code 7"),
        ("segfault", "the reading process died of SIGSEGV"),
        ("kill", "the reading process died of SIGKILL"),
    ],
)
def test_a_crash_costs_one_row(
    reader: Reader, photos: list[Task], manner: str, detail: str
) -> None:
    job = Job(replace(reader, lots=DeadlyLots.of(reader.lots, OTHER_LOT, manner)))
    outcomes = _run(photos, job)
    assert [o.name for o in outcomes] == [t.name for t in photos]
    troubles = {o.name: o.trouble for o in outcomes if o.trouble}
    assert list(troubles) == [photos[3].name]
    trouble = troubles[photos[3].name]
    assert (trouble.kind, trouble.detail) == (Failure.CRASHED, detail)
    assert trouble.sha256 == read_photo(Path(photos[3].name).read_bytes(), reader).sha256


def test_a_process_killed_once_costs_nothing(
    reader: Reader, photos: list[Task], tmp_path: Path
) -> None:
    lots = DeadlyLots.of(reader.lots, OTHER_LOT, "kill", once=tmp_path / "done")
    outcomes = _run(photos, Job(replace(reader, lots=lots)))
    assert (tmp_path / "done").exists()
    assert [o.name for o in outcomes] == [t.name for t in photos]
    assert [o.trouble for o in outcomes] == [None] * 7


@pytest.mark.slow
def test_a_photo_that_takes_for_ever_is_given_up(reader: Reader, photos: list[Task]) -> None:
    job = Job(replace(reader, lots=DeadlyLots.of(reader.lots, OTHER_LOT, "hang")))
    outcomes = _run(photos, job, timeout_s=8)
    assert [o.name for o in outcomes if o.trouble] == [photos[3].name]
    assert outcomes[3].trouble is not None
    assert outcomes[3].trouble.kind is Failure.TOO_SLOW


def test_a_defect_is_told_and_the_worker_goes_on(reader: Reader, photos: list[Task]) -> None:
    job = Job(replace(reader, lots=DeadlyLots.of(reader.lots, OTHER_LOT, "raise")))
    outcomes = _run(photos, job, workers=1)
    assert [o.name for o in outcomes if o.trouble] == [photos[3].name]
    assert outcomes[3].trouble is not None
    assert outcomes[3].trouble.kind is Failure.DEFECT
    assert outcomes[3].trouble.detail == "ArithmeticError: made up"


def test_workers_give_what_the_pipeline_gives(reader: Reader, photos: list[Task]) -> None:
    for outcome in _run(photos[2:4], Job(reader)):
        direct = reading_json(read_photo(Path(outcome.name).read_bytes(), reader))
        assert outcome.reading is not None
        assert unpack_reading(outcome.reading) == json.loads(json.dumps(direct))


def test_no_worker_is_no_pool(reader: Reader) -> None:
    with pytest.raises(ValueError, match="0 workers"):
        list(run_here([], Job(reader), 0, 1.0))


def test_libraries_keep_to_one_thread() -> None:
    code = (
        "from cardreader.batch.score import prepare_process; prepare_process(); "
        "import cv2, numpy, scipy.linalg; from threadpoolctl import threadpool_info; "
        "print(cv2.getNumThreads(), {pool['num_threads'] for pool in threadpool_info()})"
    )
    # Asked for four each, so that one is what the worker made of it.
    asked = {name: "4" for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")}
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        cwd=ROOT,
        env={**os.environ, **asked},
    )
    assert done.stdout.split(maxsplit=1) == ["1", "{1}\n"], done.stderr


class _Process:
    """A worker's process that is gone when asked."""

    exitcode = 0

    def join(self) -> None:
        pass

    def kill(self) -> None:
        raise AssertionError("a worker that has answered is no slow one")


def test_waiting_for_the_next_photo_makes_none_too_slow(reader: Reader) -> None:
    """Both messages of a photo came while a slow listing was waited for."""
    pool = Pool(iter(()), Job(reader), 1, timeout_s=1.0)
    ours, theirs = Pipe()
    done = Outcome("a.jpg", "hash", reading=b"any")
    theirs.send("hash")
    theirs.send(done)
    tasks = deque([Task("a.jpg", Subject())])
    pool.workers.append(Worker(cast(Any, _Process()), ours, tasks, since=-1e9))
    assert list(pool.outcomes()) == [done]
    theirs.close()


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="needs /proc")
def test_no_process_that_reads_hears_of_ctrl_c(reader: Reader, photos: list[Task]) -> None:
    """Nor does the one that starts them: both had their tracebacks where they had just begun."""
    pool = Pool(photos[:2], Job(reader), 1, 60.0)
    try:
        next(iter(pool.outcomes()))
        status = _status(pool.workers[0].process.pid or 0)
        for one in (status, _status(int(status["PPid"]))):
            assert int(one["SigBlk"], 16) >> (signal.SIGINT - 1) & 1
    finally:
        pool.stop()


def _status(pid: int) -> dict[str, str]:
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return {key: value.strip() for key, value in (line.split(":", 1) for line in lines)}
