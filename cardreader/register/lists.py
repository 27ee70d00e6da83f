"""The lists a worker goes through: due, overdue, open referrals, severe, tablets and more."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from enum import StrEnum

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from cardreader.decide.followuprules import FollowUpRules
from cardreader.register.followup import (
    Due,
    DueKind,
    MissingRise,
    gestation_start,
    missing_rise,
    next_due,
)
from cardreader.register.history import Measurement, Standing, measurements, standing
from cardreader.register.models import JudgedAgain, Referral, Visit, Woman, local_day
from cardreader.register.referrals import open_referrals
from cardreader.register.rejudging import open_again, pressing
from cardreader.register.tablets import Tablets, tablets_of


class ListName(StrEnum):
    """The lists, as in their addresses."""

    DUE = "due"
    OVERDUE = "overdue"
    REFERRALS = "referrals"
    SEVERE = "severe"
    NO_RISE = "no-rise"
    TABLETS = "tablets"
    JUDGED_AGAIN = "judged-otherwise"


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

    def belongs(self, name: ListName, today: dt.date) -> bool:
        """Whether she is on a list today."""
        match name:
            case ListName.DUE:
                return self.due is not None and self.due.is_due(today)
            case ListName.OVERDUE:
                return self.due is not None and self.due.is_overdue(today)
            case ListName.REFERRALS:
                return self.referral is not None
            case ListName.SEVERE:
                return self.standing.severe
            case ListName.NO_RISE:
                return self.rise is not None
            case ListName.TABLETS:
                ask_on = self.tablets.ask_on if self.tablets else None
                return ask_on is not None and today >= ask_on
            case ListName.JUDGED_AGAIN:
                return self.again is not None

    def asks_birth(self, today: dt.date, rules: FollowUpRules) -> bool:
        """Whether her weeks are over, no birth is noted, and she is seen for something else."""
        start = gestation_start(self.woman.gestation_weeks, self.woman.gestation_on)
        if start is None or self.woman.birth_on is not None:
            return False
        over = today >= start + dt.timedelta(weeks=rules.ask_birth_week)
        return over and (self.due is None or self.due.kind is not DueKind.BIRTH)


def row_of(woman: Woman, rules: FollowUpRules) -> Row:
    """All that follows from one woman's record."""
    points = measurements(woman)
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
            woman.followed_from or local_day(woman.added_at),
            woman.birth_on,
        ),
        rise=missing_rise(rules, woman.treatments, points),
        referrals=tuple(open_referrals(woman)),
        again=open_again(woman),
        tablets=tablets_of(woman, rules),
    )


def open_rows(session: Session, rules: FollowUpRules) -> list[Row]:
    """Every woman still followed here, by code."""
    query = (
        select(Woman)
        .where(Woman.closed_on.is_(None))
        .order_by(Woman.code)
        .options(
            selectinload(Woman.visits).selectinload(Visit.readings),
            selectinload(Woman.visits).selectinload(Visit.judged_again),
            selectinload(Woman.readings),
            selectinload(Woman.referrals),
            selectinload(Woman.treatments),
            selectinload(Woman.events),
        )
    )
    return [row_of(woman, rules) for woman in session.scalars(query)]


def list_rows(rows: list[Row], name: ListName, today: dt.date) -> list[Row]:
    """Those on one list, the most pressing first."""
    chosen = [row for row in rows if row.belongs(name, today)]
    if name in (ListName.DUE, ListName.OVERDUE):
        return sorted(
            chosen, key=lambda row: (not row.standing.severe, row.due.last_on if row.due else today)
        )
    if name is ListName.REFERRALS:
        return sorted(
            chosen,
            key=lambda row: (
                (not row.referral.urgent, row.referral.opened_at)
                if row.referral
                else (True, dt.datetime.max.replace(tzinfo=dt.UTC))
            ),
        )
    if name is ListName.TABLETS:
        return sorted(chosen, key=lambda row: (not row.standing.severe, _used_up(row)))
    if name is ListName.JUDGED_AGAIN:
        return sorted(chosen, key=lambda row: pressing(row.again) if row.again else (9, 0.0))
    return sorted(chosen, key=lambda row: row.points[-1].hb_g_dl if row.points else 0.0)


def _used_up(row: Row) -> dt.date:
    until = row.tablets and row.tablets.lasts_until
    return until or dt.date.max


def list_counts(rows: list[Row], today: dt.date) -> dict[ListName, int]:
    """How many women are on each list."""
    return {name: sum(row.belongs(name, today) for row in rows) for name in ListName}
