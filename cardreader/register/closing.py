"""Closing a woman's record, and opening it again: by hand, or because she was read again.

A closed record is on no list. So closing a woman who is severe or anaemic, whose referral is
open, who was not tested since a birth, or who was called well on a day whose readings lie too
high is asked about, and a new reading under her code brings her back by itself.
"""

from __future__ import annotations

import datetime as dt
from enum import StrEnum

from sqlalchemy.orm import Session

from cardreader.decide.rule import Outcome
from cardreader.register import audit
from cardreader.register.base import local_day, utc_now
from cardreader.register.daydoubt import doubted_days
from cardreader.register.events import note
from cardreader.register.history import as_referred, standing
from cardreader.register.judging import TO_CONFIRM
from cardreader.register.kinds import EventKind, ReferralOutcome
from cardreader.register.models import Event, Reading, Referral, Woman
from cardreader.register.openreferrals import open_referrals
from cardreader.register.referrals import close, reopen
from cardreader.register.tocome import latest_day
from cardreader.register.women import Closing, set_gestation


class Hindrance(StrEnum):
    """Why closing a record is asked about."""

    SEVERE = "severe"
    REFERRED = "referred"
    ANAEMIC = "anaemic"
    NOT_TESTED_SINCE = "not_tested_since"
    DOUBTED = "doubted"


class UnsureError(ValueError):
    """Closing needs a second word; ``hindrances`` says why."""

    def __init__(self, hindrances: tuple[Hindrance, ...]) -> None:
        super().__init__("the record of a woman to be seen again is closed only when said twice")
        self.hindrances = hindrances


def hindrances(woman: Woman, reason: Closing) -> tuple[Hindrance, ...]:
    """What speaks against closing her record now, for a reason."""
    points = as_referred(woman)
    stands = standing(points)
    birth = woman.birth_on
    tested_since = birth is not None and any(point.day > birth for point in points)
    found = {
        Hindrance.SEVERE: stands.severe,
        Hindrance.REFERRED: any(referral.closed_at is None for referral in woman.referrals),
        Hindrance.ANAEMIC: stands.anaemic and not stands.severe,
        # A birth is noted as one: who is closed for it is on no list for the test after it.
        Hindrance.NOT_TESTED_SINCE: reason is Closing.DELIVERED and not tested_since,
        # All readings of the day of her newest value lie too high.
        Hindrance.DOUBTED: bool(doubted_days(woman, points[-1:])),
    }
    return tuple(hindrance for hindrance, speaks in found.items() if speaks)


def close_woman(
    session: Session,
    woman: Woman,
    reason: Closing,
    on: dt.date,
    by: str | None,
    words: str = "",
    sure: bool = False,
) -> Event:
    """Take a woman off the lists; her record stays. ``words``: why, or where to.

    UnsureError for a woman who is to be seen again unless ``sure``; death needs no second word.
    """
    found = hindrances(woman, Closing(reason))
    if found and not sure and reason is not Closing.DIED:
        raise UnsureError(found)
    woman.closed_on, woman.closed_reason = on, Closing(reason).value
    audit.append(
        session, "woman.close", woman.id, by, reason=woman.closed_reason, although=list(found)
    )
    if reason is Closing.DIED:
        for referral in open_referrals(woman):
            close(session, referral, ReferralOutcome.DIED, utc_now(), by)
    return note(
        session, woman, EventKind.CLOSED, on, by, choice=woman.closed_reason, words=words or None
    )


def reopen_woman(
    session: Session, woman: Woman, on: dt.date, by: str | None, words: str = ""
) -> Event:
    """Follow her here again from a day on; ValueError when her record is open."""
    return _reopen(session, woman, EventKind.REOPENED, on, by, words)


def reopen_sent(session: Session, referral: Referral, event_id: str) -> None:
    """Open a closed record again for a referral that whoever closed it did not know of."""
    if referral.woman.closed_on is None or referral.closed_at is not None:
        return
    _reopen(
        *(session, referral.woman, EventKind.REOPENED, local_day(referral.opened_at), None),
        referral=referral,
        event_id=event_id,
        at=referral.opened_at,
    )


def reopen_parted(session: Session, woman: Woman, closed: Event, event_id: str) -> None:
    """Open a record again that was closed while another woman's was joined with it."""
    if woman.closed_on is not None:
        on = local_day(closed.entered_at)
        _reopen(
            *(session, woman, EventKind.REOPENED, on, None),
            event_id=event_id,
            at=closed.entered_at,
        )


def seen_here(session: Session, woman: Woman, on: dt.date, sent: bool, by: str | None) -> None:
    """She was seen on a day, perhaps sent for a test: a closed record is opened again.

    Not for what comes in late, from before it was closed, and asks for nothing: as a reading.
    """
    if woman.closed_on is not None and (sent or on > woman.closed_on):
        reopen_woman(session, woman, on, by)


def start_pregnancy(
    session: Session, woman: Woman, weeks: int | None, on: dt.date, by: str | None
) -> None:
    """Another pregnancy of the same woman: the birth before is history."""
    woman.birth_on = woman.birth_outcome = None
    woman.gestation_weeks = weeks
    woman.gestation_on = None if weeks is None else on
    audit.append(session, "woman.pregnancy", woman.id, by)


class BeforeBirthError(ValueError):
    """By the weeks told a pregnancy began before the birth that ended it."""


def tell_weeks(session: Session, woman: Woman, weeks: int, on: dt.date, by: str | None) -> None:
    """Note her weeks as told on a day; what was told on a later day counts more.

    Not what is dated later than today: it was told by a clock that was fast.
    Weeks that begin after a birth that is noted are those of another pregnancy.
    BeforeBirthError when they can belong to neither.
    """
    if woman.has_given_birth(on):
        if woman.birth_on is not None and on - dt.timedelta(weeks=weeks) < woman.birth_on:
            raise BeforeBirthError("these weeks began before the birth that is noted")
        start_pregnancy(session, woman, weeks, on, by)
    elif woman.gestation_on is None or not on < woman.gestation_on <= latest_day():
        set_gestation(session, woman, weeks, on, by)


def reopen_for(
    session: Session, reading: Reading, by: str | None, event_id: str | None = None
) -> Event | None:
    """Open a closed record because of a reading just entered; None when it stays as it is.

    A result that comes in late, from before she was closed, changes nothing unless it
    asks for something to be done.
    """
    woman = reading.woman
    if woman.closed_on is None:
        return None
    day = local_day(reading.taken_at)
    presses = reading.refusal is not None or reading.band in (*TO_CONFIRM, Outcome.SEVERE)
    if day < woman.closed_on and not presses:
        return None
    return _reopen(
        *(session, woman, EventKind.READ_WHILE_CLOSED, day, by),
        reading=reading,
        event_id=event_id,
        at=None if event_id is None else reading.entered_at,
        # One of before she was closed, entered now, opens her record no earlier than that.
        happened=max(day, woman.closed_on) if event_id is None else day,
    )


def _reopen(
    session: Session,
    woman: Woman,
    kind: EventKind,
    on: dt.date,
    by: str | None,
    words: str = "",
    reading: Reading | None = None,
    event_id: str | None = None,
    referral: Referral | None = None,
    at: dt.datetime | None = None,
    happened: dt.date | None = None,
) -> Event:
    """``on``: since when she is followed again; ``happened``: when that was, where another day."""
    if woman.closed_on is None:
        raise ValueError("her record is open")
    reason = woman.closed_reason
    woman.closed_on = woman.closed_reason = None
    woman.followed_from = on
    audit.append(session, "woman.reopen", woman.id, by, was=reason)
    if reason == Closing.DIED:
        for referral in woman.referrals:
            if referral.outcome == ReferralOutcome.DIED and referral.closed_at is not None:
                reopen(session, referral, by)
    return note(
        *(session, woman, kind, happened or on, by),
        choice=reason,
        words=words or None,
        referral=referral,
        reading=reading,
        event_id=event_id,
        at=at,
    )
