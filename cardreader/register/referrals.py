"""Referrals: opened by what was read or not read, answered by a value or by an outcome."""

from __future__ import annotations

import datetime as dt

from sqlalchemy.orm import Session

from cardreader.decide.followuprules import FollowUpRules
from cardreader.decide.rule import Outcome
from cardreader.register import audit
from cardreader.register.asking import answered, asking, unread
from cardreader.register.base import local_day, new_id, utc_now
from cardreader.register.blots import may_hide_severe
from cardreader.register.events import note
from cardreader.register.history import Measurement, as_referred, certain_at, measurements, standing
from cardreader.register.kinds import EventKind, Purpose, ReferralOutcome, Source
from cardreader.register.models import Event, Reading, Referral, Woman
from cardreader.register.openreferrals import (
    TELLABLE,
    asked_since,
    by_hand,
    doubles_of,
    open_referrals,
    rule_of,
    told_of,
)
from cardreader.register.tocome import is_to_come


def refer(
    session: Session,
    woman: Woman,
    point: Measurement,
    urgent: bool,
    by: str | None,
    purpose: Purpose = Purpose.TEST,
    referral_id: str | None = None,
) -> Referral | None:
    """Open a referral, or bring the open one up to date; None if it is answered already.

    Photos kept on a phone may arrive after the laboratory result they led to, and a value
    written on paper after one that is newer and worse: an open referral speaks of the newest.
    ``referral_id``: of a new one that several registers open alike.
    """
    if answered(woman, point.certain_at):
        return None
    referral = _open_for(woman, purpose)
    if referral is None:
        # Not later than now: the result that answers it may come in tomorrow.
        at = min(point.certain_at, utc_now())
        referral = _new(woman, purpose, at, by, point.reading_id, referral_id)
        action = "referral.open"
    else:
        action = "referral.update"
    if referral.band == Outcome.NOT_READ and not by_hand(referral):
        # What could not be read now is: the alarm is that of the value.
        referral.urgent = _may_hide_severe_since(woman, point)
    # A later blot may lower the alarm of an open referral in words, never its urgency.
    referral.urgent = referral.urgent or urgent
    if referral.hb_g_dl is None or not _read_since(woman, point):
        _speak_of(referral, point)
    session.flush()
    audit.append(session, action, referral.id, by, urgent=referral.urgent, purpose=purpose.value)
    return referral


def speak_of_what_stands(woman: Woman) -> None:
    """Let her open referral speak of the newest value that asks, where its own was a mistake.

    Its urgency stays; and so do its words where nothing else asks.
    """
    referral = _open_for(woman, Purpose.TEST)
    if referral is None or any(
        (p.hb_g_dl, p.source) == (referral.hb_g_dl, referral.source) for p in measurements(woman)
    ):
        return
    if points := asking(woman):
        _speak_of(referral, max(points, key=lambda p: p.certain_at))
    elif unread(woman):
        referral.band, referral.source = Outcome.NOT_READ.value, Source.PHOTO.value
        referral.hb_g_dl = referral.low_g_dl = referral.high_g_dl = None


def _speak_of(referral: Referral, point: Measurement) -> None:
    referral.band = point.outcome.value
    referral.source = point.source.value
    referral.hb_g_dl = point.hb_g_dl
    referral.low_g_dl, referral.high_g_dl = point.low_g_dl, point.high_g_dl


def _read_since(woman: Woman, point: Measurement) -> bool:
    newer = any(p.certain_at > point.certain_at for p in asking(woman))
    return newer and not point.confirmed


def _may_hide_severe_since(woman: Woman, point: Measurement) -> bool:
    later = (r for r in unread(woman) if certain_at(r) > point.certain_at)
    return any(may_hide_severe(r) for r in later)


def refer_unread(session: Session, reading: Reading, by: str | None) -> Referral | None:
    """Open a referral for a test after a photo that could not be read.

    None when one is open, a value of whatever kind came later, or the visit has
    a photo that could be read. Where the blood may be too pale to be read it is urgent.
    """
    woman = reading.woman
    if reading not in unread(woman):
        return None
    return _for_a_test(
        session,
        woman,
        min(certain_at(reading), utc_now()),
        may_hide_severe(reading),
        by,
        reading.id,
    )


def send_for_test(
    session: Session, woman: Woman, at: dt.datetime, urgent: bool, by: str | None
) -> Referral | None:
    """A referral that the worker asks for, without a reading; None when one is open."""
    opened = _for_a_test(session, woman, at, urgent, by, None)
    keep_alarm(session, woman, by)
    return opened


def _for_a_test(
    session: Session,
    woman: Woman,
    at: dt.datetime,
    urgent: bool,
    by: str | None,
    reading_id: str | None,
) -> Referral | None:
    referral = _open_for(woman, Purpose.TEST)
    if referral is not None:
        if urgent and not referral.urgent:
            referral.urgent = True
            audit.append(session, "referral.update", referral.id, by, urgent=True)
        return None
    referral = _new(woman, Purpose.TEST, at, by, reading_id)
    referral.band, referral.source, referral.urgent = (
        Outcome.NOT_READ.value,
        Source.PHOTO.value,
        urgent,
    )
    session.flush()
    audit.append(session, "referral.open", referral.id, by, urgent=urgent, purpose="test")
    return referral


def keep_alarm(session: Session, woman: Woman, by: str | None) -> None:
    """Let what was entered now ask no less urgently than her list does.

    A referral that ended without a result, because she refused, takes its urgency with it;
    a milder value after it opens another, while she is still listed as severely anaemic.
    """
    referral = _open_for(woman, Purpose.TEST)
    if referral is None or referral.urgent or not standing(as_referred(woman)).severe:
        return
    referral.urgent = True
    session.flush()
    audit.append(session, "referral.update", referral.id, by, urgent=True)


def answer_unread(session: Session, woman: Woman, at: dt.datetime, by: str | None) -> None:
    """Close what was opened because a photo could not be read, now that one could.

    A value from before it answers nothing.
    """
    if unread(woman):
        return
    for referral in open_referrals(woman):
        if referral.band == Outcome.NOT_READ and not by_hand(referral):
            close(session, referral, ReferralOutcome.READ, at, by)


def answer_by_result(session: Session, reading: Reading, by: str | None) -> None:
    """Close what a laboratory result answers; a severe one leaves care still to be had."""
    severe = reading.band == Outcome.SEVERE
    for referral in open_referrals(reading.woman):
        # A result from before the referral can't answer it.
        if local_day(reading.taken_at) < local_day(referral.opened_at):
            continue
        # Nor one of days to come what was asked by a right clock.
        if is_to_come(reading.taken_at) and not is_to_come(referral.opened_at):
            continue
        if severe and referral.purpose == Purpose.CARE:
            continue
        # Nor that which it opened itself, by limits that turned out to be hers.
        if referral.opening_reading_id == reading.id:
            continue
        if asked_since(referral, reading.taken_at):
            continue
        referral.closing_reading_id = reading.id
        close(session, referral, ReferralOutcome.RESULT, reading.taken_at, by)


def close(
    session: Session,
    referral: Referral,
    outcome: ReferralOutcome,
    at: dt.datetime,
    by: str | None,
) -> None:
    """End a referral."""
    referral.closed_at, referral.outcome = at, outcome.value
    session.flush()
    audit.append(session, "referral.close", referral.id, by, outcome=outcome.value)


def reopen(session: Session, referral: Referral, by: str | None) -> None:
    """Open a referral again: what ended it was a mistake. What was told of it before stands."""
    referral.closed_at = referral.closing_reading_id = None
    told = [e for e in told_of(referral) if e.choice != ReferralOutcome.DIED]
    referral.outcome = told[-1].choice if told else None
    session.flush()
    audit.append(session, "referral.reopen", referral.id, by)


def tell_outcome(
    session: Session,
    referral: Referral,
    outcome: ReferralOutcome,
    on: dt.date,
    by: str | None,
    rules: FollowUpRules,
    words: str = "",
) -> Event:
    """Note what became of a referral without a value; it ends where the protocol says so.

    Its doubles end with it: nobody asks after her twice for the same.

    ValueError for a referral that is closed or an outcome that can't be told.
    """
    if referral.closed_at is not None or outcome not in TELLABLE:
        raise ValueError("this outcome can't be told of this referral")
    for earlier in told_of(referral)[-1:]:
        same = (earlier.on, earlier.choice, earlier.words) == (on, outcome.value, words or None)
        if same and not any(r.entered_at > earlier.entered_at for r in referral.woman.readings):
            return earlier  # the form sent twice
    event = note(
        session,
        referral.woman,
        EventKind.REFERRAL,
        on,
        by,
        choice=outcome.value,
        words=words or None,
        referral=referral,
    )
    referral.outcome = outcome.value
    if rule_of(outcome, Purpose(referral.purpose), rules).closes:
        at = utc_now()
        for one in (referral, *doubles_of(referral)):
            close(session, one, outcome, at, by)
    return event


def _open_for(woman: Woman, purpose: Purpose) -> Referral | None:
    return next((r for r in open_referrals(woman) if r.purpose == purpose), None)


def _new(
    woman: Woman,
    purpose: Purpose,
    at: dt.datetime,
    by: str | None,
    reading_id: str | None,
    referral_id: str | None = None,
) -> Referral:
    referral = Referral(
        id=referral_id or new_id(),
        purpose=purpose.value,
        opened_at=at,
        opened_by=by,
        urgent=False,
        opening_reading_id=reading_id,
    )
    woman.referrals.append(referral)
    return referral
