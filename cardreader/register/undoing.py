"""Taking back an event that was noted by mistake; it stays in the register and the trail."""

from __future__ import annotations

import datetime as dt

from sqlalchemy import select
from sqlalchemy.orm import Session

from cardreader.register import audit
from cardreader.register.base import utc_now
from cardreader.register.births import take_birth_back
from cardreader.register.kinds import EventKind
from cardreader.register.models import Event, Referral
from cardreader.register.openreferrals import told_of
from cardreader.register.referrals import reopen

UNDOABLE = frozenset(
    {EventKind.BIRTH, EventKind.REFERRAL, EventKind.TABLETS_GIVEN, EventKind.TABLETS_LEFT}
)
"""A closed record is opened again instead, which is noted for itself."""


def undo_event(session: Session, event: Event, by: str | None) -> None:
    """Set an event aside, and what followed from it. ValueError when that can't be done."""
    kind = EventKind(event.kind)
    if event.set_aside_at is not None or kind not in UNDOABLE:
        raise ValueError("this event can't be taken back")
    event.set_aside_at = utc_now()
    audit.append(session, "event.undo", event.id, by, kind=event.kind)
    if kind is EventKind.BIRTH:
        take_birth_back(session, event, by)
    elif kind is EventKind.REFERRAL:
        _undo_outcome(session, event, by)


def _undo_outcome(session: Session, event: Event, by: str | None) -> None:
    referral = session.scalars(select(Referral).where(Referral.id == event.referral_id)).one()
    if referral.outcome != event.choice:
        return
    if referral.closed_at is not None:
        # And the doubles that ended with it.
        at = referral.closed_at
        for one in [r for r in referral.woman.referrals if _ended_by(r, event, at)]:
            reopen(session, one, by)
    told = told_of(referral)
    referral.outcome = told[-1].choice if told else None


def _ended_by(referral: Referral, event: Event, at: dt.datetime) -> bool:
    return (referral.outcome, referral.closed_at) == (event.choice, at)
