"""The monthly summary: what was done, what is missing, how the cards were used."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeVar

from sqlalchemy import func, select
from sqlalchemy.orm import Session, selectinload

from cardreader.decide.followuprules import FollowUpRules
from cardreader.decide.rule import Outcome
from cardreader.register.history import counts
from cardreader.register.lists import ListName, list_counts, open_rows
from cardreader.register.models import (
    BirthOutcome,
    Event,
    EventKind,
    Purpose,
    Reading,
    Referral,
    ReferralOutcome,
    Source,
    Visit,
    Woman,
    local_day,
)
from cardreader.register.referrals import TELLABLE
from cardreader.register.women import Closing

Choice = TypeVar("Choice", bound=StrEnum)


@dataclass(frozen=True)
class LotUse:
    """Photos taken with one card lot, and how many of them were refused."""

    lot_id: str
    photos: int
    refused: int


@dataclass(frozen=True)
class ReferralCounts:
    """Referrals of one month.

    ``opened`` and ``urgent`` are those for a test, ``unread`` of them after a photo that
    could not be read; what was a mistake, or was read after all, doesn't count.
    ``for_care`` follow a severe laboratory value. ``answered`` ended with a value;
    ``told`` counts what else became of them. ``missing`` were opened in the month or
    before, are older than the rules allow, and have no value.
    """

    opened: int
    urgent: int
    unread: int
    for_care: int
    answered: int
    told: tuple[tuple[ReferralOutcome, int], ...]
    missing: int


@dataclass(frozen=True)
class Summary:
    """Counts of one calendar month, and of the lists as they stand today.

    ``refusal_rate`` is the share of photos refused, None without photos. ``outcomes``
    counts visits by the combined result of their photos. ``tested_after_birth`` counts
    women with a value in the month from a day after their birth.
    """

    month: dt.date
    women_added: int
    visits: int
    photos: int
    refused: int
    refusal_rate: float | None
    refusals: tuple[tuple[str, int], ...]
    outcomes: tuple[tuple[Outcome, int], ...]
    tube_readings: int
    lab_results: int
    referrals: ReferralCounts
    births: tuple[tuple[BirthOutcome, int], ...]
    tested_after_birth: int
    closed: tuple[tuple[Closing, int], ...]
    reopened: int
    arrived: int
    women_given_tablets: int
    tablets_given: int
    lots: tuple[LotUse, ...]
    lists: tuple[tuple[ListName, int], ...]


def month_bounds(month: dt.date) -> tuple[dt.date, dt.date]:
    """First day of the month and of the next one."""
    first = month.replace(day=1)
    return first, (first + dt.timedelta(days=32)).replace(day=1)


def summarise(session: Session, month: dt.date, today: dt.date, rules: FollowUpRules) -> Summary:
    """Count one month."""
    first, after = month_bounds(month)
    start, end = _midnight(first), _midnight(after)
    readings = session.scalars(
        select(Reading)
        .where(Reading.taken_at >= start, Reading.taken_at < end, Reading.set_aside_at.is_(None))
        .options(selectinload(Reading.woman))
    ).all()
    photos = [r for r in readings if r.source == Source.PHOTO]
    refused = [r for r in photos if r.refusal is not None]
    visits = session.scalars(select(Visit).where(Visit.on >= first, Visit.on < after)).all()
    outcomes = Counter(Outcome(v.band) for v in visits if v.band is not None)
    events = session.scalars(
        select(Event).where(Event.on >= first, Event.on < after, Event.set_aside_at.is_(None))
    ).all()
    tablets = [e for e in events if e.kind == EventKind.TABLETS_GIVEN]
    rows = open_rows(session, rules)
    return Summary(
        month=first,
        women_added=_count(session, Woman.added_at, start, end),
        visits=len(visits),
        photos=len(photos),
        refused=len(refused),
        refusal_rate=len(refused) / len(photos) if photos else None,
        refusals=tuple(Counter(str(r.refusal) for r in refused).most_common()),
        outcomes=tuple((o, outcomes[o]) for o in Outcome if o is not Outcome.NOT_READ),
        tube_readings=sum(r.source == Source.TUBE and counts(r) for r in readings),
        lab_results=sum(r.source == Source.LAB and counts(r) for r in readings),
        referrals=_referrals(session, start, end, _midnight(today), events, rules),
        births=_chosen(events, EventKind.BIRTH, BirthOutcome),
        tested_after_birth=len({r.woman_id for r in readings if _is_after_birth(r)}),
        closed=_chosen(events, EventKind.CLOSED, Closing),
        reopened=_kinds(events, EventKind.REOPENED, EventKind.READ_WHILE_CLOSED),
        arrived=_kinds(events, EventKind.ARRIVED),
        women_given_tablets=len({e.woman_id for e in tablets}),
        tablets_given=sum(e.amount or 0 for e in tablets),
        lots=_lots(photos),
        lists=tuple(list_counts(rows, today).items()),
    )


def _referrals(
    session: Session,
    start: dt.datetime,
    end: dt.datetime,
    today: dt.datetime,
    events: Sequence[Event],
    rules: FollowUpRules,
) -> ReferralCounts:
    opened = [
        r
        for r in session.scalars(
            select(Referral).where(Referral.opened_at >= start, Referral.opened_at < end)
        )
        if r.outcome not in (ReferralOutcome.READ, ReferralOutcome.MISTAKE)
    ]
    tests = [r for r in opened if r.purpose == Purpose.TEST]
    late = min(end, today - dt.timedelta(days=rules.confirmation_days))
    answered = select(func.count()).where(
        Referral.outcome == ReferralOutcome.RESULT.value,
        Referral.closed_at >= start,
        Referral.closed_at < end,
    )
    missing = select(func.count()).where(
        Referral.purpose == Purpose.TEST.value,
        Referral.closed_at.is_(None),
        Referral.opened_at < late,
    )
    told = dict(_chosen(events, EventKind.REFERRAL, ReferralOutcome))
    return ReferralCounts(
        opened=len(tests),
        urgent=sum(r.urgent for r in tests),
        unread=sum(r.band == Outcome.NOT_READ for r in tests),
        for_care=len(opened) - len(tests),
        answered=session.scalar(answered) or 0,
        told=tuple((outcome, told[outcome]) for outcome in TELLABLE),
        missing=session.scalar(missing) or 0,
    )


def _chosen(
    events: Sequence[Event], kind: EventKind, choices: type[Choice]
) -> tuple[tuple[Choice, int], ...]:
    """How often each choice was noted, in their own order."""
    counted = Counter(e.choice for e in events if e.kind == kind)
    return tuple((choice, counted[choice.value]) for choice in choices)


def _kinds(events: Sequence[Event], *kinds: EventKind) -> int:
    return sum(e.kind in kinds for e in events)


def _is_after_birth(reading: Reading) -> bool:
    birth = reading.woman.birth_on
    return counts(reading) and birth is not None and local_day(reading.taken_at) > birth


def _lots(photos: list[Reading]) -> tuple[LotUse, ...]:
    lots: dict[str, list[Reading]] = {}
    for photo in photos:
        lots.setdefault(photo.lot_id or "-", []).append(photo)
    return tuple(
        LotUse(lot, len(used), sum(r.refusal is not None for r in used))
        for lot, used in sorted(lots.items())
    )


def _count(session: Session, column, start: dt.datetime, end: dt.datetime) -> int:  # type: ignore[no-untyped-def]
    query = select(func.count()).where(column >= start, column < end)
    return session.scalar(query) or 0


def _midnight(day: dt.date) -> dt.datetime:
    """The start of a day where this machine stands."""
    return dt.datetime.combine(day, dt.time()).astimezone()
