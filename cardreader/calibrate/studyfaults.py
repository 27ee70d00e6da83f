"""What is wrong with a study table, or odd about it: by row and column."""

from __future__ import annotations

from dataclasses import dataclass


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


class StudyError(ValueError):
    """A study table that can't be used; ``errors`` holds every fault that was found."""

    def __init__(self, errors: tuple[RowError, ...]) -> None:
        self.errors = errors
        more = f" (and {len(errors) - 1} more)" if len(errors) > 1 else ""
        super().__init__(f"{errors[0]}{more}")
