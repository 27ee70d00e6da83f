"""Who is asking, and what they may do.

Roles: a worker sees women and enters readings; a supervisor can also manage
accounts, see the audit trail, set readings aside, delete, import; a researcher
sees counts, exports and the drift watch, but no woman's page.
"""

from __future__ import annotations

import secrets
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, replace
from typing import Annotated
from urllib.parse import urlsplit

from fastapi import Depends, HTTPException, Request
from sqlalchemy.exc import SQLAlchemyError
from starlette.datastructures import FormData

from cardreader.register import accounts
from cardreader.register.kinds import Role
from cardreader.register.trouble import Trouble, trouble_of
from cardreader.web.state import State
from cardreader.web.texts import mark

COOKIE = "signed_in"
DEVICE_COOKIE = "device"
CSRF_HEADER = "X-CSRF-Token"
CSRF_FIELD = "csrf"


class NeedSignInError(Exception):
    """The page needs a sign-in that isn't there."""


@dataclass(frozen=True)
class Visitor:
    """The signed-in person behind a request."""

    account_id: str
    name: str
    role: Role
    csrf: str
    # Why nothing can be written for now, where that is known.
    trouble: Trouble | None = None

    def may(self, *roles: Role) -> bool:
        """Whether the person has one of the roles."""
        return self.role in roles


def find_visitor(request: Request) -> Visitor | None:
    """The visitor of a request, or None without a living sign-in.

    With the disk full nobody can note that it is in use; reading goes on all the same.
    """
    token = request.cookies.get(COOKIE)
    if not token:
        return None
    state: State = request.app.state.shared
    database, limits = state.database, state.session
    with database.read() as session:
        unkept = state.unkept.current(session, token, limits)
        row = None if unkept is not None else accounts.current(session, token, limits)
        if unkept is not None:
            held, account = unkept
            csrf = held.csrf
        elif row is not None:
            account, csrf = row.account, row.csrf
        else:
            return None
        visitor = Visitor(account.id, account.name, Role(account.role), csrf)
        stale = row is not None and accounts.needs_touch(row)
    if unkept is not None:
        return replace(visitor, trouble=state.unkept.keep(database, token, unkept[0]))
    if stale and row is not None:
        try:
            with database.write() as session:
                accounts.touch(session, token)
        except (SQLAlchemyError, OSError) as error:
            if (trouble := trouble_of(error)) is None:
                raise
            state.unkept.hold(token, account, csrf, row.started_at, trouble)
            return replace(visitor, trouble=trouble)
    return visitor


def signed_in(request: Request) -> Visitor:
    """Dependency: any signed-in person."""
    visitor = find_visitor(request)
    if visitor is None:
        raise NeedSignInError
    request.state.visitor = visitor
    return visitor


def allow(*roles: Role) -> Callable[..., Visitor]:
    """Dependency: a signed-in person with one of the roles."""

    def allowed(visitor: Annotated[Visitor, Depends(signed_in)]) -> Visitor:
        if not visitor.may(*roles):
            raise HTTPException(403, mark("Your role may not do this."))
        return visitor

    return allowed


Anyone = Annotated[Visitor, Depends(signed_in)]
Carer = Annotated[Visitor, Depends(allow(Role.WORKER, Role.SUPERVISOR))]
Supervisor = Annotated[Visitor, Depends(allow(Role.SUPERVISOR))]
Analyst = Annotated[Visitor, Depends(allow(Role.SUPERVISOR, Role.RESEARCHER))]


async def form_of(request: Request) -> AsyncIterator[FormData]:
    """Dependency: the form sent, from our own pages only; its files are closed afterwards."""
    check_origin(request)
    async with request.form(max_files=2, max_fields=60) as form:
        yield form


async def checked_form(
    request: Request, visitor: Anyone, form: Annotated[FormData, Depends(form_of)]
) -> FormData:
    """Dependency: the form sent by a signed-in person, with their CSRF token."""
    if not _same(str(form.get(CSRF_FIELD, "")), visitor.csrf):
        raise HTTPException(403, mark("This page is out of date. Go back and load it again."))
    return form


Form = Annotated[FormData, Depends(checked_form)]


def api_csrf(request: Request, visitor: Anyone) -> None:
    """Dependency of the API's changing calls: origin and CSRF header."""
    check_origin(request)
    if not _same(request.headers.get(CSRF_HEADER, ""), visitor.csrf):
        raise HTTPException(403, f"The header {CSRF_HEADER} is missing or out of date.")


def check_origin(request: Request) -> None:
    """Refuse what another site made the browser send."""
    site = request.headers.get("sec-fetch-site")
    if site not in (None, "same-origin", "none"):
        raise HTTPException(403, mark("This was sent from another site."))
    origin = request.headers.get("origin")
    if origin is not None and _host(origin) != request.headers.get("host"):
        raise HTTPException(403, mark("This was sent from another site."))


def _host(origin: str) -> str | None:
    try:
        return urlsplit(origin).netloc
    except ValueError:  # no address at all
        return None


def _same(given: str, expected: str) -> bool:
    return secrets.compare_digest(given.encode(), expected.encode())
