"""A reading dated later than now: this computer's clock is wrong, or was when it was entered.

A laptop whose clock's battery is empty starts in some year past. What is entered then sorts
before what it came after, and a laboratory result of last month would answer today's photo.
"""

from __future__ import annotations

import datetime as dt

from sqlalchemy import select
from sqlalchemy.orm import Session

from cardreader.register.history import DATED_AHEAD, counts
from cardreader.register.models import Reading, Woman
from cardreader.register.phoneclock import TOLERATED


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
