"""Iron-folic acid as it was handed out and as it was counted again.

Given less what is left tells whether she takes them; what the protocol asks for a
day tells how long they last. The register remembers, it prescribes nothing.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from sqlalchemy.orm import Session

from cardreader.decide.followuprules import FollowUpRules
from cardreader.register.events import note, standing_events
from cardreader.register.kinds import EventKind, Regimen
from cardreader.register.models import Event, Treatment, Woman
from cardreader.register.women import running_treatment

MOST_TABLETS = 1000
"""More at once is a slip of the pen (invented)."""


@dataclass(frozen=True)
class Tablets:
    """Her tablets. ``a_day`` is None while no regimen is noted; counts are of tablets.

    ``taken`` and ``due`` compare the last count: how many she took since tablets were
    first given, and how many she should have; both None without a count. They are used
    up on ``lasts_until``, and more are to be given from ``ask_on``; both None without a
    regimen. ``course_given``: the running regimen's course was handed out whole.
    """

    given: int
    a_day: int | None
    course: int | None
    since: dt.date | None
    lasts_until: dt.date | None
    ask_on: dt.date | None
    left: int | None
    counted_on: dt.date | None
    taken: int | None
    due: int | None
    course_given: bool


def tablets_of(woman: Woman, rules: FollowUpRules) -> Tablets | None:
    """Where she stands with her tablets, or None when none were given."""
    given = standing_events(woman, EventKind.TABLETS_GIVEN)
    if not given:
        return None
    running = running_treatment(woman)
    a_day = None if running is None else a_day_of(Regimen(running.regimen), rules)
    course = None if a_day is None else a_day * rules.tablets.course_days
    counts = sorted(standing_events(woman, EventKind.TABLETS_LEFT), key=lambda e: e.on)
    last = counts[-1] if counts else None
    before = 0 if last is None else sum(e.amount or 0 for e in given if e.on < last.on)
    until = None if running is None else _supply(woman, rules, [*given, *counts]).ends_on
    of_course = sum(e.amount or 0 for e in given if running and e.on >= running.started_on)
    return Tablets(
        given=sum(e.amount or 0 for e in given),
        a_day=a_day,
        course=course,
        since=min(e.on for e in given),
        lasts_until=until,
        ask_on=None if until is None else until - dt.timedelta(days=rules.tablets.ask_days),
        left=None if last is None else last.amount,
        counted_on=None if last is None else last.on,
        taken=None if last is None else max(before - (last.amount or 0), 0),
        due=None if last is None or a_day is None else _due(woman, rules, given, last.on),
        course_given=course is not None and of_course >= course,
    )


@dataclass(frozen=True)
class _Supply:
    """What she still has after the last day looked at, and when she has nothing left."""

    held: int
    ends_on: dt.date


def _supply(
    woman: Woman, rules: FollowUpRules, events: Sequence[Event], until: dt.date | None = None
) -> _Supply:
    """Her tablets from day to day: given, counted, and taken as the regimen of the day asks.

    A count stands in the place of what should be left; on a day with both, it was made
    before more were given. Tablets that came after the supply had ended start it anew.
    """
    regimens = sorted(woman.treatments, key=lambda t: t.started_on)
    turns = {e.on for e in events} | {t.started_on for t in regimens}
    turns |= {t.ended_on for t in regimens if t.ended_on is not None}
    first = min(e.on for e in events)
    last = dt.date.max if until is None else until
    days = [*sorted(day for day in turns if first <= day < last), last]
    held, ends_on = 0, first
    for day, following in pairwise(days):
        counted = [e for e in events if e.on == day and e.kind == EventKind.TABLETS_LEFT]
        given = [e for e in events if e.on == day and e.kind == EventKind.TABLETS_GIVEN]
        held = (counted[-1].amount or 0) if counted else held
        held += sum(e.amount or 0 for e in given)
        a_day = _a_day_on(regimens, day, rules)
        if counted or held:
            ends_on = (
                dt.date.max if held and not a_day else day + dt.timedelta(held // (a_day or 1))
            )
        held = max(held - a_day * (following - day).days, 0)
    return _Supply(held, ends_on)


def _a_day_on(regimens: Sequence[Treatment], day: dt.date, rules: FollowUpRules) -> int:
    """Tablets that she should take on a day; before her first regimen as that one asks."""
    if not regimens:
        return 0
    if day < regimens[0].started_on:
        return a_day_of(Regimen(regimens[0].regimen), rules)
    of_day = [
        t for t in regimens if t.started_on <= day and (t.ended_on is None or day < t.ended_on)
    ]
    return a_day_of(Regimen(of_day[-1].regimen), rules) if of_day else 0


def _due(woman: Woman, rules: FollowUpRules, given: Sequence[Event], on: dt.date) -> int:
    """How many she should have taken by a day, of those given before it."""
    before = [e for e in given if e.on < on]
    if not before:
        return 0
    return sum(e.amount or 0 for e in before) - _supply(woman, rules, before, until=on).held


def a_day_of(regimen: Regimen, rules: FollowUpRules) -> int:
    """Tablets a day of a regimen."""
    by = {
        Regimen.PREVENTION: rules.tablets.prevention_a_day,
        Regimen.TREATMENT: rules.tablets.treatment_a_day,
    }
    return by[regimen]


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
