"""Who was called well on a day whose readings lie too high, and was not read or tested since.

Most of them have nothing else that brings them back before their next visit, weeks away, and
some are severely anaemic. So each is due for a test from that day on, until there is a value of
hers that is newer.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session, object_session

from cardreader.decide.rule import Outcome
from cardreader.register.base import midnight
from cardreader.register.dayshift import DayShift, day_shift, day_shifts, standing_photos
from cardreader.register.history import Measurement
from cardreader.register.kinds import Source
from cardreader.register.models import Reading, Woman

DAYS_BACK = 150
"""Nobody whose weeks are known is without a test of her own for longer."""
MOST_READINGS = 4000
"""Of a register with more in that time its last ones are looked at."""


def days_too_high(session: Session, today: dt.date) -> tuple[DayShift, ...]:
    """Days up to today whose readings lie higher than those before, in order."""
    first = today - dt.timedelta(days=DAYS_BACK)
    after = today + dt.timedelta(days=1)
    shifts = day_shifts(session, first, after, MOST_READINGS)
    return tuple(shift for shift in shifts if shift.too_high)


def read_then(session: Session, days: Collection[dt.date]) -> list[str]:
    """Ids of women with a value of a photo of one of these days."""
    if not days:
        return []
    spans = [(midnight(day), midnight(day + dt.timedelta(days=1))) for day in sorted(days)]
    query = select(Reading.woman_id).where(standing_photos(spans))
    return sorted(set(session.scalars(query)))


def calls_her_well(point: Measurement) -> bool:
    """Whether it is a photo's all-clear: what a day whose readings lie too high makes doubtful."""
    return point.source is Source.PHOTO and point.outcome is Outcome.NOT_ANAEMIC


def doubted_days(woman: Woman, points: Sequence[Measurement]) -> frozenset[dt.date]:
    """Days, of those on which her photos say that she is well, whose readings lie too high."""
    session = object_session(woman)
    if session is None:
        return frozenset()
    well = {point.day for point in points if calls_her_well(point)}
    shifts = (day_shift(session, day) for day in sorted(well))
    return frozenset(shift.on for shift in shifts if shift is not None and shift.too_high)


def newest_day_shift(woman: Woman, points: Sequence[Measurement]) -> DayShift | None:
    """Of the day of her newest value, where that is a photo's; None where nothing is off."""
    session = object_session(woman)
    if session is None or not points or points[-1].source is not Source.PHOTO:
        return None
    return day_shift(session, points[-1].day)


def doubted_day(points: Sequence[Measurement], days: Collection[dt.date]) -> dt.date | None:
    """The day, of these, on which her newest value says that she is well; else None."""
    if not points or not calls_her_well(points[-1]):
        return None
    return points[-1].day if points[-1].day in days else None
