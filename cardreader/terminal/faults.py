"""Telling what is wrong with a table: a line for each of the first faults, and how many more."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TypeVar

from cardreader.core.rowfaults import MOST_TOLD, FaultsError, RowError
from cardreader.terminal.exitcodes import ExitCode
from cardreader.terminal.failing import CommandError
from cardreader.terminal.output import counted, say

Table = TypeVar("Table")
HOW_ROWS_COUNT = "(row 1 is the first below the header: row 2 of a spreadsheet)"


def with_faults_told(read: Callable[[Path], Table], path: Path) -> Table:
    """What ``read`` makes of a table; CommandError, after a line for each fault, if there are many.

    With one fault the error itself is the line.
    """
    try:
        return read(path)
    except FaultsError as error:
        if error.count == 1:
            raise
        raise faults_told(error, path) from None


def faults_told(error: FaultsError, path: object) -> CommandError:
    """The end of a command over a faulty table, once its faults are told."""
    print_faults(error.errors, error.untold)
    if error.errors[0].row:
        say_line(HOW_ROWS_COUNT)
    them = "correct it" if error.count == 1 else "correct them"
    return CommandError(ExitCode.BAD_DATA, f"{path} has {counted(error.count, 'fault')}: {them}")


def print_faults(errors: Sequence[RowError], untold: int = 0) -> None:
    """A line for each of the first faults; ``untold`` more were not even kept."""
    say_first([str(error) for error in errors], "faults", untold)


def say_first(lines: Sequence[str], what: str, untold: int = 0) -> None:
    """The first lines, and how many more there are; ``untold`` of them were not even made."""
    for line in lines[:MOST_TOLD]:
        say_line(line)
    if more := len(lines[MOST_TOLD:]) + untold:
        say_line(f"... and {more} more {what}")


def say_line(words: str) -> None:
    """Words, and the end of the line."""
    say(words + "\n")
