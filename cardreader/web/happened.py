"""Words for what happened to a woman beside her readings, and for clocks that differ."""

from __future__ import annotations

import datetime as dt
from typing import Any

from babel.dates import format_timedelta

from cardreader.decide.followuprules import FollowUpRules
from cardreader.register.base import local_day
from cardreader.register.doubt import Doubt, DoubtfulError
from cardreader.register.earlydate import EarlyDate
from cardreader.register.judging import TO_CONFIRM
from cardreader.register.kinds import BirthOutcome, EventKind, Purpose, ReferralOutcome, Source
from cardreader.register.models import Event, Reading, Referral
from cardreader.register.openreferrals import read_at, rule_of, told_of
from cardreader.register.phoneclock import TOLERATED
from cardreader.register.women import Closing
from cardreader.web import texts, words
from cardreader.web.bandwords import high_end, low_end
from cardreader.web.texts import gettext as _

UNDONE = texts.mark("Undone by whoever entered it.")
"""Kept with a reading that was taken back within the minutes for it."""


def event_words(event: Event) -> str:
    """What happened, in the visitor's language; without its day."""
    kind, choice, amount = EventKind(event.kind), event.choice or "", event.amount or 0
    match kind:
        case EventKind.CLOSED:
            return _("Record closed: %(why)s.") % {"why": _(words.CLOSINGS[Closing(choice)])}
        case EventKind.CODE_MENDED:
            return _("Her code was mended; before it was:")
        case EventKind.VILLAGE:
            return _("Village or place:")
        case EventKind.REOPENED:
            return _("Record opened again.")
        case EventKind.READ_WHILE_CLOSED:
            was = _(words.CLOSINGS[Closing(choice)])
            return _("Read again though closed (%(why)s): the record was opened.") % {"why": was}
        case EventKind.ARRIVED:
            return _("Came from another place.")
        case EventKind.BIRTH:
            return _("Birth: %(outcome)s.") % {"outcome": _(words.BIRTHS[BirthOutcome(choice)])}
        case EventKind.REFERRAL:
            outcome = _(words.REFERRAL_OUTCOMES[ReferralOutcome(choice)])
            return _("Asked after her referral: %(outcome)s.") % {"outcome": outcome}
        case EventKind.TABLETS_GIVEN:
            return _("Tablets given: %(n)s.") % {"n": amount}
        case EventKind.TABLETS_LEFT:
            return _("Tablets counted as left: %(n)s.") % {"n": amount}


def ask_again_on(referral: Referral, rules: FollowUpRules) -> dt.date | None:
    """When to ask after an open referral again, once an outcome was told of it."""
    told = told_of(referral)
    if referral.closed_at is not None or not told:
        return None
    last = told[-1]
    if since := _pressing_since(referral, last):
        return local_day(since[-1].entered_at)
    rule = rule_of(ReferralOutcome(last.choice or ""), Purpose(referral.purpose), rules)
    return last.on + dt.timedelta(days=rule.again_days)


def read_since(referral: Referral) -> bool:
    """Whether something was read that asks for a test after she was last asked."""
    told = told_of(referral)
    return bool(told) and bool(_pressing_since(referral, told[-1]))


def read_another_day(referral: Referral) -> dt.date | None:
    """The day of the value that a referral speaks of, where it was read after it was opened."""
    day = local_day(read_at(referral))
    return day if day > local_day(referral.opened_at) else None


def _pressing_since(referral: Referral, event: Event) -> list[Reading]:
    """Readings that ask for a test or care, entered after the event."""
    return [
        r
        for r in referral.woman.readings
        if r.set_aside_at is None
        and r.entered_at > event.entered_at
        and (r.refusal is not None or r.band in TO_CONFIRM)
    ]


def asked_words(doubtful: DoubtfulError) -> list[str]:
    """What is asked about a value before it is entered."""
    asked = [doubt_words(doubt) for doubt in doubtful.doubts]
    if doubtful.high_g_dl is not None:
        asked.append(
            _(
                "Blood hardly ever holds %(hb)s g/dL. Right figure, right scale? Percent and a "
                "haematocrit look like this."
            )
            % {"hb": texts.number(doubtful.high_g_dl)}
        )
    if doubtful.early is not None:
        asked.append(_early_words(doubtful.early))
    return asked


def _early_words(early: EarlyDate) -> str:
    days = {"day": texts.day(early.on), "first": texts.day(early.first_likely)}
    if early.pregnancy:
        said = _("%(day)s is before this pregnancy, which began about %(first)s by her weeks.")
    else:
        said = _("%(day)s is long before all that is known of her here.")
    year = _("Is the year right?")
    return f"{said % days} {year}"


def doubt_words(doubt: Doubt) -> str:
    """What a laboratory value contradicts, as a question."""
    point = doubt.point
    read = texts.number(point.hb_g_dl)
    if point.low_g_dl is not None and point.high_g_dl is not None:
        read = _("%(hb)s (%(low)s to %(high)s)") % {
            "hb": read,
            "low": low_end(point.low_g_dl),
            "high": high_end(point.high_g_dl),
        }
    values = {
        "source": _(words.SOURCES[Source(point.source)]),
        "day": texts.day(point.day),
        "read": read,
        "lab": texts.number(doubt.lab_g_dl),
    }
    if doubt.is_second:
        return (
            _(
                "A laboratory result of %(day)s is entered already: %(read)s g/dL, and this one is "
                "%(lab)s. Two tests of one day? Right woman, right day, right figure, right unit?"
            )
            % values
        )
    if not doubt.is_newer:
        return (
            _(
                "%(source)s of %(day)s: %(read)s g/dL. The result of %(lab)s is further away than "
                "both errors allow. Right woman, right figure, right unit?"
            )
            % values
        )
    asked = _(
        "These two disagree: the result of %(lab)s g/dL, and %(read)s g/dL of %(day)s "
        "(%(source)s), which is newer. Right woman, right day, right figure, right unit?"
    )
    if point.outcome not in TO_CONFIRM or doubt.lab_g_dl < point.hb_g_dl:
        return asked % values
    open_still = _("Blood drawn before can't answer that reading: its blood test stays open.")
    return f"{asked % values} {open_still}"


def clock_words(reading: Reading) -> str:
    """What must be said of the phone's clock, or "" when it agrees with the server's."""
    if reading.phone_taken_at is None:
        return ""
    if reading.clock_behind_s is None:
        if abs(reading.entered_at - reading.phone_taken_at) <= TOLERATED:
            return ""
        return _(
            "The phone's clock could not be checked: its word is %(phone)s, "
            "it was sent on %(sent)s."
        ) % {
            "phone": texts.moment(reading.phone_taken_at),
            "sent": texts.moment(reading.entered_at),
        }
    behind = dt.timedelta(seconds=reading.clock_behind_s)
    if abs(behind) <= TOLERATED:
        return ""
    how_far = {"far": format_timedelta(abs(behind), locale=texts.current_language.get())}
    if behind > dt.timedelta(0):
        return _("The phone's clock is %(far)s slow. The server's time was taken.") % how_far
    return _("The phone's clock is %(far)s fast. The server's time was taken.") % how_far


def sent_words(detail: dict[str, Any]) -> str:
    """What must be said of a photo that isn't the camera's file as it was, or ""."""
    photo = detail.get("photo") or {}
    if photo.get("video_frame"):
        return _("This photo is one picture of the camera's moving ones, not a still.")
    if "card_part" in photo:
        return _(
            "The link was slow, so the phone sent the card's part of the photo, as it was, and left"
            " out the rest."
        )
    reduced = photo.get("reduced")
    if not reduced:
        return ""
    return _(
        "The link was slow, so the phone sent the photo smaller: %(sent)s pixels of %(original)s."
    ) % {
        "sent": f"{photo['width_px']} x {photo['height_px']}",
        "original": f"{reduced['from_width_px']} x {reduced['from_height_px']}",
    }
