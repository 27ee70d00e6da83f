"""A woman's visits: opened once a day, and the one that a blot belongs to."""

from __future__ import annotations

import datetime as dt

from sqlalchemy.orm import Session

from cardreader.register import audit
from cardreader.register.base import local_day
from cardreader.register.dayvisits import visits_on
from cardreader.register.models import Visit, Woman

PAST_MIDNIGHT = dt.timedelta(hours=3)
"""How long a session may go on past midnight as one of the day before (invented, generous)."""


def open_visit(session: Session, woman: Woman, number: int, on: dt.date, by: str | None) -> Visit:
    """The woman's visit on that day, made if it isn't there.

    She comes once a day: another blot after leaving the page belongs to the same
    visit, whatever number is thought of then.
    """
    if (today := visit_on(woman, on)) is not None:
        return today
    visit = Visit(number=number, on=on, opened_by=by)
    woman.visits.append(visit)
    session.flush()
    audit.append(session, "visit.open", visit.id, by, woman=woman.id, number=number)
    return visit


def visit_of_photo(session: Session, visit: Visit, at: dt.datetime, by: str | None) -> Visit:
    """The visit that a blot photographed at a time belongs to: this one, or that of its day.

    Whoever looks up what was read last month and takes today's photo there means her visit of
    today: taken together, today's blot and last month's would hide what each says alone. What
    a session does past midnight belongs to the day it began on.
    """
    if is_of_day(visit, at):
        return visit
    return open_visit(session, visit.woman, next_number(visit.woman), local_day(at), by)


def is_of_day(visit: Visit, at: dt.datetime) -> bool:
    """Whether a time is of the day of a visit, or of the night after it."""
    return visit.on in (local_day(at), local_day(at - PAST_MIDNIGHT))


def next_number(woman: Woman) -> int:
    """Number of the visit after all of hers."""
    return max((visit.number for visit in woman.visits), default=0) + 1


def visit_on(woman: Woman, day: dt.date) -> Visit | None:
    """Her visit of a day, if there was one; of several, the one that was opened first."""
    return next(iter(visits_on(woman, day)), None)
