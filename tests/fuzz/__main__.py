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
import multiprocessing
import os
import random
import resource
import sys
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
_HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(_HERE), str(_HERE.parents[1])]

import cv2  # noqa: E402
from targets import TARGETS, Target  # noqa: E402

SLOW_S = 5.0
STUCK_S = 60.0
MEMORY_MB = 1500
HARD_LIMIT_BYTES = 6 << 30
_BATCH = 250


@dataclass
class Tally:
    """What came of one target's cases."""

    cases: int = 0
    ends: Counter[str] = field(default_factory=Counter)
    bad: list[tuple[int, str]] = field(default_factory=list)
    slowest_s: float = 0.0
    peak_mb: float = 0.0

    def add(self, other: Tally) -> None:
        """Take up another part's tally."""
        self.cases += other.cases
        self.ends += other.ends
        self.bad += other.bad
        self.slowest_s = max(self.slowest_s, other.slowest_s)
        self.peak_mb = max(self.peak_mb, other.peak_mb)


def case_of(target: Target, seed: int, number: int) -> bytes:
    """The bytes of one case."""
    return target.make(random.Random(f"{target.name}/{seed}/{number}"))


def run_case(target: Target, data: bytes) -> tuple[str, float]:
    """How the case ended and the processor seconds it took; "bad: ..." when it may not end so."""
    start = time.process_time()
    try:
        with warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always")
            end = target.run(data)
        if said:
            end = f"bad: warns: {said[0].category.__name__}: {said[0].message}"
    except BaseException as error:
        place = traceback.extract_tb(error.__traceback__)[-1]
        end = f"bad: {type(error).__name__}: {error} ({Path(place.filename).name}:{place.lineno})"
    took = time.process_time() - start
    if took > SLOW_S and not end.startswith("bad"):
        end = f"bad: {took:.1f} s"
    return end, took


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _run_batch(name: str, seed: int, first: int, count: int, progress) -> Tally:
    target, tally = TARGETS[name], Tally()
    for number in range(first, first + count):
        progress.value = number
        data = case_of(target, seed, number)
        before = _peak_mb()
        end, took = run_case(target, data)
        peak = _peak_mb()
        if peak > MEMORY_MB and peak > before + 10 and not end.startswith("bad"):
            end = f"bad: {peak:.0f} MB"
        tally.cases += 1
        tally.slowest_s = max(tally.slowest_s, took)
        tally.peak_mb = max(tally.peak_mb, peak)
        if end.startswith("bad"):
            tally.bad.append((number, end))
            tally.ends["bad"] += 1
        else:
            tally.ends[end] += 1
    return tally


def _worker(name: str, seed: int, first: int, count: int, progress, results) -> None:
    resource.setrlimit(resource.RLIMIT_AS, (HARD_LIMIT_BYTES, HARD_LIMIT_BYTES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    cv2.setNumThreads(1)
    _silence()
    results.put(_run_batch(name, seed, first, count, progress))


def _silence() -> None:
    """Decoders print their complaints from C; they say nothing that the result does not."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)


def _batches(cases: int, only: list[str]) -> Iterator[tuple[str, int, int]]:
    for target in TARGETS.values():
        if only and not any(o in target.name for o in only):
            continue
        n = cases if only else round(target.share * cases)
        for first in range(0, n, _BATCH):
            yield target.name, first, min(_BATCH, n - first)


def run(cases: int, seed: int, only: list[str], workers: int) -> dict[str, Tally]:
    """Run about ``cases`` cases over all targets, or as many over each of those named."""
    # Forked: the seeds, some of them rendered, are made once.
    context = multiprocessing.get_context("fork")
    for target in TARGETS.values():
        if not only or any(o in target.name for o in only):
            target.make(random.Random(0))
            target.run(target.make(random.Random(0)))
    tallies: dict[str, Tally] = {}
    todo = list(_batches(cases, only))
    running: list[_Job] = []
    while todo or running:
        while todo and len(running) < workers:
            running.append(_Job(*todo.pop(0), seed, context))
        time.sleep(0.02)
        for job in [job for job in running if job.ended()]:
            running.remove(job)
            tallies.setdefault(job.name, Tally()).add(job.tally())
            if job.left:
                todo.insert(0, (job.name, job.first + job.count - job.left, job.left))
    return tallies


class _Job:
    """A batch in a process of its own; ``left`` cases remain after one that ended the process."""

    def __init__(
        self,
        name: str,
        first: int,
        count: int,
        seed: int,
        context: multiprocessing.context.ForkContext,
    ) -> None:
        self.name, self.first, self.count, self.left = name, first, count, 0
        self._at = context.Value("l", first)
        self._results = context.SimpleQueue()
        self._seen, self._since = first, time.monotonic()
        self._process = context.Process(
            target=_worker, args=(name, seed, first, count, self._at, self._results)
        )
        self._process.start()

    def ended(self) -> bool:
        """Whether there is a tally to fetch; ends a process that is stuck."""
        if self._at.value != self._seen:
            self._seen, self._since = self._at.value, time.monotonic()
        if time.monotonic() - self._since > STUCK_S:
            self._process.kill()
            self._process.join()
        return not self._results.empty() or not self._process.is_alive()

    def tally(self) -> Tally:
        """What came of the batch."""
        if not self._results.empty():
            tally: Tally = self._results.get()
            self._process.join()
            return tally
        at = int(self._at.value)
        self.left = self.first + self.count - at - 1
        lost = Tally(at - self.first + 1, Counter(bad=1))
        code = self._process.exitcode
        lost.bad.append((at, f"bad: stuck or died, exit code {code}"))
        return lost


def markdown(tallies: dict[str, Tally]) -> str:
    """A table of what came of each target."""
    lines = [
        "| loader | cases | bad | ended in | slowest, s | largest process, MB |",
        "| --- | ---: | ---: | --- | ---: | ---: |",
    ]
    for name, tally in tallies.items():
        ends = ", ".join(f"{end} {n}" for end, n in tally.ends.most_common(6))
        lines.append(
            f"| {name} | {tally.cases} | {len(tally.bad)} | {ends} "
            f"| {tally.slowest_s:.2f} | {tally.peak_mb:.0f} |"
        )
    return "\n".join(lines) + "\n"


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
