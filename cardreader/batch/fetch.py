"""Contents of a worker's next photos, read while it works on the one before.

A photo behind an address takes a tenth of a second to come and as long to be read: fetched
one at a time, half of every worker's day is waiting. Only contents come early. What is made
of them is made in turn, as ever, and an error of reading is raised in its photo's own turn.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Future
from queue import SimpleQueue

from cardreader.batch.score import Task, contents_of
from cardreader.read.photo import MAX_FILE_BYTES

READERS = 8
"""Photos fetched at once; S3's client keeps ten connections."""
MOST_HELD_BYTES = MAX_FILE_BYTES
"""Fetched and waiting: no more is begun beyond that, so one photo of the largest size is."""

_Asked = tuple[Task, Future[list[bytes]]]


class Fetcher:
    """Hands tasks on in the order they were given, each with its contents.

    One thread may give while another takes. The threads that fetch end with the process,
    whatever they wait for.
    """

    def __init__(self, read: Callable[..., list[bytes]] = contents_of) -> None:
        self._read = read
        self._given: SimpleQueue[_Asked | None] = SimpleQueue()
        self._asked: SimpleQueue[_Asked] = SimpleQueue()
        self._turn = threading.Lock()
        self._room = threading.Condition()
        self.held_bytes = 0
        for _ in range(READERS):
            threading.Thread(target=self._fetch, daemon=True).start()

    def give(self, task: Task | None) -> None:
        """Add a task, or None after the last; contents come when there is room for them."""
        if task is None:
            self._given.put(None)
            return
        asked = (task, Future[list[bytes]]())
        if task.record is None:
            self._asked.put(asked)
        self._given.put(asked)

    def take(self) -> tuple[Task, Callable[[], list[bytes]]] | None:
        """The next task, and what waits for its contents or raises why there are none."""
        asked = self._given.get()
        if asked is None:
            return None
        task, coming = asked
        return task, lambda: self._taken(coming)

    def _taken(self, coming: Future[list[bytes]]) -> list[bytes]:
        contents = coming.result()
        with self._room:
            self.held_bytes -= sum(map(len, contents))
            self._room.notify_all()
        return contents

    def _fetch(self) -> None:
        while True:
            # One at a time waits for room, and in turn: what is held lies before it, and goes.
            with self._turn:
                task, coming = self._asked.get()
                with self._room:
                    self._room.wait_for(lambda: self.held_bytes < MOST_HELD_BYTES)
            try:
                contents = self._read(task.name, *task.beside)
            except BaseException as error:
                coming.set_exception(error)
                continue
            with self._room:
                self.held_bytes += sum(map(len, contents))
            coming.set_result(contents)
