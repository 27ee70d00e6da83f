"""How much registers differ over, for the supervisor's first page: nobody looks for it unasked."""

from __future__ import annotations

import time
from collections.abc import Callable

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from cardreader.register.merge.conflicts import code_clashes, count_conflicts
from cardreader.register.mergemodels import Touched

COUNT_EVERY_S = 60.0
"""A large register is gone through for it: not for every page while others write."""


class Undecided:
    """Values to decide and codes of two women, counted anew where something changed."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._seq: int | None = -1
        self._count, self._at = 0, -COUNT_EVERY_S

    def count(self, session: Session) -> int:
        """How many there are, or were within the last minute."""
        seq = session.scalar(select(func.max(Touched.seq)))
        # What was decided just now is gone at once; for what others bring a minute is no wait.
        if seq != self._seq and (self._count or self._clock() - self._at >= COUNT_EVERY_S):
            self._count = count_conflicts(session) + len(code_clashes(session))
            self._seq, self._at = seq, self._clock()
        return self._count
