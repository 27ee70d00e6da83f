"""What registers differ over, and women under two records: the supervisor decides."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, HTTPException, Request
from sqlalchemy.orm import Session
from starlette.responses import Response

from cardreader.register.lists import row_of
from cardreader.register.merge import conflicts as found
from cardreader.register.merge.contradictions import contradictions
from cardreader.register.merge.days import SameDay, same_days
from cardreader.register.merge.joining import join_two, part, said_of
from cardreader.register.merge.store import load_women
from cardreader.register.mergemodels import Joining
from cardreader.register.models import Visit, Woman
from cardreader.register.women import find_woman
from cardreader.web import words
from cardreader.web.access import Form, Supervisor
from cardreader.web.ataddress import at_address
from cardreader.web.conflictwords import choice_words, field_words, said_in, value_words
from cardreader.web.fields import Fields
from cardreader.web.render import go, page
from cardreader.web.state import State
from cardreader.web.texts import gettext as _
from cardreader.web.texts import mark

router = APIRouter(include_in_schema=False, prefix="/conflicts")


@router.get("")
def show(request: Request, visitor: Supervisor) -> Response:
    """All that is to be decided, and who was joined."""
    return _page(request, None)


@router.post("/decide")
def decide(request: Request, visitor: Supervisor, form: Form) -> Response:
    """Let one of the values hold."""
    state: State = request.app.state.shared
    with state.database.write() as session:
        try:
            found.decide(session, Fields(form).raw("change"), visitor.account_id, state.judge)
        except ValueError:
            raise HTTPException(409, mark("This page was used before. Load it again.")) from None
    return go("/conflicts", "saved")


@router.post("/settle/{woman_id}")
def settle(request: Request, visitor: Supervisor, form: Form, woman_id: str) -> Response:
    """Let what one of her records says hold for all of them."""
    state: State = request.app.state.shared
    token = Fields(form).raw("token")
    with state.database.write() as session:
        try:
            found.settle(session, woman_id, token, visitor.account_id, state.judge)
        except ValueError:
            raise HTTPException(409, mark("This page was used before. Load it again.")) from None
    return go("/conflicts", "saved")


@router.get("/join")
def compare(request: Request, visitor: Supervisor, one: str = "", other: str = "") -> Response:
    """Two records side by side, before they are joined."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        pair = _pair(session, one, other)
        if isinstance(pair, dict):
            return _page(request, pair, {"one": one[:24], "other": other[:24]})
        rows = [row_of(woman, state.rules) for woman in pair]
        against = contradictions(said_of(load_women(session, {w.id for w in pair}).values()))
        return page(request, "join.html", rows=rows, words=words, against=map(said_in, against))


@router.post("/join")
def join(request: Request, visitor: Supervisor, form: Form) -> Response:
    """Show two records as one woman's from now on."""
    state: State = request.app.state.shared
    fields = Fields(form)
    with state.database.write() as session:
        pair = _pair(session, fields.raw("one"), fields.raw("other"))
        if isinstance(pair, dict):
            return _page(request, pair, fields.values)
        joining = join_two(session, pair[0].id, pair[1].id, visitor.account_id, state.judge)
        session.flush()
        shown = found.shown_as(session, joining.one_id)
    return go(f"/women/{shown}", "saved")


@router.post("/part/{joining_id}")
def take_apart(request: Request, visitor: Supervisor, form: Form, joining_id: str) -> Response:
    """They are two women after all."""
    state: State = request.app.state.shared
    with state.database.write() as session:
        joining = at_address(session, Joining, joining_id)
        if joining.parted_at is None:
            part(session, joining, visitor.account_id, state.judge)
    return go("/conflicts", "saved")


def _pair(session: Session, one: str, other: str) -> tuple[Woman, Woman] | dict[str, str]:
    """The two women, or what is wrong with their codes."""
    women = {"one": find_woman(session, one), "other": find_woman(session, other)}
    problems = {
        name: _("There is no woman with this code.")
        for name, woman in women.items()
        if woman is None
    }
    first, second = women["one"], women["other"]
    if first is None or second is None:
        return problems
    if first.id == second.id:
        return {"other": _("These two are one record already.")}
    return first, second


def _said_of(day: SameDay) -> list[tuple[Visit, str]]:
    """Each visit of a day, with what its own blots say."""
    return [(v, words.visit_words(v)) for v in day.visits]


def _contradicted(one: found.Contradictory) -> tuple[found.Contradictory, str, list[Any]]:
    """It, what it is in, and each record's word."""
    said = [(choice, choice_words(one.kind, choice.value)) for choice in one.choices]
    return one, said_in(one.kind), said


def _page(
    request: Request, problems: dict[str, str] | None, values: dict[str, str] | None = None
) -> Response:
    state: State = request.app.state.shared
    with state.database.read() as session:
        to_decide: list[dict[str, Any]] = [
            {
                "conflict": conflict,
                "field": field_words(conflict),
                "values": [(v, value_words(conflict, v.value)) for v in conflict.values],
            }
            for conflict in found.conflicts(session)
        ]
        return page(
            request,
            "conflicts.html",
            422 if problems else 200,
            to_decide=to_decide,
            contradictory=[_contradicted(one) for one in found.contradictory(session)],
            clashes=found.code_clashes(session),
            regimens=found.two_regimens(session),
            same_days=[(day, _said_of(day)) for day in same_days(session)],
            joinings=found.standing_joinings(session),
            problems=problems or {},
            values=values or {},
        )
