"""Photos fetched ahead: in order, no more than fit, and each one's trouble its own."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from pathlib import Path

import pytest
from batchrig import variant

from cardreader.batch import fetch
from cardreader.batch.fetch import READERS, Fetcher
from cardreader.batch.score import Failure, Job, Task, score
from cardreader.batch.workers import AHEAD, run_here
from cardreader.decide.subject import Subject
from cardreader.reader import Reader

LONG_S = 20.0
"""What is waited for comes at once; longer means that it never comes."""


def _tasks(count: int) -> list[Task]:
    return [Task(f"{i}.jpg", Subject()) for i in range(count)]


def _taken(fetcher: Fetcher) -> tuple[Task, Callable[[], list[bytes]]]:
    given = fetcher.take()
    assert given is not None
    return given


def _until(true: Callable[[], bool]) -> None:
    until = time.monotonic() + LONG_S
    while not true():
        assert time.monotonic() < until, "it never comes"
        time.sleep(0.01)


def test_tasks_come_in_order_each_with_its_own_contents() -> None:
    """Those given last are read first: every one waits for the next."""
    read = [threading.Event() for _ in range(READERS)]

    def backwards(name: str) -> list[bytes]:
        number = int(name.partition(".")[0])
        if number + 1 < READERS:
            assert read[number + 1].wait(LONG_S), "one is read at a time"
        read[number].set()
        return [name.encode()]

    fetcher, tasks = Fetcher(backwards), _tasks(READERS)
    for task in tasks:
        fetcher.give(task)
    fetcher.give(None)
    for task in tasks:
        taken, contents = _taken(fetcher)
        assert taken == task
        assert contents() == [task.name.encode()]
    assert fetcher.take() is None


def test_trouble_is_raised_in_its_own_turn(reader: Reader) -> None:
    def second_fails(name: str) -> list[bytes]:
        if name == "1.jpg":
            raise OSError("the line is cut")
        return [b"no photo"]

    fetcher = Fetcher(second_fails)
    for task in _tasks(3):
        fetcher.give(task)
    found = []
    for _ in range(3):
        task, contents = _taken(fetcher)
        found.append(score(task, Job(reader), fetched=contents))
    assert [o.name for o in found] == ["0.jpg", "1.jpg", "2.jpg"]
    kinds = [o.trouble and (o.trouble.kind, o.trouble.detail) for o in found]
    assert kinds == [None, (Failure.CANT_OPEN, "the line is cut"), None]


def test_what_is_judged_from_its_record_is_not_fetched() -> None:
    asked: list[str] = []

    def told(name: str) -> list[bytes]:
        asked.append(name)
        return []

    fetcher = Fetcher(told)
    kept = Task("kept.jpg", Subject(), record=b"a record")
    for task in (kept, *_tasks(1)):
        fetcher.give(task)
    assert _taken(fetcher)[0] is kept
    assert _taken(fetcher)[1]() == []
    assert asked == ["0.jpg"]


def test_large_photos_wait_until_there_is_room(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fetch, "MOST_HELD_BYTES", 10)
    asked: list[str] = []

    def large(name: str) -> list[bytes]:
        asked.append(name)
        return [bytes(10)]

    fetcher, tasks = Fetcher(large), _tasks(30)
    fetcher.give(tasks[0])
    head, first = _taken(fetcher)
    _until(lambda: fetcher.held_bytes == 10)
    for task in tasks[1:]:
        fetcher.give(task)
    assert asked == ["0.jpg"], "it fills the room"
    assert (head, first()) == (tasks[0], [bytes(10)])
    for task in tasks[1:]:
        taken, contents = _taken(fetcher)
        assert taken == task
        assert len(contents()) == 1
    assert sorted(asked) == sorted(task.name for task in tasks)


def test_a_worker_waits_for_several_photos_at_once(
    tmp_path: Path, reader: Reader, card_photo: bytes
) -> None:
    """Nothing comes out of any of these pipes until all of them are being read."""
    names = [str(tmp_path / f"{i}.jpg") for i in range(5)]
    for name in names:
        os.mkfifo(name)
    refused = []

    def write() -> None:
        until = time.monotonic() + LONG_S
        with ExitStack() as open_pipes:
            pipes = []
            for name in names:
                while (pipe := _writable(name)) is None:
                    if time.monotonic() > until:
                        refused.append(name)
                        return
                    time.sleep(0.01)
                pipes.append(open_pipes.enter_context(open(pipe, "wb")))
            for number, stream in enumerate(pipes):
                os.set_blocking(stream.fileno(), True)
                stream.write(variant(card_photo, number))

    writer = threading.Thread(target=write)
    writer.start()
    tasks = [Task(name, Subject()) for name in names]
    with closing(run_here(tasks, Job(reader), 1, 2 * LONG_S)) as outcomes:
        found = list(outcomes)
    writer.join()
    assert not refused, "they are read one at a time"
    assert [o.name for o in found] == names
    assert [o.trouble for o in found] == [None] * len(names)


def _writable(name: str) -> int | None:
    """A pipe that somebody reads, opened for writing."""
    try:
        return os.open(name, os.O_WRONLY | os.O_NONBLOCK)
    except OSError:
        return None


def test_a_worker_is_given_what_it_can_fetch(tmp_path: Path, reader: Reader) -> None:
    """With fewer it would wait, with more a death would cost more."""
    given = 0

    def listed() -> Iterator[Task]:
        nonlocal given
        for i in range(100):
            given += 1
            yield Task(str(tmp_path / f"{i}.jpg"), Subject())

    with closing(run_here(listed(), Job(reader), 1, 60.0)) as outcomes:
        for done, _ in enumerate(outcomes, 1):
            assert given <= done + AHEAD
    assert given == 100
