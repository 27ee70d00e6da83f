"""Who is signed in, and the women."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, HTTPException, Query, Request
from sqlalchemy.orm import Session

from cardreader.register.daydoubt import days_too_high
from cardreader.register.lists import ListName, due_now, open_rows, row_of, row_today
from cardreader.register.models import Woman
from cardreader.register.shownlists import part_of_list
from cardreader.register.women import add_woman, find_woman
from cardreader.web.access import Anyone, Carer, api_csrf
from cardreader.web.api.bodies import RecordId, SessionOut, WomanIn, WomanOut, woman_out
from cardreader.web.api.problems import BAD_BODY, CONFLICT, NOT_FOUND, SHOWN, api_router
from cardreader.web.ataddress import at_address
from cardreader.web.state import State
from cardreader.web.texts import mark

router = api_router()
MOST_ROWS = 10_000_000
"""More women than any register has."""


@router.get("/session", responses=SHOWN)
def session_info(request: Request, visitor: Anyone) -> SessionOut:
    """Who is signed in, and the token that changing calls need."""
    return SessionOut(
        account_id=visitor.account_id,
        name=visitor.name,
        role=visitor.role,
        csrf=visitor.csrf,
        register_id=request.app.state.shared.identity(),
        keeps_photos=request.app.state.shared.photos is not None,
    )


@router.get("/women")
def list_women(
    request: Request,
    visitor: Carer,
    on_list: Annotated[ListName | None, Query(alias="list")] = None,
    start: Annotated[int, Query(ge=0, le=MOST_ROWS)] = 0,
    most: Annotated[int | None, Query(ge=1, le=MOST_ROWS)] = None,
) -> list[WomanOut]:
    """Every woman followed here by code, or those on one list, the most pressing first.

    ``most`` of them, from number ``start`` on (the first is 0); all by default.
    """
    state: State = request.app.state.shared
    today = state.today()
    state.catch_up()
    with state.database.read() as session:
        if on_list is None:
            every = open_rows(session, state.rules, start, most)
            too_high = {shift.on for shift in days_too_high(session, today)}
            return [woman_out(due_now(row, today, state.rules, too_high), today) for row in every]
        rows = part_of_list(session, state.rules, on_list, today, start, most).rows
        return [woman_out(row, today) for row in rows]


@router.post(
    "/women",
    status_code=201,
    dependencies=[Depends(api_csrf)],
    responses={**CONFLICT, **BAD_BODY},
)
def post_woman(request: Request, visitor: Carer, body: WomanIn) -> WomanOut:
    """Add a woman."""
    state: State = request.app.state.shared
    with state.database.write() as session:
        if find_woman(session, body.code) is not None:
            raise HTTPException(409, mark("This code is in the register already."))
        woman = add_woman(
            session,
            body.code,
            body.gestation_weeks,
            state.today(),
            visitor.account_id,
            body.smoking,
        )
        return woman_out(row_of(woman, state.rules), state.today())


@router.get("/women/{woman_id}", responses=NOT_FOUND)
def get_woman(request: Request, visitor: Carer, woman_id: RecordId) -> WomanOut:
    """One woman."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        today = state.today()
        row, _ = row_today(woman_of(session, woman_id), today, state.rules)
        return woman_out(row, today)


def woman_of(session: Session, woman_id: str) -> Woman:
    """The woman of an address; 404 where there is none."""
    return at_address(session, Woman, woman_id, mark("No such woman."))
