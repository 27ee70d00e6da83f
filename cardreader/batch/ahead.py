"""Items taken from a slow iterator ahead of their need, in a thread of its own."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from queue import Empty, Full, Queue
from types import TracebackType
from typing import Generic, Self, TypeVar

T = TypeVar("T")
MOST_WAITING = 2_000
"""Items that wait to be taken, at most; the thread rests then."""
MOST_TAKEN = 1_000
"""Items handed over at once."""
_REST_S = 0.2


class Ahead(Generic[T]):
    """Reads ``items`` on while what came before is worked on.

    An error of the iterator is raised where its item would have come.
    """

    def __init__(self, items: Iterator[T], most: int = MOST_WAITING) -> None:
        self._items = items
        self._queue: Queue[T | BaseException | None] = Queue(most)
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._read, daemon=True)
        self.ended = False
        """Whether all items have been taken."""

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stopped.set()

    def take(self, *, wait: bool) -> list[T]:
        """What has come, a page at most; with ``wait`` one at least, unless there are no more."""
        taken: list[T] = []
        while not self.ended and len(taken) < MOST_TAKEN:
            try:
                item = self._queue.get(block=wait and not taken)
            except Empty:
                break
            if isinstance(item, BaseException):
                raise item
            if item is None:
                self.ended = True
            else:
                taken.append(item)
        return taken

    def _read(self) -> None:
        try:
            for item in self._items:
                if not self._put(item):
                    return
            self._put(None)
        except BaseException as error:
            self._put(error)

    def _put(self, item: T | BaseException | None) -> bool:
        """Whether the item found its place before nobody wanted it any more."""
        while not self._stopped.is_set():
            try:
                self._queue.put(item, timeout=_REST_S)
                return True
            except Full:
                continue
        return False
