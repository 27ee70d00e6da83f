"""Signing in and out, and the choice of language."""

from __future__ import annotations

import re
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from limits import RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter
from starlette.datastructures import FormData
from starlette.responses import Response

from cardreader.register import accounts, audit
from cardreader.register.models import Account
from cardreader.web import texts
from cardreader.web.access import COOKIE, Form, find_visitor, form_of
from cardreader.web.guard import LANGUAGE_COOKIE
from cardreader.web.render import go, page
from cardreader.web.settings import Settings
from cardreader.web.texts import gettext as _

router = APIRouter(include_in_schema=False)
_tries = MovingWindowRateLimiter(MemoryStorage())


@router.get("/sign-in")
def show(request: Request, next: str = "/") -> Response:
    """The sign-in page."""
    if find_visitor(request) is not None:
        return go(_inside(next))
    return page(request, "signin.html", next=_inside(next), name="")


@router.post("/sign-in")
def sign_in(request: Request, form: Annotated[FormData, Depends(form_of)]) -> Response:
    """Check name and password."""
    settings: Settings = request.app.state.settings
    name, password = str(form.get("name", ""))[:60], str(form.get("password", ""))
    target = _inside(str(form.get("next", "/")))

    def again(status: int, problem: str) -> Response:
        return page(
            request, "signin.html", status, next=target, name=name, problems={"form": problem}
        )

    client = request.client.host if request.client else "unknown"
    rate = RateLimitItemPerMinute(settings.sign_in_tries_a_minute)
    # By address and by name: neither many names from one phone nor one name from many.
    within = [
        _tries.hit(rate, str(id(request.app)), kind, who)
        for kind, who in (("address", client), ("name", name.strip().lower()))
    ]
    if not all(within):
        answer = again(429, _("Too many tries. Wait a minute."))
        answer.headers["Retry-After"] = "60"
        return answer
    with request.app.state.database.write() as session:
        account = accounts.right_password(session, name, password)
        if account is None:
            audit.append(session, "sign_in.refused", "-")
            return again(403, _("Name or password is not right."))
        token, _row = accounts.start(session, account)
        language = account.language
    response = go(target)
    _set_cookie(response, settings, COOKIE, token, int(settings.session.whole.total_seconds()))
    if language in texts.languages():
        _set_cookie(response, settings, LANGUAGE_COOKIE, str(language), 31_536_000)
    return response


@router.post("/sign-out")
def sign_out(request: Request, form: Form) -> Response:
    """End this browser's sign-in."""
    with request.app.state.database.write() as session:
        accounts.end(session, request.cookies.get(COOKIE, ""))
    response = go("/sign-in", "signed-out")
    response.delete_cookie(COOKIE, path="/")
    return response


@router.post("/language")
def language(request: Request, form: Annotated[FormData, Depends(form_of)]) -> Response:
    """Choose the language of this browser, and of whoever is signed in."""
    chosen = str(form.get("language", ""))
    response = go(_inside(str(form.get("next", "/"))))
    if chosen in texts.languages():
        visitor = find_visitor(request)
        if visitor is not None:
            with request.app.state.database.write() as session:
                session.get_one(Account, visitor.account_id).language = chosen
        _set_cookie(response, request.app.state.settings, LANGUAGE_COOKIE, chosen, 31_536_000)
    return response


def _set_cookie(response: Response, settings: Settings, name: str, value: str, age: int) -> None:
    response.set_cookie(
        name,
        value,
        max_age=age,
        path="/",
        httponly=True,
        samesite="strict",
        secure=settings.secure_cookies,
    )


def _inside(target: str) -> str:
    """A path of this server; anything else becomes the first page."""
    return target if re.fullmatch(r"/(?![/\\])[\w/.~-]*", target, re.ASCII) else "/"
