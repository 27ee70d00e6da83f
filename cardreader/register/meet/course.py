"""How far a meeting is, for whoever looks on: a page, or a command."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any

from cardreader.register.meet.snags import MeetError, Snag


class Stage(StrEnum):
    """What is going on, in this order at the register that types the code.

    The other takes in first, then writes, so that it tells what it just learned as known.
    """

    WAITING = "waiting"
    GREETING = "greeting"
    WRITING = "writing"
    SENDING = "sending"
    RECEIVING = "receiving"
    TAKING = "taking"
    OTHER_TAKES = "other-takes"
    DONE = "done"
    ENDED = "ended"


OVER = frozenset({Stage.DONE, Stage.ENDED})


@dataclass(frozen=True)
class Standing:
    """How far it is. ``took`` counts what was taken in here, ``gave`` what was there."""

    stage: Stage = Stage.WAITING
    other: str = ""
    moved: int = 0
    size: int = 0
    took: dict[str, Any] | None = None
    gave: dict[str, Any] | None = None
    snag: Snag | None = None
    detail: str = ""
    left: int | None = None

    @property
    def percent(self) -> int | None:
        """Share of a file that has moved; None where no file moves."""
        return 100 * self.moved // self.size if self.size else None


@dataclass
class Course:
    """The standing of one meeting, set by one thread and read by others."""

    _now: Standing = field(default_factory=Standing)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def now(self) -> Standing:
        """How far it is."""
        with self._lock:
            return self._now

    def at(self, stage: Stage, **more: Any) -> None:
        """Note the next stage; what is not named of a file's bytes is none."""
        with self._lock:
            if self._now.stage not in OVER:
                self._now = replace(self._now, **{"moved": 0, "size": 0, "stage": stage, **more})

    def ended(self, error: MeetError) -> None:
        """It came to nothing, or not to its end."""
        self.at(Stage.ENDED, snag=error.snag, detail=error.detail, left=error.left)
