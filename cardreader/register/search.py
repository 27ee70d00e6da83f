"""Finding women by what somebody remembers of them: part of the code, the day."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Select, func, or_, select
from sqlalchemy.orm import Session, selectinload

from cardreader.register.models import Event, EventKind, Reading, Visit, Woman

MOST = 50
"""Rows shown at once: more are not read through on a phone."""


@dataclass(frozen=True)
class Found:
    """Women found, the newest first, and how many there are in all."""

    women: tuple[Woman, ...]
    total: int

    @property
    def more(self) -> bool:
        """Whether there are more than these."""
        return self.total > len(self.women)


def search_women(
    session: Session, part: str = "", on: dt.date | None = None, limit: int = MOST
) -> Found:
    """Women whose code, former code or village holds ``part``, seen on a day; newest first."""
    query = select(Woman)
    if part := part.strip():
        query = query.where(_known_by(part))
    if on is not None:
        query = query.where(_seen(on))
    shown = (
        query.order_by(Woman.added_at.desc(), Woman.code)
        .limit(limit)
        .options(
            selectinload(Woman.visits).selectinload(Visit.readings),
            selectinload(Woman.readings),
            selectinload(Woman.referrals),
            selectinload(Woman.treatments),
            selectinload(Woman.events),
        )
    )
    return Found(tuple(session.scalars(shown)), _count(session, query))


def _count(session: Session, query: Select[Any]) -> int:
    return session.scalar(select(func.count()).select_from(query.subquery())) or 0


def _known_by(part: str) -> ColumnElement[bool]:
    noted = Woman.events.any(
        Event.kind.in_((EventKind.CODE_MENDED, EventKind.VILLAGE))
        & Event.set_aside_at.is_(None)
        & func.lower(Event.words).contains(part.lower(), autoescape=True)
    )
    code = re.sub(r"\s+", "", part).upper()
    return noted | Woman.code.contains(code, autoescape=True)


def _seen(on: dt.date) -> ColumnElement[bool]:
    """Added on that day, a visit, or any reading of that day, where this machine stands."""
    start = dt.datetime.combine(on, dt.time()).astimezone()
    end = dt.datetime.combine(on + dt.timedelta(days=1), dt.time()).astimezone()
    return or_(
        Woman.added_at.between(start, end),
        Woman.visits.any(Visit.on == on),
        Woman.readings.any(Reading.taken_at.between(start, end)),
    )
