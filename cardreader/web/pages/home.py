"""The first page: find or add the woman, and what is waiting."""

from __future__ import annotations

from fastapi import APIRouter, Request
from sqlalchemy import func, select
from starlette.responses import Response

from cardreader.register.lists import ListName, list_counts, open_rows
from cardreader.register.models import Role, Visit
from cardreader.register.women import find_woman, search_women
from cardreader.web.access import Anyone, Carer
from cardreader.web.render import go, page
from cardreader.web.state import State
from cardreader.web.words import TITLES

router = APIRouter(include_in_schema=False)


@router.get("/")
def first(request: Request, visitor: Anyone) -> Response:
    """Today's start."""
    if visitor.role is Role.RESEARCHER:
        return go("/exchange")
    state: State = request.app.state.shared
    today = state.today()
    with state.database.read() as session:
        counts = list_counts(open_rows(session, state.rules), today)
        seen = session.scalar(select(func.count()).select_from(Visit).where(Visit.on == today))
    waiting = [(name, TITLES[name], counts[name]) for name in ListName]
    return page(request, "home.html", waiting=waiting, seen=seen, today=today)


@router.get("/women")
def find(request: Request, visitor: Carer, find: str = "") -> Response:
    """Search by code; an exact code opens her page at once."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        exact = find_woman(session, find) if find else None
        if exact is not None:
            return go(f"/women/{exact.id}")
        women = search_women(session, find)
    return page(request, "find.html", women=women, find=find[:24])
