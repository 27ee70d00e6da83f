"""The first start on a phone alone: who works here, and by which PIN."""

from __future__ import annotations

import secrets
from typing import Annotated

from fastapi import APIRouter, Depends, HTTPException, Request
from sqlalchemy import func, select
from starlette.datastructures import FormData
from starlette.responses import HTMLResponse, Response

from cardreader.register import accounts, devices
from cardreader.register.kinds import Role
from cardreader.register.models import Account
from cardreader.web.access import COOKIE, DEVICE_COOKIE, form_of
from cardreader.web.fields import Fields
from cardreader.web.pages.pin import KEPT_S, pin_problems, typed_digits
from cardreader.web.pages.signin import set_cookie
from cardreader.web.render import page
from cardreader.web.state import State
from cardreader.web.texts import mark

router = APIRouter(include_in_schema=False, prefix="/first")


@router.get("")
def show(request: Request, token: str = "") -> Response:
    """Name and PIN; only by the address that the start showed, and only once."""
    _check(request, token)
    return _page(request, token)


@router.post("")
def make(request: Request, form: Annotated[FormData, Depends(form_of)]) -> Response:
    """Make the person, let the PIN open this phone, and show the password once."""
    state: State = request.app.state.shared
    fields = Fields(form)
    token = fields.raw("token")
    _check(request, token)
    name, pin = fields.text("name", 60), typed_digits(form, "pin")
    problems = {**fields.problems, **pin_problems(pin, typed_digits(form, "again"))}
    if problems:
        values = {"name": name}
        return _page(request, token, 422, problems=problems, values=values)
    password = "-".join(secrets.token_hex(2) for _ in range(4))
    with state.database.write() as session:
        if session.scalar(select(func.count()).select_from(Account)):
            raise HTTPException(404)
        # Alone, she is her own supervisor: corrections, backups and deleting are hers.
        account = accounts.add_account(session, name, Role.SUPERVISOR, password)
        device = devices.set_pin(session, account, pin, None)
        signed_in = accounts.start(session, account)[0]
    request.app.state.first_token = None
    response = page(request, "first_done.html", name=name, password=password)
    age = int(state.session.whole.total_seconds())
    set_cookie(response, state.settings, COOKIE, signed_in, age)
    set_cookie(response, state.settings, DEVICE_COOKIE, device, KEPT_S)
    return response


def _page(request: Request, token: str, status: int = 200, **more: dict[str, str]) -> HTMLResponse:
    # Where a choice of language or colours leads back to: without the token it is closed.
    path = f"/first?token={token}"
    return page(
        request, "first.html", status, token=token, path=path, digits=devices.PIN_DIGITS, **more
    )


def _check(request: Request, token: str) -> None:
    """Another app of the phone can reach the page, too; it doesn't know the token."""
    expected = request.app.state.first_token
    if expected is None:
        raise HTTPException(404)
    if not secrets.compare_digest(token.encode(), expected.encode()):
        raise HTTPException(403, mark("Open the address that the start showed."))
