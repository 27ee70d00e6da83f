"""What several registers noted of one woman, each for itself, is counted once.

Two posts note one birth, or close one record. Both entries stay, and the record shows one of
them; a month counts that one.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import groupby, pairwise

from sqlalchemy import select
from sqlalchemy.orm import Session

from cardreader.register.kinds import EventKind
from cardreader.register.models import Event, Woman

ONE_BIRTH = dt.timedelta(weeks=6)
"""Births noted closer together are one: no other pregnancy ends so soon (common knowledge)."""
_CLOSING = (EventKind.CLOSED, EventKind.REOPENED, EventKind.READ_WHILE_CLOSED)
_Noted = tuple[str, dt.date, str | None]
"""Kind, day and choice."""


def births_noted(session: Session, first: dt.date, after: dt.date) -> Counter[str | None]:
    """Outcomes of the births from a day to before another, each once."""
    found: Counter[str | None] = Counter()
    for shown, noted in _of_women(session, EventKind.BIRTH, (EventKind.BIRTH,), first, after):
        parts = _by_pregnancy(sorted(noted, key=lambda one: one[1]))
        found.update(_in_month(parts, (shown.birth_on, shown.birth_outcome), first, after))
    return found


def closings_noted(session: Session, first: dt.date, after: dt.date) -> Counter[str | None]:
    """Why records were closed, from a day to before another: once until opened again."""
    found: Counter[str | None] = Counter()
    for shown, noted in _of_women(session, EventKind.CLOSED, _CLOSING, first, after):
        runs = groupby(noted, key=lambda one: one[0] == EventKind.CLOSED)
        parts = [list(run) for closed, run in runs if closed]
        found.update(_in_month(parts, (shown.closed_on, shown.closed_reason), first, after))
    return found


def _of_women(
    session: Session, kind: EventKind, kinds: Sequence[EventKind], first: dt.date, after: dt.date
) -> Iterable[tuple[Woman, list[_Noted]]]:
    """Everybody of whom a kind was noted in the time, with all that was ever noted of ``kinds``."""
    stands = Event.set_aside_at.is_(None)
    month = select(Event.woman_id).where(
        Event.kind == kind.value, Event.on >= first, Event.on < after, stands
    )
    query = (
        select(Woman, Event.kind, Event.on, Event.choice)
        .join(Event, Event.woman_id == Woman.id)
        .where(Woman.id.in_(month), Event.kind.in_([one.value for one in kinds]), stands)
        .order_by(Woman.id, Event.entered_at, Event.id)
    )
    for woman, rows in groupby(session.execute(query), key=lambda row: row[0]):
        yield woman, [(row[1], row[2], row[3]) for row in rows]


def _by_pregnancy(noted: list[_Noted]) -> list[list[_Noted]]:
    parts = [noted[:1]]
    for one, following in pairwise(noted):
        if following[1] - one[1] >= ONE_BIRTH:
            parts.append([])
        parts[-1].append(following)
    return parts


def _in_month(
    parts: Iterable[Sequence[_Noted]],
    shown: tuple[dt.date | None, str | None],
    first: dt.date,
    after: dt.date,
) -> Iterable[str | None]:
    """Of each part what the record shows, else what was noted last; where it is of the month."""
    for part in parts:
        _kind, on, choice = next((one for one in part if one[1:] == shown), part[-1])
        if first <= on < after:
            yield choice
