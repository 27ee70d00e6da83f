"""The monthly summary: what was done, what is missing, how the cards were used."""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, func, or_, select
from sqlalchemy.orm import Session

from cardreader.decide.followuprules import FollowUpRules
from cardreader.decide.rule import Outcome
from cardreader.register.base import local_day, midnight
from cardreader.register.dayshift import DayShift, day_shifts
from cardreader.register.followup import gestation_start
from cardreader.register.kinds import BirthOutcome, EventKind, Purpose, ReferralOutcome, Source
from cardreader.register.lists import ListName
from cardreader.register.models import Event, JoinedVisit, Reading, Referral, Visit, Woman
from cardreader.register.oncenoted import births_noted, closings_noted
from cardreader.register.openreferrals import TELLABLE, rests_on_mistakes
from cardreader.register.parts import in_parts
from cardreader.register.shownlists import counts_today
from cardreader.register.women import Closing

Choice = TypeVar("Choice", bound=StrEnum)

FULL_TERM = dt.timedelta(weeks=40)
"""From the first day of the last period to a birth (Naegele's rule, from memory)."""


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
    women with a value in the month from a day after their birth. ``days_off``: days whose readings
    lie off those before.
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
    days_off: tuple[DayShift, ...]


def month_bounds(month: dt.date) -> tuple[dt.date, dt.date]:
    """First day of the month and of the next one."""
    first = month.replace(day=1)
    return first, (first + dt.timedelta(days=32)).replace(day=1)


def summarise(session: Session, month: dt.date, today: dt.date, rules: FollowUpRules) -> Summary:
    """Count one month; the database counts, the register's rules say what."""
    first, after = month_bounds(month)
    start, end = midnight(first), midnight(after)
    taken = _Taken(session, start, end)
    visits = _by_result(session, first, after)
    events = _Noted(session, first, after)
    return Summary(
        month=first,
        women_added=_count(session, Woman.added_at >= start, Woman.added_at < end),
        visits=sum(visits.values()),
        photos=taken.photos,
        refused=taken.refused,
        refusal_rate=taken.refused / taken.photos if taken.photos else None,
        refusals=taken.refusals(),
        outcomes=tuple((o, visits[o.value]) for o in Outcome if o is not Outcome.NOT_READ),
        tube_readings=taken.values[Source.TUBE],
        lab_results=taken.values[Source.LAB],
        referrals=_referrals(session, start, end, midnight(today), events, rules),
        births=_each(births_noted(session, first, after), BirthOutcome),
        tested_after_birth=_tested_after_birth(session, start, end),
        closed=_each(closings_noted(session, first, after), Closing),
        reopened=events.of(EventKind.REOPENED, EventKind.READ_WHILE_CLOSED),
        arrived=events.of(EventKind.ARRIVED),
        women_given_tablets=events.women_given_tablets,
        tablets_given=events.tablets_given,
        lots=taken.lots(),
        lists=tuple(counts_today(session, rules, today).items()),
        days_off=day_shifts(session, first, after),
    )


class _Taken:
    """Readings of a month that were not set aside, counted by what they are."""

    def __init__(self, session: Session, start: dt.datetime, end: dt.datetime) -> None:
        what = (Reading.source, Reading.refusal, Reading.lot_id, Reading.hb_g_dl.is_not(None))
        query = select(*what, func.count()).where(*_of_month(start, end)).group_by(*what)
        self.values: Counter[str] = Counter()
        self._lots: Counter[str] = Counter()
        self._lots_refused: Counter[str] = Counter()
        self._refusals: Counter[str] = Counter()
        for source, refusal, lot, has_value, n in session.execute(query):
            if has_value:
                self.values[source] += n
            if source != Source.PHOTO:
                continue
            self._lots[lot or "-"] += n
            if refusal is not None:
                self._refusals[refusal] += n
                self._lots_refused[lot or "-"] += n

    @property
    def photos(self) -> int:
        return sum(self._lots.values())

    @property
    def refused(self) -> int:
        return sum(self._refusals.values())

    def refusals(self) -> tuple[tuple[str, int], ...]:
        """How often each reason was, the commonest first."""
        return tuple(sorted(self._refusals.items(), key=lambda found: (-found[1], found[0])))

    def lots(self) -> tuple[LotUse, ...]:
        used = sorted(self._lots.items())
        return tuple(LotUse(lot, n, self._lots_refused[lot]) for lot, n in used)


class _Noted:
    """Events of a month that were not taken back, counted by what was noted."""

    def __init__(self, session: Session, first: dt.date, after: dt.date) -> None:
        there = (Event.on >= first, Event.on < after, Event.set_aside_at.is_(None))
        query = select(Event.kind, Event.choice, func.count()).where(*there)
        found = session.execute(query.group_by(Event.kind, Event.choice))
        self._counted = {(kind, choice): n for kind, choice, n in found}
        tablets = select(func.count(Event.woman_id.distinct()), func.sum(Event.amount))
        given = Event.kind == EventKind.TABLETS_GIVEN.value
        women, amount = session.execute(tablets.where(*there, given)).one()
        self.women_given_tablets: int = women
        self.tablets_given: int = amount or 0

    def chosen(self, kind: EventKind, choices: type[Choice]) -> tuple[tuple[Choice, int], ...]:
        """How often each choice of one kind was noted, in their own order."""
        counted = {choice: n for (noted, choice), n in self._counted.items() if noted == kind}
        return _each(Counter(counted), choices)

    def of(self, *kinds: EventKind) -> int:
        return sum(n for (kind, _), n in self._counted.items() if kind in kinds)


def _each(found: Counter[str | None], choices: type[Choice]) -> tuple[tuple[Choice, int], ...]:
    """How often each choice was noted, in their own order."""
    return tuple((one, found[one.value]) for one in choices)


def visits_seen(session: Session, first: dt.date, after: dt.date) -> int:
    """How many visits there were from the first day to before another."""
    return sum(_by_result(session, first, after).values())


def _by_result(session: Session, first: dt.date, after: dt.date) -> Counter[Any]:
    """Visits by what they came to; those that are one count once, by what they came to together.

    Few are: they are looked up apart, so that of the others the index tells.
    """
    found = _counted(session, Visit.band, Visit.on >= first, Visit.on < after)
    lead = JoinedVisit.lead_id == JoinedVisit.visit_id
    of_month = (JoinedVisit.on >= first, JoinedVisit.on < after)
    joined = select(Visit.band, lead, JoinedVisit.band).join(JoinedVisit).where(*of_month)
    for alone, leads, together in session.execute(joined):
        found[alone] -= 1
        if leads:
            found[together] += 1
    return found


def _referrals(
    session: Session,
    start: dt.datetime,
    end: dt.datetime,
    today: dt.datetime,
    events: _Noted,
    rules: FollowUpRules,
) -> ReferralCounts:
    no_mistake = or_(
        Referral.outcome.is_(None),
        Referral.outcome.not_in((ReferralOutcome.READ.value, ReferralOutcome.MISTAKE.value)),
    )
    what = (Referral.purpose, Referral.urgent, Referral.band == Outcome.NOT_READ.value)
    query = (
        select(*what, func.count())
        .where(Referral.opened_at >= start, Referral.opened_at < end, no_mistake)
        .group_by(*what)
    )
    opened = Counter({tuple(kind): n for *kind, n in session.execute(query)})
    mistaken = _resting_on_mistakes(session)
    opened.subtract(
        (r.purpose, r.urgent, r.band == Outcome.NOT_READ)
        for r in mistaken
        if start <= r.opened_at < end
    )
    tests = {kind: n for kind, n in opened.items() if kind[0] == Purpose.TEST}
    late = min(end, today - dt.timedelta(days=rules.confirmation_days))
    answered = select(func.count()).where(
        Referral.outcome == ReferralOutcome.RESULT.value,
        Referral.closed_at >= start,
        Referral.closed_at < end,
    )
    # A referral and its doubles wait for one result.
    missing = select(func.count(Referral.woman_id.distinct())).where(
        Referral.id.not_in(r.id for r in mistaken),
        Referral.purpose == Purpose.TEST.value,
        Referral.closed_at.is_(None),
        Referral.opened_at < late,
    )
    told = dict(events.chosen(EventKind.REFERRAL, ReferralOutcome))
    return ReferralCounts(
        opened=sum(tests.values()),
        urgent=sum(n for (_, urgent, _), n in tests.items() if urgent),
        unread=sum(n for (*_, unread), n in tests.items() if unread),
        for_care=sum(opened.values()) - sum(tests.values()),
        answered=session.scalar(answered) or 0,
        told=tuple((outcome, told[outcome]) for outcome in TELLABLE),
        missing=session.scalar(missing) or 0,
    )


def _resting_on_mistakes(session: Session) -> list[Referral]:
    """Open ones whose readings were taken back: nobody has ended them, and nobody need go."""
    taken_back = select(Reading.woman_id).where(Reading.set_aside_at.is_not(None))
    query = select(Referral).where(
        Referral.purpose == Purpose.TEST.value,
        Referral.closed_at.is_(None),
        Referral.woman_id.in_(taken_back),
    )
    return [referral for referral in session.scalars(query) if rests_on_mistakes(referral)]


def _of_month(start: dt.datetime, end: dt.datetime) -> tuple[ColumnElement[bool], ...]:
    return (Reading.taken_at >= start, Reading.taken_at < end, Reading.set_aside_at.is_(None))


def _tested_after_birth(session: Session, start: dt.datetime, end: dt.datetime) -> int:
    """Women with a value from a day after their birth; days are those of this machine.

    A month keeps its count: who is pregnant again later was tested after that birth all the
    same, and who is pregnant now is not.
    """
    found = session.execute(
        select(Woman.id, Reading.taken_at, Event.on)
        .join(Reading, Reading.woman_id == Woman.id)
        .join(Event, Event.woman_id == Woman.id)
        .where(*_of_month(start, end), Reading.hb_g_dl.is_not(None))
        .where(Event.kind == EventKind.BIRTH.value, Event.set_aside_at.is_(None))
    ).all()
    after = {(woman_id, local_day(at)) for woman_id, at, on in found if on < local_day(at)}
    women = {woman_id for woman_id, _ in after}
    births: dict[str, set[dt.date]] = defaultdict(set)
    for woman_id, _, on in found:
        births[woman_id].add(on)
    begun: dict[str, dt.date | None] = {}
    for some in in_parts(women):
        for woman in session.scalars(select(Woman).where(Woman.id.in_(some))):
            begun[woman.id] = _pregnant_from(woman)
    return len({who for who, day in after if not _is_pregnant(births[who], begun[who], day)})


def _pregnant_from(woman: Woman) -> dt.date | None:
    """When the pregnancy that she was told of last began, as far as that is known."""
    start = gestation_start(woman.gestation_weeks, woman.gestation_on)
    return start or (woman.followed_from if woman.birth_on is None else None)


def _is_pregnant(births: set[dt.date], begun: dt.date | None, day: dt.date) -> bool:
    """Whether her pregnancy after the last birth before a day had begun by then.

    Of pregnancies whose weeks were replaced by those of a later one only the birth is known.
    """
    last = max(on for on in births if on < day)
    following = min((on for on in births if on >= day), default=dt.date.max)
    if begun is not None and last < begun <= following:
        return begun <= day
    return following - day < FULL_TERM


def _counted(session: Session, column: Any, *where: ColumnElement[bool]) -> Counter[Any]:
    query = select(column, func.count()).where(*where).group_by(column)
    return Counter({row[0]: row[1] for row in session.execute(query)})


def _count(session: Session, *where: ColumnElement[bool]) -> int:
    return session.scalar(select(func.count()).where(*where)) or 0
