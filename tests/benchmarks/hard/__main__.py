"""Hard photographs: how often the reader is right, refuses, or is wrong with confidence.

    python tests/benchmarks/hard [--photos 12] [--only NAME ...] [--workers 2] [--out docs/hard.md]

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
from concurrent.futures import ProcessPoolExecutor
from datetime import date
from functools import cache
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
_HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(_HERE), str(_HERE.parents[1]), str(_HERE.parents[2])]

import cv2  # noqa: E402
from conditions import CONDITIONS, Condition, Level  # noqa: E402
from sitting import draw_sitting  # noqa: E402
from verdict import Row, Verdict, judge, markdown, summary  # noqa: E402

from cardreader.calibration import Calibration  # noqa: E402
from cardreader.card import Lots  # noqa: E402
from cardreader.files import write_atomic  # noqa: E402
from cardreader.pipeline import Reader, read_photo  # noqa: E402
from cardreader.protocol import load_protocol  # noqa: E402
from cardreader.shipped import shipped  # noqa: E402

TODAY = date(2026, 11, 2)
BEGIN, END = "<!-- table: begin -->", "<!-- table: end -->"


@cache
def reader() -> Reader:
    """All that ships."""
    return Reader(
        Lots.load(shipped("lots")), Calibration.load(shipped("default")), load_protocol(), TODAY
    )


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
    return judge(read_photo(data, reader()), hb, condition.blood)


def run(seed: int, photos: int, only: list[str], workers: int) -> list[Row]:
    """Read ``photos`` photos of every cell whose condition's name holds one of ``only``."""
    cells = [c for c in _cells() if not only or any(o in c[1].name for o in only)]
    jobs = [(seed, cell, i) for cell, _, _ in cells for i in range(photos)]
    with ProcessPoolExecutor(workers) as pool:
        verdicts = list(pool.map(_one, jobs, chunksize=4))
    return [
        Row(
            condition.name, level.name, level.says, level.usable,
            tuple(verdicts[k * photos : (k + 1) * photos]),
        )
        for k, (_, condition, level) in enumerate(cells)
    ]  # fmt: skip


def _between_marks(path: Path, text: str) -> str:
    page = path.read_text("utf-8") if path.exists() else f"{BEGIN}\n{END}\n"
    before, rest = page.split(BEGIN)
    return f"{before}{BEGIN}\n\n{text}\n{END}{rest.split(END)[1]}"


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photos", type=int, default=12, help="of every cell")
    parser.add_argument("--seed", type=int, default=2026)
    parser.add_argument("--only", nargs="*", default=[], help="parts of condition names")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, help="Markdown file whose table is replaced")
    wanted = parser.parse_args()
    start = time.monotonic()
    rows = run(wanted.seed, wanted.photos, wanted.only, wanted.workers)
    took = time.monotonic() - start
    text = (
        f"Seed {wanted.seed}, {wanted.photos} photos a cell, "
        f"calibration {reader().calibration.id}, "
        f"{took / 60:.0f} min on {wanted.workers} processes.\n\n"
        f"{summary(rows)}\n{markdown(rows)}"
    )
    print(text)
    if wanted.out:
        write_atomic(wanted.out, _between_marks(wanted.out, text))


if __name__ == "__main__":
    main()
