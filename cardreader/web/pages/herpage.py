"""A woman's page: her history, what is open, and what can be done. Other pages show it, too."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from fastapi import HTTPException, Request
from sqlalchemy.orm import Session
from starlette.responses import Response

from cardreader.core.refusal import ADVICE, Reason
from cardreader.register.base import utc_now
from cardreader.register.births import births_of_pregnancy, is_of_another
from cardreader.register.events import may_undo, standing_events
from cardreader.register.kinds import EventKind, ReferralOutcome, Role, Source
from cardreader.register.knownby import village_of
from cardreader.register.lists import ListName, row_today
from cardreader.register.merge.contradictions import Contradiction
from cardreader.register.mergemodels import JoinedAway
from cardreader.register.models import Woman
from cardreader.register.openreferrals import TELLABLE, sent_for
from cardreader.register.recording import subject_of
from cardreader.register.tablets import MOST_TABLETS
from cardreader.register.undoing import UNDOABLE
from cardreader.register.visits import next_number, visit_on
from cardreader.register.women import running_treatments
from cardreader.web import words
from cardreader.web.access import Visitor
from cardreader.web.conflictwords import said_in
from cardreader.web.dayshiftwords import day_off, said_by_points
from cardreader.web.fields import Fields
from cardreader.web.happened import ask_again_on, event_words, read_since
from cardreader.web.judgedwords import another_of
from cardreader.web.plot import history_plot
from cardreader.web.render import page
from cardreader.web.state import State


def find_her(session: Session, woman_id: str) -> Woman:
    """The woman of an address, or she who is shown in her place; 404 where there is none."""
    woman = session.get(Woman, woman_id)
    if woman is None and (joined := session.get(JoinedAway, woman_id)) is not None:
        woman = session.get(Woman, joined.into_id)
    if woman is None:
        raise HTTPException(404, "No such woman.")
    return woman


def woman_page(
    request: Request,
    visitor: Visitor,
    woman: Woman,
    fields: Fields | None = None,
    asked: Sequence[str] = (),
) -> Response:
    """Her page; with ``fields``, one of its forms again with what is wrong in it."""
    state: State = request.app.state.shared
    today = state.today()
    row, shift = row_today(woman, today, state.rules)
    gestation = woman.gestation_at(today)
    rules = state.reader.rules.for_subject(subject_of(woman, today, None))
    visit = visit_on(woman, today)
    running = running_treatments(woman)
    usual = {
        "number": str(next_number(woman) if visit is None else visit.number),
        "gestation_weeks": "" if gestation is None else str(gestation),
        "started_on": today.isoformat(),
        "new_code": woman.code,
        "village": village_of(woman),
    }
    closed = next(reversed(standing_events(woman, EventKind.CLOSED)), None)
    return page(
        request,
        "woman.html",
        422 if fields else 200,
        values=usual if fields is None else {**usual, **fields.values},
        problems={} if fields is None else fields.problems,
        woman=woman,
        row=row,
        sent_for=sent_for(woman),
        off=day_off(shift),
        contradicts=[
            said_in(Contradiction(kind)) for kind in (woman.contradicts or "").split(",") if kind
        ],
        history=_history(woman, row.points, state),
        plot=history_plot(row.points, rules, gestation),
        gestation=gestation,
        is_due=row.due is not None and row.due.is_due(today),
        is_overdue=row.due is not None and row.due.is_overdue(today),
        asks_birth=row.asks_birth(today, state.rules),
        birth_corrected=any(
            not is_of_another(event, today, state.rules) for event in births_of_pregnancy(woman)
        ),
        visit_today=visit,
        treatment=next(iter(running), None),
        also_running=running[1:],
        tell_her=state.reader.rules.tell_her,
        protocol_title=state.reader.rules.title,
        closed_referrals=[
            r
            for r in woman.referrals
            if r.closed_at is not None and r.outcome != ReferralOutcome.READ
        ],
        asks={r.id: ask_again_on(r, state.rules) for r in row.referrals},
        read_since=read_since,
        tellable=TELLABLE,
        tablets=row.tablets,
        rules=state.rules,
        tablets_run_out=row.belongs(ListName.TABLETS, today),
        most_tablets=MOST_TABLETS,
        closing=closed if woman.closed_on is not None else None,
        hindrances=asked,
        events=_events(woman, visitor, state),
        today=today,
        words=words,
        supervisor=visitor.may(Role.SUPERVISOR),
    )


def _history(woman: Woman, points: tuple[Any, ...], state: State) -> list[dict[str, Any]]:
    """Her values and the photos that could not be read, newest first."""
    said = said_by_points(woman, points)
    values = [
        {
            **asdict(p),
            "day": p.day,
            "words": text,
            "advice": None,
            "judged_by": another_of(woman, p, state.reader.rules),
        }
        for p, text in zip(points, said, strict=True)
    ]
    unread = [
        {
            "at": r.taken_at,
            "day": r.taken_at.astimezone().date(),
            "source": Source.PHOTO,
            "hb_g_dl": None,
            "low_g_dl": None,
            "visit_id": None,
            "reading_id": r.id,
            "words": words.OUTCOMES[words.Outcome.NOT_READ],
            "advice": ADVICE[Reason(r.refusal)],
            "judged_by": "",
        }
        for r in woman.readings
        if r.refusal is not None and r.set_aside_at is None
    ]
    return sorted([*values, *unread], key=lambda entry: entry["at"], reverse=True)


def _events(woman: Woman, visitor: Visitor, state: State) -> list[dict[str, Any]]:
    """What was noted, newest first, and whether this visitor may take it back."""
    now = utc_now()
    return [
        {
            "event": event,
            "words": event_words(event),
            "may_undo": event.kind in UNDOABLE
            and event.set_aside_at is None
            and (
                visitor.may(Role.SUPERVISOR)
                or may_undo(event, visitor.account_id, state.rules, now)
            ),
        }
        for event in reversed(woman.events)
    ]
