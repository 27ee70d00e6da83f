"""Slowing down whoever guesses passwords, without shutting out whoever knows one.

Tries that fail are counted by name and address together: a stranger who fails on a
known name slows that name down at their own address only, so nobody can lock a
colleague out. All names tried from one address count too, or somebody would go
through a list of names. After the free tries each further one waits twice as long.
The numbers are our own choice.
"""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

LONGEST_WAIT_S = 900.0
LONGEST_WAIT_OF_AN_ADDRESS_S = 60.0
"""Short: colleagues may share it, behind a router."""
TRIES_OF_AN_ADDRESS = 5
"""So many times the free tries of a name: several people sign in from one address."""
FORGOTTEN_AFTER_S = 3600.0
_MOST_KEPT = 20_000


@dataclass
class _Failures:
    count: int
    last_s: float


class SignInDelay:
    """Failed tries, kept in memory."""

    def __init__(self, free_tries: int, now_s: Callable[[], float] = time.monotonic) -> None:
        self._free = free_tries
        self._now_s = now_s
        self._failures: OrderedDict[tuple[str, ...], _Failures] = OrderedDict()
        self._lock = threading.Lock()

    def begin(self, name: str, address: str) -> float:
        """Seconds to wait before the next try; 0.0 when this one may go on.

        A try that may go on counts as failed until `passed` says otherwise: many
        sent at once would else all be let through together.
        """
        now_s = self._now_s()
        with self._lock:
            wait_s = max(
                self._wait_s(_pair(name, address), now_s, self._free, LONGEST_WAIT_S),
                self._wait_s(
                    (address,),
                    now_s,
                    self._free * TRIES_OF_AN_ADDRESS,
                    LONGEST_WAIT_OF_AN_ADDRESS_S,
                ),
            )
            if wait_s > 0:
                return wait_s
            for key in (_pair(name, address), (address,)):
                self._count(key, now_s)
        return 0.0

    def passed(self, name: str, address: str) -> None:
        """The try just begun was right: it and those before it are forgotten."""
        with self._lock:
            self._failures.pop(_pair(name, address), None)
            shared = self._failures.get((address,))
            if shared is not None:
                shared.count -= 1

    def _wait_s(self, key: tuple[str, ...], now_s: float, free: int, longest_s: float) -> float:
        found = self._failures.get(key)
        if found is None or found.count < free:
            return 0.0
        if now_s - found.last_s > FORGOTTEN_AFTER_S:
            del self._failures[key]
            return 0.0
        delay_s = min(2.0 ** min(found.count - free + 1, 30), longest_s)
        return max(found.last_s + delay_s - now_s, 0.0)

    def _count(self, key: tuple[str, ...], now_s: float) -> None:
        found = self._failures.pop(key, None) or _Failures(0, now_s)
        self._failures[key] = _Failures(found.count + 1, now_s)
        while len(self._failures) > _MOST_KEPT:
            self._failures.popitem(last=False)


def _pair(name: str, address: str) -> tuple[str, str]:
    return address, name.strip().lower()
