"""Iron-folic acid as it was handed out and as it was counted again.

Given less what is left tells whether she takes them; what the protocol asks for a
day tells how long they last. The register remembers, it prescribes nothing.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from sqlalchemy.orm import Session

from cardreader.decide.followuprules import FollowUpRules
from cardreader.register.events import note, standing_events
from cardreader.register.models import Event, EventKind, Regimen, Woman

MOST_TABLETS = 1000
"""More at once is a slip of the pen (invented)."""


@dataclass(frozen=True)
class Tablets:
    """Her tablets. ``a_day`` is None while no regimen is noted; counts are of tablets.

    ``taken`` and ``due`` compare the last count: how many she took since tablets were
    first given, and how many she should have; both None without a count.
    """

    given: int
    a_day: int | None
    course: int | None
    since: dt.date | None
    lasts_until: dt.date | None
    left: int | None
    counted_on: dt.date | None
    taken: int | None
    due: int | None


def tablets_of(woman: Woman, rules: FollowUpRules) -> Tablets | None:
    """Where she stands with her tablets, or None when none were given."""
    given = standing_events(woman, EventKind.TABLETS_GIVEN)
    if not given:
        return None
    regimen = next((t.regimen for t in woman.treatments if t.ended_on is None), None)
    a_day = None if regimen is None else a_day_of(Regimen(regimen), rules)
    total = sum(e.amount or 0 for e in given)
    since = min(e.on for e in given)
    counts = sorted(standing_events(woman, EventKind.TABLETS_LEFT), key=lambda e: e.on)
    last = counts[-1] if counts else None
    before = 0 if last is None else sum(e.amount or 0 for e in given if e.on < last.on)
    return Tablets(
        given=total,
        a_day=a_day,
        course=None if a_day is None else a_day * rules.tablets.course_days,
        since=since,
        lasts_until=_lasts_until(given, last, a_day),
        left=None if last is None else last.amount,
        counted_on=None if last is None else last.on,
        taken=None if last is None else max(before - (last.amount or 0), 0),
        due=None if last is None or a_day is None else min(a_day * (last.on - since).days, before),
    )


def a_day_of(regimen: Regimen, rules: FollowUpRules) -> int:
    """Tablets a day of a regimen."""
    by = {
        Regimen.PREVENTION: rules.tablets.prevention_a_day,
        Regimen.TREATMENT: rules.tablets.treatment_a_day,
    }
    return by[regimen]


def _lasts_until(given: list[Event], last: Event | None, a_day: int | None) -> dt.date | None:
    """When they are used up, from the last count where there is one."""
    if a_day is None:
        return None
    if last is None:
        start, held = min(e.on for e in given), sum(e.amount or 0 for e in given)
    else:
        start = last.on
        held = (last.amount or 0) + sum(e.amount or 0 for e in given if e.on >= last.on)
    return start + dt.timedelta(days=held // a_day)


def give_tablets(session: Session, woman: Woman, amount: int, on: dt.date, by: str | None) -> Event:
    """Note tablets handed out."""
    return _note(session, woman, EventKind.TABLETS_GIVEN, amount, on, by)


def count_tablets(
    session: Session, woman: Woman, amount: int, on: dt.date, by: str | None
) -> Event:
    """Note how many she still has."""
    return _note(session, woman, EventKind.TABLETS_LEFT, amount, on, by)


def _note(
    session: Session, woman: Woman, kind: EventKind, amount: int, on: dt.date, by: str | None
) -> Event:
    if not 0 <= amount <= MOST_TABLETS:
        raise ValueError(f"0 to {MOST_TABLETS} tablets")
    for event in standing_events(woman, kind):
        # The same once more on one day is the form sent twice.
        if (event.on, event.amount) == (on, amount):
            return event
    return note(session, woman, kind, on, by, amount=amount)
