"""Taking a mistaken reading out of all counts, with what followed from it."""

from __future__ import annotations

from sqlalchemy.orm import Session

from cardreader.decide.rule import Outcome
from cardreader.decide.subject import Subject
from cardreader.register import audit
from cardreader.register.asking import asking, came_in_after, last_result, unread
from cardreader.register.base import utc_now
from cardreader.register.dayvisits import members
from cardreader.register.kinds import Purpose, ReferralOutcome, Source
from cardreader.register.models import Reading
from cardreader.register.openreferrals import open_referrals
from cardreader.register.recording import Combine, combine_visit
from cardreader.register.referrals import close, refer, refer_unread, reopen, speak_of_what_stands


def set_aside(
    session: Session,
    reading: Reading,
    why: str,
    by: str | None,
    combine: Combine,
    subject: Subject,
) -> None:
    """Take a mistaken reading out of all counts; it stays in the register.

    A referral that it opened stays open, one that it closed is opened again, and what it
    stood as the answer to is asked after anew: a mistake must not leave a woman without her
    confirmatory test.
    """
    reading.set_aside_at, reading.set_aside_why = utc_now(), why
    audit.append(session, "reading.set_aside", reading.id, by)
    for referral in reading.woman.referrals:
        if referral.closing_reading_id == reading.id:
            reopen(session, referral, by)
    if reading.source == Source.LAB:
        _ask_without_result(session, reading, by)
    elif reading.visit is not None and reading.source == Source.PHOTO:
        combine_visit(session, reading.visit, combine, subject, by)
    _refer_what_is_left_unread(session, reading, by)
    speak_of_what_stands(reading.woman)


def _ask_without_result(session: Session, reading: Reading, by: str | None) -> None:
    """Refer for what came in while a mistaken result stood in the place of an answer."""
    woman, last = reading.woman, last_result(reading.woman)
    severe = last is not None and last.outcome is Outcome.SEVERE
    mistakes = {r.id for r in woman.readings if r.set_aside_at is not None}
    for referral in open_referrals(woman):
        care = referral.purpose == Purpose.CARE
        if care and referral.opening_reading_id in mistakes and not severe:
            close(session, referral, ReferralOutcome.MISTAKE, utc_now(), by)
    if last is not None and severe and came_in_after(woman, last, reading.entered_at):
        refer(session, woman, last, True, by, Purpose.CARE)
    for point in asking(woman):
        if point.at <= reading.taken_at and came_in_after(woman, point, reading.entered_at):
            refer(session, woman, point, point.urgent, by)


def _refer_what_is_left_unread(session: Session, reading: Reading, by: str | None) -> None:
    """What answered refused photos was a mistake: they ask for a test again."""
    same = set() if reading.visit is None else {one.id for one in members(reading.visit)}
    for photo in unread(reading.woman):
        if photo.taken_at <= reading.taken_at or photo.visit_id in same:
            refer_unread(session, photo, by)
