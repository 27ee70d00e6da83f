"""How far a long command is: a bar for people, a line of JSON for programs, on standard error.

Nothing is shown of work that is done within two seconds.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Collection, Iterator
from typing import IO, TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    import argparse

T = TypeVar("T")
PATIENCE_S = 2.0
"""Shorter work needs no telling."""
QUIET_EVERY_S = 10.0
"""Between lines where no terminal shows them as one."""
JSON_EVERY_S = 0.5
_WHOLE_LINE = "\r\x1b[K"
"""For a terminal: back to the line's beginning, and clear it."""


class Progress:
    """Shows stages of work one after the other; ``stream`` None shows nothing."""

    def __init__(self, stream: IO[str] | None = None, *, json_lines: bool = False) -> None:
        self._stream = stream
        self._json = json_lines
        self._bar: Any = None
        self._stage = ""
        self._unit = ""
        self._done = 0
        self._total: int | None = None
        self._facts: dict[str, int] = {}
        self._begun = self._told = 0.0
        self._noted = False

    def start(
        self,
        stage: str,
        total: int | None = None,
        unit: str = "photo",
        patience_s: float = PATIENCE_S,
    ) -> None:
        """Begin a stage of ``total`` steps, None where that can't be known."""
        self.end()
        if self._stream is None:
            return
        self._stage, self._unit, self._done, self._total, self._facts = stage, unit, 0, total, {}
        self._begun = time.monotonic()
        if self._json:
            self._told = self._begun
            return
        from tqdm import tqdm

        self._bar = tqdm(
            desc=stage,
            total=total,
            unit=unit,
            file=self._stream,
            delay=patience_s,
            mininterval=0.2 if self._stream.isatty() else QUIET_EVERY_S,
            ascii=True,
            dynamic_ncols=self._stream.isatty(),
        )

    def note(self, stage: str) -> None:
        """Begin a stage that has no steps to count."""
        self.end()
        if self._stream is None:
            return
        if self._json:
            self.start(stage, unit="")
            self._tell("stage")
        elif self._stream.isatty():
            self._stream.write(f"{_WHOLE_LINE}{stage} ...")
            self._stream.flush()
            self._noted = True

    def skip(self, count: int = 1) -> None:
        """So many needed no work: they don't count for the rate."""
        self._done += count
        if self._bar is not None:
            self._bar.initial += count
            self._bar.n += count

    def complete(self) -> None:
        """What is left of the total turned out to need no work."""
        if self._total is not None:
            self.skip(self._total - self._done)

    def step(self, count: int = 1, **facts: int) -> None:
        """So many more are done; ``facts`` are shown beside the bar."""
        self._done += count
        self._facts = facts
        if self._bar is not None:
            if facts:
                self._bar.set_postfix(facts, refresh=False)
            self._bar.update(count)
        elif self._stage and time.monotonic() - self._told >= JSON_EVERY_S:
            self._tell("progress")

    def expect(self, total: int) -> None:
        """The stage has turned out to have so many steps."""
        self._total = total
        if self._bar is not None:
            self._bar.total = total

    def at(self, done: int, total: int | None = None) -> None:
        """So many are done in all, for work that counts for itself."""
        self._total = total if total is not None else self._total
        if self._bar is not None:
            self._bar.total = self._total
        self.step(done - self._done)

    def end(self) -> None:
        """End the stage and leave the bar of a counted one standing."""
        if self._noted and self._stream is not None:
            self._stream.write(_WHOLE_LINE)
            self._stream.flush()
        self._noted = False
        if self._bar is not None:
            self._bar.close()
            self._bar = None
        if self._json and self._stage and time.monotonic() - self._begun >= PATIENCE_S:
            self._tell("stage_ended")
        self._stage = ""

    close = end
    """For ``contextlib.closing``."""

    def _tell(self, event: str) -> None:
        self._told = time.monotonic()
        line = {
            "event": event,
            "stage": self._stage,
            "unit": self._unit,
            "done": self._done,
            "total": self._total,
            "elapsed_s": round(self._told - self._begun, 1),
            **self._facts,
        }
        assert self._stream is not None
        print(json.dumps(line), file=self._stream, flush=True)


def shown_as(progress: Progress | None, stage: str, work: Collection[T]) -> Iterator[T]:
    """The pieces of work one by one, shown as a stage of that name."""
    if progress is None:
        yield from work
        return
    progress.start(stage, len(work))
    try:
        for piece in work:
            yield piece
            progress.step()
    finally:
        progress.end()


def progress_option(group: argparse._ActionsContainer) -> None:
    """Add ``--json-lines``."""
    group.add_argument(
        "--json-lines",
        action="store_true",
        help="tell progress on standard error as lines of JSON, for a program that reads it",
    )


def progress_of(arguments: argparse.Namespace) -> Progress:
    """Progress as `progress_option` asks for it."""
    return Progress(sys.stderr, json_lines=getattr(arguments, "json_lines", False))
