"""Entering readings: each once, with the referral that follows from it.

Every entry carries a submission key made by whoever sends it. The same key
again gives back the entry that is there, so a photo sent twice because the
answer got lost is kept once.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy.orm import Session

from cardreader.decide.protocol import Protocol
from cardreader.decide.rule import Decision, Outcome
from cardreader.decide.subject import Smoking, Subject
from cardreader.register import audit
from cardreader.register.ahead import note_ahead
from cardreader.register.base import new_id, utc_now
from cardreader.register.blots import all_blots, blots_of, has_pale_blot, last_blot, last_photo
from cardreader.register.closing import reopen_for
from cardreader.register.doubt import SURE_AGAINST, DoubtfulError, hardly_ever, lab_asked, named
from cardreader.register.history import Measurement, point_of, point_of_photos
from cardreader.register.judging import LEVEL, TO_CONFIRM, judge, value_of
from cardreader.register.kinds import Purpose, Source
from cardreader.register.models import Reading, Visit, Woman
from cardreader.register.paper import paper_at
from cardreader.register.phoneclock import TakenAt
from cardreader.register.referrals import (
    answer_by_result,
    answer_unread,
    keep_alarm,
    refer,
    refer_unread,
)
from cardreader.register.sameday import join_day
from cardreader.register.submissions import KeyReusedError, find_submission
from cardreader.register.tube import SD_G_DL, TubeUnit, tube_hb_g_dl
from cardreader.result.asjson import decision_json

if TYPE_CHECKING:
    from cardreader.hb.distribution import HbDistribution

LAB_LIMITS_G_DL = (1.0, 25.0)
"""Values outside are taken for slips of the pen (invented, generous)."""


@dataclass(frozen=True)
class PhotoFacts:
    """What the register needs to know of a read or refused photo.

    Values in g/dL, None when refused; ``detail`` is the whole reading as JSON.
    """

    sha256: str
    detail: dict[str, Any]
    refusal: str | None = None
    hb_g_dl: float | None = None
    low_g_dl: float | None = None
    high_g_dl: float | None = None
    sd_g_dl: float | None = None
    outcome: Outcome | None = None
    refer: bool = False
    lot_id: str | None = None
    phone: str | None = None


Combine = Callable[[list[dict[str, Any]], Subject, bool], PhotoFacts]
"""Combines the blots of one visit; True tells of another that was refused as pale ones are."""


def subject_of(woman: Woman, day: dt.date, elevation_m: float | None) -> Subject:
    """What the protocol needs to know about a woman on a day."""
    return Subject(
        gestation_weeks=woman.gestation_at(day),
        elevation_m=elevation_m,
        smoking=None if woman.smoking is None else Smoking(woman.smoking),
        pregnant=not woman.has_given_birth(day),
    )


def on_day(day: dt.date, today: dt.date) -> dt.datetime:
    """A time on a day: now if it is today, else the end of that day.

    The end, so that a result of the day a referral was opened counts as after it.
    """
    if day == today:
        return utc_now()
    return dt.datetime.combine(day, dt.time(23, 59)).astimezone()


def record_photo(
    session: Session,
    visit: Visit,
    key: str,
    facts: PhotoFacts,
    taken: TakenAt,
    by: str | None,
    combine: Combine,
    subject: Subject,
    photo_file: str | None = None,
    same_blot: bool = False,
) -> Reading:
    """Keep a photo's reading, recombine the visit, open a referral if it asks for one.

    A photo that could not be read asks for a blood test. A closed record is opened again.

    ``same_blot``: the blot of the photo before, photographed again, and ``facts`` are those
    of both photos where they could be read as one; this reading then stands for the blot,
    since two photos of one blot are not two blots.
    """
    if (earlier := _earlier(session, key, sha256=facts.sha256)) is not None:
        return earlier
    again = last_photo(visit) if same_blot else None
    reading_id = new_id()
    reading = Reading(
        id=reading_id,
        submission_key=key,
        woman=visit.woman,
        visit=visit,
        source=Source.PHOTO.value,
        taken_at=taken.at,
        phone_taken_at=taken.phone_at,
        clock_behind_s=taken.behind_s,
        hb_g_dl=facts.hb_g_dl,
        low_g_dl=facts.low_g_dl,
        high_g_dl=facts.high_g_dl,
        sd_g_dl=facts.sd_g_dl,
        band=None if facts.outcome is None else facts.outcome.value,
        refusal=facts.refusal,
        lot_id=facts.lot_id,
        phone=facts.phone,
        blot=last_blot(visit) + 1 if again is None else again.blot,
        blot_id=reading_id if again is None else again.blot_id,
        paper=(facts.detail.get("paper") or {}).get("batch") or paper_at(session, taken.at),
        photo_sha256=facts.sha256,
        photo_file=photo_file,
        detail={**facts.detail, **note_ahead(visit.woman, utc_now())},
        entered_by=by,
        entered_at=utc_now(),
    )
    session.add(reading)
    session.flush()
    audit.append(session, "reading.photo", reading.id, by, sha256=facts.sha256)
    reopen_for(session, reading, by)
    combine_visit(session, visit, combine, subject, by)
    if facts.refusal is not None:
        refer_unread(session, reading, by)
    keep_alarm(session, visit.woman, by)
    return reading


def combine_visit(
    session: Session, visit: Visit, combine: Combine, subject: Subject, by: str | None
) -> None:
    """Make the visit's result anew from all its photos that could be read.

    And that of the day, where another register entered a visit of the same day.
    """
    details = [r.detail for r in blots_of(visit) if r.detail is not None]
    if details:
        facts = combine(details, subject, has_pale_blot(visit))
        visit.hb_g_dl, visit.sd_g_dl = facts.hb_g_dl, facts.sd_g_dl
        visit.low_g_dl, visit.high_g_dl = facts.low_g_dl, facts.high_g_dl
        visit.band = None if facts.outcome is None else facts.outcome.value
        visit.result = facts.detail
    else:
        visit.hb_g_dl = visit.low_g_dl = visit.high_g_dl = visit.sd_g_dl = None
        visit.band = visit.result = None
    join_day(session, visit.woman, visit.on, combine, subject, by)
    point = point_of_visit(visit)
    if point is None:
        return
    if point.outcome in TO_CONFIRM:
        refer(session, visit.woman, point, point.urgent, by)
    else:
        answer_unread(session, visit.woman, point.at, by)


def point_of_visit(visit: Visit) -> Measurement | None:
    """What a visit's blots came to, with those of visits that are one with it; None for nothing."""
    return point_of_photos(visit, all_blots(visit))


def record_tube(
    session: Session,
    woman: Woman,
    key: str,
    value: float,
    unit: TubeUnit,
    taken_at: dt.datetime,
    by: str | None,
    protocol: Protocol,
    subject: Subject,
    visit: Visit | None = None,
    sure: bool = False,
) -> Reading:
    """Enter an acid-haematin tube reading: a screening value like a photo's.

    DoubtfulError for one that is hardly ever so high, unless ``sure``.
    """
    if (earlier := _earlier(session, key, value=value, unit=unit.value)) is not None:
        return earlier
    hb_g_dl = tube_hb_g_dl(value, unit)
    if not sure and (high := hardly_ever(hb_g_dl)) is not None:
        raise DoubtfulError((), high)
    normal = value_of(hb_g_dl, SD_G_DL)
    decision = judge(normal, protocol, subject)
    given = {
        **{"value": value, "unit": unit, **note_ahead(woman, utc_now())},
        **_judged_by(protocol, subject),
    }
    reading = _value_reading(woman, key, Source.TUBE, normal, decision, taken_at, by, given)
    reading.visit = visit
    reading.method = "acid haematin tube"
    session.add(reading)
    session.flush()
    audit.append(session, "reading.tube", reading.id, by)
    reopen_for(session, reading, by)
    if decision.outcome in TO_CONFIRM:
        refer(session, woman, point_of(reading), decision.refer, by)
    else:
        answer_unread(session, woman, taken_at, by)
    keep_alarm(session, woman, by)
    return reading


def record_lab(
    session: Session,
    woman: Woman,
    key: str,
    hb_g_dl: float,
    method: str,
    place: str,
    taken_at: dt.datetime,
    by: str | None,
    protocol: Protocol,
    subject: Subject,
    sure: bool = False,
) -> Reading:
    """Enter a laboratory result. It closes the referrals opened up to then.

    DoubtfulError for one that is asked about first (`lab_asked`), unless ``sure``. A severe one
    opens a referral for care and puts her on the severe list.
    """
    low, high = LAB_LIMITS_G_DL
    if not low <= hb_g_dl <= high:
        raise ValueError(f"a laboratory result lies within {low:g} to {high:g} g/dL")
    if (earlier := _earlier(session, key, value=hb_g_dl)) is not None:
        return earlier
    asked = lab_asked(woman, hb_g_dl, taken_at, protocol.follow_up)
    if asked is not None and not sure:
        raise asked
    normal = value_of(hb_g_dl, 0.0)
    decision = judge(normal, protocol, subject)
    given: dict[str, Any] = {"value": hb_g_dl, **_judged_by(protocol, subject)}
    if decision.outcome in TO_CONFIRM:
        # One that lifts something is believed no further than its day reaches.
        given |= note_ahead(woman, utc_now())
    reading = _value_reading(woman, key, Source.LAB, normal, decision, taken_at, by, given)
    if asked is not None and asked.doubts:
        reading.detail = {**(reading.detail or {}), SURE_AGAINST: named(woman, asked.doubts)}
    reading.low_g_dl = reading.high_g_dl = None
    reading.method, reading.place = method, place
    session.add(reading)
    session.flush()
    sure_of = {} if asked is None else {"asked": True}
    audit.append(session, "reading.lab", reading.id, by, **sure_of)
    reopen_for(session, reading, by)
    answer_by_result(session, reading, by)
    if decision.outcome is Outcome.SEVERE:
        refer(session, woman, point_of(reading), True, by, Purpose.CARE)
    return reading


def _judged_by(protocol: Protocol, subject: Subject) -> dict[str, Any]:
    """As a photo's JSON has it: registers that take it in may go by another protocol."""
    return {
        "protocol": {"id": protocol.id, "sha256": protocol.sha256},
        "subject": {"elevation_m": subject.elevation_m},
    }


def _earlier(session: Session, key: str, **same: Any) -> Reading | None:
    reading = find_submission(session, key)
    if reading is None:
        return None
    found = {**(reading.detail or {}), "sha256": reading.photo_sha256}
    if any(found.get(name) != value for name, value in same.items()):
        raise KeyReusedError("this submission key was used for something else")
    return reading


def _value_reading(
    woman: Woman,
    key: str,
    source: Source,
    value: HbDistribution,
    decision: Decision,
    taken_at: dt.datetime,
    by: str | None,
    detail: dict[str, Any],
) -> Reading:
    low, high = value.interval(LEVEL)
    return Reading(
        submission_key=key,
        woman=woman,
        source=source.value,
        taken_at=taken_at,
        hb_g_dl=value.hb_g_dl,
        low_g_dl=max(0.0, float(low)),
        high_g_dl=float(high),
        sd_g_dl=float(value.sd),
        band=decision.outcome.value,
        detail={**detail, "decision": decision_json(decision)},
        entered_by=by,
        entered_at=utc_now(),
    )
