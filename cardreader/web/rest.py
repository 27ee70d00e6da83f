"""What a server has beyond what can be asked for before a sign-in.

A module of its own, so that a start which shows a page of those first waits for nothing else.
"""

from __future__ import annotations

from cardreader.register.keptlists import keep_lists
from cardreader.register.merge.days import join_all
from cardreader.register.merge.joining import show_all_anew
from cardreader.register.openreferrals import by_hand, rests_on_mistakes, unanswering
from cardreader.terminal.progress import Progress
from cardreader.web import api, meeting
from cardreader.web.happened import read_another_day
from cardreader.web.pages import (
    backup,
    calibration,
    conflicts,
    exchange,
    following,
    home,
    knownby,
    lists,
    paper,
    people,
    readings,
    registers,
    summary,
    values,
    visits,
    women,
)
from cardreader.web.render import environment
from cardreader.web.state import State
from cardreader.web.upkeep import tidy

_ROUTERS = (
    home.router,
    women.router,
    values.router,
    knownby.router,
    following.router,
    paper.router,
    visits.router,
    readings.router,
    lists.router,
    summary.router,
    exchange.router,
    people.router,
    backup.router,
    calibration.router,
    conflicts.router,
    registers.router,
    meeting.router,
    *api.ROUTERS,
)
# Not included: the framework works out every route anew wherever it is, which takes longer than
# all else about another application.
ROUTES = [route for router in _ROUTERS for route in router.routes]

# What these pages ask of a referral, which no page before a sign-in does.
environment().globals.update(
    by_hand=by_hand,
    read_another_day=read_another_day,
    rests_on_mistakes=rests_on_mistakes,
    unanswering=unanswering,
)


def bring_up_to_date(state: State, progress: Progress | None) -> None:
    """Make what pages show hold for this version and these rules, and take up what was begun."""
    keep_lists(state.database, state.rules, progress)
    show_all_anew(state.database, state.judge)
    join_all(state.database, state.judge, progress)
    tidy(state)
    state.workshop.resume()
