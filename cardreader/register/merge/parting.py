"""Two women joined by mistake: what one's entries answered for the other is asked again."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection

from sqlalchemy import select
from sqlalchemy.orm import Session

from cardreader.register.asking import asking, came_in_after, unread
from cardreader.register.models import Woman
from cardreader.register.referrals import refer, refer_unread, reopen


def ask_for_herself(
    session: Session, women: Collection[str], joined_at: dt.datetime, by: str | None
) -> None:
    """Open again what another woman's result ended, and refer for what it kept from being asked.

    ``joined_at``: only what came in since then was held against the other's results.
    """
    for woman in session.scalars(select(Woman).where(Woman.id.in_(women))):
        own = {reading.id for reading in woman.readings}
        for referral in woman.referrals:
            if referral.closing_reading_id is not None and referral.closing_reading_id not in own:
                reopen(session, referral, by)
        for point in asking(woman):
            if came_in_after(woman, point, joined_at):
                refer(session, woman, point, point.urgent, by)
        for photo in unread(woman):
            if photo.entered_at > joined_at:
                refer_unread(session, photo, by)
