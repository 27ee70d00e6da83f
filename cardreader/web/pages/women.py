"""Adding and deleting a woman, opening a visit, noting her regimen."""

from __future__ import annotations

from fastapi import APIRouter, Request
from sqlalchemy.orm import Session
from starlette.responses import Response

from cardreader.decide.subject import Smoking
from cardreader.register.closing import BeforeBirthError
from cardreader.register.entrylimits import HIGHEST_VISIT
from cardreader.register.events import note
from cardreader.register.kinds import EventKind, Regimen
from cardreader.register.knownby import set_village
from cardreader.register.mendedweeks import mend_weeks
from cardreader.register.models import Woman
from cardreader.register.removal import remove_woman
from cardreader.register.visits import open_visit
from cardreader.register.women import (
    GESTATION_WEEKS,
    add_woman,
    end_treatment,
    find_woman,
    start_treatment,
    written_alike,
    written_as_code,
)
from cardreader.web import words
from cardreader.web.access import Carer, Form, Supervisor
from cardreader.web.fields import Fields
from cardreader.web.pages.heract import HerForm, Sent
from cardreader.web.pages.herpage import find_her, woman_page
from cardreader.web.pages.knownby import LONGEST_VILLAGE
from cardreader.web.render import go, page
from cardreader.web.state import State
from cardreader.web.texts import gettext as _

router = APIRouter(include_in_schema=False, prefix="/women")


@router.get("/new")
def new(request: Request, visitor: Carer, code: str = "") -> Response:
    """The form for adding a woman."""
    return page(
        request,
        "woman_new.html",
        values={"code": code[:24]},
        smoking=words.SMOKING,
        known=None,
        another="",
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
    another = ""
    with state.database.write() as session:
        known = find_woman(session, code) if code else None
        if known is not None and known.closed_on is not None:
            fields.problems["code"] = _(
                "This code is in the register, and its record is closed. Open it again below."
            )
        elif known is not None:
            fields.problems["code"] = _("This code is in the register already.")
        elif code and fields.raw("another") != code:
            known = written_alike(session, code)
            if known is not None:
                another = code
                fields.problems["code"] = _(
                    "The register has %(code)s, which is written almost alike. Is it she? Open her "
                    "record below. Is it another woman? Press Add again."
                ) % {"code": known.code}
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
            known=known,
            another=another,
        )


@router.get("/{woman_id}")
def show(request: Request, visitor: Carer, woman_id: str) -> Response:
    """Her history, her referral and what can be done."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        return woman_page(request, visitor, find_her(session, woman_id))


@router.post("/{woman_id}/visits")
def visit(sent: Sent, woman_id: str) -> Response:
    """Open a visit today."""
    number = sent.fields.whole("number", 1, HIGHEST_VISIT) or 0
    weeks = sent.fields.whole("gestation_weeks", *GESTATION_WEEKS, needed=False)

    def act(session: Session, woman: Woman) -> Response | None:
        if not _weeks_told(sent, session, woman, weeks):
            return None
        return go(f"/visits/{open_visit(session, woman, number, sent.today, sent.by).id}")

    return sent.carry_out(woman_id, act)


@router.post("/{woman_id}/weeks")
def told_weeks(sent: Sent, woman_id: str) -> Response:
    """Note her weeks while today's visit goes on."""
    weeks = sent.fields.whole("gestation_weeks", *GESTATION_WEEKS)
    return sent.carry_out(woman_id, lambda session, woman: _weeks_told(sent, session, woman, weeks))


def _weeks_told(sent: HerForm, session: Session, woman: Woman, weeks: int | None) -> bool:
    """Note her weeks where they are told and new; False with a problem where they can't be."""
    if weeks is not None and weeks != woman.gestation_at(sent.today):
        try:
            mend_weeks(session, woman, weeks, sent.today, sent.by, *sent.judged_by)
        except BeforeBirthError:
            sent.fields.problems["gestation_weeks"] = _(words.BEFORE_BIRTH)
            return False
    return True


@router.post("/{woman_id}/treatment")
def treatment(sent: Sent, woman_id: str) -> Response:
    """Note the regimen that the facility prescribed, or that she takes none any more."""
    started = sent.fields.day("started_on", sent.today)
    if sent.fields.raw("regimen") == "ended":
        return sent.carry_out(
            woman_id, lambda session, woman: end_treatment(session, woman, started, sent.by)
        )
    regimen = sent.fields.choice("regimen", Regimen)
    return sent.carry_out(
        woman_id,
        lambda session, woman: start_treatment(session, woman, regimen, started, sent.by),
    )


@router.post("/{woman_id}/remove")
def remove(request: Request, visitor: Supervisor, form: Form, woman_id: str) -> Response:
    """Delete her record on her request; her code must be typed again."""
    state: State = request.app.state.shared
    fields = Fields(form)
    with state.database.write() as session:
        woman = find_her(session, woman_id)
        if written_as_code(fields.raw("code")) != woman.code:
            fields.problems["again"] = _("This is not her code.")
            return woman_page(request, visitor, woman, fields)
        removed = remove_woman(session, woman, visitor.account_id)
    for shelf in (state.pictures, state.recent):
        shelf.drop(set(removed.reading_ids))
    if state.photos is not None:
        for name in removed.photo_files:
            state.photos.remove(name)
    return go("/", "removed")
