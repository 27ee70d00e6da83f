"""The same command on a real Dask scheduler with workers in processes of their own."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import psutil
import pytest
from batchrig import OTHER_LOT, ROOT, batch, command, contents, variant, wait_for_results
from killers import DeadlyLots

from cardreader.batch.cluster import run_on_cluster
from cardreader.batch.score import Failure, Job, Task
from cardreader.decide.subject import Subject
from cardreader.reader import Reader

pytestmark = pytest.mark.slow


class Cluster:
    """A scheduler and two workers, each with a nanny that starts it again when it dies."""

    def __init__(self, folder: Path) -> None:
        where = folder / "scheduler.json"
        self._processes = [self._start("scheduler", "--scheduler-file", where, "--port", "0")]
        while not where.exists():
            time.sleep(0.05)
            assert self._processes[0].poll() is None
        self.address = json.loads(where.read_text())["address"]
        self._processes += [
            self._start(
                "worker", self.address, "--nthreads", "1", "--no-dashboard", "--local-directory",
                folder,
            )
            for _ in range(2)
        ]  # fmt: skip

    def _start(self, *words: str | Path) -> subprocess.Popen[bytes]:
        tests = str(Path(__file__).parent)
        return subprocess.Popen(
            [sys.executable, "-m", "dask", *map(str, words), "--host", "127.0.0.1"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{tests}"},
        )

    def workers(self) -> list[psutil.Process]:
        """Processes that read photos: the children that nannies start."""
        found = []
        for nanny in self._processes[1:]:
            for child in psutil.Process(nanny.pid).children():
                if "resource_tracker" not in " ".join(child.cmdline()):
                    found.append(child)
        return found

    def stop(self) -> None:
        for process in reversed(self._processes):
            for child in psutil.Process(process.pid).children(recursive=True):
                child.kill()
            process.kill()
            process.wait()


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    cluster = Cluster(tmp_path_factory.mktemp("cluster"))
    yield cluster
    cluster.stop()


def test_a_worker_killed_in_the_middle_costs_nothing(
    cluster: Cluster, tmp_path: Path, card_photo: bytes, bad_files: dict[str, bytes]
) -> None:
    photos, out = tmp_path / "photos", tmp_path / "out"
    photos.mkdir()
    for i in range(24):
        (photos / f"{i:03d}.jpg").write_bytes(variant(card_photo, i))
    for name, data in bad_files.items():
        (photos / name.split(":")[0]).write_bytes(data)
    run = subprocess.Popen(
        [*command(photos, "--out", out, "--no-summary"), "--cluster", cluster.address],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        cwd=ROOT,
    )
    wait_for_results(out, run)
    assert run.poll() is None, "ended before a worker could be killed"
    victim = cluster.workers()[0]
    os.kill(victim.pid, signal.SIGKILL)
    words, _ = run.communicate(timeout=90)
    assert run.returncode == 0
    assert "29 photos: 24 read, 5 refused, 0 failed" in words
    here = tmp_path / "here"
    assert batch(photos, "--out", here, "--workers", "2", "--no-summary").returncode == 0
    assert contents(out) == contents(here)


def test_a_photo_that_workers_die_of_costs_its_own_row(
    cluster: Cluster, reader: Reader, tmp_path: Path, card_photo: bytes, other_lot_photo: bytes
) -> None:
    tasks = []
    for i in range(6):
        path = tmp_path / f"{i}.jpg"
        path.write_bytes(other_lot_photo if i == 2 else variant(card_photo, i))
        tasks.append(Task(str(path), Subject()))
    job = Job(replace(reader, lots=DeadlyLots.of(reader.lots, OTHER_LOT, "exit")))
    outcomes = {o.name: o for o in run_on_cluster(tasks, job, cluster.address)}
    assert set(outcomes) == {task.name for task in tasks}
    troubles = {name: o.trouble for name, o in outcomes.items() if o.trouble}
    assert list(troubles) == [tasks[2].name]
    assert troubles[tasks[2].name].kind is Failure.CRASHED


def test_no_scheduler_is_one_line(tmp_path: Path, card_photo: bytes) -> None:
    photo = tmp_path / "photo.jpg"
    photo.write_bytes(card_photo)
    done = batch(photo, "--out", tmp_path / "out", "--cluster", "tcp://127.0.0.1:9")
    assert done.returncode == 4
    lines = [line for line in done.stderr.splitlines() if line.startswith("cardreader")]
    assert len(lines) == 1
    assert "no scheduler answers" in lines[0]
    assert "Traceback" not in done.stderr
