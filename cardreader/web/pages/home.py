"""The first page: find or add the woman, and what is waiting."""

from __future__ import annotations

import datetime as dt

from fastapi import APIRouter, Request
from starlette.responses import Response

from cardreader.core.written import ascii_digits
from cardreader.register.ahead import reading_ahead
from cardreader.register.base import utc_now
from cardreader.register.daydoubt import days_too_high
from cardreader.register.dayshift import day_shift
from cardreader.register.history import Measurement, as_referred, standing
from cardreader.register.kinds import Role
from cardreader.register.knownby import village_of
from cardreader.register.lists import ListName
from cardreader.register.models import Woman
from cardreader.register.openreferrals import open_referrals
from cardreader.register.rowcheck import EARLIEST, LATEST
from cardreader.register.search import search_women
from cardreader.register.shownlists import counts_today, days_in_doubt
from cardreader.register.summary import visits_seen
from cardreader.register.women import find_woman
from cardreader.web.access import Anyone, Carer
from cardreader.web.calibrationwords import in_use_words
from cardreader.web.dayshiftwords import day_off
from cardreader.web.pages.backup import days_since_backup
from cardreader.web.render import go, page
from cardreader.web.state import State
from cardreader.web.texts import gettext as _
from cardreader.web.words import TITLES, outcome_words, said_first

router = APIRouter(include_in_schema=False)

MOST_DAYS = 3
"""Days in doubt told on the page, the newest: all women are on the list of tests that are due."""


@router.get("/")
def first(request: Request, visitor: Anyone) -> Response:
    """Today's start."""
    if visitor.role is Role.RESEARCHER:
        return go("/exchange")
    state: State = request.app.state.shared
    today = state.today()
    state.catch_up()
    with state.database.read() as session:
        too_high = days_too_high(session, today)
        counts = counts_today(session, state.rules, today, too_high)
        calibration = in_use_words(session)
        ahead = reading_ahead(session, utc_now())
        put_back = state.put_backs.lately(session, utc_now())
        theirs = visitor.role is Role.SUPERVISOR
        undecided = state.undecided.count(session) if theirs else 0
        shift = day_shift(session, today)
        in_doubt = days_in_doubt(session, state.rules, too_high)
        seen = visits_seen(session, today, today + dt.timedelta(days=1))
    waiting = [(name, TITLES[name], counts[name]) for name in ListName]
    return page(
        request,
        "home.html",
        waiting=waiting,
        seen=seen,
        undecided=undecided,
        calibration=calibration,
        lots_changed=state.reader.lots_changed if visitor.role is Role.SUPERVISOR else (),
        lots_problem=state.reader.lots_problem if visitor.role is Role.SUPERVISOR else "",
        ahead=ahead,
        put_back=put_back,
        off=day_off(shift),
        in_doubt=[(day_off(one), one.on, women) for one, women in in_doubt[:MOST_DAYS]],
        now=utc_now(),
        today=today,
        backup_is_theirs=visitor.role is Role.SUPERVISOR,
        days=days_since_backup(state) if visitor.role is Role.SUPERVISOR else None,
    )


def _found(woman: Woman) -> tuple[Woman, Measurement | None, bool]:
    """A woman, the value that is shown of her, and whether its words are."""
    stands = standing(as_referred(woman))
    told = said_first(stands, bool(open_referrals(woman)))
    return woman, told or stands.latest, told is not None


@router.get("/women")
def find(request: Request, visitor: Carer, find: str = "", on: str = "") -> Response:
    """Search by part of the code and by day; an exact code opens her page at once."""
    state: State = request.app.state.shared
    problems = {}
    day = None
    if on:
        try:
            day = dt.date.fromisoformat(ascii_digits(on))
            if not EARLIEST.date() <= day < LATEST.date():
                raise ValueError
        except ValueError:
            day = None
            problems["on"] = _("A date as 2026-11-30.")
    with state.database.read() as session:
        exact = find_woman(session, find) if find and not on else None
        if exact is not None:
            return go(f"/women/{exact.id}")
        found = search_women(session, find, day)
        rows = [_found(woman) for woman in found.women]
        return page(
            request,
            "find.html",
            422 if problems else 200,
            problems=problems,
            rows=rows,
            found=found,
            find=find[:60],
            on=on[:10],
            village_of=village_of,
            said=outcome_words,
        )
