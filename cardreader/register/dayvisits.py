"""Visits of one woman and day that are one: shown, counted and combined as such. No database here.

She comes once a day, so visits that two registers entered are one visit, seen twice. Their
rows stay as each register wrote them; `JoinedVisit` tells which are one, and what their
blots come to together. All that looks at visits asks here.
"""

from __future__ import annotations

import datetime as dt

from cardreader.register.models import JoinedVisit, Visit, Woman


def opened_first(visit: Visit) -> tuple[dt.datetime, str]:
    """To sort by: the same at every register."""
    return visit.opened_at, visit.id


def visits_on(woman: Woman, day: dt.date) -> list[Visit]:
    """Her visits of a day, the first opened first."""
    return sorted((visit for visit in woman.visits if visit.on == day), key=opened_first)


def lead_of(visit: Visit) -> Visit:
    """The visit that a visit is shown as, mostly itself."""
    if visit.joined is None or visit.joined.lead_id == visit.id:
        return visit
    lead_id = visit.joined.lead_id
    return next((one for one in visit.woman.visits if one.id == lead_id), visit)


def is_shown(visit: Visit) -> bool:
    """Whether a visit isn't shown as another."""
    return lead_of(visit) is visit


def members(visit: Visit) -> list[Visit]:
    """All visits that are one with this, itself among them, the first opened first."""
    lead = lead_of(visit)
    if lead.joined is None:
        return [lead]
    ones = (one for one in lead.woman.visits if lead_of(one) is lead)
    return sorted(ones, key=opened_first)


def result_of(visit: Visit) -> Visit | JoinedVisit:
    """What holds the result of all blots of a visit: its own row, or that of the joined."""
    lead = lead_of(visit)
    return lead.joined or lead
