"""Photos that come in pieces: what has arrived of each, until the rest is there.

A link that breaks must not cost what it has carried. A piece is added where the last one
ended; a sender who doesn't know how far it came asks, and goes on from there. Pieces lie
in files without a name, which the system takes away with the process however that ends,
so that no half photo is left lying. Counts and times are our own choice.
"""

from __future__ import annotations

import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

CHUNK_LIMIT_BYTES = 1024 * 1024
"""Largest piece; at the slowest link that the gate bears it takes half an hour."""
HALVES_AN_ACCOUNT = 6
ALL_HALVES_BYTES = 240 * 1024 * 1024
FORGOTTEN_AFTER_S = 6 * 3600.0


class UploadTooLargeError(ValueError):
    """More than one photo may hold."""


@dataclass
class _Half:
    file: IO[bytes]
    size: int
    moved_at: float
    received: int = 0


@dataclass
class Uploads:
    """The half photos of one server. ``limit_bytes`` is the most that one may hold."""

    folder: Path
    limit_bytes: int
    clock: Callable[[], float] = time.monotonic
    _halves: dict[tuple[str, str], _Half] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def received(self, account: str, key: str) -> int:
        """How many bytes of a photo have arrived; 0 for one not begun."""
        with self._lock:
            half = self._halves.get((account, key))
            return 0 if half is None else half.received

    def add(self, account: str, key: str, size: int, offset: int, piece: bytes) -> int:
        """Add a piece of a photo of ``size`` bytes; returns how many have arrived.

        What has arrived already is not taken twice; a piece beyond what has arrived, or
        beyond the photo's end, is left. A new size begins the photo anew.
        Raises UploadTooLargeError.
        """
        if not 0 < size <= self.limit_bytes:
            raise UploadTooLargeError(f"{size} bytes > {self.limit_bytes}")
        with self._lock:
            half = self._begun(account, key, size)
            half.moved_at = self.clock()
            fresh = piece[half.received - offset :] if offset <= half.received else b""
            fresh = fresh[: size - half.received]
            if fresh:
                half.file.seek(half.received)
                half.file.write(fresh)
                half.received += len(fresh)
            return half.received

    def whole(self, account: str, key: str) -> bytes | None:
        """A photo that has arrived whole; None where there is none, or a part is missing."""
        with self._lock:
            half = self._halves.get((account, key))
            if half is None or half.received < half.size:
                return None
            half.file.seek(0)
            return half.file.read()

    def drop(self, account: str, key: str) -> None:
        """Forget a photo; no matter whether it was there."""
        with self._lock:
            self._drop((account, key))

    def _begun(self, account: str, key: str, size: int) -> _Half:
        name = (account, key)
        half = self._halves.get(name)
        if half is not None and half.size == size:
            return half
        self._drop(name)
        self._make_room(account, size)
        file = tempfile.TemporaryFile(dir=self.folder)  # noqa: SIM115 (lives until dropped)
        self._halves[name] = made = _Half(file, size, self.clock())
        return made

    def _make_room(self, account: str, size: int) -> None:
        """Let go what nobody has added to for long, then what has been silent longest."""
        now = self.clock()
        for name, half in list(self._halves.items()):
            if now - half.moved_at > FORGOTTEN_AFTER_S:
                self._drop(name)
        own = [name for name in self._halves if name[0] == account]
        while len(own) >= HALVES_AN_ACCOUNT:
            oldest = min(own, key=lambda name: self._halves[name].moved_at)
            self._drop(oldest)
            own.remove(oldest)
        while self._halves and sum(h.size for h in self._halves.values()) + size > ALL_HALVES_BYTES:
            self._drop(min(self._halves, key=lambda name: self._halves[name].moved_at))

    def _drop(self, name: tuple[str, str]) -> None:
        half = self._halves.pop(name, None)
        if half is not None:
            half.file.close()

    def close(self) -> None:
        """Let go of everything."""
        with self._lock:
            for name in list(self._halves):
                self._drop(name)
