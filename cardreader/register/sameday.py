"""Making one of the visits that registers entered for one woman on one day.

What is joined follows from her record alone, and is worked out anew whenever that
changes: when registers are brought together, when a photo is entered or set aside, and
when two records are joined or parted. So nothing is handed over, nothing has to be
merged, and no order of merges matters.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Sequence
from typing import TYPE_CHECKING

from sqlalchemy import delete, insert
from sqlalchemy.orm import Session

from cardreader.decide.rule import Outcome
from cardreader.decide.subject import Subject
from cardreader.register import audit
from cardreader.register.base import utc_now
from cardreader.register.blots import blots_of, entered_first, has_pale_blot
from cardreader.register.changedwomen import note_changed
from cardreader.register.dayvisits import visits_on
from cardreader.register.history import may_be_severe
from cardreader.register.models import JoinedVisit, Visit, Woman
from cardreader.register.samephoto import picture_of

if TYPE_CHECKING:
    from cardreader.register.recording import Combine, PhotoFacts


def join_day(
    session: Session,
    woman: Woman,
    on: dt.date,
    combine: Combine | None,
    subject: Subject | None,
    by: str | None,
) -> bool:
    """Make a woman's visits of a day one, or leave them apart; whether anything changed.

    They stay apart where their blots taken together could hide what some say alone: that
    she is, or may be, severely anaemic. So they do, too, where ``combine`` is None and they
    are no more what they were joined from; whoever can combine joins them later.
    """
    visits = visits_on(woman, on)
    before = {v.id: v.joined.lead_id for v in visits if v.joined is not None}
    made_of = _made_of(visits)
    if len(visits) < 2 and not before:
        return False
    if len(visits) > 1 and all(v.joined and v.joined.made_of == made_of for v in visits):
        return False
    rows: list[dict[str, object]] = []
    if len(visits) > 1 and combine is not None and subject is not None:
        rows = _joined(visits, made_of, combine, subject)
    if not rows and not before:
        return False
    session.flush()
    session.execute(delete(JoinedVisit).where(JoinedVisit.visit_id.in_([v.id for v in visits])))
    if rows:
        session.execute(insert(JoinedVisit), rows)
    for visit in visits:
        session.expire(visit, ["joined"])
    note_changed(session, {woman.id})
    _tell(session, visits, before, bool(rows), by)
    return True


def _joined(
    visits: Sequence[Visit], made_of: str, combine: Combine, subject: Subject
) -> list[dict[str, object]]:
    """The rows that make them one; none where they stay apart."""
    found = {picture_of(r): r for visit in visits for r in blots_of(visit)}
    blots = sorted(found.values(), key=entered_first)
    details = [r.detail for r in blots if r.detail is not None]
    facts = None
    if details:
        facts = combine(details, subject, any(map(has_pale_blot, visits)))
        if _severity_of(facts) < max(map(_severity, visits)):
            return []
    now = utc_now()
    plain = {"lead_id": visits[0].id, "on": visits[0].on, "made_of": made_of, "joined_at": now}
    result = {name: getattr(facts, name, None) for name in _VALUES}
    result["band"] = facts.outcome.value if facts and facts.outcome else None
    result["result"] = facts.detail if facts else None
    nothing = dict.fromkeys(result)
    return [
        {"visit_id": visit.id, **plain, **(result if visit is visits[0] else nothing)}
        for visit in visits
    ]


_VALUES = ("hb_g_dl", "low_g_dl", "high_g_dl", "sd_g_dl")


def is_alarming(visit: Visit) -> bool:
    """Whether a visit alone says severe, or that it may be."""
    return _severity(visit) > 0


def _severity(visit: Visit) -> int:
    return _rank(visit.band, (visit.result or {}).get("decision"))


def _severity_of(facts: PhotoFacts) -> int:
    return _rank(facts.outcome, facts.detail.get("decision"))


def _rank(outcome: str | None, decision: dict[str, object] | None) -> int:
    if outcome == Outcome.SEVERE:
        return 2
    return int(may_be_severe(decision))


def _made_of(visits: Sequence[Visit]) -> str:
    """The same wherever the same visits hold the same blots, and came to the same alone."""
    parts = [
        (visit.id, visit.band, has_pale_blot(visit), sorted(r.id for r in blots_of(visit)))
        for visit in visits
    ]
    return hashlib.sha256(repr(parts).encode()).hexdigest()


def _tell(
    session: Session, visits: Sequence[Visit], before: dict[str, str], joined: bool, by: str | None
) -> None:
    """Leave in the trail who was joined and parted; that a result was made anew is no news."""
    now = {visit.id: visits[0].id for visit in visits} if joined else {}
    if now == before:
        return
    lead = visits[0].id if joined else next(iter(before.values()))
    others = sorted(({*now} or {*before}) - {lead})
    audit.append(session, "visit.join" if joined else "visit.part", lead, by, other=others)
