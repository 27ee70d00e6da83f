"""Deleting a woman's record on request.

Her row, visits, readings, referrals and photos go. The audit trail keeps that a
record was deleted, by random id; it never held her code. Backups made before
still hold her until they are overwritten. Other registers delete her, too, once they
take in what this one hands over, and none of them can bring her back.
"""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from cardreader.register import audit
from cardreader.register.fieldchanges import forget
from cardreader.register.mergemodels import JoinedAway
from cardreader.register.models import Woman


@dataclass(frozen=True)
class Removed:
    """What belonged to the record and lies outside the database."""

    reading_ids: tuple[str, ...]
    photo_files: tuple[str, ...]


def remove_woman(session: Session, woman: Woman, by: str | None) -> Removed:
    """Delete the record, and those joined into it; the caller removes the files once committed."""
    removed = Removed(
        tuple(reading.id for reading in woman.readings),
        tuple(reading.photo_file for reading in woman.readings if reading.photo_file),
    )
    for referral in woman.referrals:
        referral.closing_reading_id = referral.opening_reading_id = None
    for event in woman.events:
        event.reading_id = event.referral_id = None
    session.flush()
    joined = select(JoinedAway.woman_id).where(JoinedAway.into_id == woman.id)
    own = [woman.id, *session.scalars(joined)]
    for one in own:
        audit.append(session, "woman.remove", one, by, readings=len(removed.reading_ids))
    forget(session, own)
    session.delete(woman)
    session.flush()
    return removed
