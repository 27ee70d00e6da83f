"""Who was called well on a day whose readings lie too high, and was not read or tested since.

Most of them have nothing else that brings them back before their next visit, weeks away, and
some are severely anaemic. So each is due for a test from that day on, until there is a value of
hers that is newer.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Sequence

from sqlalchemy import or_, select
from sqlalchemy.orm import Session, object_session

from cardreader.decide.rule import Outcome
from cardreader.register.base import midnight
from cardreader.register.dayshift import DayShift, day_shift, day_shifts
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
    return tuple(shift for shift in shifts if shift.shift_g_dl > 0)


def read_then(session: Session, days: Collection[dt.date]) -> list[str]:
    """Ids of women with a value of a photo of one of these days."""
    if not days:
        return []
    spans = ((midnight(day), midnight(day + dt.timedelta(days=1))) for day in sorted(days))
    inside = [(Reading.taken_at >= start) & (Reading.taken_at < end) for start, end in spans]
    query = select(Reading.woman_id).where(
        Reading.source == Source.PHOTO.value,
        Reading.hb_g_dl.is_not(None),
        Reading.set_aside_at.is_(None),
        or_(*inside),
    )
    return sorted(set(session.scalars(query)))


def doubted_days(woman: Woman, points: Sequence[Measurement]) -> frozenset[dt.date]:
    """Days, of those on which her photos say that she is well, whose readings lie too high."""
    session = object_session(woman)
    if session is None:
        return frozenset()
    well = {p.day for p in points if p.source is Source.PHOTO and p.outcome is Outcome.NOT_ANAEMIC}
    shifts = (day_shift(session, day) for day in sorted(well))
    return frozenset(shift.on for shift in shifts if shift is not None and shift.shift_g_dl > 0)


def doubted_day(points: Sequence[Measurement], days: Collection[dt.date]) -> dt.date | None:
    """The day, of these, on which her newest value says that she is well; else None."""
    if not points or points[-1].source is not Source.PHOTO or points[-1].day not in days:
        return None
    return points[-1].day if points[-1].outcome is Outcome.NOT_ANAEMIC else None
