"""What is kept in memory for a while and nowhere else: it is gone with the server."""

from __future__ import annotations

import threading
from collections import OrderedDict
from typing import Generic, TypeVar

Kept = TypeVar("Kept")


class Shelf(Generic[Kept]):
    """The newest few things by the id of their reading; the oldest make room.

    ``places``: how many; ``most_bytes``: how much they may weigh together.
    """

    def __init__(self, places: int, most_bytes: int) -> None:
        self._places, self._most_bytes = places, most_bytes
        self._kept: OrderedDict[str, tuple[Kept, int]] = OrderedDict()
        self._lock = threading.Lock()

    def put(self, reading_id: str, thing: Kept, n_bytes: int) -> None:
        """Lay a thing down. What alone is too heavy is not kept."""
        with self._lock:
            self._kept.pop(reading_id, None)
            self._kept[reading_id] = (thing, n_bytes)
            while len(self._kept) > self._places or self._weight() > self._most_bytes:
                self._kept.popitem(last=False)

    def get(self, reading_id: str) -> Kept | None:
        """A thing, if it is still there."""
        with self._lock:
            kept = self._kept.get(reading_id)
            return None if kept is None else kept[0]

    def drop(self, reading_ids: set[str]) -> None:
        """Take things away."""
        with self._lock:
            for reading_id in reading_ids:
                self._kept.pop(reading_id, None)

    def _weight(self) -> int:
        return sum(n_bytes for _thing, n_bytes in self._kept.values())
