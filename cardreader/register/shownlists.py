"""What the lists show: read from the places that are kept, else worked out from the records."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import ColumnElement, case, func, select
from sqlalchemy.orm import Session

from cardreader.decide.followuprules import FollowUpRules
from cardreader.register.ahead import perhaps_ahead
from cardreader.register.daydoubt import days_too_high, doubted_day, read_then
from cardreader.register.dayshift import DayShift
from cardreader.register.keptlists import AT_ONCE, followed_among, mark_of
from cardreader.register.listmodels import KeptLists, KeptPlace, OutOfPlace
from cardreader.register.lists import (
    ListName,
    Row,
    due_now,
    list_counts,
    list_rows,
    open_rows,
    row_of,
)
from cardreader.register.models import Woman
from cardreader.register.parts import in_parts


@dataclass(frozen=True)
class ListPart:
    """Part of a list, the most pressing first; ``total`` women are on the whole of it."""

    rows: tuple[Row, ...]
    total: int


def counts_today(
    session: Session,
    rules: FollowUpRules,
    today: dt.date,
    too_high: Sequence[DayShift] | None = None,
) -> dict[ListName, int]:
    """How many women are on each list today. ``too_high``: of `days_too_high`, where known."""
    if not _hold(session, rules):
        return list_counts(_open_today(session, rules, today), today)
    counted = (
        select(KeptPlace.on_list, func.count())
        .where(KeptPlace.since <= today)
        .group_by(KeptPlace.on_list)
    )
    found = {row[0]: row[1] for row in session.execute(counted)}
    more = list_counts(list(_due_besides(session, rules, today, too_high)), today)
    return {name: found.get(name.value, 0) + more[name] * (name in _BESIDES) for name in ListName}


def part_of_list(
    session: Session,
    rules: FollowUpRules,
    name: ListName,
    today: dt.date,
    start: int = 0,
    most: int | None = None,
) -> ListPart:
    """Up to ``most`` of those on a list, all by default, from number ``start`` on (from 0)."""
    if not _hold(session, rules):
        rows = list_rows(_open_today(session, rules, today), name, today)
        return ListPart(tuple(rows[start:][:most]), len(rows))
    there = (KeptPlace.on_list == name.value, KeptPlace.since <= today)
    besides = _due_besides(session, rules, today) if name in _BESIDES else ()
    more = list_rows(list(besides), name, today)
    count = select(func.count()).where(*there)
    total = session.scalar(count) or 0
    severe = (session.scalar(count.where(KeptPlace.pressing == 0)) or 0) if more else 0

    # The list's numbers: kept places of the severe, then the women besides, whose place among
    # the others isn't kept, then those.
    numbers = range(total + len(more))
    wanted = numbers[start:] if most is None else numbers[start : start + most]
    first = _within(numbers[:severe], wanted)
    middle = _within(numbers[severe : severe + len(more)], wanted)
    last = _within(numbers[severe + len(more) :], wanted)

    found = (
        *_kept_part(session, rules, there, first),
        *more[middle.start : middle.stop],
        *_kept_part(session, rules, there, range(severe + last.start, severe + last.stop)),
    )
    return ListPart(found, len(numbers))


def _kept_part(
    session: Session, rules: FollowUpRules, there: Sequence[ColumnElement[bool]], of: range
) -> tuple[Row, ...]:
    """Those of the kept places on a list that have these numbers among them."""
    if not of:
        return ()
    ids = (
        select(KeptPlace.woman_id)
        .join(Woman, Woman.id == KeptPlace.woman_id)
        .where(*there)
        .order_by(KeptPlace.pressing, KeptPlace.value, Woman.code)
        .offset(of.start)
        .limit(len(of))
    )
    return rows_of(session, rules, session.scalars(ids).all())


def _within(stretch: range, wanted: range) -> range:
    """Which places of a stretch of numbers are wanted, counted from its first."""
    first, end = wanted.start - stretch.start, wanted.stop - stretch.start
    return range(len(stretch))[max(first, 0) : max(end, 0)]


def on_any_list(
    session: Session,
    rules: FollowUpRules,
    order: Sequence[ListName],
    today: dt.date,
    most: int | None = None,
) -> ListPart:
    """Up to ``most`` women who are on any list: by the first in ``order`` she is on, then code."""
    if not _hold(session, rules):
        every = _open_today(session, rules, today)
        found = [(_first_list(row, order, today), row) for row in every]
        rows = [row for place, row in sorted(found, key=lambda one: one[0]) if place < len(order)]
        return ListPart(tuple(rows[:most]), len(rows))
    place = case({name.value: n for n, name in enumerate(order)}, value=KeptPlace.on_list)
    women = (
        select(KeptPlace.woman_id, func.min(place).label("first"))
        .where(KeptPlace.since <= today)
        .group_by(KeptPlace.woman_id)
        .subquery()
    )
    total = session.scalar(select(func.count()).select_from(women)) or 0
    ids = select(Woman.id).join(women, women.c.woman_id == Woman.id)
    sorted_ids = session.scalars(ids.order_by(women.c.first, Woman.code).limit(most)).all()
    besides = {row.woman.id: row for row in _due_besides(session, rules, today)}
    rows = [besides.get(row.woman.id, row) for row in rows_of(session, rules, sorted_ids)]
    listed = set(session.scalars(select(women.c.woman_id).where(women.c.woman_id.in_(besides))))
    more = [row for name, row in besides.items() if name not in listed]
    return ListPart(tuple([*rows, *more][:most]), total + len(more))


def _open_today(session: Session, rules: FollowUpRules, today: dt.date) -> list[Row]:
    too_high = {shift.on for shift in days_too_high(session, today)}
    return [due_now(row, today, rules, too_high) for row in open_rows(session, rules)]


_BESIDES = (ListName.DUE, ListName.OVERDUE)


def _due_besides(
    session: Session,
    rules: FollowUpRules,
    today: dt.date,
    shifts: Sequence[DayShift] | None = None,
) -> tuple[Row, ...]:
    """Women due now though no kept place of theirs is of a day that has come.

    Theirs would be of a day to come by a clock that was fast, or by a day that lies too high,
    which other women's readings tell.
    """
    known = days_too_high(session, today) if shifts is None else shifts
    too_high = {shift.on for shift in known}
    ahead = perhaps_ahead(session, dt.datetime.combine(today, dt.time.max).astimezone())
    ids = sorted({*ahead, *read_then(session, too_high)})
    rows = () if not ids else rows_of(session, rules, ids)
    by_code = sorted(rows, key=lambda row: row.woman.code)
    return tuple(now for row in by_code if (now := due_now(row, today, rules, too_high)) is not row)


def days_in_doubt(
    session: Session, rules: FollowUpRules, too_high: Sequence[DayShift]
) -> list[tuple[DayShift, int]]:
    """Of `days_too_high`, with how many women followed here were called well then and have no
    newer value; those with some, the newest first."""
    shifts = {shift.on: shift for shift in too_high}
    rows = rows_of(session, rules, read_then(session, shifts)) if shifts else ()
    days = Counter(day for row in rows if (day := doubted_day(row.points, shifts)) is not None)
    return [(shifts[day], days[day]) for day in sorted(days, reverse=True)]


def _first_list(row: Row, order: Sequence[ListName], today: dt.date) -> int:
    places = (n for n, name in enumerate(order) if row.belongs(name, today))
    return next(places, len(order))


def rows_of(session: Session, rules: FollowUpRules, ids: Sequence[str]) -> tuple[Row, ...]:
    """The rows of some followed women, in the order of their ids."""
    found = {
        woman.id: row_of(woman, rules)
        for some in in_parts(ids, AT_ONCE)
        for woman in session.scalars(followed_among(), {"some": some})
    }
    return tuple(found[one] for one in ids if one in found)


def _hold(session: Session, rules: FollowUpRules) -> bool:
    """Whether the kept places are those of these rules, with nobody out of place."""
    kept = session.execute(select(KeptLists.rules, KeptLists.done_to)).one_or_none()
    if kept is None or (kept.rules, kept.done_to) != (mark_of(rules), None):
        return False
    return session.scalar(select(OutOfPlace.woman_id).limit(1)) is None
