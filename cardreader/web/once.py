"""What is loaded once it is needed, by whichever thread asks first."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Generic, TypeVar

T = TypeVar("T")


class Once(Generic[T]):
    """What ``load`` gives: loaded by whoever asks first, while others wait.

    What ``load`` raises is that one's trouble; the next one tries again.
    """

    def __init__(self, load: Callable[[], T]) -> None:
        self._load = load
        self._lock = threading.Lock()
        self._loaded: list[T] = []

    @property
    def there(self) -> bool:
        """Whether it is loaded."""
        return bool(self._loaded)

    def now(self) -> T:
        """The thing itself."""
        with self._lock:
            if not self._loaded:
                self._loaded.append(self._load())
            return self._loaded[0]
