"""What a command prints: results on standard output, one line for an error."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import CommandError, writing


def say(text: str) -> None:
    """Print a result, all of it and now, so that a full disk is noticed."""
    if sys.stdout is None:  # closed before Python began, as `>&-` does
        if text:
            why = "the result can't be written: standard output is closed"
            raise CommandError(ExitCode.NOT_WRITTEN, why)
        return
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except OSError as error:
        # What is still buffered goes nowhere, or Python would complain on its way out.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        # A reader that left early, as `head` does, knows why it did.
        quiet = isinstance(error, BrokenPipeError)
        message = "" if quiet else f"the result can't be written: {error.strerror}"
        raise CommandError(ExitCode.NOT_WRITTEN, message) from None


def counted(count: int, one: str, several: str = "") -> str:
    """A number of things: "1 photo", "2 photos"; ``several`` where it isn't the word and an s."""
    return f"{count} {one if count == 1 else several or one + 's'}"


def complain(message: str) -> None:
    """Say on standard error what is wrong, in one line; nothing for an empty message."""
    if not (one_line := " ".join(message.split())) or sys.stderr is None:
        return  # `print` would put it among the results, where there is no standard error
    print(f"cardreader: {one_line}", file=sys.stderr)


def write_file(path: Path, data: bytes | str) -> None:
    """Write a whole file, or end the command."""
    from cardreader.core.files import write_atomic

    with writing(path):
        write_atomic(path, data)


def make_folder(path: Path) -> None:
    """Make a folder where there is none, or end the command."""
    with writing(path):
        path.mkdir(parents=True, exist_ok=True)
