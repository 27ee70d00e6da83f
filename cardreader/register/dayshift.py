"""Whether a day's readings as a whole lie off those before: what no single photo shows.

Another blotting paper that nobody told, damp blots, drops from a squeezed finger or bleached cards
move all readings of a session in one direction, and each of them may still look like a reading.
Women of one place don't change so from one day to the next. So the mean of a day is held against
the readings before it, a woman who was read before against her own last value.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from math import sqrt

from sqlalchemy import select
from sqlalchemy.orm import Session

from cardreader.register.base import local_day, midnight
from cardreader.register.calibrations import in_use
from cardreader.register.kinds import Source
from cardreader.register.models import Reading

LOOKED_BACK = 400
"""Readings before a day that it is held against: some months of a place's sessions."""
LEAST_WOMEN = 6
LEAST_BEFORE, LEAST_DAYS = 20, 2
"""Women-days before a day, and on how many days."""
BETWEEN_DAYS_SD_G_DL = 0.5
"""By how much the means of days differ beside chance: other villages, other lamps."""
KEPT = 0.79
"""Share of her distance from the others that a woman's next reading keeps."""
LIMIT_SD = 3.0
LEAST_SHIFT_G_DL = 1.0
_QUARTILES_SD = 1.349
"""Between a normal distribution's quartiles."""


@dataclass(frozen=True)
class OneValue:
    """A woman's mean reading of a day, g/dL."""

    on: dt.date
    woman_id: str
    hb_g_dl: float


@dataclass(frozen=True)
class DayShift:
    """A day whose readings lie off those before.

    ``shift_g_dl``: by how much, against what was to be expected of these women; ``women``: how
    many were read that day.
    """

    on: dt.date
    women: int
    shift_g_dl: float


def day_shift(session: Session, day: dt.date) -> DayShift | None:
    """Of one day; None where its readings are as those before, or too few to tell."""
    return next(iter(day_shifts(session, day, day + dt.timedelta(days=1))), None)


def day_shifts(session: Session, first: dt.date, after: dt.date) -> tuple[DayShift, ...]:
    """Of each day from ``first`` to before ``after``, by photos that the calibration now in use
    has read."""
    use = in_use(session)
    query = (
        select(Reading.taken_at, Reading.woman_id, Reading.hb_g_dl)
        .where(
            Reading.source == Source.PHOTO.value,
            Reading.hb_g_dl.is_not(None),
            Reading.set_aside_at.is_(None),
        )
        .order_by(Reading.taken_at.desc(), Reading.id)
    )
    if use is not None:
        query = query.where(Reading.taken_at >= use.since)
    start, end = midnight(first), midnight(after)
    now = session.execute(query.where(Reading.taken_at >= start, Reading.taken_at < end)).all()
    if len(now) < LEAST_WOMEN:
        return ()
    before = session.execute(query.where(Reading.taken_at < start).limit(LOOKED_BACK)).all()
    rows = [(local_day(at), woman, hb) for at, woman, hb in reversed([*now, *before])]
    return tuple(_shifts(_by_day(rows), first))


def _by_day(rows: Sequence[tuple[dt.date, str, float | None]]) -> list[list[OneValue]]:
    """Of rows in order of time, a day's women each once."""
    days = []
    for day, of_day in groupby(rows, key=lambda row: row[0]):
        hers: dict[str, list[float]] = defaultdict(list)
        for _, woman, hb in of_day:
            hers[woman].append(float(hb or 0.0))
        days.append([OneValue(day, woman, sum(v) / len(v)) for woman, v in hers.items()])
    return days


def _shifts(days: Sequence[Sequence[OneValue]], first: dt.date) -> Iterator[DayShift]:
    """Of the days from ``first`` on; those before it are only held against."""
    before: list[OneValue] = []
    for day in days:
        if day[0].on >= first and (shift := shift_of(day, before)) is not None:
            yield shift
        before = [*before, *day][-LOOKED_BACK:]


def shift_of(day: Sequence[OneValue], before: Sequence[OneValue]) -> DayShift | None:
    """A day's women against all of earlier days, in order of time; None as for `day_shift`.

    A random-effects mean (DerSimonian and Laird 1986, from memory) whose scatter between days is
    given: women count by how well their value was to be foretold.
    """
    days_before = len({value.on for value in before})
    if len(day) < LEAST_WOMEN or len(before) < LEAST_BEFORE or days_before < LEAST_DAYS:
        return None
    # By the quartiles, so that a day of long ago that was off doesn't hide another.
    values = sorted(value.hb_g_dl for value in before)
    low, middle, high = (values[k * len(values) // 4] for k in (1, 2, 3))
    variance = ((high - low) / _QUARTILES_SD) ** 2
    if not variance:
        return None
    last = {value.woman_id: value.hb_g_dl for value in before}
    sum_weight = sum_off = 0.0
    for value in day:
        known = value.woman_id in last
        expected = middle + KEPT * (last[value.woman_id] - middle) if known else middle
        weight = 1 / (variance * (1 - KEPT**2 if known else 1.0))
        sum_weight += weight
        sum_off += weight * (value.hb_g_dl - expected)
    shift = sum_off / sum_weight
    between = BETWEEN_DAYS_SD_G_DL**2 * (1 + 1 / days_before)
    sd = sqrt(1 / sum_weight + variance / len(before) + between)
    if abs(shift) < max(LIMIT_SD * sd, LEAST_SHIFT_G_DL):
        return None
    return DayShift(day[0].on, len(day), shift)
