"""The same tasks on the workers of a Dask scheduler, given by its address.

What all tasks share goes to every worker once, also to those that join later.
A worker that dies has its tasks done elsewhere by Dask; a photo that workers
keep dying of is tried alone at the end, so that it takes no blame of others.
"""

from __future__ import annotations

import uuid
from collections.abc import Generator, Iterable, Iterator
from concurrent.futures import CancelledError
from typing import Any

from cardreader.batch.score import Failure, Job, Outcome, Task, Trouble, prepare_process, score
from cardreader.core.oneline import one_line

AHEAD = 4
"""Tasks under way for every thread of the cluster."""
CONNECT_S = 5


class ClusterError(Exception):
    """A cluster that can't be used; one line says why."""


_jobs: dict[str, Job] = {}
"""In a worker process: the runs it takes part in."""


def run_on_cluster(tasks: Iterable[Task], job: Job, address: str) -> Generator[Outcome, None, None]:
    """Outcomes of the tasks, in the order they are done. ClusterError for a wrong address."""
    try:
        from distributed import Client
    except ImportError:
        raise ClusterError("install the 'cluster' extra to run on a Dask scheduler") from None
    try:
        client = Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise ClusterError(f"no scheduler answers at {address}: {one_line(error)}") from None
    try:
        with client:
            yield from _run(client, iter(tasks), job)
    except (OSError, CancelledError) as error:
        raise ClusterError(f"lost the scheduler at {address}: {one_line(error)}") from None


def _run(client: Any, tasks: Iterator[Task], job: Job) -> Iterator[Outcome]:
    from distributed import KilledWorker, as_completed

    run_id = uuid.uuid4().hex
    client.register_plugin(_plugin(run_id, job), name=f"cardreader-{run_id}")
    given: dict[str, Task] = {}
    suspects: list[Task] = []

    def submit() -> Any:
        task = next(tasks, None)
        if task is None:
            return None
        future = client.submit(
            _score, run_id, task, key=f"cardreader-{run_id}-{uuid.uuid4().hex}", pure=False
        )
        given[future.key] = task
        return future

    try:
        under_way = as_completed(loop=client.loop)
        while under_way.count() < _room(client) and (future := submit()) is not None:
            under_way.add(future)
        for future in under_way:
            task = given.pop(future.key)
            try:
                yield future.result()
            except KilledWorker:
                suspects.append(task)
            while under_way.count() < _room(client) and (more := submit()) is not None:
                under_way.add(more)
        for task in suspects:
            yield _alone(client, run_id, task)
    finally:
        client.unregister_worker_plugin(f"cardreader-{run_id}")


def _alone(client: Any, run_id: str, task: Task) -> Outcome:
    from distributed import KilledWorker

    try:
        outcome: Outcome = client.submit(_score, run_id, task, pure=False).result()
        return outcome
    except KilledWorker:
        detail = "the workers that read it died, one after the other"
        return Outcome(task.name, trouble=Trouble(Failure.CRASHED, detail))


def _room(client: Any) -> int:
    return max(AHEAD * sum(client.nthreads().values()), AHEAD)


def _plugin(run_id: str, job: Job) -> Any:
    from distributed import WorkerPlugin

    class JobHolder(WorkerPlugin):
        """Gives the run's job to every worker process."""

        def setup(self, worker: Any) -> None:
            _hold(run_id, job)

        def teardown(self, worker: Any) -> None:
            _jobs.pop(run_id, None)

    return JobHolder()


def _hold(run_id: str, job: Job) -> None:
    prepare_process()
    _jobs[run_id] = job


def _score(run_id: str, task: Task) -> Outcome:
    from cardreader import __version__

    job = _jobs[run_id]
    if job.version != __version__:
        raise RuntimeError(f"a worker has cardreader {__version__}, not {job.version}")
    return score(task, job)
