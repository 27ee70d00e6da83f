"""Hard photographs: how often the reader is right, refuses, or is wrong with confidence.

    python tests/benchmarks/hard [--photos 12] [--draws 200] [--only NAME ...] [--out docs/hard.md]

Every cell of the matrix (condition x severity) gets its own seeded photos, all
synthetic, by cameras and lamps that the calibration was not fitted to. A
reading is wrong when the truth lies outside the 99 % interval that the reading
itself states. The table replaces the part of ``--out`` between its two marks.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from datetime import date
from functools import cache
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
_HERE = Path(__file__).resolve().parent
_ROOT = _HERE.parents[2]
sys.path[:0] = [str(_HERE), str(_HERE.parents[1]), str(_ROOT), str(_ROOT / "docs")]

import cv2  # noqa: E402
import draws  # noqa: E402
from conditions import CONDITIONS, Condition, Level  # noqa: E402
from sitting import draw_sitting  # noqa: E402
from verdict import Row, Verdict, judge, markdown, summary  # noqa: E402

from cardreader.card.lots import Lots  # noqa: E402
from cardreader.core.files import write_atomic  # noqa: E402
from cardreader.core.shipped import shipped  # noqa: E402
from cardreader.decide.protocolfile import load_protocol  # noqa: E402
from cardreader.hb.calibration import Calibration  # noqa: E402
from cardreader.pipeline import read_photo, read_same_blot  # noqa: E402
from cardreader.reader import Reader  # noqa: E402
from marked import marks, with_part  # noqa: E402

TODAY = date(2026, 11, 2)
SEED = 2027
"""Not that of the default calibration's fit, whose streams of random numbers these would share."""


@cache
def reader() -> Reader:
    """All that ships; the calibration counts for the lot that one row prints, too."""
    lots, calibration = Lots.load(shipped("lots")), Calibration.load(shipped("default"))
    named = {lot.lot_id for lot in lots.values()} | {*calibration.lots}
    return Reader(lots, replace(calibration, lots=tuple(sorted(named))), load_protocol(), TODAY)


def photo(
    seed: int, cell: int, condition: Condition, level: Level, index: int
) -> tuple[bytes, float]:
    """One photo's bytes and its true haemoglobin."""
    sitting = draw_sitting(seed, cell, index)
    return condition.make(sitting, level.value), condition.hb(sitting)


def _cells() -> list[tuple[int, Condition, Level]]:
    pairs = [(c, level) for c in CONDITIONS for level in c.levels]
    return [(k, c, level) for k, (c, level) in enumerate(pairs)]


def _one(job: tuple[int, int, int]) -> Verdict:
    seed, cell, index = job
    cv2.setNumThreads(1)
    _, condition, level = _cells()[cell]
    sitting = draw_sitting(seed, cell, index)
    hb = condition.hb(sitting)
    data = condition.make(sitting, level.value)
    if condition.again is None:
        reading = read_photo(data, reader())
    else:
        other = condition.again(draw_sitting(seed, cell, index), level.value)
        reading = read_same_blot((data, other), reader()).together
    return judge(reading, hb, condition.blood, reader().protocol)


def _drawn(job: tuple[int, int, int]) -> Verdict:
    seed, number, index = job
    cell = next(c for c in draws.cells() if c.number == number)
    return draws.draw(seed, cell, index, reader().calibration, reader().protocol)


def run(seed: int, photos: int, only: list[str], workers: int) -> list[Row]:
    """Read ``photos`` photos of every cell whose condition's name holds one of ``only``."""
    cells = [c for c in _cells() if not only or any(o in c[1].name for o in only)]
    return _rows(_one, cells, seed, photos, workers)


def run_draws(seed: int, n: int, only: list[str], workers: int) -> list[Row]:
    """Draw ``n`` sittings of every cell that changes colours alone."""
    cells = [
        (c.number, c.condition, c.level)
        for c in draws.cells()
        if not only or any(o in c.condition.name for o in only)
    ]
    return _rows(_drawn, cells, seed, n, workers)


def _rows(
    one: Callable[[tuple[int, int, int]], Verdict],
    cells: list[tuple[int, Condition, Level]],
    seed: int,
    n: int,
    workers: int,
) -> list[Row]:
    jobs = [(seed, number, i) for number, _, _ in cells for i in range(n)]
    with ProcessPoolExecutor(workers) as pool:
        verdicts = list(pool.map(one, jobs, chunksize=4))
    return [
        Row(
            condition.name, level.name, level.says, level.usable,
            tuple(verdicts[k * n : (k + 1) * n]),
        )
        for k, (_, condition, level) in enumerate(cells)
    ]  # fmt: skip


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photos", type=int, default=12, help="of every cell")
    parser.add_argument("--draws", type=int, default=200, help="of every cell of colours alone")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--only", nargs="*", default=[], help="parts of condition names")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, help="Markdown file whose table is replaced")
    wanted = parser.parse_args()
    start = time.monotonic()
    parts = [
        f"Seed {wanted.seed}, {wanted.photos} photos and {wanted.draws} draws a cell, "
        f"calibration {reader().calibration.id}."
    ]
    if wanted.photos and (rows := run(wanted.seed, wanted.photos, wanted.only, wanted.workers)):
        parts += ["### Photos", summary(rows), markdown(rows)]
    if wanted.draws and (rows := run_draws(wanted.seed, wanted.draws, wanted.only, wanted.workers)):
        parts += ["### Colours alone", summary(rows), markdown(rows)]
    took = (time.monotonic() - start) / 60
    parts.append(f"Took {took:.0f} min on {wanted.workers} processes.")
    text = "\n\n".join(part.rstrip() for part in parts)
    print(text)
    if wanted.out:
        there = wanted.out.exists()
        page = wanted.out.read_text("utf-8") if there else "\n".join((*marks("table"), ""))
        write_atomic(wanted.out, with_part(page, "table", f"\n{text}"))


if __name__ == "__main__":
    main()
