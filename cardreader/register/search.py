"""Finding women by what somebody remembers of them: part of the code, the day."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from typing import Any

from sqlalchemy import CompoundSelect, select, union
from sqlalchemy.orm import Session, selectinload

from cardreader.register.models import Event, EventKind, Reading, Visit, Woman

MOST = 50
"""Rows shown at once: more are not read through on a phone."""


@dataclass(frozen=True)
class Found:
    """Women found, the newest first; ``more``: there are others beside these."""

    women: tuple[Woman, ...]
    more: bool


def search_women(
    session: Session, part: str = "", on: dt.date | None = None, limit: int = MOST
) -> Found:
    """Women whose code, former code or village holds ``part``, seen on a day; newest first."""
    query = select(Woman.id)
    if part := part.strip():
        query = query.where(Woman.id.in_(_known_by(part)))
    if on is not None:
        query = query.where(Woman.id.in_(_seen(on)))
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


def _known_by(part: str) -> CompoundSelect[Any]:
    """Ids of who is or was known by it: each half is looked up by an index of its own."""
    noted = select(Event.woman_id).where(
        Event.kind.in_((EventKind.CODE_MENDED, EventKind.VILLAGE)),
        Event.set_aside_at.is_(None),
        Event.words.ilike(_within(part), escape="/"),
    )
    code = re.sub(r"\s+", "", part).upper()
    return union(noted, select(Woman.id).where(Woman.code.like(_within(code), escape="/")))


def _within(part: str) -> str:
    return "%" + re.sub(r"([/%_])", r"/\1", part) + "%"


def _seen(on: dt.date) -> CompoundSelect[Any]:
    """Ids of who was added, visited or read on that day, where this machine stands."""
    start = dt.datetime.combine(on, dt.time()).astimezone()
    end = dt.datetime.combine(on + dt.timedelta(days=1), dt.time()).astimezone()
    return union(
        select(Woman.id).where(Woman.added_at.between(start, end)),
        select(Visit.woman_id).where(Visit.on == on),
        select(Reading.woman_id).where(Reading.taken_at.between(start, end)),
    )
