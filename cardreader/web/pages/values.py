"""Entering a tube reading or a laboratory result."""

from __future__ import annotations

from collections.abc import Sequence

from fastapi import APIRouter, Request
from starlette.responses import Response

from cardreader.core.units import G_DL_PER_MMOL_L
from cardreader.decide.rule import Outcome
from cardreader.register.base import new_id
from cardreader.register.doubt import DoubtfulError
from cardreader.register.kinds import Source
from cardreader.register.models import Woman
from cardreader.register.openreferrals import open_referrals
from cardreader.register.recording import LAB_LIMITS_G_DL
from cardreader.register.tube import LIMITS, SD_G_DL, WAIT_S, TubeUnit
from cardreader.web import words
from cardreader.web.access import Carer, Form
from cardreader.web.fields import Fields
from cardreader.web.happened import asked_words
from cardreader.web.pages.herpage import find_her
from cardreader.web.render import go, page
from cardreader.web.state import State
from cardreader.web.steps import TUBE_AFTER, TUBE_BEFORE, WASTE
from cardreader.web.texts import gettext as _
from cardreader.web.values import enter_lab, enter_tube

router = APIRouter(include_in_schema=False, prefix="/women")


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
        sure = fields.raw("sure") == "yes"
        try:
            reading = enter_tube(
                state, session, woman, key, value, unit, visitor.account_id, sure=sure
            )
        except DoubtfulError as doubtful:
            fields.problems["sure"] = _("Look at the tube once more.")
            asked = asked_words(doubtful)
            return _tube_page(request, woman, fields.values, fields.problems, 409, asked)
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
            asked = asked_words(doubtful)
            return _lab_page(request, woman, fields.values, fields.problems, 409, asked)
        return go(f"/readings/{reading.id}")


def _tube_page(
    request: Request,
    woman: Woman,
    values: dict[str, str],
    problems: dict[str, str],
    status: int = 200,
    asked: Sequence[str] = (),
) -> Response:
    return page(
        request,
        "tube.html",
        status,
        asked=asked,
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
        g_dl_per_mmol_l=G_DL_PER_MMOL_L,
        submission_key=new_id(),
    )
