"""What was noted of a woman beside her readings, and the month's counts."""

from __future__ import annotations

import datetime as dt
from typing import Annotated

from fastapi import Query, Request

from cardreader.register.kinds import EventKind, Purpose, ReferralOutcome
from cardreader.register.monthreport import indicators
from cardreader.register.openreferrals import sent_for
from cardreader.register.summary import summarise
from cardreader.web.access import Anyone, Carer
from cardreader.web.api.bodies import CountOut, EventOut, MonthOut, RecordId, ReferralOut
from cardreader.web.api.problems import NOT_FOUND, api_router
from cardreader.web.api.women import woman_of
from cardreader.web.state import State

router = api_router()
MONTH_PATTERN = r"^20[0-9]{2}-(0[1-9]|1[0-2])$"


@router.get("/women/{woman_id}/events", responses=NOT_FOUND)
def get_events(request: Request, visitor: Carer, woman_id: RecordId) -> list[EventOut]:
    """All that was noted of her, oldest first."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        return [
            EventOut(
                id=event.id,
                kind=EventKind(event.kind),
                on=event.on,
                choice=event.choice,
                amount=event.amount,
                words=event.words,
                referral_id=event.referral_id,
                set_aside=event.set_aside_at is not None,
            )
            for event in woman_of(session, woman_id).events
        ]


@router.get("/women/{woman_id}/referrals", responses=NOT_FOUND)
def get_referrals(request: Request, visitor: Carer, woman_id: RecordId) -> list[ReferralOut]:
    """All her referrals, oldest first."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        woman = woman_of(session, woman_id)
        double_of = {d.id: first.id for first, doubles in sent_for(woman) for d in doubles}
        return [
            ReferralOut(
                id=referral.id,
                purpose=Purpose(referral.purpose),
                urgent=referral.urgent,
                result=referral.band,
                hb_g_dl=referral.hb_g_dl,
                opened_at=referral.opened_at,
                outcome=None if referral.outcome is None else ReferralOutcome(referral.outcome),
                closed_at=referral.closed_at,
                double_of=double_of.get(referral.id),
            )
            for referral in woman.referrals
        ]


@router.get("/month")
def get_month(
    request: Request,
    visitor: Anyone,
    month: Annotated[str | None, Query(pattern=MONTH_PATTERN, description="As 2026-11")] = None,
) -> MonthOut:
    """The counts of a month, of this one where none is named."""
    state: State = request.app.state.shared
    today = state.today()
    first = today.replace(day=1) if month is None else dt.date.fromisoformat(f"{month}-01")
    state.catch_up()
    with state.database.read() as session:
        counted = indicators(summarise(session, first, today, state.rules))
    counts = [
        CountOut(code=i.code, words=i.words, count=i.count, parts=dict(i.parts)) for i in counted
    ]
    return MonthOut(month=f"{first:%Y-%m}", counts=counts)
