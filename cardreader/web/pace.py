"""How many requests a minute are taken from one address, over a window that moves along.

Kept in memory: times of the last minute alone, of addresses that asked within it.
"""

from __future__ import annotations

import time
from collections import OrderedDict, deque
from collections.abc import Callable

_WINDOW_S = 60.0


class Pace:
    """Counts requests; used from one thread."""

    def __init__(self, a_minute: int, now_s: Callable[[], float] = time.monotonic) -> None:
        self._a_minute = a_minute
        self._now_s = now_s
        self._times: OrderedDict[str, deque[float]] = OrderedDict()  # who asked last comes last

    def __len__(self) -> int:
        """How many addresses are remembered."""
        return len(self._times)

    def may(self, who: str) -> bool:
        """Whether one more is taken from ``who``; what is refused does not count."""
        now_s = self._now_s()
        self._forget(now_s)
        times = self._times.get(who)
        if times is None:
            times = self._times[who] = deque()
        while times and times[0] <= now_s - _WINDOW_S:
            times.popleft()
        if len(times) >= self._a_minute:
            return False
        times.append(now_s)
        self._times.move_to_end(who)
        return True

    def _forget(self, now_s: float) -> None:
        while self._times:
            oldest = next(iter(self._times.values()))
            if oldest and oldest[-1] > now_s - _WINDOW_S:
                return
            self._times.popitem(last=False)
