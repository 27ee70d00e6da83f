"""Signing in and out, and the choice of language."""

from __future__ import annotations

import re
from contextlib import suppress
from math import ceil
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Request
from sqlalchemy.exc import SQLAlchemyError
from starlette.datastructures import FormData
from starlette.responses import Response

from cardreader.register import accounts, audit
from cardreader.register.database import Database
from cardreader.register.devices import Known, known_device, password_given
from cardreader.register.models import Account
from cardreader.register.trouble import trouble_of
from cardreader.web import texts
from cardreader.web.access import COOKIE, DEVICE_COOKIE, Form, find_visitor, form_of
from cardreader.web.delay import SignInDelay
from cardreader.web.guard import LANGUAGE_COOKIE
from cardreader.web.render import NOTICES, go, page
from cardreader.web.settings import Settings
from cardreader.web.state import State
from cardreader.web.texts import gettext as _

router = APIRouter(include_in_schema=False)
CHOSEN_COOKIE = "language_chosen"
"""Says that the language was chosen by whoever is about to sign in."""
CHOSEN_FOR_S = 600
"""Whoever signs in later than that is taken for somebody else."""


@router.get("/sign-in")
def show(request: Request, next: str = "/", by: str = "") -> Response:
    """The sign-in page."""
    if find_visitor(request) is not None:
        return go(inside(next))
    known = None if by == "password" else known_here(request)
    return asked(request, inside(next), known)


def asked(
    request: Request,
    target: str,
    known: Known | None = None,
    status: int = 200,
    name: str = "",
    problem: str = "",
) -> Response:
    """The sign-in page; with the PIN where this device is ``known``. ``target`` comes after it."""
    template = "signin.html" if known is None else "signin_pin.html"
    # Where a choice of language or colours leads back to: she still wants to go where she went.
    query = {"next": target, **({"by": "password"} if known is None else {})}
    if (note := request.query_params.get("note", "")) in NOTICES:
        query["note"] = note
    return page(
        request,
        template,
        status,
        next=target,
        path=f"/sign-in?{urlencode(query)}",
        by_password=f"/sign-in?{urlencode({**query, 'by': 'password'})}",
        name=name,
        known=known,
        problems={"form": problem} if problem else {},
    )


def known_here(request: Request) -> Known | None:
    """Whose PIN this device has, if any."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        return known_device(session, request.cookies.get(DEVICE_COOKIE), state.pin_lasts)


@router.post("/sign-in")
def sign_in(request: Request, form: Annotated[FormData, Depends(form_of)]) -> Response:
    """Check name and password."""
    database: Database = request.app.state.database
    name, password = str(form.get("name", ""))[:60], str(form.get("password", ""))
    target = inside(str(form.get("next", "/")))

    delay: SignInDelay = request.app.state.sign_in_delay
    client = request.client.host if request.client else "unknown"
    wait_s = ceil(delay.begin(name, client))
    if wait_s:
        return too_many(request, wait_s, target)
    # Outside the writing transaction: checking takes long on purpose, and others wait to write.
    with database.read() as session:
        account = accounts.right_password(session, name, password)
    state: State = request.app.state.shared
    if account is None:
        # That it is noted matters less than that it is refused.
        with suppress(SQLAlchemyError, OSError), database.write() as session:
            audit.append(session, "sign_in.refused", "-")
        return asked(request, target, None, 403, name, _("Name or password is not right."))
    delay.passed(name, client)
    language = account.language
    try:
        with database.write() as session:
            account = session.get_one(Account, account.id)
            token, _row = accounts.start(session, account)
            password_given(session, account, request.cookies.get(DEVICE_COOKIE))
    except (SQLAlchemyError, OSError) as error:
        if (trouble := trouble_of(error)) is None:
            raise
        token = state.unkept.start(account, trouble)
    return let_in(request, target, token, language)


def let_in(request: Request, target: str, token: str, language: str | None) -> Response:
    """The way on for whoever has just signed in, with the cookies for it.

    A language chosen on the page just now goes before the account's own, for this time.
    """
    state: State = request.app.state.shared
    response = go(target)
    age = int(state.session.whole.total_seconds())
    set_cookie(response, state.settings, COOKIE, token, age)
    if request.cookies.get(CHOSEN_COOKIE):
        response.delete_cookie(CHOSEN_COOKIE, path="/")
    elif language in texts.languages():
        set_cookie(response, state.settings, LANGUAGE_COOKIE, str(language), 31_536_000)
    return response


def too_many(request: Request, wait_s: int, target: str, known: Known | None = None) -> Response:
    """The sign-in page, saying how long to wait."""
    words = _("Too many tries. Seconds to wait: %(seconds)s.") % {"seconds": wait_s}
    answer = asked(request, target, known, 429, "", words)
    answer.headers["Retry-After"] = str(wait_s)
    return answer


@router.post("/sign-out")
def sign_out(request: Request, form: Form) -> Response:
    """End this browser's sign-in."""
    # With the disk full the browser forgets its sign-in all the same; unused, that ends by itself.
    token = request.cookies.get(COOKIE, "")
    request.app.state.shared.unkept.end(token)
    with suppress(SQLAlchemyError, OSError), request.app.state.database.write() as session:
        accounts.end(session, token)
    response = go("/sign-in", "signed-out")
    response.delete_cookie(COOKIE, path="/")
    return response


@router.post("/language")
def language(request: Request, form: Annotated[FormData, Depends(form_of)]) -> Response:
    """Choose the language of this browser, and of whoever is signed in."""
    chosen = str(form.get("language", ""))
    response = go(inside(str(form.get("next", "/"))))
    if chosen in texts.languages():
        visitor = find_visitor(request)
        if visitor is None:
            set_cookie(response, request.app.state.settings, CHOSEN_COOKIE, "yes", CHOSEN_FOR_S)
        else:
            write = request.app.state.database.write
            # With the disk full the browser's own choice holds.
            with suppress(SQLAlchemyError, OSError), write() as session:
                session.get_one(Account, visitor.account_id).language = chosen
        set_cookie(response, request.app.state.settings, LANGUAGE_COOKIE, chosen, 31_536_000)
    return response


def set_cookie(response: Response, settings: Settings, name: str, value: str, age: int) -> None:
    """Set a cookie that neither scripts nor other sites see."""
    response.set_cookie(
        name,
        value,
        max_age=age,
        path="/",
        httponly=True,
        samesite="strict",
        secure=settings.secure_cookies,
    )


def inside(target: str) -> str:
    """A path of this server with what was asked of it; anything else becomes the first page."""
    known = r"/(?![/\\])[\w/.~-]*(\?[\w/.~%&=+:,-]*)?"
    return target if re.fullmatch(known, target, re.ASCII) else "/"
