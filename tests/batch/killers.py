"""Card lots whose look-up ends, stops or kills the process that reads a photo of one of them.

They stand for photos that bring a library down: the worker meets them in the
middle of reading, as it would a crash in a decoder.
"""

from __future__ import annotations

import ctypes
import os
import signal
import time
from pathlib import Path

from cardreader.card.lot import Lot
from cardreader.card.lots import Lots


class DeadlyLots(Lots):
    """Lots of which one does harm to the process that looks it up."""

    deadly = 0
    manner = ""
    once: Path | None = None

    @classmethod
    def of(cls, lots: Lots, deadly: int, manner: str, once: Path | None = None) -> DeadlyLots:
        out = cls(lots.values())
        out.deadly, out.manner, out.once = deadly, manner, once
        return out

    def __getitem__(self, number: int) -> Lot:
        # Only in a worker: the parent asks for lots too.
        import multiprocessing

        if number == self.deadly and multiprocessing.parent_process() is not None:
            self._harm()
        return super().__getitem__(number)

    def _harm(self) -> None:
        if self.once is not None:
            if self.once.exists():
                return
            self.once.touch()
        if self.manner == "exit":
            os._exit(7)
        if self.manner == "segfault":
            ctypes.string_at(0)
        if self.manner == "kill":
            os.kill(os.getpid(), signal.SIGKILL)
        if self.manner == "hang":
            time.sleep(600)
        if self.manner == "raise":
            raise ArithmeticError("made up")
