"""Adding and deleting a woman, opening a visit; tube and laboratory entries."""

from __future__ import annotations

from collections.abc import Sequence

from fastapi import APIRouter, Request
from starlette.responses import Response

from cardreader.decide.rule import Outcome
from cardreader.decide.subject import Smoking
from cardreader.register.doubt import DoubtfulError
from cardreader.register.events import note
from cardreader.register.knownby import set_village
from cardreader.register.models import EventKind, Regimen, Source, Woman, new_id
from cardreader.register.recording import LAB_LIMITS_G_DL, open_visit
from cardreader.register.referrals import open_referrals
from cardreader.register.removal import remove_woman
from cardreader.register.tube import LIMITS, SD_G_DL, WAIT_S, TubeUnit
from cardreader.register.women import (
    GESTATION_WEEKS,
    add_woman,
    find_woman,
    set_gestation,
    start_treatment,
)
from cardreader.web import words
from cardreader.web.access import Carer, Form, Supervisor
from cardreader.web.fields import Fields
from cardreader.web.happened import doubt_words
from cardreader.web.pages.herpage import find_her, woman_page
from cardreader.web.pages.knownby import LONGEST_VILLAGE
from cardreader.web.render import go, page
from cardreader.web.state import State
from cardreader.web.steps import TUBE_AFTER, TUBE_BEFORE, WASTE
from cardreader.web.texts import gettext as _
from cardreader.web.values import HIGHEST_VISIT, enter_lab, enter_tube

router = APIRouter(include_in_schema=False, prefix="/women")


@router.get("/new")
def new(request: Request, visitor: Carer, code: str = "") -> Response:
    """The form for adding a woman."""
    return page(
        request, "woman_new.html", values={"code": code[:24]}, smoking=words.SMOKING, closed=None
    )


@router.post("/new")
def add(request: Request, visitor: Carer, form: Form) -> Response:
    """Add her and go to her page."""
    state: State = request.app.state.shared
    fields = Fields(form)
    code = fields.code("code")
    weeks = fields.whole("gestation_weeks", *GESTATION_WEEKS, needed=False)
    smoking = fields.choice("smoking", Smoking) if fields.raw("smoking") else None
    village = fields.text("village", LONGEST_VILLAGE, needed=False)
    came_from = fields.text("came_from", 200, needed=False)
    closed = None
    with state.database.write() as session:
        known = find_woman(session, code) if code else None
        if known is not None and known.closed_on is not None:
            closed = known
            fields.problems["code"] = _(
                "This code is in the register, and its record is closed. Open it again below."
            )
        elif known is not None:
            fields.problems["code"] = _("This code is in the register already.")
        if not fields.problems:
            today, by = state.today(), visitor.account_id
            woman = add_woman(session, code, weeks, today, by, smoking)
            set_village(session, woman, village, today, by)
            if came_from:
                note(session, woman, EventKind.ARRIVED, today, by, words=came_from)
            return go(f"/women/{woman.id}", "saved")
    return page(
        request,
        "woman_new.html",
        422,
        values=fields.values,
        problems=fields.problems,
        smoking=words.SMOKING,
        closed=closed,
    )


@router.get("/{woman_id}")
def show(request: Request, visitor: Carer, woman_id: str) -> Response:
    """Her history, her referral and what can be done."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        return woman_page(request, visitor, find_her(session, woman_id))


@router.post("/{woman_id}/visits")
def visit(request: Request, visitor: Carer, form: Form, woman_id: str) -> Response:
    """Open a visit today."""
    state: State = request.app.state.shared
    fields = Fields(form)
    number = fields.whole("number", 1, HIGHEST_VISIT)
    with state.database.write() as session:
        woman = find_her(session, woman_id)
        weeks = fields.whole("gestation_weeks", *GESTATION_WEEKS, needed=False)
        if number is None or fields.problems:
            return woman_page(request, visitor, woman, fields)
        if weeks is not None and weeks != woman.gestation_at(state.today()):
            set_gestation(session, woman, weeks, state.today(), visitor.account_id)
        opened = open_visit(session, woman, number, state.today(), visitor.account_id)
        return go(f"/visits/{opened.id}")


@router.post("/{woman_id}/treatment")
def treatment(request: Request, visitor: Carer, form: Form, woman_id: str) -> Response:
    """Note the regimen that the facility prescribed."""
    state: State = request.app.state.shared
    fields = Fields(form)
    regimen = fields.choice("regimen", Regimen)
    started = fields.day("started_on", state.today())
    with state.database.write() as session:
        woman = find_her(session, woman_id)
        if fields.problems:
            return woman_page(request, visitor, woman, fields)
        start_treatment(session, woman, regimen, started, visitor.account_id)
    return go(f"/women/{woman_id}", "saved")


@router.post("/{woman_id}/remove")
def remove(request: Request, visitor: Supervisor, form: Form, woman_id: str) -> Response:
    """Delete her record on her request; her code must be typed again."""
    state: State = request.app.state.shared
    fields = Fields(form)
    with state.database.write() as session:
        woman = find_her(session, woman_id)
        if fields.raw("code").upper() != woman.code:
            fields.problems["again"] = _("This is not her code.")
            return woman_page(request, visitor, woman, fields)
        removed = remove_woman(session, woman, visitor.account_id)
    for shelf in (state.pictures, state.recent):
        shelf.drop(set(removed.reading_ids))
    if state.photos is not None:
        for name in removed.photo_files:
            state.photos.remove(name)
    return go("/", "removed")


@router.get("/{woman_id}/tube")
def tube_form(request: Request, visitor: Carer, woman_id: str) -> Response:
    """Steps, the ten-minute timer and the field for a tube reading."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        return _tube_page(request, find_her(session, woman_id), {}, {})


@router.post("/{woman_id}/tube")
def tube(request: Request, visitor: Carer, form: Form, woman_id: str) -> Response:
    """Enter a tube reading."""
    state: State = request.app.state.shared
    fields = Fields(form)
    key = fields.key()
    unit = fields.choice("unit", TubeUnit)
    value = fields.decimal("value", *LIMITS[unit])
    with state.database.write() as session:
        woman = find_her(session, woman_id)
        if fields.problems or value is None:
            return _tube_page(request, woman, fields.values, fields.problems, 422)
        reading = enter_tube(state, session, woman, key, value, unit, visitor.account_id)
        return go(f"/readings/{reading.id}")


@router.get("/{woman_id}/lab")
def lab_form(request: Request, visitor: Carer, woman_id: str) -> Response:
    """The form for a laboratory result."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        return _lab_page(request, find_her(session, woman_id), {}, {})


@router.post("/{woman_id}/lab")
def lab(request: Request, visitor: Carer, form: Form, woman_id: str) -> Response:
    """Enter a laboratory result; it closes her open referral."""
    state: State = request.app.state.shared
    fields = Fields(form)
    key = fields.key()
    value = fields.decimal("value", *LAB_LIMITS_G_DL)
    on = fields.day("on", state.today())
    method = fields.text("method", 80)
    place = fields.text("place", 80, needed=False)
    with state.database.write() as session:
        woman = find_her(session, woman_id)
        if fields.problems or value is None:
            return _lab_page(request, woman, fields.values, fields.problems, 422)
        given = (value, method, place, on, visitor.account_id)
        try:
            reading = enter_lab(state, session, woman, key, *given, fields.raw("sure") == "yes")
        except DoubtfulError as doubtful:
            fields.problems["sure"] = _("Look at the laboratory's slip once more.")
            asked = [doubt_words(doubt) for doubt in doubtful.doubts]
            return _lab_page(request, woman, fields.values, fields.problems, 409, asked)
        return go(f"/readings/{reading.id}")


def _tube_page(
    request: Request,
    woman: Woman,
    values: dict[str, str],
    problems: dict[str, str],
    status: int = 200,
) -> Response:
    return page(
        request,
        "tube.html",
        status,
        woman=woman,
        values=values,
        problems=problems,
        before=TUBE_BEFORE,
        after=TUBE_AFTER,
        waste=WASTE[Source.TUBE],
        wait_s=WAIT_S,
        wait_minutes=WAIT_S // 60,
        sd=SD_G_DL,
        limits=LIMITS,
        TubeUnit=TubeUnit,
        submission_key=new_id(),
    )


def _lab_page(
    request: Request,
    woman: Woman,
    values: dict[str, str],
    problems: dict[str, str],
    status: int = 200,
    asked: Sequence[str] = (),
) -> Response:
    return page(
        request,
        "lab.html",
        status,
        asked=asked,
        woman=woman,
        values=values,
        problems=problems,
        today=request.app.state.shared.today(),
        referral=next(iter(open_referrals(woman)), None),
        outcomes=words.OUTCOMES,
        Outcome=Outcome,
        submission_key=new_id(),
    )
