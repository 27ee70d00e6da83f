"""Submission keys: what was sent twice, because the answer got lost, is entered once."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from cardreader.register.models import Reading


class KeyReusedError(ValueError):
    """A submission key came back with something else under it."""


def find_submission(session: Session, key: str) -> Reading | None:
    """The reading entered under a key, if any."""
    return session.scalars(select(Reading).where(Reading.submission_key == key)).first()
