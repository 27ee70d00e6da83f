"""Birth and its outcome: the pregnancy ends, and she is tested once more."""

from __future__ import annotations

import datetime as dt

from sqlalchemy.orm import Session

from cardreader.register import audit
from cardreader.register.events import note
from cardreader.register.models import BirthOutcome, Event, EventKind, Woman


def note_birth(
    session: Session, woman: Woman, outcome: BirthOutcome, on: dt.date, by: str | None
) -> Event:
    """Note that her pregnancy ended; she stays on the lists until the test after it."""
    woman.birth_on, woman.birth_outcome = on, outcome.value
    audit.append(session, "woman.birth", woman.id, by, outcome=outcome.value)
    return note(session, woman, EventKind.BIRTH, on, by, choice=outcome.value)
