"""Run cases in processes of bounded memory and tell how each ended."""

from __future__ import annotations

import multiprocessing
import multiprocessing.context
import os
import random
import resource
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from targets import TARGETS, Target

SLOW_S = 5.0
STUCK_S = 60.0
MEMORY_MB = 1500
HARD_LIMIT_BYTES = 6 << 30
_BATCH = 2500
"""Cases a process gets: it has to import everything first."""


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
    # Not forked: libraries with threads of their own hang in a forked process.
    context = multiprocessing.get_context("spawn")
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
        context: multiprocessing.context.SpawnContext,
    ) -> None:
        self.name, self.first, self.count, self.left = name, first, count, 0
        self._at = context.Value("l", first - 1)
        self._results = context.SimpleQueue()
        self._seen, self._since = first - 1, time.monotonic()
        self._process = context.Process(
            target=_worker, args=(name, seed, first, count, self._at, self._results)
        )
        self._process.start()

    def ended(self) -> bool:
        """Whether there is a tally to fetch; ends a process that is stuck."""
        if self._at.value != self._seen:
            self._seen, self._since = self._at.value, time.monotonic()
        # Starting up takes what the machine makes it take.
        started = self._at.value >= self.first
        if started and time.monotonic() - self._since > STUCK_S:
            self._process.kill()
            self._process.join()
        return not self._results.empty() or not self._process.is_alive()

    def tally(self) -> Tally:
        """What came of the batch."""
        if not self._results.empty():
            tally: Tally = self._results.get()
            self._process.join()
            return tally
        at = max(int(self._at.value), self.first)
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
