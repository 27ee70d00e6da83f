"""What follows once two registers' entries of a woman have come together.

Each register did what followed from what it knew. Here the rest is done: a visit of
both is combined anew, a laboratory result of one answers the referral of the other, and
a reading of one opens the record that the other closed without knowing of it.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from cardreader.decide.subject import Subject
from cardreader.register.closing import reopen_for
from cardreader.register.history import counts
from cardreader.register.merge.choosing import differ
from cardreader.register.merge.state import Key, WomanState
from cardreader.register.models import Event, Reading, Referral, Source, Visit, Woman
from cardreader.register.recording import Combine, combine_visit, subject_of
from cardreader.register.referrals import answer_by_result, open_referrals, reopen

_NAMES = uuid.UUID("a4a7bb86-3f0f-4c43-8b40-8a8f5b9d6a10")


@dataclass(frozen=True)
class Judge:
    """How this register combines the blots of a visit."""

    combine: Combine
    elevation_m: float | None = None

    def subject(self, woman: Woman, visit: Visit) -> Subject:
        """Whom the visit is judged for."""
        return subject_of(woman, visit.on, self.elevation_m)


def apart(before: WomanState, incoming: WomanState) -> set[Key]:
    """Entries that only one of the two knew of."""
    return set(before.records) ^ set(incoming.records)


def unsettled_visits(merged: WomanState) -> set[str]:
    """Visits that both registers added to, so that neither's result is that of all blots."""
    return {
        record.id
        for record in merged.records.values()
        if record.table == Visit.__tablename__
        and differ(record.table, "result", record.heads("result"))
    }


def follow(
    session: Session, woman: Woman, fresh: set[Key], visits: set[str], judge: Judge | None
) -> None:
    """Do what follows for one woman; ``fresh`` are entries that one register didn't know of."""
    for visit in woman.visits:
        if visit.id in visits and judge is not None:
            combine_visit(session, visit, judge.combine, judge.subject(woman, visit), None)
    readings = sorted(
        (r for r in woman.readings if (Reading.__tablename__, r.id) in fresh),
        key=lambda r: (r.taken_at, r.id),
    )
    for reading in readings:
        if reading.set_aside_at is None:
            _reopen(session, reading)
    if readings or any((Referral.__tablename__, r.id) in fresh for r in woman.referrals):
        for reading in sorted(woman.readings, key=lambda r: (r.taken_at, r.id)):
            if counts(reading) and reading.source == Source.LAB and open_referrals(woman):
                answer_by_result(session, reading, None)
    mistakes = {r.id for r in woman.readings if r.set_aside_at is not None}
    for referral in woman.referrals:
        if referral.closed_at is not None and referral.closing_reading_id in mistakes:
            reopen(session, referral, None)


def _reopen(session: Session, reading: Reading) -> None:
    """Open a closed record because of a reading: noted alike by every register that does."""
    name = str(uuid.uuid5(_NAMES, reading.id))
    if session.scalar(select(Event.id).where(Event.id == name)) is None:
        reopen_for(session, reading, None, name)
