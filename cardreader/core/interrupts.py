"""Ctrl-C and the processes that a command starts: the terminal sends it to all of them.

The command itself says in one line that it was stopped. A process that was just being started
would add a traceback of its own to that.
"""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing import resource_tracker


@contextmanager
def deaf_processes() -> Iterator[None]:
    """What this thread starts within never hears of Ctrl-C; this process still does.

    For processes that whoever starts them also ends.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    # Started along with the first process, it would let the signal through again.
    resource_tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def end_without_a_word() -> None:
    """In a process of a pool: Ctrl-C ends it, and what it would say of that is left out."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
