"""Two women joined by mistake: what one's entries answered for the other is asked again."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Collection

from sqlalchemy import select
from sqlalchemy.orm import Session

from cardreader.register.asking import asking, came_in_after, readings_of, unread
from cardreader.register.models import Reading, Referral, Woman
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
