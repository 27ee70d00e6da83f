"""What happens to a woman beside her readings: closing, birth, referrals, tablets."""

from __future__ import annotations

import datetime as dt

from fastapi import APIRouter, HTTPException, Request
from sqlalchemy.orm import Session
from starlette.responses import Response

from cardreader.register.births import note_birth
from cardreader.register.closing import (
    UnsureError,
    close_woman,
    reopen_woman,
    start_pregnancy,
)
from cardreader.register.events import may_undo
from cardreader.register.models import (
    BirthOutcome,
    Event,
    Referral,
    ReferralOutcome,
    Role,
    utc_now,
)
from cardreader.register.referrals import close as close_referral
from cardreader.register.referrals import send_for_test, tell_outcome
from cardreader.register.tablets import MOST_TABLETS, count_tablets, give_tablets
from cardreader.register.undoing import UNDOABLE, undo_event
from cardreader.register.women import GESTATION_WEEKS, Closing
from cardreader.web.access import Carer, Form
from cardreader.web.fields import Fields
from cardreader.web.pages.herpage import find_her, woman_page
from cardreader.web.render import go
from cardreader.web.state import State
from cardreader.web.texts import gettext as _
from cardreader.web.texts import mark

router = APIRouter(include_in_schema=False)


@router.post("/women/{woman_id}/close")
def close(request: Request, visitor: Carer, form: Form, woman_id: str) -> Response:
    """Take her off the lists; a severe or referred woman only when said twice."""
    state: State = request.app.state.shared
    fields = Fields(form)
    reason = fields.choice("reason", Closing)
    why = fields.text("words", 200, needed=reason is Closing.TRANSFERRED)
    sure = fields.raw("sure") == "yes"
    with state.database.write() as session:
        woman = find_her(session, woman_id)
        if fields.problems:
            return woman_page(request, visitor, woman, fields)
        if woman.closed_on is not None:
            return go(f"/women/{woman_id}")
        try:
            close_woman(session, woman, reason, state.today(), visitor.account_id, why, sure)
        except UnsureError:
            fields.problems["sure"] = _("Is this right? She would be on no list any more.")
            return woman_page(request, visitor, woman, fields, ask_sure=True)
    return go(f"/women/{woman_id}", "saved")


@router.post("/women/{woman_id}/reopen")
def reopen(request: Request, visitor: Carer, form: Form, woman_id: str) -> Response:
    """Follow her here again; anybody who sees women may, and the trail says who."""
    state: State = request.app.state.shared
    fields = Fields(form)
    weeks = fields.whole("new_weeks", *GESTATION_WEEKS, needed=False)
    another = fields.raw("pregnancy") == "new"
    with state.database.write() as session:
        woman = find_her(session, woman_id)
        if fields.problems:
            return woman_page(request, visitor, woman, fields)
        if woman.closed_on is not None:
            reopen_woman(session, woman, state.today(), visitor.account_id)
            if another:
                start_pregnancy(session, woman, weeks, state.today(), visitor.account_id)
    return go(f"/women/{woman_id}", "saved")


@router.post("/women/{woman_id}/birth")
def birth(request: Request, visitor: Carer, form: Form, woman_id: str) -> Response:
    """Note how and when her pregnancy ended."""
    state: State = request.app.state.shared
    fields = Fields(form)
    outcome = fields.choice("birth_outcome", BirthOutcome)
    on = fields.day("birth_on", state.today())
    with state.database.write() as session:
        woman = find_her(session, woman_id)
        if fields.problems:
            return woman_page(request, visitor, woman, fields)
        note_birth(session, woman, outcome, on, visitor.account_id)
    return go(f"/women/{woman_id}", "saved")


@router.post("/women/{woman_id}/tablets")
def tablets(request: Request, visitor: Carer, form: Form, woman_id: str) -> Response:
    """Note tablets given, tablets counted as left, or both."""
    state: State = request.app.state.shared
    fields = Fields(form)
    left = fields.whole("tablets_left", 0, MOST_TABLETS, needed=False)
    given = fields.whole("tablets_given", 1, MOST_TABLETS, needed=False)
    on = fields.day("tablets_on", state.today())
    if left is None and given is None and not fields.problems:
        fields.problems["tablets_given"] = _("Fill this in.")
    with state.database.write() as session:
        woman = find_her(session, woman_id)
        if fields.problems:
            return woman_page(request, visitor, woman, fields)
        # What she still has is counted before new ones are added to it.
        if left is not None:
            count_tablets(session, woman, left, on, visitor.account_id)
        if given is not None:
            give_tablets(session, woman, given, on, visitor.account_id)
    return go(f"/women/{woman_id}", "saved")


@router.post("/women/{woman_id}/send")
def send(request: Request, visitor: Carer, form: Form, woman_id: str) -> Response:
    """Send her for a blood test without a reading: she looks ill, or nothing could be read."""
    state: State = request.app.state.shared
    urgent = Fields(form).raw("urgent") == "yes"
    with state.database.write() as session:
        woman = find_her(session, woman_id)
        send_for_test(session, woman, utc_now(), urgent, visitor.account_id)
    return go(f"/women/{woman_id}", "saved")


@router.post("/referrals/{referral_id}/outcome")
def outcome(request: Request, visitor: Carer, form: Form, referral_id: str) -> Response:
    """Note what became of a referral without a value."""
    state: State = request.app.state.shared
    fields = Fields(form)
    told = fields.choice("outcome", ReferralOutcome)
    words = fields.text("outcome_words", 200, needed=False)
    on = fields.day("outcome_on", state.today())
    with state.database.write() as session:
        referral = session.get(Referral, referral_id)
        if referral is None:
            raise HTTPException(404, "No such referral.")
        woman, by = referral.woman, visitor.account_id
        if fields.problems:
            return woman_page(request, visitor, woman, fields)
        if referral.closed_at is not None:
            return go(f"/women/{woman.id}")
        if told is ReferralOutcome.MISTAKE and visitor.may(Role.SUPERVISOR):
            close_referral(session, referral, told, utc_now(), by)
            return go(f"/women/{woman.id}", "saved")
        try:
            tell_outcome(session, referral, told, on, by, state.rules, words)
        except ValueError:
            fields.problems["outcome"] = _("Choose one.")
            return woman_page(request, visitor, woman, fields)
        if told is ReferralOutcome.DIED and woman.closed_on is None:
            close_woman(session, woman, Closing.DIED, on, by)
    return go(f"/women/{woman.id}", "saved")


@router.post("/events/{event_id}/undo")
def undo(request: Request, visitor: Carer, form: Form, event_id: str) -> Response:
    """Take back an event: one's own for some minutes, a supervisor any."""
    state: State = request.app.state.shared
    with state.database.write() as session:
        event = session.get(Event, event_id)
        if event is None:
            raise HTTPException(404, "No such event.")
        _must_be_allowed(visitor, event, state)
        if event.kind in UNDOABLE and event.set_aside_at is None:
            _undo(session, event, visitor.account_id, state.today())
        woman_id = event.woman_id
    return go(f"/women/{woman_id}", "undone")


def _undo(session: Session, event: Event, by: str, today: dt.date) -> None:
    died = event.choice == ReferralOutcome.DIED and event.woman.closed_reason == Closing.DIED
    undo_event(session, event, by)
    if died:
        reopen_woman(session, event.woman, today, by)


def _must_be_allowed(visitor: Carer, event: Event, state: State) -> None:
    own = may_undo(event, visitor.account_id, state.rules, utc_now())
    if not (own or visitor.may(Role.SUPERVISOR)):
        raise HTTPException(403, mark("Only a supervisor can take this back now."))
