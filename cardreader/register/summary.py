"""The monthly summary: what was done, what is missing, how the cards were used."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from cardreader.decide.followuprules import FollowUpRules
from cardreader.decide.rule import Outcome
from cardreader.register.history import counts
from cardreader.register.lists import ListName, list_counts, open_rows
from cardreader.register.models import Reading, Referral, Source, Visit, Woman


@dataclass(frozen=True)
class LotUse:
    """Photos taken with one card lot, and how many of them were refused."""

    lot_id: str
    photos: int
    refused: int


@dataclass(frozen=True)
class Summary:
    """Counts of one calendar month, and of the lists as they stand today.

    ``refusal_rate`` is the share of photos refused, None without photos.
    ``missing_confirmations`` are referrals of the month or before, older than the
    rules allow, without a laboratory result. ``outcomes`` counts visits by the
    combined result of their photos.
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
    referrals_opened: int
    referrals_urgent: int
    referrals_closed: int
    missing_confirmations: int
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
        select(Reading).where(
            Reading.taken_at >= start, Reading.taken_at < end, Reading.set_aside_at.is_(None)
        )
    ).all()
    photos = [r for r in readings if r.source == Source.PHOTO]
    refused = [r for r in photos if r.refusal is not None]
    visits = session.scalars(select(Visit).where(Visit.on >= first, Visit.on < after)).all()
    outcomes = Counter(Outcome(v.band) for v in visits if v.band is not None)
    opened = session.scalars(
        select(Referral).where(Referral.opened_at >= start, Referral.opened_at < end)
    ).all()
    late = min(end, _midnight(today) - dt.timedelta(days=rules.confirmation_days))
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
        referrals_opened=len(opened),
        referrals_urgent=sum(r.urgent for r in opened),
        referrals_closed=_count(session, Referral.closed_at, start, end),
        missing_confirmations=session.scalar(
            select(func.count())
            .select_from(Referral)
            .where(Referral.closed_at.is_(None), Referral.opened_at < late)
        )
        or 0,
        lots=_lots(photos),
        lists=tuple(list_counts(rows, today).items()),
    )


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
