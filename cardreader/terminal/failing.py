"""How a command ends early: one line on standard error and an exit code."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager

from cardreader.core.oneline import reason, what_failed
from cardreader.terminal.exitcodes import ExitCode


class CommandError(Exception):
    """Ends a command with one line on standard error and an exit code."""

    def __init__(self, code: ExitCode, message: str) -> None:
        super().__init__(message)
        self.code = code


@contextmanager
def told(code: ExitCode, *kinds: type[Exception], about: object = None) -> Iterator[None]:
    """Ends the command with ``code`` for errors of these kinds, named by ``about`` if given."""
    try:
        yield
    except kinds as error:
        message = what_failed(error) if about is None else f"{about}: {reason(error)}"
        raise CommandError(code, message) from None


def writing(path: object) -> AbstractContextManager[None]:
    """Around writing to ``path``."""
    return told(ExitCode.NOT_WRITTEN, OSError, about=path)


def using_data() -> AbstractContextManager[None]:
    """Around loading lots, calibrations and protocols."""
    return told(ExitCode.BAD_DATA, ValueError, OSError)
