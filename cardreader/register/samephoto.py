"""The same picture file under two women or two visits: most likely a mistake.

Two photos are never alike to the byte, so an equal hash is the same file: chosen
twice from the phone's gallery, or sent for the wrong code.
"""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from cardreader.register import audit
from cardreader.register.models import Reading


class KnownPhotoError(Exception):
    """A photo that is entered elsewhere already; ``reading`` is that entry."""

    def __init__(self, reading: Reading) -> None:
        super().__init__(f"the photo is that of reading {reading.id}")
        self.code = reading.woman.code
        self.taken_at = reading.taken_at


def entered_elsewhere(session: Session, sha256: str, visit_id: str | None) -> list[Reading]:
    """Readings of the same file outside a visit, newest first; what was set aside is out."""
    query = (
        select(Reading)
        .where(Reading.photo_sha256 == sha256, Reading.set_aside_at.is_(None))
        .order_by(Reading.entered_at.desc())
    )
    return [r for r in session.scalars(query) if r.visit_id != visit_id]


def ask_if_known(session: Session, sha256: str, visit_id: str) -> None:
    """Raise KnownPhotoError where the same file is entered for another visit."""
    if found := entered_elsewhere(session, sha256, visit_id):
        raise KnownPhotoError(found[0])


def note_known(session: Session, reading: Reading, by: str | None) -> None:
    """Note in the trail that a file entered elsewhere was meant for this visit too."""
    for other in entered_elsewhere(session, reading.photo_sha256 or "", reading.visit_id)[:1]:
        audit.append(session, "reading.known_photo", reading.id, by, also=other.id)
