"""Kept readings judged again by the calibration that came into use.

No reading is changed. Where another decision would have been taken, the visit is noted,
and the woman stands on a list until somebody has seen to it, or she has been read again.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable
from typing import Any, Protocol

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from cardreader.decide.rule import Outcome
from cardreader.decide.subject import Subject
from cardreader.register import audit
from cardreader.register.base import local_day, utc_now
from cardreader.register.blots import newest_photos
from cardreader.register.calibrations import in_use
from cardreader.register.changedwomen import note_changed
from cardreader.register.database import Database
from cardreader.register.dayvisits import is_shown, lead_of, members, result_of
from cardreader.register.history import may_be_severe, measurements
from cardreader.register.models import CalibrationUse, JudgedAgain, Reading, Visit, Woman
from cardreader.register.parts import in_parts
from cardreader.register.recording import PhotoFacts, subject_of

AT_ONCE = 40
"""Women whose visits are judged in one transaction: others may write in between."""


class Judge(Protocol):
    """What judges kept photos again."""

    def judge_again(self, details: list[dict[str, Any]], subject: Subject) -> PhotoFacts | None:
        """Result of a visit's blots by the calibration at hand; None where none was measured."""


def judge_all_again(
    database: Database, use_id: str, judge: Judge, elevation_m: float | None
) -> int:
    """Judge every visit's kept photos again; returns how many ask for another decision.

    Ends early when yet another calibration has come into use. May be begun again after it
    was interrupted.
    """
    with database.read() as session:
        ids = list(session.scalars(select(Woman.id).order_by(Woman.id)))
    found = 0
    for start in range(0, len(ids), AT_ONCE):
        with database.write() as session:
            if not _still_in_use(session, use_id):
                return found
            for woman in _women(session, ids[start : start + AT_ONCE]):
                found += _judge_woman(session, woman, use_id, judge, elevation_m)
    with database.write() as session:
        if _still_in_use(session, use_id):
            use = session.get_one(CalibrationUse, use_id)
            use.judged_at = utc_now()
            audit.append(session, "calibration.judged", use_id, use.put_by, differ=found)
    return found


def not_judged_yet(session: Session) -> dt.datetime | None:
    """Note that something came in that the calibration in use has not judged.

    Returns when all had been; None where nothing is to be judged, or it isn't done yet. Who is
    stopped meanwhile has all judged at the next start.
    """
    use = in_use(session)
    if use is None:
        return None
    was, use.judged_at = use.judged_at, None
    return was


def forget_judged(session: Session, readings: Collection[str]) -> str | None:
    """Have what the calibration in use said of the visits of these readings judged anew.

    Returns the id of its use, for `judge_all_again`; None where none was ever put into use.
    """
    use = in_use(session)
    if use is None or not readings:
        return None
    use.judged_at = None
    women = set()
    for some in in_parts(readings):
        for reading in session.scalars(select(Reading).where(Reading.id.in_(some))):
            women.add(reading.woman_id)
            for visit in () if reading.visit is None else members(lead_of(reading.visit)):
                visit.judged_again[:] = [o for o in visit.judged_again if o.use_id != use.id]
    session.flush()
    note_changed(session, women)
    return use.id


def judge_taken_in(
    database: Database,
    readings: Collection[str],
    was: dt.datetime | None,
    judge: Judge,
    elevation_m: float | None,
) -> None:
    """Judge what came in from another register, as if it had been here when this calibration
    came into use. Nothing where none ever did. ``was``: of `not_judged_yet`."""
    with database.read() as session:
        if (use := in_use(session)) is None:
            return
        query = select(Reading.woman_id).distinct()
        found = {
            one
            for some in in_parts(readings)
            for one in session.scalars(query.where(Reading.id.in_(some)))
        }
    ids = sorted(found)
    for start in range(0, len(ids), AT_ONCE):
        with database.write() as session:
            if not _still_in_use(session, use.id):
                return
            for woman in _women(session, ids[start : start + AT_ONCE]):
                _judge_woman(session, woman, use.id, judge, elevation_m, readings)
    if was is not None:
        with database.write() as session:
            if _still_in_use(session, use.id):
                session.get_one(CalibrationUse, use.id).judged_at = was


def _women(session: Session, ids: Collection[str]) -> Iterable[Woman]:
    visits = selectinload(Woman.visits)
    both = (visits.selectinload(Visit.readings), visits.selectinload(Visit.judged_again))
    return session.scalars(select(Woman).where(Woman.id.in_(ids)).options(*both))


def _still_in_use(session: Session, use_id: str) -> bool:
    now = in_use(session)
    return now is not None and now.id == use_id


def _judge_woman(
    session: Session,
    woman: Woman,
    use_id: str,
    judge: Judge,
    elevation_m: float | None,
    only: Collection[str] | None = None,
) -> int:
    """``only``: visits with some of these readings alone."""
    found = 0
    for visit in filter(is_shown, woman.visits):
        if only is not None and not any(r.id in only for v in members(visit) for r in v.readings):
            continue
        blots = _newest_of_blots(visit)
        details = [_on_its_paper(r, r.detail) for r in blots if r.detail is not None]
        judged = (one for part in members(visit) for one in part.judged_again)
        if not details or any(one.use_id == use_id for one in judged):
            continue
        subject = subject_of(woman, local_day(_taken_at(visit)), elevation_m)
        facts = judge.judge_again(details, subject)
        if facts is None or not _differs(visit, facts):
            continue
        found += 1
        visit.judged_again.append(
            JudgedAgain(
                use_id=use_id,
                at=utc_now(),
                was=_outcome(visit).value,
                outcome=(facts.outcome or Outcome.NOT_READ).value,
                may_be_severe=may_be_severe(facts.detail.get("decision")),
                hb_g_dl=facts.hb_g_dl,
                low_g_dl=facts.low_g_dl,
                high_g_dl=facts.high_g_dl,
            )
        )
    session.flush()
    return found


def _on_its_paper(reading: Reading, detail: dict[str, Any]) -> dict[str, Any]:
    """What was kept of a photo, on the batch of paper that it is known by now to have been on."""
    told = (detail.get("paper") or {}).get("batch")
    if reading.paper is None or reading.paper == told:
        return detail
    return {**detail, "paper": {"batch": reading.paper}}


def _newest_of_blots(visit: Visit) -> list[Reading]:
    """The newest photo of each blot, read or not; the very same file counts once."""
    photos = (r for one in members(visit) for r in newest_photos(one))
    return list({r.photo_sha256: r for r in photos}.values())


def _taken_at(visit: Visit) -> Any:
    return max(r.taken_at for r in _newest_of_blots(visit))


def _outcome(visit: Visit) -> Outcome:
    band = result_of(visit).band
    return Outcome(band) if band else Outcome.NOT_READ


def _differs(visit: Visit, facts: PhotoFacts) -> bool:
    """Whether something else would be done: another outcome, or severe to be thought of."""
    before = (result_of(visit).result or {}).get("decision")
    return _outcome(visit) is not (facts.outcome or Outcome.NOT_READ) or may_be_severe(
        before
    ) is not may_be_severe(facts.detail.get("decision"))


def open_again(woman: Woman) -> JudgedAgain | None:
    """What still asks for another look at her: of her newest visit, not seen to, and nothing
    read or measured since."""
    every = (one for visit in woman.visits for one in visit.judged_again)
    open_ = [one for one in every if one.settled_at is None]
    if not open_:
        return None
    last = max(open_, key=lambda one: (one.visit.on, one.visit.opened_at))
    taken = _taken_at(last.visit)
    shown = lead_of(last.visit).id
    later = any(p.at > taken and p.visit_id != shown for p in measurements(woman))
    return None if later else last


_PRESSING = (Outcome.SEVERE, Outcome.ANAEMIC, Outcome.UNCERTAIN, Outcome.NOT_READ)


def pressing(again: JudgedAgain) -> tuple[int, float]:
    """To sort by: what may be severe first, then by value; what is clear now last."""
    outcome = Outcome(again.outcome)
    rank = _PRESSING.index(outcome) if outcome in _PRESSING else len(_PRESSING)
    return (0 if again.may_be_severe else rank, again.hb_g_dl or 0.0)


def settle(session: Session, again: JudgedAgain, why: str, by: str | None) -> None:
    """Note that somebody has seen to it."""
    again.settled_at, again.settled_by, again.settled_why = utc_now(), by, why
    session.flush()
    audit.append(session, "judged_again.settle", again.id, by)
