"""Batch at scale: tables and summary of 1,000,000 rows.

    python tests/benchmarks/batch_scale.py

Memory is the largest resident size of a process that does nothing else (``ru_maxrss``), so
that flat means flat; times are of its processor, which a busy machine doesn't stretch. Rows
are one real reading varied, not photos: `bucket.py` reads those.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing as mp
import resource
import tempfile
import time
from collections.abc import Callable, Iterator
from copy import deepcopy
from functools import partial
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_images" / "good" / "moderate-8.3-tube.reading.json"
ROWS = (10_000, 100_000, 1_000_000)


def main() -> None:
    """Measure and print Markdown."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rows", type=int, nargs="+", default=list(ROWS), help="rows of tables")
    given = parser.parse_args()
    print("| rows of tables and summary | CPU seconds | memory, MB |\n|---|---|---|")
    for count in given.rows:
        found = apart(_tables, count)
        print(f"| {count:,} | {found['seconds']:.0f} | {found['mb']:.0f} |", flush=True)


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
        photo = PhotoFile(f"s3://blots/{number:09d}.jpg", phone=f"phone {number % 40}")
        yield photo, Outcome(photo.name, f"{number:064x}", reading=kept[number % 100])


# --- processes of their own -----------------------------------------------------------


def apart(work: Callable[[Any], dict[str, float]], given: Any) -> dict[str, float]:
    """What ``work`` finds in a process of its own, and ``mb``, the most that it held."""
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
