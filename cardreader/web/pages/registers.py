"""Handing over to another register on the same network: a code is shown here, or typed here."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fastapi import APIRouter, Request
from markupsafe import Markup
from starlette.responses import Response

from cardreader.register.meet.code import clean_code, grouped
from cardreader.register.meet.course import OVER, Stage, Standing
from cardreader.register.meet.side import Side, Unknown
from cardreader.register.meet.snags import MeetError
from cardreader.register.merge.registers import (
    LONGEST_NAME,
    card_of,
    card_of_known,
    known_registers,
    own_register,
)
from cardreader.web.access import Form, Supervisor
from cardreader.web.address import qr_picture
from cardreader.web.fields import Fields
from cardreader.web.meeting import address_and_code
from cardreader.web.meetwords import conflicts_of, stage_words, took_words
from cardreader.web.render import go, page
from cardreader.web.state import State
from cardreader.web.texts import gettext as _
from cardreader.web.texts import mark

if TYPE_CHECKING:
    from cardreader.web.whereabouts import Whereabouts

router = APIRouter(include_in_schema=False, prefix="/registers")

UNKNOWN = {
    Unknown.REFUSE: mark("Hand over only to a register that is known here"),
    Unknown.TELL_ALL: mark("Get to know it, and tell it of every woman"),
    Unknown.ONLY_THEIRS: mark("Get to know it, and tell it only of women it handed over itself"),
}


@router.get("")
def show(request: Request, visitor: Supervisor) -> Response:
    """The registers known here, what is going on, and the two ways to begin."""
    return _page(request)


@router.post("/name")
def name(request: Request, visitor: Supervisor, form: Form) -> Response:
    """What this register is called among others."""
    state: State = request.app.state.shared
    fields = Fields(form)
    called = fields.text("name", LONGEST_NAME)
    if fields.problems:
        return _page(request, fields)
    with state.database.write() as session:
        own_register(session, called)
    return go("/registers", "saved")


@router.post("/code")
def show_code(request: Request, visitor: Supervisor, form: Form) -> Response:
    """Show a code from now on, for ten minutes or one meeting."""
    state: State = request.app.state.shared
    fields = Fields(form)
    side = _side(state, fields, visitor.account_id)
    if _where(request) is None:
        fields.problems["code"] = _(ALONE)
    if fields.problems:
        return _page(request, fields)
    try:
        state.meetings.host.offer(side)
    except MeetError as busy:
        fields.problems["code"] = stage_words(Standing(Stage.ENDED, snag=busy.snag))
        return _page(request, fields, 409)
    return go("/registers")


@router.post("/meet")
def meet(request: Request, visitor: Supervisor, form: Form) -> Response:
    """Go to the register at an address with the code that is shown there."""
    state: State = request.app.state.shared
    fields = Fields(form)
    side = _side(state, fields, visitor.account_id)
    address, code = address_and_code(fields.raw("address")[:200])
    try:
        code = clean_code(fields.raw("typed") or code)
    except ValueError:
        fields.problems["typed"] = _("A code has eight digits.")
    try:
        if not fields.problems:
            state.meetings.visit(side, address, code)
    except ValueError:
        fields.problems["address"] = _("An address as 192.168.1.20:8443.")
    except MeetError as busy:
        fields.problems["address"] = stage_words(Standing(Stage.ENDED, snag=busy.snag))
    if fields.problems:
        return _page(request, fields)
    return go("/registers")


@router.post("/forget")
def forget(request: Request, visitor: Supervisor, form: Form) -> Response:
    """Show the code no more, and not what became of the last hand-over."""
    state: State = request.app.state.shared
    state.meetings.forget()
    return go("/registers")


ALONE = mark(
    "This register is reached on this device alone. Let the other show the code; type it here."
)


def _side(state: State, fields: Fields, by: str) -> Side:
    return Side(
        state.database,
        state.settings.data,
        state.judge,
        state.photos,
        fields.raw("photos") == "yes",
        fields.choice("unknown", Unknown),
        by,
    )


def _where(request: Request) -> Whereabouts | None:
    """Where other machines find this register; None where they can't."""
    now = getattr(request.app.state, "whereabouts", None)
    return None if now is None else now()


def _page(request: Request, fields: Fields | None = None, status: int = 422) -> Response:
    state: State = request.app.state.shared
    with state.database.write() as session:
        own_register(session)  # made when it is first asked for
    with state.database.read() as session:
        own = card_of(own_register(session))
        known = [(one, card_of_known(one).code) for one in known_registers(session)]
        return page(
            request,
            "registers.html",
            status if fields else 200,
            problems={} if fields is None else fields.problems,
            values={"name": own.name, "unknown": Unknown.REFUSE.value}
            | ({} if fields is None else fields.values),
            own=own,
            known=known,
            shown=_shown(request),
            hosting=_told(state.meetings.host.standing()),
            visiting=_told(state.meetings.visiting()),
            can_host=_where(request) is not None,
            alone=ALONE,
            keeps_photos=state.photos is not None,
            unknown=UNKNOWN,
        )


def _shown(request: Request) -> dict[str, Any] | None:
    """The code and where to type it; None where none is shown."""
    state: State = request.app.state.shared
    now, where = state.meetings.host.shown(), _where(request)
    if now is None or where is None:
        return None
    code, left_s = now
    urls = [where.register_url(host) for host in where.hosts]
    return {
        "code": grouped(code),
        "minutes": max(1, round(left_s / 60)),
        "addresses": [url.rstrip("/") for url in urls],
        "picture": Markup(qr_picture(f"{urls[0]}#{code}")),
    }


def _told(standing: Standing | None) -> dict[str, Any] | None:
    if standing is None:
        return None
    return {
        "words": stage_words(standing),
        "other": standing.other,
        "detail": standing.detail,
        "percent": standing.percent,
        "over": standing.stage in OVER,
        "waiting": standing.stage is Stage.WAITING,
        "failed": standing.snag is not None,
        "took": None if standing.took is None else took_words(standing.took),
        "gave": None if standing.gave is None else took_words(standing.gave),
        "conflicts": conflicts_of(standing.took),
    }
