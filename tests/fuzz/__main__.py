"""Fuzz every loader: damaged, cut, bloated, mixed-up files.

    python tests/fuzz [--cases 100000] [--seed 1] [--only NAME ...] [--workers 2] [--keep FOLDER]

A case is bad when a loader raises anything but its own error, warns, gives a
result that isn't one, takes longer than ``SLOW_S`` of processor time, or makes
the process larger than ``MEMORY_MB``. Workers run under a hard limit of memory;
a worker that dies, or stays at one case for ``STUCK_S``, is a bad case too. Bad
cases are kept in ``--keep``, one file each.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
_HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(_HERE), str(_HERE.parent), str(_HERE.parents[1])]

from runner import case_of, markdown, run  # noqa: E402
from targets import TARGETS  # noqa: E402


def main() -> int:
    """Run the fuzzer; 1 when a case was bad."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=[], help="parts of target names")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--keep", type=Path, help="folder for the files of bad cases")
    wanted = parser.parse_args()
    start = time.monotonic()
    tallies = run(wanted.cases, wanted.seed, wanted.only, wanted.workers)
    total = sum(t.cases for t in tallies.values())
    print(f"{total} cases, seed {wanted.seed}, {(time.monotonic() - start) / 60:.1f} min\n")
    print(markdown(tallies))
    kinds: dict[tuple[str, str], list[int]] = {}
    for name, tally in tallies.items():
        for number, end in tally.bad:
            kinds.setdefault((name, end[:160]), []).append(number)
            if wanted.keep:
                wanted.keep.mkdir(parents=True, exist_ok=True)
                file = wanted.keep / f"{name.split()[0]}-{wanted.seed}-{number}.bin"
                file.write_bytes(case_of(TARGETS[name], wanted.seed, number))
    for (name, end), numbers in sorted(kinds.items(), key=lambda item: -len(item[1])):
        print(f"{name}: {end}: {len(numbers)} cases, first {numbers[0]}")
    return 1 if kinds else 0


if __name__ == "__main__":
    sys.exit(main())
