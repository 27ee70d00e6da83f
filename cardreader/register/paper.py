"""The batch of blotting paper in use: a batch of its own, apart from the card's lot.

How much blood stands in a paper and how light travels there is most of what a site's
calibration has to learn, so every reading notes the batch that was in use.
"""

from __future__ import annotations

import datetime as dt

from sqlalchemy import select
from sqlalchemy.orm import Session

from cardreader.register import audit
from cardreader.register.base import midnight, utc_now
from cardreader.register.kinds import Source
from cardreader.register.models import PaperBatch, Reading


def paper_in_use(session: Session) -> PaperBatch | None:
    """The batch in use; None where nobody has said which."""
    newest = select(PaperBatch).order_by(PaperBatch.since.desc(), PaperBatch.id).limit(1)
    return session.scalars(newest).first()


def paper_at(session: Session, at: dt.datetime) -> str | None:
    """Name of the batch in use at a time; None before anybody said which."""
    then = select(PaperBatch.name).where(PaperBatch.since <= at)
    return session.scalars(then.order_by(PaperBatch.since.desc(), PaperBatch.id).limit(1)).first()


def set_paper(session: Session, name: str, by: str | None) -> PaperBatch:
    """Say that a batch is in use from now on; nothing changes where it is already."""
    now = paper_in_use(session)
    if now is not None and now.name == name:
        return now
    batch = PaperBatch(name=name, since=utc_now(), entered_by=by)
    session.add(batch)
    session.flush()
    audit.append(session, "paper.use", batch.id, by, name=name)
    return batch


def correct_paper(
    session: Session, name: str, first: dt.date, last: dt.date, by: str | None
) -> tuple[str, ...]:
    """Note that the photos of these days, both included, were of blots on another batch.

    What was decided on them stays. Returns the ids of those that were noted otherwise.
    """
    start, end = midnight(first), midnight(last + dt.timedelta(days=1))
    photos = select(Reading).where(
        Reading.source == Source.PHOTO.value,
        Reading.taken_at >= start,
        Reading.taken_at < end,
        Reading.paper.is_distinct_from(name),
    )
    corrected = tuple(session.scalars(photos.order_by(Reading.taken_at, Reading.id)))
    for reading in corrected:
        reading.paper = name
    session.flush()
    if corrected:
        days = {"first": first.isoformat(), "last": last.isoformat()}
        audit.append(
            session, "paper.correct", days["first"], by, name=name, photos=len(corrected), **days
        )
    return tuple(reading.id for reading in corrected)
