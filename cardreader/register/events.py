"""Noting what happened to a woman beside her readings, and taking a mistake back."""

from __future__ import annotations

import datetime as dt

from sqlalchemy.orm import Session

from cardreader.decide.followuprules import FollowUpRules
from cardreader.register import audit
from cardreader.register.base import new_id, utc_now
from cardreader.register.kinds import EventKind
from cardreader.register.models import Event, Reading, Referral, Woman


def note(
    session: Session,
    woman: Woman,
    kind: EventKind,
    on: dt.date,
    by: str | None,
    choice: str | None = None,
    amount: int | None = None,
    words: str | None = None,
    referral: Referral | None = None,
    reading: Reading | None = None,
    event_id: str | None = None,
    at: dt.datetime | None = None,
) -> Event:
    """Note an event; its words stay out of the audit trail.

    With an ``event_id`` that several registers make alike it is of a time, ``at``, that they
    agree on, so that what each of them noted is one event.
    """
    event = Event(
        id=event_id or new_id(),
        kind=kind.value,
        on=on,
        choice=choice,
        amount=amount,
        words=words,
        entered_by=by,
        entered_at=at or utc_now(),
        reading_id=None if reading is None else reading.id,
        referral_id=None if referral is None else referral.id,
    )
    woman.events.append(event)
    session.flush()
    audit.append(session, "event.note", event.id, by, woman=woman.id, kind=event.kind)
    return event


def standing_events(woman: Woman, *kinds: EventKind) -> list[Event]:
    """Her events of some kinds, oldest first; what was set aside is left out."""
    return [e for e in woman.events if e.set_aside_at is None and e.kind in kinds]


def may_undo(entry: Reading | Event, by: str, rules: FollowUpRules, now: dt.datetime) -> bool:
    """Whether a person may still take back an entry of their own, by the server's clock."""
    age = now - entry.entered_at
    return (
        entry.set_aside_at is None
        and entry.entered_by == by
        and age <= dt.timedelta(minutes=rules.undo_minutes)
    )
