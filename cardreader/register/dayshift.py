"""Whether a day's readings as a whole lie off those before (`cardreader.decide.liesoff`).

The mean of a day is held against the readings before it, a woman who was read before against her
own last value.
"""

from __future__ import annotations

import datetime as dt
from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import groupby

from sqlalchemy import ColumnElement, and_, false, or_, select, true
from sqlalchemy.orm import Session

from cardreader.decide.liesoff import LEAST_WOMEN, enough, lies_off, usual
from cardreader.register.base import local_day, midnight
from cardreader.register.calibrations import all_uses
from cardreader.register.kinds import Source
from cardreader.register.models import CalibrationUse, Reading

LOOKED_BACK = 400
"""Readings before a day that it is held against: some months of a place's sessions."""
RUN_IN_DAYS = 10
"""Of so many days at least: at hundreds a day all of those readings may be of days that lie off."""
MOST_RUN_IN = 3200
"""Readings looked back at for that, at most."""
BETWEEN_CALIBRATIONS_SD_G_DL = 0.5
"""By how much two calibrations of one site differ as a whole."""
LEVEL_DAYS = 4
"""So many days in a row that lie off the same way are what later ones are held against."""
KEPT = 0.79
"""Share of her distance from the others that a woman's next reading keeps."""


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

    @property
    def too_high(self) -> bool:
        """Whether severe anaemia may be missed on it."""
        return self.shift_g_dl > 0


def day_shift(session: Session, day: dt.date) -> DayShift | None:
    """Of one day; None where its readings are as those before, or too few to tell."""
    return next(iter(day_shifts(session, day, day + dt.timedelta(days=1))), None)


def day_shifts(
    session: Session, first: dt.date, after: dt.date, most: int | None = None
) -> tuple[DayShift, ...]:
    """Of each day from ``first`` to before ``after``, by the last ``most`` readings of that time.

    A day is held against what the calibration that read it has read before, so that it goes on
    being said when another comes into use. Of one that is new that is too little: its days are
    held against the readings of the site's calibrations before it, which may have differed.
    """
    start, end = midnight(first), midnight(after)
    now = _values(session, [(start, end)], most=most)
    if len(now) < LEAST_WOMEN:
        return ()
    if most is not None and len(now) == most:
        # The first of these days may lack some of its readings: it is only held against.
        start = midnight(now[0].on + dt.timedelta(days=1))
        now = [value for value in now if value.at >= start]
    read_by = _Periods(all_uses(session))
    found: list[DayShift] = []
    for calibration in {read_by.at(value.at) for value in now}:
        # What demonstration cards were read with tells nothing of the site's own, nor they of it.
        others = read_by.sites if calibration is not None else set[str | None]()
        both = {calibration}, others
        # Often the same: a site's only calibration, of which one look tells.
        spans = {tuple(read_by.of(some)) for some in both}
        before = {one for some in spans for one in _run_in(session, some, start)}
        held = _Held()
        for _on, of_day in groupby([*sorted(before, key=_in_time), *now], key=lambda one: one.on):
            values = list(of_day)
            own, of_sites = (
                _women([value for value in values if read_by.at(value.at) in some]) for some in both
            )
            shift = held.take(own, of_sites)
            if shift is not None and own and values[-1].at >= start:
                found.append(shift)
    # A day on which another calibration came into use may be named by both.
    found.sort(key=lambda shift: (shift.on, -abs(shift.shift_g_dl)))
    return tuple(next(of_day) for _, of_day in groupby(found, key=lambda shift: shift.on))


@dataclass(frozen=True)
class _Read:
    """One photo's value, g/dL."""

    at: dt.datetime
    on: dt.date
    woman_id: str
    hb_g_dl: float


_Span = tuple[dt.datetime | None, dt.datetime | None]
"""From a time to before another; None where it is open."""


class _Periods:
    """Which calibration read photos when; None stands for what the server was started with."""

    def __init__(self, uses: Sequence[CalibrationUse]) -> None:
        in_order = sorted(uses, key=lambda use: use.since)
        self._since = [use.since for use in in_order]
        self._of = [None, *(use.calibration_id for use in in_order)]

    def at(self, time: dt.datetime) -> str | None:
        return self._of[bisect_right(self._since, time)]

    def of(self, calibrations: Collection[str | None]) -> list[_Span]:
        starts, ends = [None, *self._since], [*self._since, None]
        spans = zip(starts, ends, self._of, strict=True)
        return [(start, end) for start, end, one in spans if one in calibrations]

    @property
    def sites(self) -> set[str | None]:
        """The site's own."""
        return {one for one in self._of if one is not None}


def standing_photos(spans: Sequence[_Span]) -> ColumnElement[bool]:
    """Where clause of readings: values of photos that stand, taken within one of some times."""
    inside = [
        and_(
            *([] if start is None else [Reading.taken_at >= start]),
            *([] if end is None else [Reading.taken_at < end]),
            true(),
        )
        for start, end in spans
    ]
    return and_(
        Reading.source == Source.PHOTO.value,
        Reading.hb_g_dl.is_not(None),
        Reading.set_aside_at.is_(None),
        or_(false(), *inside),
    )


def _values(
    session: Session,
    spans: Sequence[_Span],
    before: dt.datetime | None = None,
    most: int | None = None,
) -> list[_Read]:
    """Values of photos that stand, in order of time; the last ``most`` of them."""
    if not spans:
        return []
    query = (
        select(Reading.taken_at, Reading.woman_id, Reading.hb_g_dl)
        .where(standing_photos(spans))
        .order_by(Reading.taken_at.desc(), Reading.id)
        .limit(most)
    )
    if before is not None:
        query = query.where(Reading.taken_at < before)
    rows = session.execute(query).all()
    return [_Read(at, local_day(at), woman, float(hb or 0.0)) for at, woman, hb in reversed(rows)]


def _run_in(session: Session, spans: Sequence[_Span], start: dt.datetime) -> list[_Read]:
    """Values of before, of so many days that some are left where the last of them lie off."""
    most = LOOKED_BACK
    while True:
        found = _values(session, spans, start, most)
        days = len({value.on for value in found})
        if days > RUN_IN_DAYS or len(found) < most or most == MOST_RUN_IN:
            return found
        # As many more as the days lack at this pace; the first of them may lack some of its own.
        most = min(most * (RUN_IN_DAYS + 2) // days, MOST_RUN_IN)


class _Held:
    """What days are held against, from day to day.

    A day that lies off is none that others are held against, or the second session on another
    paper passed for usual after the first. Several in a row the same way are: by then it is the
    place's level.
    """

    def __init__(self) -> None:
        self._own: list[OneValue] = []
        self._sites: list[OneValue] = []
        self._off: list[tuple[float, Sequence[OneValue], Sequence[OneValue]]] = []

    def take(self, own: Sequence[OneValue], sites: Sequence[OneValue]) -> DayShift | None:
        """By how much a day lies off, which others are held against if it doesn't.

        ``own`` are the women read by the calibration itself, ``sites`` those by any of the site's,
        it among them.
        """
        shift = self._shift_of(own) if own else shift_of(sites, self._sites)
        if shift is None:
            self._off.clear()
            self._add(own, sites)
            return None
        if self._off and self._off[-1][0] * shift.shift_g_dl < 0:
            self._off.clear()
        self._off.append((shift.shift_g_dl, own, sites))
        if len(self._off) == LEVEL_DAYS:
            for _shift, own_then, sites_then in self._off:
                self._add(own_then, sites_then)
            self._off.clear()
        return shift

    def _shift_of(self, day: Sequence[OneValue]) -> DayShift | None:
        if _enough(self._own) or not _enough(self._sites):
            return shift_of(day, self._own)
        return shift_of(day, self._sites, BETWEEN_CALIBRATIONS_SD_G_DL)

    def _add(self, own: Sequence[OneValue], sites: Sequence[OneValue]) -> None:
        self._own = [*self._own, *own][-LOOKED_BACK:]
        self._sites = [*self._sites, *sites][-LOOKED_BACK:]


def _in_time(value: _Read) -> tuple[dt.datetime, str]:
    return value.at, value.woman_id


def _women(values: Sequence[_Read]) -> list[OneValue]:
    """A day's women each once."""
    hers: dict[str, list[float]] = defaultdict(list)
    for value in values:
        hers[value.woman_id].append(value.hb_g_dl)
    return [OneValue(values[0].on, woman, sum(v) / len(v)) for woman, v in hers.items()]


def _enough(before: Sequence[OneValue]) -> bool:
    return enough(len(before), len({value.on for value in before}))


def shift_of(
    day: Sequence[OneValue], before: Sequence[OneValue], apart_sd_g_dl: float = 0.0
) -> DayShift | None:
    """A day's women against all of earlier days, in order of time; None as for `day_shift`.

    Women count by how well their value was to be foretold. ``apart_sd_g_dl``: by how much what
    read the day and what read those before may differ.
    """
    if len(day) < LEAST_WOMEN:
        return None
    against = usual(Counter(v.hb_g_dl for v in before), len({v.on for v in before}))
    if against is None:
        return None
    last = {value.woman_id: value.hb_g_dl for value in before}
    middle = against.middle_g_dl
    sum_weight = sum_off = 0.0
    for value in day:
        known = value.woman_id in last
        expected = middle + KEPT * (last[value.woman_id] - middle) if known else middle
        weight = 1 / (against.variance * (1 - KEPT**2 if known else 1.0))
        sum_weight += weight
        sum_off += weight * (value.hb_g_dl - expected)
    shift = sum_off / sum_weight
    off = lies_off(shift, sum_weight, against, apart_sd_g_dl)
    return DayShift(day[0].on, len(day), shift) if off else None
