"""The lists: due, overdue, referral open, severe, no rise; and the referral slip."""

from __future__ import annotations

import re

from fastapi import APIRouter, HTTPException, Request
from starlette.responses import Response

from cardreader.register import audit
from cardreader.register.lists import ListName
from cardreader.register.models import Referral
from cardreader.register.shownlists import part_of_list
from cardreader.web import words
from cardreader.web.access import Carer
from cardreader.web.ataddress import at_address
from cardreader.web.happened import ask_again_on, read_since
from cardreader.web.judgedwords import judge_of
from cardreader.web.render import page
from cardreader.web.state import State

router = APIRouter(include_in_schema=False)
MOST = 100
"""Rows of a list shown at once: nobody sees more women in a day."""


@router.get("/lists/{name}")
def show(request: Request, visitor: Carer, name: str, start: str = "") -> Response:
    """One list, the most pressing first, so many at a time."""
    try:
        chosen = ListName(name)
    except ValueError:
        raise HTTPException(404, "No such list.") from None
    state: State = request.app.state.shared
    today = state.today()
    number = int(start) if re.fullmatch(r"\d{1,7}", start, re.ASCII) else 0
    state.catch_up()
    with state.database.read() as session:
        part = part_of_list(session, state.rules, chosen, today, number, MOST)
        rows = part.rows
        return page(
            request,
            "list.html",
            name=chosen,
            names=list(ListName),
            rows=rows,
            total=part.total,
            start=number,
            before=max(number - MOST, 0) if number else None,
            after=number + MOST if number + MOST < part.total else None,
            today=today,
            words=words,
            ListName=ListName,
            read_since=read_since,
            asks={r.id: ask_again_on(r, state.rules) for row in rows for r in row.referrals},
            waits={
                row.woman.id: (today - row.referral.opened_at.astimezone().date()).days
                for row in rows
                if row.referral
            },
            late={row.woman.id: max((today - row.due.last_on).days, 0) for row in rows if row.due},
        )


@router.get("/referrals/{referral_id}/slip.pdf")
def slip(request: Request, visitor: Carer, referral_id: str) -> Response:
    """The slip that she takes to the facility."""
    from cardreader.web.documents import referral_slip  # pages are up before what prints

    state: State = request.app.state.shared
    with state.database.read() as session:
        referral = at_address(session, Referral, referral_id)
        pdf = referral_slip(referral, state.settings.place, judge_of(referral, state.reader.rules))
        name = f"referral-{referral.woman.code.replace('/', '-')}.pdf"
    with state.database.write() as session:
        audit.append(session, "slip.print", referral_id, visitor.account_id)
    return Response(
        pdf,
        media_type="application/pdf",
        headers={"Content-Disposition": f'inline; filename="{name}"'},
    )
