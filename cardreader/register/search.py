"""Finding women by what somebody remembers of them: part of the code, the day."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, CompoundSelect, and_, or_, select, union
from sqlalchemy.orm import Session, selectinload

from cardreader.core.written import as_line
from cardreader.register.base import midnight
from cardreader.register.kinds import EventKind
from cardreader.register.mergemodels import JoinedAway
from cardreader.register.models import Event, Reading, Visit, Woman
from cardreader.register.women import written_as_code

MOST = 50
"""Rows shown at once: more are not read through on a phone."""
FEW = 1000
"""Women who are found first and sorted then."""


@dataclass(frozen=True)
class Found:
    """Women found, the newest first; ``more``: there are others beside these."""

    women: tuple[Woman, ...]
    more: bool


def search_women(
    session: Session, part: str = "", on: dt.date | None = None, limit: int = MOST
) -> Found:
    """Women whose code, former code or village holds ``part``, seen on a day; newest first."""
    parts = _known_by(part) if (part := as_line(part)) else None
    query = select(Woman.id)
    if on is not None:
        query = query.where(Woman.id.in_(_seen(on)))
    if parts is not None:
        query = query.where(_among(session, *parts))
    # One more than is shown tells whether there are others; nobody needs them counted.
    newest = query.order_by(Woman.added_at.desc(), Woman.code).limit(limit + 1)
    ids = session.scalars(newest).all()
    shown = (
        select(Woman)
        .where(Woman.id.in_(ids[:limit]))
        .order_by(Woman.added_at.desc(), Woman.code)
        .options(
            selectinload(Woman.visits).selectinload(Visit.readings),
            selectinload(Woman.readings),
            selectinload(Woman.events),
        )
    )
    return Found(tuple(session.scalars(shown)), len(ids) > limit)


def _known_by(part: str) -> tuple[ColumnElement[bool], ...]:
    """What holds of her code, of that of a record joined into hers, and of what was noted.

    Noted are former codes and her village.
    """
    code = _within(written_as_code(part))
    # SQLite knows the two cases of no letter beyond A to Z.
    cases = {part, part.lower(), part.upper(), part.title(), part.capitalize()}
    noted = and_(
        Event.kind.in_((EventKind.CODE_MENDED, EventKind.VILLAGE)),
        Event.set_aside_at.is_(None),
        or_(*(Event.words.ilike(_within(one), escape="/") for one in sorted(cases))),
    )
    return Woman.code.like(code, escape="/"), JoinedAway.code.like(code, escape="/"), noted


def _among(
    session: Session,
    code: ColumnElement[bool],
    joined: ColumnElement[bool],
    noted: ColumnElement[bool],
) -> ColumnElement[bool]:
    """Those for whom any holds.

    A few are looked up first, by an index for each. Of many the newest are soon met, and
    to find all of them would take long.
    """
    found: set[str] = set()
    away = select(JoinedAway.into_id).where(joined)
    for query in (select(Woman.id).where(code), away, select(Event.woman_id).where(noted)):
        some = session.scalars(query.limit(FEW + 1)).all()
        if len(some) > FEW:
            return code | Woman.id.in_(away) | Woman.events.any(noted)
        found.update(some)
    return Woman.id.in_(found)


def _within(part: str) -> str:
    return "%" + re.sub(r"([/%_])", r"/\1", part) + "%"


def _seen(on: dt.date) -> CompoundSelect[Any]:
    """Ids of who was added, visited or read on that day, where this machine stands."""
    start, end = midnight(on), midnight(on + dt.timedelta(days=1))
    return union(
        select(Woman.id).where(Woman.added_at.between(start, end)),
        select(Visit.woman_id).where(Visit.on == on),
        select(Reading.woman_id).where(Reading.taken_at.between(start, end)),
    )
