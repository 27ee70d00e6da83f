"""What is wrong with a table that people fill in: by row and column, all of it at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

MOST_TOLD = 40
"""Faults of a table that are told one by one; of the others how many there are."""


@dataclass(frozen=True)
class RowError:
    """A fault of the table; ``row`` counts data rows from 1, 0 is the table itself."""

    row: int
    column: str
    problem: str

    def __str__(self) -> str:
        place = f"row {self.row}" if self.row else "table"
        return (
            f"{place}, {self.column}: {self.problem}" if self.column else f"{place}: {self.problem}"
        )


class FaultsError(ValueError):
    """A table that can't be used; ``errors`` holds its faults, and ``untold`` more were found."""

    def __init__(self, errors: Sequence[RowError], untold: int = 0) -> None:
        self.errors = tuple(errors)
        self.untold = untold
        more = f" (and {self.count - 1} more)" if self.count > 1 else ""
        super().__init__(f"{errors[0]}{more}")

    @property
    def count(self) -> int:
        """How many faults were found."""
        return len(self.errors) + self.untold


class Faults:
    """Faults as they are found: the first are kept, those after them counted."""

    def __init__(self) -> None:
        self._first: list[RowError] = []
        self._untold = 0

    def add(self, row: int, column: str, problem: str) -> None:
        """Note a fault."""
        if len(self._first) < MOST_TOLD:
            self._first.append(RowError(row, column, problem))
        else:
            self._untold += 1

    def __bool__(self) -> bool:
        return bool(self._first)

    def all(self) -> tuple[tuple[RowError, ...], int]:
        """The first faults, and how many more there were."""
        return tuple(self._first), self._untold
