"""Worker processes of this machine: tasks in, outcomes out, and one bad photo costs one row.

Every worker has a pipe of its own, so a process that dies takes no lock and no
other photo with it, and it is known which photo it died of. That is why no
ready-made pool serves: those share a queue, and break or block as a whole when
a process is killed in the middle of it.
"""

from __future__ import annotations

import multiprocessing
import signal
import threading
import time
from collections import deque
from collections.abc import Generator, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import Any

from cardreader.batch.fetch import READERS, Fetcher
from cardreader.batch.score import Failure, Job, Outcome, Task, failed, prepare_process, score
from cardreader.core.interrupts import deaf_processes

AHEAD = 1 + READERS
"""Tasks given to a worker at once: one to work on, and those whose contents it fetches."""
ATTEMPTS = 2
"""A process may be killed from outside; a photo is to blame when it dies of it again."""
TICK_S = 1.0


@dataclass(eq=False)
class Worker:
    """A process that reads, what it was given, and since when it is at the first of that."""

    process: BaseProcess
    pipe: Connection
    tasks: deque[Task] = field(default_factory=deque)
    since: float = 0.0
    begun: str | None = None


def start_method() -> str:
    """How workers are started: never by a bare fork, which libraries' threads don't survive."""
    methods = multiprocessing.get_all_start_methods()
    return "forkserver" if "forkserver" in methods else "spawn"


def run_here(
    tasks: Iterable[Task], job: Job, workers: int, timeout_s: float
) -> Generator[Outcome, None, None]:
    """Outcomes of the tasks, in the order they are done. Closing the iterator ends the workers."""
    if workers < 1:
        raise ValueError(f"{workers} workers")
    pool = Pool(tasks, job, workers, timeout_s)
    try:
        yield from pool.outcomes()
    finally:
        pool.stop()


class Pool:
    """Processes that read tasks; one that dies or hangs costs its photo, not the rest."""

    def __init__(self, tasks: Iterable[Task], job: Job, workers: int, timeout_s: float) -> None:
        self._tasks = iter(tasks)
        self._again: deque[Task] = deque()
        self._deaths: dict[str, int] = {}
        self._job = job
        self._wanted = workers
        self._timeout_s = timeout_s
        self._context: Any = multiprocessing.get_context(start_method())
        if start_method() == "forkserver":
            self._context.set_forkserver_preload(["cardreader.batch.score"])
        self.workers: list[Worker] = []

    def outcomes(self) -> Iterator[Outcome]:
        """All outcomes, in the order they are done."""
        self._fill()
        while self.workers:
            ready = wait([worker.pipe for worker in self.workers], TICK_S)
            for worker in [w for w in self.workers if w.pipe in ready]:
                yield from self._receive_all(worker)
            yield from self._stop_slow()
            self._fill()

    def stop(self) -> None:
        """End all processes, done or not."""
        for worker in self.workers:
            worker.process.kill()
        for worker in self.workers:
            worker.process.join()
            worker.pipe.close()
        self.workers.clear()

    def _fill(self) -> None:
        """Give every worker enough to do, start those that lack, let the idle ones go."""
        for depth in range(AHEAD):
            for worker in list(self.workers):
                if len(worker.tasks) == depth and (task := self._next()) is not None:
                    self._give(worker, task)
        while len(self.workers) < self._wanted and (task := self._next()) is not None:
            worker = self._start()
            self.workers.append(worker)
            self._give(worker, task)
        for worker in [w for w in self.workers if not w.tasks]:
            self.workers.remove(worker)
            worker.pipe.close()  # which tells it to end
            worker.process.join()

    def _next(self) -> Task | None:
        return self._again.popleft() if self._again else next(self._tasks, None)

    def _start(self) -> Worker:
        ours, theirs = self._context.Pipe()
        process = self._context.Process(target=_work, args=(theirs, self._job), daemon=True)
        with deaf_processes():
            process.start()
        theirs.close()
        return Worker(process, ours)

    def _give(self, worker: Worker, task: Task) -> None:
        if not worker.tasks:
            worker.since = time.monotonic()
        worker.tasks.append(task)
        with suppress(OSError):  # it died; its pipe will say so
            worker.pipe.send(task)

    def _receive_all(self, worker: Worker) -> Iterator[Outcome]:
        """All that a worker has said: its task's end may lie behind the beginning."""
        while True:
            yield from self._receive(worker)
            if worker not in self.workers or not worker.pipe.poll():
                return

    def _receive(self, worker: Worker) -> Iterator[Outcome]:
        try:
            message: str | Outcome = worker.pipe.recv()
        except (EOFError, OSError):
            yield from self._died(worker)
            return
        if isinstance(message, str):
            worker.begun = message
            return
        worker.tasks.popleft()
        worker.since, worker.begun = time.monotonic(), None
        yield message

    def _died(self, worker: Worker) -> Iterator[Outcome]:
        self.workers.remove(worker)
        worker.pipe.close()
        worker.process.join()
        if not worker.tasks:
            return
        culprit = worker.tasks.popleft()
        deaths = self._deaths[culprit.name] = self._deaths.get(culprit.name, 0) + 1
        if deaths < ATTEMPTS:
            self._again.append(culprit)
        else:
            yield failed(culprit, Failure.CRASHED, _manner(worker.process.exitcode), worker.begun)
        self._again.extend(worker.tasks)

    def _stop_slow(self) -> Iterator[Outcome]:
        now = time.monotonic()
        for worker in list(self.workers):
            # What has been said since isn't slow: waiting for the next task takes its time too.
            if worker.tasks and now - worker.since > self._timeout_s and not worker.pipe.poll():
                self.workers.remove(worker)
                worker.process.kill()
                worker.process.join()
                worker.pipe.close()
                slow = worker.tasks.popleft()
                self._again.extend(worker.tasks)
                yield failed(
                    slow, Failure.TOO_SLOW, f"no result in {self._timeout_s:g} s", worker.begun
                )


def _manner(exitcode: int | None) -> str:
    if exitcode is not None and exitcode < 0:
        return f"the reading process died of {signal.Signals(-exitcode).name}"
    return f"the reading process ended with code {exitcode}"


def _work(pipe: Connection, job: Job) -> None:
    """A worker's life: until its pipe closes, because there is no more or the parent is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent is told, and ends us
    prepare_process()
    fetcher = Fetcher()
    # In a thread of its own, so that photos are asked for while one is worked on or waited for.
    threading.Thread(target=_listen, args=(pipe, fetcher), daemon=True).start()
    with suppress(OSError):  # the parent is gone
        while (given := fetcher.take()) is not None:
            task, contents = given
            pipe.send(score(task, job, pipe.send, contents))


def _listen(pipe: Connection, fetcher: Fetcher) -> None:
    with suppress(EOFError, OSError):
        while True:
            fetcher.give(pipe.recv())
    fetcher.give(None)
