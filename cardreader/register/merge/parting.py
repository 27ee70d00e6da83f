"""Two women joined by mistake: what one's entries answered for the other is asked again."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Collection

from sqlalchemy import select
from sqlalchemy.orm import Session

from cardreader.register.asking import asking, came_in_after, readings_of, unread
from cardreader.register.closing import reopen_parted
from cardreader.register.events import standing_events
from cardreader.register.kinds import EventKind
from cardreader.register.merge.following import follow_read, follow_sent
from cardreader.register.models import Event, Reading, Referral, Woman
from cardreader.register.openreferrals import open_referrals
from cardreader.register.parts import in_parts
from cardreader.register.referrals import refer, refer_unread, reopen

_NAMES = uuid.UUID("2b1f7a2e-9c53-4a7d-8f0e-6f6d0c1b9a44")


def ask_for_herself(
    session: Session, women: Collection[str], joined_at: dt.datetime, by: str | None
) -> None:
    """Open again what another woman's result ended, and refer for what it kept from being asked.

    ``joined_at``: only what came in since then was held against the other's results. Every
    register that learns of the parting does so, and those that hold the same do it alike.
    """
    reopen_if_anothers(session, women, by)
    for woman in session.scalars(select(Woman).where(Woman.id.in_(women)).order_by(Woman.id)):
        for point in asking(woman):
            if came_in_after(woman, point, joined_at):
                of = sorted(reading.id for reading in readings_of(woman, point))
                name = str(uuid.uuid5(_NAMES, f"{woman.id} {joined_at.isoformat()} {of}"))
                asked = session.get(Referral, name)
                if asked is None or asked.closed_at is None:
                    refer(session, woman, point, point.urgent, by, referral_id=name)
        for photo in unread(woman):
            if photo.entered_at > joined_at:
                refer_unread(session, photo, by)
    _follow_again(session, women, joined_at)


def _follow_again(session: Session, women: Collection[str], joined_at: dt.datetime) -> None:
    """Open records again that are closed now, and were joined with one that was followed.

    Who was closed while they were joined was one woman, nobody knows which. Who had been closed
    before is opened for what came into her record since, and was followed with the other's.
    """
    found = list(session.scalars(select(Woman).where(Woman.id.in_(women)).order_by(Woman.id)))
    closings = [e for woman in found for e in standing_events(woman, EventKind.CLOSED)]
    since = [e for e in closings if e.entered_at > joined_at]
    for woman in found:
        if woman.closed_on is None:
            continue
        if since:
            first = min(since, key=lambda e: (e.entered_at, e.id))
            name = str(uuid.uuid5(_NAMES, f"parted {woman.id} {joined_at.isoformat()}"))
            if session.get(Event, name) is None:
                reopen_parted(session, woman, first, name)
            continue
        read = [r for r in woman.readings if r.entered_at > joined_at and r.set_aside_at is None]
        sent = [r for r in open_referrals(woman) if r.opened_at > joined_at]
        for reading in sorted(read, key=lambda r: (r.entered_at, r.id))[:1]:
            follow_read(session, reading)
        for referral in sorted(sent, key=lambda r: (r.opened_at, r.id))[:1]:
            follow_sent(session, referral)


def reopen_if_anothers(session: Session, women: Collection[str], by: str | None) -> None:
    """Open again what was ended by a result of another woman, as they are shown now."""
    for some in in_parts(women):
        query = (
            select(Referral)
            .join(Reading, Reading.id == Referral.closing_reading_id)
            .where(Referral.woman_id.in_(some), Reading.woman_id != Referral.woman_id)
        )
        for referral in session.scalars(query.order_by(Referral.id)).all():
            reopen(session, referral, by)
