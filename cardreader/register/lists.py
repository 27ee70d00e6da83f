"""The lists a worker goes through: due, overdue, open referrals, severe, tablets and more."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from dataclasses import dataclass, replace
from enum import StrEnum

from sqlalchemy import Select, select
from sqlalchemy.orm import Session, selectinload

from cardreader.decide.followuprules import FollowUpRules
from cardreader.register.ahead import is_ahead
from cardreader.register.base import local_day
from cardreader.register.daydoubt import doubted_day, newest_day_shift
from cardreader.register.dayshift import DayShift
from cardreader.register.followup import (
    Due,
    DueKind,
    MissingRise,
    gestation_start,
    missing_rise,
    next_due,
)
from cardreader.register.history import Measurement, Standing, as_referred, standing
from cardreader.register.models import JudgedAgain, Referral, Visit, Woman
from cardreader.register.openreferrals import open_referrals
from cardreader.register.rejudging import open_again, pressing
from cardreader.register.tablets import Tablets, tablets_of
from cardreader.register.tocome import ZONES


class ListName(StrEnum):
    """The lists, as in their addresses."""

    DUE = "due"
    OVERDUE = "overdue"
    REFERRALS = "referrals"
    SEVERE = "severe"
    NO_RISE = "no-rise"
    TABLETS = "tablets"
    JUDGED_AGAIN = "judged-otherwise"


ALWAYS = dt.date.min
"""Since when she is on a list that no day brings her to."""


@dataclass(frozen=True)
class Place:
    """A place on a list: since which day, and what it is sorted by, the smallest first.

    It depends on the woman's record and the protocol alone, so that it may be kept: what a
    day changes follows from ``since``.
    """

    since: dt.date
    pressing: int
    value: float


@dataclass(frozen=True)
class Row:
    """A woman with all that follows from her record today."""

    woman: Woman
    points: tuple[Measurement, ...]
    standing: Standing
    due: Due | None
    rise: MissingRise | None
    referrals: tuple[Referral, ...]
    again: JudgedAgain | None = None
    tablets: Tablets | None = None

    @property
    def referral(self) -> Referral | None:
        """Her most urgent open referral."""
        return self.referrals[0] if self.referrals else None

    def place(self, name: ListName) -> Place | None:
        """Her place on a list, now or from a day to come; None when there is none."""
        due, referral = self.due, self.referral
        match name:
            case ListName.DUE if due is not None:
                return Place(due.first_on, not self.standing.severe, due.last_on.toordinal())
            case ListName.OVERDUE if due is not None:
                since = due.last_on + dt.timedelta(days=1)
                return Place(since, not self.standing.severe, due.last_on.toordinal())
            case ListName.REFERRALS if referral is not None:
                return Place(ALWAYS, not referral.urgent, referral.opened_at.timestamp())
            case ListName.SEVERE if self.standing.severe:
                return Place(ALWAYS, 0, self._last_value())
            case ListName.NO_RISE if self.rise is not None:
                return Place(ALWAYS, 0, self._last_value())
            case ListName.TABLETS if self.tablets and self.tablets.ask_on:
                until = self.tablets.lasts_until or dt.date.max
                return Place(self.tablets.ask_on, not self.standing.severe, until.toordinal())
            case ListName.JUDGED_AGAIN if self.again is not None:
                return Place(ALWAYS, *pressing(self.again))
        return None

    def _last_value(self) -> float:
        return self.points[-1].hb_g_dl if self.points else 0.0

    def belongs(self, name: ListName, today: dt.date) -> bool:
        """Whether she is on a list today."""
        place = self.place(name)
        return place is not None and today >= place.since

    def asks_birth(self, today: dt.date, rules: FollowUpRules) -> bool:
        """Whether her weeks are over, no birth is noted, and she is seen for something else."""
        start = gestation_start(self.woman.gestation_weeks, self.woman.gestation_on)
        if start is None or self.woman.birth_on is not None:
            return False
        over = today >= start + dt.timedelta(weeks=rules.ask_birth_week)
        return over and (self.due is None or self.due.kind is not DueKind.BIRTH)


def row_of(woman: Woman, rules: FollowUpRules) -> Row:
    """All that follows from one woman's record."""
    points = as_referred(woman)
    stands = standing(points)
    return Row(
        woman=woman,
        points=tuple(points),
        standing=stands,
        due=next_due(
            rules,
            stands,
            points,
            gestation_start(woman.gestation_weeks, woman.gestation_on),
            woman.followed_from or _added_on(woman),
            woman.birth_on,
            woman.followed_from,
            [visit.on for visit in woman.visits],
            woman.pregnancy_in_doubt,
        ),
        rise=missing_rise(rules, woman.treatments, points),
        referrals=tuple(open_referrals(woman)),
        again=open_again(woman),
        tablets=tablets_of(woman, rules),
    )


def _added_on(woman: Woman) -> dt.date:
    """The day her record was made; by a clock that was fast, then, that her weeks were told on."""
    added, told = local_day(woman.added_at), woman.gestation_on
    return added if told is None or added - told <= ZONES else told


def due_now(
    row: Row, today: dt.date, rules: FollowUpRules, too_high: Collection[dt.date] = ()
) -> Row:
    """As she stands on a day: what is dated later than that puts no test off, nor does a photo
    that calls her well of a day whose readings lie ``too_high``."""
    if row.due is not None and row.due.is_due(today):
        return row
    if not is_ahead(row.woman, today):
        day = doubted_day(row.points, too_high)
        if day is None:
            return row
        return replace(row, due=Due(DueKind.DAY_OFF, day, day + dt.timedelta(rules.grace_days)))
    told = row.woman.gestation_on
    kind = DueKind.SEVERE if row.standing.severe else DueKind.MONTHLY
    if told is None or told > today + ZONES:
        kind = DueKind.WITHOUT_WEEKS
    return replace(row, due=Due(kind, today, today + dt.timedelta(days=rules.grace_days)))


def row_today(woman: Woman, today: dt.date, rules: FollowUpRules) -> tuple[Row, DayShift | None]:
    """One woman as she stands on a day, and the shift of the day of her newest photo.

    Asks for that day alone, whatever her page or the API shows: no other makes her due.
    """
    row = row_of(woman, rules)
    shift = newest_day_shift(woman, row.points)
    too_high = (shift.on,) if shift is not None and shift.too_high else ()
    return due_now(row, today, rules, too_high), shift


def open_rows(
    session: Session, rules: FollowUpRules, start: int = 0, most: int | None = None
) -> list[Row]:
    """Every woman still followed here, by code; or ``most`` of them from number ``start`` on."""
    query = followed().order_by(Woman.code).offset(start).limit(most)
    return [row_of(woman, rules) for woman in session.scalars(query)]


def followed() -> Select[Woman]:
    """Women still followed here, with all that a row follows from."""
    return (
        select(Woman)
        .where(Woman.closed_on.is_(None))
        .options(
            selectinload(Woman.visits).selectinload(Visit.readings),
            selectinload(Woman.visits).selectinload(Visit.judged_again),
            selectinload(Woman.readings),
            selectinload(Woman.referrals),
            selectinload(Woman.treatments),
            selectinload(Woman.events),
        )
    )


def list_rows(rows: list[Row], name: ListName, today: dt.date) -> list[Row]:
    """Those on one list, the most pressing first; rows by code stay so where all is equal."""
    places = [(place, row) for row in rows if (place := row.place(name)) is not None]
    chosen = [found for found in places if today >= found[0].since]
    chosen.sort(key=lambda found: (found[0].pressing, found[0].value))
    return [row for _, row in chosen]


def list_counts(rows: list[Row], today: dt.date) -> dict[ListName, int]:
    """How many women are on each list."""
    return {name: sum(row.belongs(name, today) for row in rows) for name in ListName}
