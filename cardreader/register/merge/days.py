"""Visits of one woman and day, over a whole register: made one, and listed."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Collection
from dataclasses import dataclass
from functools import cache

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session

from cardreader.register.database import Database
from cardreader.register.dayvisits import lead_of, members, visits_on
from cardreader.register.history import Measurement, sends_at_once
from cardreader.register.judging import TO_CONFIRM
from cardreader.register.kinds import Purpose
from cardreader.register.merge.following import Judge
from cardreader.register.models import JoinedVisit, Referral, Visit, Woman
from cardreader.register.openreferrals import open_referrals
from cardreader.register.parts import SOME, in_parts
from cardreader.register.recording import point_of_visit
from cardreader.register.referrals import refer
from cardreader.register.sameday import is_alarming, join_day
from cardreader.terminal.progress import Progress

AT_ONCE = 100
"""Women whose visits are joined in one transaction: others may write in between."""
MOST_SHOWN = 50
"""Joined visits that the supervisor's page lists, the newest."""
_NAMES = uuid.UUID("c1f3a0f5-6a53-4c39-9a0e-5d7f1e6b7a02")


def join_visits(session: Session, women: Collection[str], judge: Judge | None) -> set[str]:
    """Make visits of one day one, as the records of these women as they are shown ask for.

    Returns the leads of those that are one now and were not, or not with the same blots.
    Without a judge nothing is joined; what was, and is no more what it was made of, is parted.
    """
    session.flush()
    leads = set()
    for some in in_parts(women):
        days = {
            (row[0], row[1])
            for query in _days_among()
            for row in session.execute(query, {"some": some})
        }
        for woman_id, on in sorted(days):
            lead = _join(session, session.get_one(Woman, woman_id), on, judge)
            leads |= {lead.id} if lead is not None else set()
    return leads


def _join(session: Session, woman: Woman, on: dt.date, judge: Judge | None) -> Visit | None:
    visit = visits_on(woman, on)[0]
    if judge is None:
        join_day(session, woman, on, None, None, None)
        return None
    changed = join_day(session, woman, on, judge.combine, judge.subject(woman, visit), None)
    return visit if changed and visit.joined is not None else None


def refer_joined(session: Session, leads: Collection[str]) -> None:
    """Open a referral where the blots of a day together ask for one, and none did alone.

    Every register that joins the same blots opens the same one.
    """
    for lead in (session.get(Visit, one) for one in sorted(leads)):
        point = None if lead is None else point_of_visit(lead)
        if lead is None or lead.joined is None or point is None or not _asks_more(lead, point):
            continue
        tests = [r for r in open_referrals(lead.woman) if r.purpose == Purpose.TEST]
        name = str(uuid.uuid5(_NAMES, f"{lead.woman_id} {lead.joined.made_of}"))
        covered = any(r.urgent or not point.urgent for r in tests)
        if not covered and session.get(Referral, name) is None:
            refer(session, lead.woman, point, point.urgent, None, referral_id=name)


def _asks_more(lead: Visit, point: Measurement) -> bool:
    """Whether they ask together for what none of them asked for alone."""
    if point.outcome not in TO_CONFIRM:
        return False
    alone = [one for one in members(lead) if one.band in TO_CONFIRM]
    at_once = any(sends_at_once((one.result or {}).get("decision")) for one in alone)
    return not alone or (point.urgent and not at_once)


def join_all(database: Database, judge: Judge, progress: Progress | None = None) -> None:
    """Join what an earlier version left apart, or came out of a backup of one."""
    progress = progress or Progress()
    with database.read() as session:
        apart = _several().join(JoinedVisit, isouter=True).where(JoinedVisit.visit_id.is_(None))
        women = sorted({row[0] for row in session.execute(apart)})
    if not women:
        return
    progress.start("joining visits of one day", len(women), unit="woman")
    try:
        for some in in_parts(women, AT_ONCE):
            with database.write() as session:
                refer_joined(session, join_visits(session, some, judge))
            progress.step(len(some))
    finally:
        progress.end()


@cache
def _days_among() -> tuple[Select[str, dt.date], ...]:
    """Of ``some`` women the days of more than one visit, and those whose visits are joined."""
    among = Visit.woman_id.in_(SOME)
    joined = select(Visit.woman_id, Visit.on).join(JoinedVisit)
    return _several().where(among), joined.where(among)


def _several() -> Select[str, dt.date]:
    """Woman and day, wherever she has more than one visit that day."""
    days = select(Visit.woman_id, Visit.on).group_by(Visit.woman_id, Visit.on)
    return days.having(func.count() > 1)


@dataclass(frozen=True)
class SameDay:
    """Visits of one woman and day, the first opened first.

    ``lead`` is the visit they are shown as, None where they stay apart; ``alarming``: some
    alone say that she is, or may be, severely anaemic.
    """

    woman_id: str
    code: str
    on: dt.date
    visits: tuple[Visit, ...]
    lead: Visit | None
    alarming: bool


def same_days(session: Session) -> list[SameDay]:
    """Visits of one day: all that stay apart, then those joined, the newest first."""
    newest = _several().order_by(Visit.on.desc(), Visit.woman_id)
    joined = newest.join(JoinedVisit).limit(MOST_SHOWN)
    apart = newest.join(JoinedVisit, isouter=True).where(JoinedVisit.visit_id.is_(None))
    return [
        _same_day(session, woman_id, on)
        for query in (apart, joined)
        for woman_id, on in session.execute(query)
    ]


def _same_day(session: Session, woman_id: str, on: dt.date) -> SameDay:
    woman = session.get_one(Woman, woman_id)
    visits = visits_on(woman, on)
    lead = lead_of(visits[0]) if visits[0].joined is not None else None
    alarming = any(map(is_alarming, visits))
    return SameDay(woman_id, woman.code, on, tuple(visits), lead, alarming)
