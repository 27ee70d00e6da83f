"""Deleting a woman's record on request.

Her row, visits, readings, referrals and photos go. The audit trail keeps that a
record was deleted, by random id; it never held her code. Backups made before
still hold her until they are overwritten.
"""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy.orm import Session

from cardreader.register import audit
from cardreader.register.models import Woman


@dataclass(frozen=True)
class Removed:
    """What belonged to the record and lies outside the database."""

    reading_ids: tuple[str, ...]
    photo_files: tuple[str, ...]


def remove_woman(session: Session, woman: Woman, by: str | None) -> Removed:
    """Delete the record; the caller removes the files once this is committed."""
    removed = Removed(
        tuple(reading.id for reading in woman.readings),
        tuple(reading.photo_file for reading in woman.readings if reading.photo_file),
    )
    for referral in woman.referrals:
        referral.closing_reading_id = referral.opening_reading_id = None
    for event in woman.events:
        event.reading_id = event.referral_id = None
    session.flush()
    audit.append(session, "woman.remove", woman.id, by, readings=len(removed.reading_ids))
    session.delete(woman)
    session.flush()
    return removed
