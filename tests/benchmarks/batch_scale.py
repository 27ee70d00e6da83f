"""Batch at scale: a bucket of 100,000 objects, tables and summary of 1,000,000 rows, Dask.

    python tests/benchmarks/batch_scale.py

The bucket is served over HTTP by moto's S3 server in a process of its own and read by
s3fs. Memory is the largest resident size of a process that does nothing else
(``ru_maxrss``), so that flat means flat. Times of one process are of its processor, which a
busy machine doesn't stretch; the others are of the clock. Rows are one real reading varied,
not photos.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing as mp
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from copy import deepcopy
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_images" / "good" / "moderate-8.3-tube.reading.json"
OBJECTS, READ, ROWS = 100_000, 1_000, (10_000, 100_000, 1_000_000)
BUCKET = "blots"


def main() -> None:
    """Measure and print Markdown."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--objects", type=int, default=OBJECTS, help="objects in the bucket")
    parser.add_argument("--read", type=int, default=READ, help="of them read, here and by Dask")
    parser.add_argument("--rows", type=int, nargs="+", default=list(ROWS), help="rows of tables")
    given = parser.parse_args()
    print("| rows of tables and summary | CPU seconds | memory, MB |\n|---|---|---|")
    for count in given.rows:
        found = _apart(_tables, count)
        print(f"| {count:,} | {found['seconds']:.0f} | {found['mb']:.0f} |", flush=True)
    with _Bucket(given.objects, given.read):
        print("\n| listing a bucket | objects | first, CPU s | all, CPU s | memory, MB |")
        print("|---|---|---|---|---|")
        for name, prefix in (("a few", "few"), ("all", "many")):
            found = _apart(_listing, prefix)
            print(
                f"| {name} | {found['count']:,} | {found['first']:.2f} | {found['seconds']:.1f} "
                f"| {found['mb']:.0f} |",
                flush=True,
            )
        print("\n| reading small objects | objects | seconds |\n|---|---|---|")
        print(f"| 2 processes | {given.read:,} | {_batch('--workers', '2'):.0f} |", flush=True)
        print(f"| Dask, 2 workers | {given.read:,} | {_on_dask():.0f} |", flush=True)


# --- rows ---------------------------------------------------------------------------


def _tables(count: int) -> dict[str, float]:
    """Write the three tables, and count for the summary, as a run does at its end."""
    from cardreader.batch.doubtful import Doubtful
    from cardreader.batch.journal import Journal
    from cardreader.batch.plots import distribution
    from cardreader.batch.results import results_of
    from cardreader.batch.table import TableFiles
    from cardreader.batch.tally import Tallier

    started = time.process_time()
    tally, doubtful = Tallier(), Doubtful()
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder)
        with (
            Journal(out / "journal.sqlite") as journal,
            TableFiles(out / "t.parquet", out / "t.csv", out / "t.jsonl") as add,
        ):
            for result in results_of(_outcomes(count), partial(journal.met.first, "result")):
                cells = result.cells
                add(result, cells)
                tally.add(cells)
                doubtful.add(cells)
        numbers = tally.result()
        distribution(numbers, (7.0, 11.0))
        assert numbers.photos == count
        assert len(doubtful.rows()) > 0
    return {"seconds": time.process_time() - started}


def _outcomes(count: int) -> Iterator[tuple[Any, Any]]:
    from cardreader.batch.packed import packed
    from cardreader.batch.score import Outcome
    from cardreader.batch.sources import PhotoFile

    whole = json.loads(SAMPLE.read_text())
    kept = []
    for number in range(100):
        reading = deepcopy(whole)
        reading["hb"]["g_dl"] = round(6 + number / 10, 1)
        if number % 3 == 0:
            reading["decision"].update(outcome="uncertain", question="may_be_severe")
        kept.append(packed(reading, ascii_only=False))
    for number in range(count):
        photo = PhotoFile(f"s3://{BUCKET}/{number:09d}.jpg", phone=f"phone {number % 40}")
        yield photo, Outcome(photo.name, f"{number:064x}", reading=kept[number % 100])


# --- the bucket ---------------------------------------------------------------------


class _Bucket:
    """The bucket, filled before it is served; the environment says where it is."""

    def __init__(self, objects: int, read: int) -> None:
        context = mp.get_context("spawn")
        self._mine, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(theirs, objects, read), daemon=True)

    def __enter__(self) -> None:
        self._process.start()
        os.environ |= {
            "AWS_ENDPOINT_URL": self._mine.recv(),
            "AWS_ACCESS_KEY_ID": "testing",
            "AWS_SECRET_ACCESS_KEY": "testing",
            "AWS_DEFAULT_REGION": "us-east-1",
        }

    def __exit__(self, *_: object) -> None:
        self._process.terminate()
        self._process.join()


def _serve(pipe: Any, objects: int, read: int) -> None:
    import logging

    from moto.core import DEFAULT_ACCOUNT_ID
    from moto.s3.models import s3_backends
    from moto.server import ThreadedMotoServer

    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    store = s3_backends[DEFAULT_ACCOUNT_ID]["aws"]
    store.create_bucket(BUCKET, "us-east-1")
    for number in range(objects):
        store.put_object(BUCKET, f"many/{number:09d}.jpg", b"no photo %d" % number)
    for number in range(read):
        store.put_object(BUCKET, f"few/{number:09d}.jpg", b"no photo %d" % number)
    server = ThreadedMotoServer(port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    pipe.send(f"http://{host}:{port}")
    time.sleep(86_400)


def _listing(prefix: str) -> dict[str, float]:
    from cardreader.batch.sources import list_photos

    started = time.process_time()
    listing = list_photos([f"s3://{BUCKET}/{prefix}"])
    list(islice(listing, 1))
    first = time.process_time() - started
    count = 1 + sum(1 for _ in listing)
    return {"count": count, "first": first, "seconds": time.process_time() - started}


def _batch(*words: str) -> float:
    started = time.perf_counter()
    with tempfile.TemporaryDirectory() as out:
        command = f"-m cardreader batch s3://{BUCKET}/few --no-summary --out".split()
        subprocess.run(
            [sys.executable, *command, out, *words],
            check=True,
            cwd=ROOT,
            stdout=subprocess.DEVNULL,
        )
    return time.perf_counter() - started


def _on_dask() -> float:
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, processes=True
    ) as cluster:
        return _batch("--cluster", cluster.scheduler_address)


# --- processes of their own -----------------------------------------------------------


def _apart(work: Callable[[Any], dict[str, float]], given: Any) -> dict[str, float]:
    context = mp.get_context("spawn")
    mine, theirs = context.Pipe()
    process = context.Process(target=_measured, args=(theirs, work, given))
    process.start()
    found: dict[str, float] = mine.recv()
    process.join()
    return found


def _measured(pipe: Any, work: Callable[[Any], dict[str, float]], given: Any) -> None:
    found = work(given)
    pipe.send({**found, "mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024})


if __name__ == "__main__":
    main()
