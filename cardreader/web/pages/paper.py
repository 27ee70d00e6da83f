"""Paper and the way back from it: today's list, the blank form, typing it in, the letter."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from fastapi import APIRouter, Request
from sqlalchemy.orm import Session
from starlette.responses import Response

from cardreader.register import audit
from cardreader.register.base import new_id
from cardreader.register.closing import BeforeBirthError, seen_here
from cardreader.register.doubt import DoubtfulError
from cardreader.register.entrylimits import HIGHEST_VISIT
from cardreader.register.events import standing_events
from cardreader.register.kinds import EventKind
from cardreader.register.lists import row_of
from cardreader.register.mendedweeks import mend_weeks
from cardreader.register.models import Woman
from cardreader.register.recording import on_day
from cardreader.register.referrals import send_for_test
from cardreader.register.shownlists import on_any_list
from cardreader.register.submissions import KeyReusedError
from cardreader.register.tablets import MOST_TABLETS, count_tablets, give_tablets
from cardreader.register.tube import LIMITS, TubeUnit
from cardreader.register.visits import next_number, open_visit
from cardreader.register.women import GESTATION_WEEKS, add_woman, find_woman, written_alike
from cardreader.web import words
from cardreader.web.access import Carer, Form
from cardreader.web.fields import Fields
from cardreader.web.happened import asked_words
from cardreader.web.pages.herpage import find_her
from cardreader.web.render import page
from cardreader.web.state import State
from cardreader.web.texts import gettext as _
from cardreader.web.values import enter_tube

router = APIRouter(include_in_schema=False)
MOST_ON_PAPER = 500
"""Women on today's list: more pages are not carried about."""


@router.get("/paper/today.pdf")
def today(request: Request, visitor: Carer) -> Response:
    """Whoever is on a list today."""
    from cardreader.web.daypapers import PRESSING, today_list  # pages are up before what prints

    state: State = request.app.state.shared
    state.catch_up()
    with state.database.read() as session:
        part = on_any_list(session, state.rules, PRESSING, state.today(), MOST_ON_PAPER)
        pdf = today_list(part, state.settings.place, state.today())
    with state.database.write() as session:
        audit.append(session, "list.print", "today", visitor.account_id)
    return _pdf(pdf, f"list-{state.today():%Y-%m-%d}.pdf")


@router.get("/paper/form.pdf")
def form_on_paper(request: Request, visitor: Carer) -> Response:
    """The blank form."""
    from cardreader.web.daypapers import blank_form

    return _pdf(blank_form(request.app.state.settings.place), "form.pdf")


@router.get("/women/{woman_id}/transfer.pdf")
def letter(request: Request, visitor: Carer, woman_id: str) -> Response:
    """The letter that goes with her to another place."""
    from cardreader.web.daypapers import transfer_letter

    state: State = request.app.state.shared
    with state.database.read() as session:
        woman = find_her(session, woman_id)
        closed = standing_events(woman, EventKind.CLOSED)
        to = (closed[-1].words or "") if closed and woman.closed_on is not None else ""
        row = row_of(woman, state.rules)
        pdf = transfer_letter(row, to, state.settings.place, state.today(), state.rules)
        name = f"transfer-{woman.code.replace('/', '-')}.pdf"
    with state.database.write() as session:
        audit.append(session, "letter.print", woman_id, visitor.account_id)
    return _pdf(pdf, name)


@router.get("/paper/enter")
def enter_form(request: Request, visitor: Carer) -> Response:
    """One line of the form after the other."""
    return _enter_page(request, {})


@router.post("/paper/enter")
def enter(request: Request, visitor: Carer, form: Form) -> Response:
    """Enter one line of a form that was filled in on paper."""
    state: State = request.app.state.shared
    fields = Fields(form)
    key, code = fields.key(), fields.code("code")
    on = fields.day("on", state.today())
    number = fields.whole("number", 1, HIGHEST_VISIT, needed=False)
    weeks = fields.whole("gestation_weeks", *GESTATION_WEEKS, needed=False)
    unit = fields.choice("unit", TubeUnit) if fields.raw("unit") else TubeUnit.G_DL
    value = fields.decimal("value", *LIMITS[unit]) if fields.raw("value") else None
    left = fields.whole("tablets_left", 0, MOST_TABLETS, needed=False)
    given = fields.whole("tablets_given", 1, MOST_TABLETS, needed=False)
    sent, sure = fields.raw("sent"), fields.raw("sure") == "yes"
    if fields.problems:
        return _enter_page(request, fields.values, fields.problems)
    by, asked = visitor.account_id, list[str]()
    with state.database.write() as session:
        known = find_woman(session, code)
        if known is None and fields.raw("another") != code:
            alike = written_alike(session, code)
            if alike is not None:
                fields.problems["code"] = _(
                    "The register has %(code)s, which is written almost alike. Mend the code if it "
                    "is hers. Is it another woman? Press Enter again."
                ) % {"code": alike.code}
                return _enter_page(request, fields.values, fields.problems, another=code)
        woman = known or add_woman(session, code, weeks, on, by)
        if weeks is not None and weeks != woman.gestation_at(on):
            try:
                mend_weeks(
                    *(session, woman, weeks, on, by),
                    *(state.reader.rules, state.settings.elevation_m),
                )
            except BeforeBirthError:
                fields.problems["gestation_weeks"] = _(words.BEFORE_BIRTH)
                return _enter_page(request, fields.values, fields.problems)
        visit = open_visit(session, woman, number or min(next_number(woman), HIGHEST_VISIT), on, by)
        if value is not None:
            try:
                enter_tube(state, session, woman, key, value, unit, by, on, visit, sure)
            except KeyReusedError:
                fields.problems["submission_key"] = _("This page is out of date. Load it again.")
            except DoubtfulError as doubtful:
                fields.problems["sure"] = _("Look at the paper once more.")
                asked = asked_words(doubtful)
            if fields.problems:
                session.rollback()
                return _enter_page(request, fields.values, fields.problems, asked=asked)
        _tablets(session, woman, left, given, on, by)
        seen_here(session, woman, on, sent in ("yes", "now"), by)
        if sent in ("yes", "now"):
            at = on_day(on, state.today())
            send_for_test(session, woman, at, sent == "now", by)
        entered = (woman.id, woman.code, known is None)
    return _enter_page(request, {"on": on.isoformat()}, entered=entered)


def _tablets(
    session: Session, woman: Woman, left: int | None, given: int | None, on: dt.date, by: str
) -> None:
    if left is not None:
        count_tablets(session, woman, left, on, by)
    if given is not None:
        give_tablets(session, woman, given, on, by)


def _enter_page(
    request: Request,
    values: dict[str, str],
    problems: dict[str, str] | None = None,
    entered: tuple[str, str, bool] | None = None,
    asked: Sequence[str] = (),
    another: str = "",
) -> Response:
    state: State = request.app.state.shared
    return page(
        request,
        "paper.html",
        422 if problems else 200,
        values=values,
        problems=problems or {},
        entered=entered,
        asked=asked,
        another=another,
        today=state.today(),
        submission_key=new_id(),
        TubeUnit=TubeUnit,
    )


def _pdf(data: bytes, name: str) -> Response:
    return Response(
        data,
        media_type="application/pdf",
        headers={"Content-Disposition": f'inline; filename="{name}"'},
    )
