"""What follows once two registers' entries of a woman have come together.

Each register did what followed from what it knew. Here the rest is done: a visit of
both is combined anew, a laboratory result of one answers the referral of the other, and
a reading of one opens the record that the other closed without knowing of it.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace

from sqlalchemy import select
from sqlalchemy.orm import Session

from cardreader.decide.followuprules import FollowUpRules
from cardreader.decide.protocol import Protocol
from cardreader.decide.subject import Subject
from cardreader.register.asking import asking, readings_of, unread
from cardreader.register.blots import may_hide_severe
from cardreader.register.closing import reopen_for, reopen_sent
from cardreader.register.doubt import unasked_doubts
from cardreader.register.fieldgroups import WOMAN
from cardreader.register.heldagain import Pressing, pressing_by_weeks, pressing_since_birth
from cardreader.register.history import Measurement, certain_at, counts, point_of
from cardreader.register.judgedby import pressing_by_limits
from cardreader.register.kinds import Purpose, ReferralOutcome, Source
from cardreader.register.merge.choosing import differ, row_of, shown
from cardreader.register.merge.state import Key, Row, WomanState
from cardreader.register.models import Event, Reading, Referral, Visit, Woman, weeks_at
from cardreader.register.openreferrals import open_referrals
from cardreader.register.parts import in_parts
from cardreader.register.recording import Combine, combine_visit, subject_of
from cardreader.register.referrals import answer_by_result, refer, reopen
from cardreader.register.rejudging import Judge as JudgesAgain
from cardreader.register.tocome import is_to_come

_NAMES = uuid.UUID("a4a7bb86-3f0f-4c43-8b40-8a8f5b9d6a10")


@dataclass(frozen=True)
class Judge:
    """How this register combines the blots of a visit, and holds results against readings."""

    combine: Combine
    elevation_m: float | None = None
    rules: FollowUpRules = field(default_factory=FollowUpRules)
    # Its limits for after a birth, and by trimester; without it nothing is held against them.
    protocol: Protocol | None = None
    # Judges photos that another calibration read; without it they are left as they are.
    again: JudgesAgain | None = None

    def subject(self, woman: Woman, visit: Visit) -> Subject:
        """Whom the visit is judged for."""
        return subject_of(woman, visit.on, self.elevation_m)


def apart(before: WomanState, incoming: WomanState) -> set[Key]:
    """Entries that only one of the two knew of."""
    return set(before.records) ^ set(incoming.records)


def sent_unknown(before: WomanState, incoming: WomanState) -> set[str]:
    """Referrals of one register that the other, where her record is closed, did not know of."""
    found: set[str] = set()
    for closer, other in ((before, incoming), (incoming, before)):
        if shown(closer.records[WOMAN, closer.id], "closing")["closed_on"] is not None:
            lacking = other.records.keys() - closer.records.keys()
            found |= {name for table, name in lacking if table == Referral.__tablename__}
    return found


def read_unknown(before: WomanState, incoming: WomanState) -> set[str]:
    """Readings that nobody knew who closed her record: none where it is open at both."""
    closers = [
        one.records.keys()
        for one in (before, incoming)
        if shown(one.records[WOMAN, one.id], "closing")["closed_on"] is not None
    ]
    every = before.records.keys() | incoming.records.keys()
    lacking = every.difference(*closers) if closers else ()
    return {name for table, name in lacking if table == Reading.__tablename__}


def born_unknown(before: WomanState, incoming: WomanState) -> bool:
    """Whether the two say different things of a birth."""
    one, other = (shown(s.records[WOMAN, s.id], "birth") for s in (before, incoming))
    return one != other


Told = tuple[int | None, dt.date | None]
"""Weeks of pregnancy as told on a day."""


def weeks_unknown(before: WomanState, incoming: WomanState) -> dict[str, list[Told]]:
    """Readings that only one knew, which was told other weeks than the other: and its weeks."""
    one, other = told_of(before), told_of(incoming)
    if one == other:
        return {}
    read = before.records.keys() - incoming.records.keys()
    taken = incoming.records.keys() - before.records.keys()
    return {
        name: [weeks]
        for keys, weeks in ((read, one), (taken, other))
        for table, name in keys
        if table == Reading.__tablename__
    }


def told_of(state: WomanState) -> Told:
    """The weeks that a register shows of her own record."""
    return weeks_of(row_of(state.records[WOMAN, state.id]))


def weeks_of(said: Row) -> Told:
    """The weeks that a value of the field says."""
    on = said["gestation_on"]
    return said["gestation_weeks"], None if on is None else dt.date.fromisoformat(on)


def unsettled_visits(merged: WomanState) -> set[str]:
    """Visits that both registers added to, so that neither's result is that of all blots."""
    return {
        record.id
        for record in merged.records.values()
        if record.table == Visit.__tablename__
        and differ(record.table, "result", record.heads("result"))
    }


def follow(
    session: Session,
    woman: Woman,
    fresh: set[Key],
    visits: set[str],
    judge: Judge | None,
    sent: Collection[str] = (),
    born: bool = False,
    weeks: Mapping[str, Collection[Told]] | None = None,
) -> None:
    """Do what follows for one woman.

    ``fresh`` are entries that one register didn't know of; ``sent`` readings and referrals that
    whoever closed her record didn't; ``born``: one didn't know of a birth that the other had noted;
    ``weeks``: as `weeks_unknown`.
    """
    for visit in woman.visits:
        if visit.id in visits and judge is not None:
            combine_visit(session, visit, judge.combine, judge.subject(woman, visit), None)
    readings = sorted(
        (r for r in woman.readings if (Reading.__tablename__, r.id) in fresh),
        key=lambda r: (r.taken_at, r.id),
    )
    for reading in readings:
        if reading.set_aside_at is None and reading.id in sent:
            follow_read(session, reading)
    for referral in woman.referrals:
        if referral.id in sent:
            follow_sent(session, referral)
    if readings or any((Referral.__tablename__, r.id) in fresh for r in woman.referrals):
        for reading in sorted(woman.readings, key=lambda r: (r.taken_at, r.id)):
            if counts(reading) and reading.source == Source.LAB and open_referrals(woman):
                _answer(session, reading, judge)
    if judge is not None:
        _ask_again(session, woman, {r.id for r in readings}, judge)
        if judge.protocol is not None:
            new = None if born else {r.id for r in readings}
            _ask_since_birth(session, woman, judge.protocol, judge.elevation_m, new)
            ask_by_weeks(session, woman, weeks or {}, judge)
    mistakes = {r.id for r in woman.readings if r.set_aside_at is not None}
    ahead = {r.id for r in woman.readings if is_to_come(r.taken_at)}
    for referral in woman.referrals:
        # She is followed: where one register closed her record as that of a woman who died,
        # the other knew better.
        alive = referral.outcome == ReferralOutcome.DIED and woman.closed_on is None
        ended_by = referral.closing_reading_id
        # By the fast clock of the register that ended it the result was newer.
        too_soon = ended_by in ahead and not is_to_come(referral.opened_at)
        if referral.closed_at is not None and (alive or ended_by in mistakes or too_soon):
            reopen(session, referral, None)
    if any(may_hide_severe(photo) for photo in unread(woman)):
        for referral in open_referrals(woman):
            referral.urgent = True


def _answer(session: Session, result: Reading, judge: Judge | None) -> None:
    """Let a result end what it answers, unless it contradicts what the other register read.

    Entered there it would have been asked about.
    """
    if judge is None or not unasked_doubts(result.woman, point_of(result), judge.rules):
        answer_by_result(session, result, None)


def _ask_again(session: Session, woman: Woman, fresh: set[str], judge: Judge) -> None:
    """Let what one register read, and the other did not know of, be asked after.

    Its referral may have ended at the other, or never have been opened because of a result
    that the other set aside. What was told of a referral, or that it was a mistake, stands.
    """
    mine = [p for p in asking(woman) if _is_fresh(woman, p, fresh)]
    last = max(_tests(woman), key=lambda r: (r.opened_at, r.id), default=None)
    if (
        last is not None
        and not _is_open(woman)
        and _ended_too_soon(woman, last, mine, fresh, judge)
    ):
        reopen(session, last, None)
    for point in sorted(mine, key=lambda p: (p.certain_at, p.hb_g_dl)):
        if _is_open(woman) or not _was_asked(woman, point):
            # Alike only where it is for the same: other photos make another value of a visit.
            of = sorted(reading.id for reading in readings_of(woman, point))
            name = uuid.uuid5(_NAMES, f"referral {woman.id} {of}")
            refer(session, woman, point, point.urgent, None, referral_id=str(name))


def ask_since_births(session: Session, women: Collection[str], judge: Judge | None) -> None:
    """Hold what was read since their births against the limits for after it, as joined now."""
    if judge is not None and judge.protocol is not None:
        query = select(Woman).where(Woman.id.in_(women), Woman.birth_on.is_not(None))
        for woman in session.scalars(query.order_by(Woman.id)):
            _ask_since_birth(session, woman, judge.protocol, judge.elevation_m, None)


def ask_by_limits(
    session: Session, women: Collection[str], readings: Collection[str], judge: Judge | None
) -> None:
    """Hold what another register read by another protocol against the limits of this one's."""
    if judge is None or judge.protocol is None:
        return
    for some in in_parts(women, 100):
        query = select(Woman).where(Woman.id.in_(some), Woman.closed_on.is_(None))
        for woman in session.scalars(query.order_by(Woman.id)):
            found = pressing_by_limits(woman, judge.protocol, judge.elevation_m, readings)
            _refer_for(session, woman, found, f"by limits of {judge.protocol.sha256}")


def _ask_since_birth(
    session: Session,
    woman: Woman,
    protocol: Protocol,
    elevation_m: float | None,
    fresh: set[str] | None,
) -> None:
    """As where the birth is noted late; ``fresh`` readings alone where not None."""
    found = pressing_since_birth(woman, protocol, elevation_m)
    mine = (one for one in found if fresh is None or _is_fresh(woman, one.point, fresh))
    _refer_for(session, woman, mine, "since birth")


def ask_by_weeks(
    session: Session, woman: Woman, read: Mapping[str, Collection[Told]], judge: Judge
) -> None:
    """Hold what was read by other weeks against the limits by those shown, as where mended.

    ``read``: reading's id -> the weeks that it was, or may have been, judged by.
    """
    if judge.protocol is None or not read:
        return

    def before(point: Measurement) -> list[Subject]:
        told = (one for r in readings_of(woman, point) for one in read.get(r.id, ()))
        now = subject_of(woman, point.day, judge.elevation_m)
        weeks = {weeks_at(*one, point.day) for one in told} if now.pregnant else ()
        return [replace(now, gestation_weeks=one) for one in weeks]

    found = pressing_by_weeks(woman, before, judge.protocol, judge.elevation_m)
    _refer_for(session, woman, found, "by weeks")


def _refer_for(session: Session, woman: Woman, found: Iterable[Pressing], why: str) -> None:
    """Refer for values that limits make more of, unless that was asked for already."""
    for one in found:
        same = [r for r in woman.referrals if r.purpose == one.purpose]
        if any(r.closed_at is None for r in same) or not any(
            _speaks_of(r, one.point) for r in same
        ):
            of = sorted(reading.id for reading in readings_of(woman, one.point))
            name = str(uuid.uuid5(_NAMES, f"{why} {woman.id} {of}"))
            refer(session, woman, one.point, one.urgent, None, one.purpose, name)


def _tests(woman: Woman) -> list[Referral]:
    return [r for r in woman.referrals if r.purpose == Purpose.TEST]


def _is_open(woman: Woman) -> bool:
    return any(r.closed_at is None for r in _tests(woman))


def _ended_too_soon(
    woman: Woman, last: Referral, mine: list[Measurement], fresh: set[str], judge: Judge
) -> bool:
    """Whether her last referral ended while the other register had read more of her.

    Newer than its answer, or contradicting it. Whoever reads that where the answer is known
    opens a referral of its own, and then this is not the last.
    """
    if last.outcome == ReferralOutcome.READ:
        return bool(mine)
    result = next((r for r in woman.readings if r.id == last.closing_reading_id), None)
    if result is None or not counts(result) or last.opened_at > result.taken_at:
        return False
    doubts = unasked_doubts(woman, point_of(result), judge.rules)
    photos = (r for r in unread(woman) if r.id in fresh)
    return (
        any(p.certain_at > result.taken_at for p in mine)
        or any(_is_fresh(woman, doubt.point, fresh) for doubt in doubts)
        or any(certain_at(r) > result.taken_at for r in photos)
    )


def _was_asked(woman: Woman, point: Measurement) -> bool:
    """Whether a referral was opened for a value, or one that spoke of it has ended since."""
    return any(_speaks_of(r, point) for r in _tests(woman))


def _speaks_of(referral: Referral, point: Measurement) -> bool:
    return max(referral.opened_at, referral.closed_at or referral.opened_at) >= point.certain_at


def _is_fresh(woman: Woman, point: Measurement, fresh: set[str]) -> bool:
    return any(r.id in fresh for r in readings_of(woman, point))


def follow_sent(session: Session, referral: Referral) -> None:
    """The same because of a referral without a reading, as when she was sent by hand."""
    name = str(uuid.uuid5(_NAMES, f"sent {referral.id}"))
    if session.scalar(select(Event.id).where(Event.id == name)) is None:
        reopen_sent(session, referral, name)


def follow_read(session: Session, reading: Reading) -> None:
    """Open a closed record because of a reading: noted alike by every register that does."""
    name = str(uuid.uuid5(_NAMES, reading.id))
    if session.scalar(select(Event.id).where(Event.id == name)) is None:
        reopen_for(session, reading, None, name)
