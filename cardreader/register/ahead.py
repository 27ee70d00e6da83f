"""A reading dated later than now: this computer's clock is wrong, or was when it was entered.

A laptop whose clock's battery is empty starts in some year past. What is entered then sorts
before what it came after, and a laboratory result of last month would answer today's photo.
A clock that was a year fast, and was set since, leaves women whose next test would be due in
a year: until then they would be on no list.
"""

from __future__ import annotations

import datetime as dt

from sqlalchemy import select, union
from sqlalchemy.orm import Session

from cardreader.register.base import local_day
from cardreader.register.history import DATED_AHEAD, counts
from cardreader.register.models import Event, Reading, Visit, Woman
from cardreader.register.phoneclock import TOLERATED
from cardreader.register.tocome import ZONES


def reading_ahead(session: Session, now: dt.datetime) -> Reading | None:
    """The reading furthest ahead of the clock; None where clock and readings agree."""
    later = select(Reading).where(
        Reading.taken_at > now + TOLERATED, Reading.set_aside_at.is_(None)
    )
    return session.scalars(later.order_by(Reading.taken_at.desc()).limit(1)).first()


def note_ahead(woman: Woman, now: dt.datetime) -> dict[str, list[str]]:
    """What is kept in the JSON of a reading entered now: which values of hers are dated later.

    Whichever clock was wrong, they were entered before it, and answer nothing that it asks.
    """
    later = sorted(r.id for r in woman.readings if counts(r) and r.taken_at > now + TOLERATED)
    return {DATED_AHEAD: later} if later else {}


MOST_AHEAD = 500
"""Women looked at for it: with more of them dated ahead it is the clock that is wrong now."""


def is_ahead(woman: Woman, today: dt.date) -> bool:
    """Whether her next test follows from what is dated later than today.

    When her record was made no longer counts once something of hers is of a day that was.
    """
    dated = [local_day(r.taken_at) for r in woman.readings if r.set_aside_at is None]
    dated += [event.on for event in woman.events if event.set_aside_at is None]
    told = (woman.gestation_on, woman.followed_from, woman.birth_on)
    dated += [day for day in told if day is not None]
    last = today + ZONES
    if any(day > last for day in dated):
        return True
    return not dated and local_day(woman.added_at) > last


def perhaps_ahead(session: Session, now: dt.datetime) -> list[str]:
    """Ids of women with an entry dated later than now; found without looking at all."""
    at, last = now + ZONES, local_day(now) + ZONES
    found = union(
        select(Woman.id).where(Woman.added_at > at),
        select(Reading.woman_id).where(Reading.taken_at > at),
        select(Visit.woman_id).where(Visit.on > last),
        select(Event.woman_id).where(Event.on > last),
    )
    return sorted(session.scalars(found.limit(MOST_AHEAD)))
