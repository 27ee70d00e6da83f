"""Dates of a table that are more often a slip: last year's number, which in January sits in the
fingers. Asked about, never refused."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from datetime import date

NEAR_DAYS = 90
ALONE = 0.1
"""A date has so much less company than a year later or earlier where that is what was meant."""


def odd_dates(dates: Sequence[date], today: date) -> list[str]:
    """What is odd about the dates of a table, each once, in order."""
    numbers = sorted(day.toordinal() for day in dates)

    def company(day: date) -> int:
        number = day.toordinal()
        first = bisect_left(numbers, number - NEAR_DAYS)
        return bisect_right(numbers, number + NEAR_DAYS) - first

    found = []
    for day in sorted(set(dates)):
        if day > today:
            found.append(f"date {day}: it is still to come; is the year right?")
            continue
        meant = max((_years_on(day, 1), _years_on(day, -1)), key=company)
        if company(day) <= ALONE * company(meant):
            found.append(
                f"date {day}: hardly any other result is of the weeks around it, and many are of "
                f"those around {meant}; is the year right?"
            )
    return found


def _years_on(day: date, years: int) -> date:
    year = max(day.year + years, date.min.year)
    try:
        return day.replace(year=year)
    except ValueError:  # the 29th of February
        return day.replace(year=year, day=28)
