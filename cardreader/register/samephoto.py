"""The same picture under two women or two visits: most likely a mistake.

Two photos are never alike to the byte, so an equal hash is the same file: chosen
twice from the phone's gallery, or sent for the wrong code. Over a slow link a phone sends a
smaller file of it, and tells the hash of the picture as it was taken: those are one picture
too. What a phone tells is no proof; so it makes the register ask, and counts no picture twice.
"""

from __future__ import annotations

import datetime as dt

from sqlalchemy import Text, cast, or_, select, union
from sqlalchemy.orm import Session

from cardreader.register import audit
from cardreader.register.base import utc_now
from cardreader.register.models import Reading

SMALLER = ("card_part", "reduced")
"""Under "photo" in the JSON of a reading: what was sent in the picture's place."""
LOOKED_BACK = dt.timedelta(days=14)
"""In which pictures that were sent smaller are looked for: there is no index of what phones told,
and a picture chosen by mistake is one of the last."""


class KnownPhotoError(Exception):
    """A photo that is entered elsewhere already; ``reading`` is that entry."""

    def __init__(self, reading: Reading) -> None:
        super().__init__(f"the photo is that of reading {reading.id}")
        self.code = reading.woman.code
        self.taken_at = reading.taken_at


def picture_of(reading: Reading) -> str | None:
    """Hash of a photo as it was taken: of the original where a smaller one was sent."""
    photo = (reading.detail or {}).get("photo") or {}
    told = (photo.get(name, {}).get("original_sha256") for name in SMALLER)
    return next((sha256 for sha256 in told if sha256), None) or reading.photo_sha256


def entered_elsewhere(
    session: Session, hashes: frozenset[str], visit_id: str | None
) -> list[Reading]:
    """Readings outside a visit of a picture with one of these hashes, of the file or as it was
    taken; newest first; what was set aside is out.
    """
    photo = Reading.detail["photo"]
    sent_smaller = or_(
        *(photo[name]["original_sha256"].as_string().in_(hashes) for name in SMALLER)
    )
    # Text is gone through in a tenth of the time that taking it apart costs.
    as_text = cast(Reading.detail, Text)
    mentioned = or_(*(as_text.contains(sha256, autoescape=True) for sha256 in hashes))
    lately = Reading.taken_at > utc_now() - LOOKED_BACK
    # Apart from each other: together a database looks at every reading there is.
    known = union(
        select(Reading.id).where(Reading.photo_sha256.in_(hashes)),
        select(Reading.id).where(lately, mentioned, sent_smaller),
    )
    ids = session.scalars(known).all()
    counting = select(Reading).where(Reading.id.in_(ids), Reading.set_aside_at.is_(None))
    newest_first = session.scalars(counting.order_by(Reading.entered_at.desc()))
    return [reading for reading in newest_first if reading.visit_id != visit_id]


def also_entered(session: Session, reading: Reading) -> list[Reading]:
    """Readings of the same picture outside the reading's visit, newest first."""
    known = (reading.photo_sha256, picture_of(reading))
    hashes = frozenset(sha256 for sha256 in known if sha256)
    return entered_elsewhere(session, hashes, reading.visit_id) if hashes else []


def ask_if_known(session: Session, hashes: frozenset[str], visit_id: str) -> None:
    """Raise KnownPhotoError where the same picture is entered for another visit."""
    if found := entered_elsewhere(session, hashes, visit_id):
        raise KnownPhotoError(found[0])


def note_known(session: Session, reading: Reading, by: str | None) -> None:
    """Note in the trail that a picture entered elsewhere was meant for this visit too."""
    for other in also_entered(session, reading)[:1]:
        audit.append(session, "reading.known_photo", reading.id, by, also=other.id)
