"""How far a run is: count, rate and time left, on standard error."""

from __future__ import annotations

import sys
from typing import IO, Any

from cardreader.batch.score import Outcome, unpack_reading

QUIET_EVERY_S = 10.0
"""Between lines where no terminal shows them as one."""


class Progress:
    """Counts outcomes and shows them; ``stream`` None shows nothing."""

    def __init__(self, stream: IO[str] | None = None) -> None:
        self._stream = stream
        self._bar: Any = None
        self._refused = self._failed = 0

    def start(self, total: int) -> None:
        """Begin a run of ``total`` photos."""
        if self._stream is None:
            return
        from tqdm import tqdm

        self._bar = tqdm(
            total=total,
            unit="photo",
            file=self._stream,
            mininterval=0.2 if self._stream.isatty() else QUIET_EVERY_S,
            ascii=True,
            dynamic_ncols=self._stream.isatty(),
        )

    def reach(self, done: int) -> None:
        """So many are done, some of them without work: they don't count for the rate."""
        if self._bar is not None and done > self._bar.n:
            self._bar.initial += done - self._bar.n
            self._bar.n = done

    def step(self, outcome: Outcome) -> None:
        """Count one outcome."""
        if outcome.trouble is not None:
            self._failed += 1
        elif outcome.reading is not None:
            status = unpack_reading(outcome.reading)["status"]
            self._refused += status == "refused"
        if self._bar is not None:
            self._bar.set_postfix(refused=self._refused, failed=self._failed, refresh=False)
            self._bar.update()

    def end(self) -> None:
        """Leave the last line standing."""
        if self._bar is not None:
            self._bar.close()


def on_terminal() -> Progress:
    """Progress as a command shows it."""
    return Progress(sys.stderr)
