"""The result screen of one reading."""

from __future__ import annotations

from fastapi import APIRouter, HTTPException, Request
from sqlalchemy.orm import object_session
from starlette.responses import Response

from cardreader.decide.rule import Outcome
from cardreader.register import audit
from cardreader.register.base import utc_now
from cardreader.register.dayvisits import lead_of
from cardreader.register.events import may_undo
from cardreader.register.history import as_referred, standing
from cardreader.register.kinds import Role, Source
from cardreader.register.models import Reading
from cardreader.register.openreferrals import open_referrals
from cardreader.register.photostore import PhotoStoreError
from cardreader.register.recording import subject_of
from cardreader.register.samephoto import also_entered
from cardreader.register.settingaside import set_aside
from cardreader.web import words
from cardreader.web.access import Carer, Form, Supervisor, Visitor
from cardreader.web.ataddress import at_address
from cardreader.web.calibrationwords import read_by_words
from cardreader.web.dayshiftwords import IN_DOUBT, day_off, doubted, in_doubt, shift_of_its_day
from cardreader.web.fields import Fields
from cardreader.web.happened import UNDONE
from cardreader.web.openfirst import open_first
from cardreader.web.photos import photo_bytes
from cardreader.web.render import go, page
from cardreader.web.resultview import result_view
from cardreader.web.state import State
from cardreader.web.steps import WASTE
from cardreader.web.texts import mark

router = APIRouter(include_in_schema=False, prefix="/readings")


@router.get("/{reading_id}")
def show(request: Request, visitor: Carer, reading_id: str) -> Response:
    """Words first, then the figures, the picture and what comes next."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        return _result_page(request, visitor, at_address(session, Reading, reading_id))


@router.get("/{reading_id}/picture")
def picture(request: Request, visitor: Carer, reading_id: str) -> Response:
    """The annotated picture, while it is there."""
    state: State = request.app.state.shared
    kept = state.pictures.get(reading_id)
    if kept is None:
        raise HTTPException(404, "This picture was shown once and is gone.")
    return Response(kept.data, media_type=kept.media_type)


@router.get("/{reading_id}/photo")
def photo(request: Request, visitor: Supervisor, reading_id: str) -> Response:
    """A kept photo; that it was taken out is noted."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        reading = at_address(session, Reading, reading_id)
        try:
            data = photo_bytes(state, reading)
        except PhotoStoreError:
            data = None
    if data is None:
        raise HTTPException(404, "This photo is not kept.")
    with state.database.write() as session:
        audit.append(session, "photo.take_out", reading_id, visitor.account_id)
    # Sent as a download: what a phone wrote is never shown as a page of ours.
    return Response(
        data,
        media_type="application/octet-stream",
        headers={"Content-Disposition": 'attachment; filename="photo.jpg"'},
    )


@router.post("/{reading_id}/set-aside")
def put_aside(request: Request, visitor: Supervisor, form: Form, reading_id: str) -> Response:
    """Take a mistaken reading out of all counts."""
    state: State = request.app.state.shared
    fields = Fields(form)
    why = fields.text("why", 200)
    with state.database.write() as session:
        reading = at_address(session, Reading, reading_id)
        woman_id = reading.woman_id
        if reading.set_aside_at is not None:
            return go(f"/readings/{reading_id}")
        if fields.problems:
            return _result_page(request, visitor, reading, fields)
        day = reading.taken_at.astimezone().date()
        subject = subject_of(reading.woman, day, state.settings.elevation_m)
        set_aside(session, reading, why, visitor.account_id, state.reader.combine, subject)
    return go(f"/women/{woman_id}", "set-aside")


@router.post("/{reading_id}/undo")
def undo(request: Request, visitor: Carer, form: Form, reading_id: str) -> Response:
    """Take back an entry of one's own, within the protocol's minutes."""
    state: State = request.app.state.shared
    with state.database.write() as session:
        reading = at_address(session, Reading, reading_id)
        if reading.set_aside_at is not None and reading.entered_by == visitor.account_id:
            # Tapped twice.
            return go(f"/women/{reading.woman_id}", "undone")
        if not may_undo(reading, visitor.account_id, state.rules, utc_now()):
            raise HTTPException(403, mark("Only a supervisor can take this back now."))
        day = reading.taken_at.astimezone().date()
        subject = subject_of(reading.woman, day, state.settings.elevation_m)
        set_aside(session, reading, UNDONE, visitor.account_id, state.reader.combine, subject)
        woman_id = reading.woman_id
    return go(f"/women/{woman_id}", "undone")


def _result_page(
    request: Request, visitor: Visitor, reading: Reading, fields: Fields | None = None
) -> Response:
    state: State = request.app.state.shared
    woman = reading.woman
    session = object_session(reading)
    assert session is not None
    also = also_entered(session, reading)
    shift = shift_of_its_day(reading)
    view, doubt = result_view(reading, state), in_doubt(reading, shift)
    if doubt:
        view = doubted(view)
    return page(
        request,
        "result.html",
        422 if fields else 200,
        values=fields.values if fields else {},
        problems=fields.problems if fields else {},
        reading=reading,
        woman=woman,
        also=also,
        off=day_off(shift),
        tell_her=state.reader.rules.tell_her,
        protocol_title=state.reader.rules.title,
        waste=WASTE.get(Source(reading.source)),
        visit=None if reading.visit is None else lead_of(reading.visit),
        calibration=read_by_words(session, reading.detail),
        view=view,
        first=open_first(reading, view.actions, IN_DOUBT if doubt else None),
        words=words,
        has_picture=state.pictures.get(reading.id) is not None,
        has_photo=state.photos is not None and reading.photo_file is not None,
        referral=next(iter(open_referrals(woman)), None),
        severe_before=_severe_all_the_same(reading),
        reopened=any(event.reading_id == reading.id for event in woman.events),
        may_undo=may_undo(reading, visitor.account_id, state.rules, utc_now()),
        undo_minutes=state.rules.undo_minutes,
        supervisor=visitor.may(Role.SUPERVISOR),
    )


def _severe_all_the_same(reading: Reading) -> bool:
    """Whether she is on the severe list though this reading doesn't say so."""
    woman = reading.woman
    here = woman.closed_on is None and reading.set_aside_at is None
    return here and reading.band != Outcome.SEVERE and standing(as_referred(woman)).severe
