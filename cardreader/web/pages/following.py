"""What happens to a woman beside her readings: closing, birth, referrals, tablets."""

from __future__ import annotations

import datetime as dt

from fastapi import APIRouter, HTTPException, Request
from sqlalchemy.orm import Session
from starlette.responses import Response

from cardreader.register.base import utc_now
from cardreader.register.births import OddWeeksError, note_birth
from cardreader.register.closing import (
    BeforeBirthError,
    UnsureError,
    close_woman,
    reopen_woman,
    seen_here,
    start_pregnancy,
)
from cardreader.register.events import may_undo
from cardreader.register.followup import gestation_start
from cardreader.register.kinds import BirthOutcome, ReferralOutcome, Role
from cardreader.register.mendedweeks import mend_weeks
from cardreader.register.models import Event, Referral, Woman
from cardreader.register.referrals import close as close_referral
from cardreader.register.referrals import send_for_test, tell_outcome
from cardreader.register.rejudging import open_again, settle
from cardreader.register.tablets import MOST_TABLETS, count_tablets, give_tablets
from cardreader.register.undoing import UNDOABLE, undo_event
from cardreader.register.women import GESTATION_WEEKS, Closing
from cardreader.web import words
from cardreader.web.access import Carer, Form
from cardreader.web.ataddress import at_address
from cardreader.web.pages.heract import Sent
from cardreader.web.pages.herpage import woman_page
from cardreader.web.render import go
from cardreader.web.state import State
from cardreader.web.texts import gettext as _
from cardreader.web.texts import mark

router = APIRouter(include_in_schema=False)


@router.post("/women/{woman_id}/seen-to")
def seen_to(sent: Sent, woman_id: str) -> Response:
    """Note what was done where another calibration judges her last photo otherwise."""
    why = sent.fields.text("seen_to", 200)

    def act(session: Session, woman: Woman) -> Response:
        again = open_again(woman)
        if again is not None:
            settle(session, again, why, sent.by)
        return go(f"/women/{woman_id}", "seen-to")

    return sent.carry_out(woman_id, act)


@router.post("/women/{woman_id}/close")
def close(sent: Sent, woman_id: str) -> Response:
    """Take her off the lists; who is to be seen again only when said twice."""
    fields = sent.fields
    reason = fields.choice("reason", Closing)
    why = fields.text("words", 200, needed=reason is Closing.TRANSFERRED)
    sure = fields.raw("sure") == "yes"

    def act(session: Session, woman: Woman) -> Response | None:
        if woman.closed_on is not None:
            return go(f"/women/{woman_id}")
        try:
            close_woman(session, woman, reason, sent.today, sent.by, why, sure)
        except UnsureError as unsure:
            fields.problems["sure"] = _("Is this right? She would be on no list any more.")
            return woman_page(sent.request, sent.visitor, woman, fields, unsure.hindrances)
        return None

    return sent.carry_out(woman_id, act)


@router.post("/women/{woman_id}/reopen")
def reopen(sent: Sent, woman_id: str) -> Response:
    """Follow her here again; anybody who sees women may, and the trail says who."""
    weeks = sent.fields.whole("new_weeks", *GESTATION_WEEKS, needed=False)
    another = sent.fields.raw("pregnancy") == "new"

    def act(session: Session, woman: Woman) -> None:
        if woman.closed_on is None:
            return
        try:
            if weeks is not None and not another:
                mend_weeks(session, woman, weeks, sent.today, sent.by, *sent.judged_by)
        except BeforeBirthError:
            sent.fields.problems["new_weeks"] = _(words.BEFORE_BIRTH)
            return
        reopen_woman(session, woman, sent.today, sent.by)
        if another:
            start_pregnancy(session, woman, weeks, sent.today, sent.by)

    return sent.carry_out(woman_id, act)


@router.post("/women/{woman_id}/birth")
def birth(sent: Sent, woman_id: str) -> Response:
    """Note how and when her pregnancy ended; in odd weeks only when said twice."""
    outcome = sent.fields.choice("birth_outcome", BirthOutcome)
    on = sent.fields.day("birth_on", sent.today)

    def act(session: Session, woman: Woman) -> None:
        start = gestation_start(woman.gestation_weeks, woman.gestation_on)
        if start is not None and on < start:
            sent.fields.problems["birth_on"] = _("Before this pregnancy began, by her weeks.")
            return
        try:
            sure = sent.fields.raw("birth_sure") == "yes"
            note_birth(session, woman, outcome, on, sent.by, *sent.judged_by, sure)
        except OddWeeksError as odd:
            sent.fields.problems["birth_sure"] = (
                _("She was seen here since that day. Outcome and day: is this right?")
                if odd.week is None
                else _(
                    "By her weeks that is week %(week)s of pregnancy. Outcome, day and weeks: is "
                    "this right?"
                )
                % {"week": odd.week}
            )

    return sent.carry_out(woman_id, act)


@router.post("/women/{woman_id}/tablets")
def tablets(sent: Sent, woman_id: str) -> Response:
    """Note tablets given, tablets counted as left, or both."""
    fields = sent.fields
    left = fields.whole("tablets_left", 0, MOST_TABLETS, needed=False)
    given = fields.whole("tablets_given", 1, MOST_TABLETS, needed=False)
    on = fields.day("tablets_on", sent.today)
    if left is None and given is None and not fields.problems:
        fields.problems["tablets_given"] = _("Fill this in.")

    def act(session: Session, woman: Woman) -> None:
        # What she still has is counted before new ones are added to it.
        if left is not None:
            count_tablets(session, woman, left, on, sent.by)
        if given is not None:
            give_tablets(session, woman, given, on, sent.by)

    return sent.carry_out(woman_id, act)


@router.post("/women/{woman_id}/send")
def send(sent: Sent, woman_id: str) -> Response:
    """Send her for a blood test without a reading: she looks ill, or nothing could be read."""
    urgent = sent.fields.raw("urgent") == "yes"

    def act(session: Session, woman: Woman) -> None:
        seen_here(session, woman, sent.today, True, sent.by)
        send_for_test(session, woman, utc_now(), urgent, sent.by)

    return sent.carry_out(woman_id, act)


@router.post("/referrals/{referral_id}/outcome")
def outcome(sent: Sent, referral_id: str) -> Response:
    """Note what became of a referral without a value."""
    fields, rules = sent.fields, sent.state.rules
    told = fields.choice("outcome", ReferralOutcome)
    remark = fields.text("outcome_words", 200, needed=False)
    on = fields.day("outcome_on", sent.today)
    with sent.state.database.write() as session:
        referral = at_address(session, Referral, referral_id)

        def act(session: Session, woman: Woman) -> Response | None:
            if referral.closed_at is not None:
                return go(f"/women/{woman.id}")
            if told is ReferralOutcome.MISTAKE and sent.visitor.may(Role.SUPERVISOR):
                close_referral(session, referral, told, utc_now(), sent.by)
                return None
            try:
                tell_outcome(session, referral, told, on, sent.by, rules, remark)
            except ValueError:
                fields.problems["outcome"] = _("Choose one.")
                return None
            if told is ReferralOutcome.DIED and woman.closed_on is None:
                close_woman(session, woman, Closing.DIED, on, sent.by)
            return None

        return sent.carry_out_in(session, referral.woman, act)


@router.post("/events/{event_id}/undo")
def undo(request: Request, visitor: Carer, form: Form, event_id: str) -> Response:
    """Take back an event: one's own for some minutes, a supervisor any."""
    state: State = request.app.state.shared
    with state.database.write() as session:
        event = at_address(session, Event, event_id)
        if event.set_aside_at is not None and event.entered_by == visitor.account_id:
            # Tapped twice.
            return go(f"/women/{event.woman_id}", "undone")
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
