"""A PIN for this phone: setting it, taking it away, and signing in with it."""

from __future__ import annotations

from math import ceil
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from sqlalchemy.exc import SQLAlchemyError
from starlette.datastructures import FormData
from starlette.responses import Response

from cardreader.core.written import ascii_digits
from cardreader.register import accounts, devices
from cardreader.register.trouble import trouble_of
from cardreader.web.access import DEVICE_COOKIE, Anyone, Form, form_of
from cardreader.web.delay import SignInDelay
from cardreader.web.pages.signin import asked, inside, let_in, set_cookie, too_many
from cardreader.web.render import go, page
from cardreader.web.state import State
from cardreader.web.texts import gettext as _

router = APIRouter(include_in_schema=False)
KEPT_S = 31_536_000


@router.post("/sign-in/pin")
def sign_in(request: Request, form: Annotated[FormData, Depends(form_of)]) -> Response:
    """Sign in by PIN on a device that knows its owner."""
    state: State = request.app.state.shared
    token = request.cookies.get(DEVICE_COOKIE, "")
    target, pin = inside(str(form.get("next", "/"))), typed_digits(form, "pin")
    with state.database.read() as session:
        known = devices.known_device(session, token, state.pin_lasts)
    if known is None:
        words = _("The PIN of this phone has ended. Sign in with your password.")
        return asked(request, target, None, 403, "", words)
    # The device's own five tries are what counts; this spares the work of checking them.
    delay: SignInDelay = request.app.state.sign_in_delay
    client = request.client.host if request.client else "unknown"
    if wait_s := ceil(delay.begin(f"pin {known.id}", client)):
        return too_many(request, wait_s, target, known)
    try:
        with state.database.write() as session:
            pin_hash = devices.begin_try(session, token, state.pin_lasts)
    except (SQLAlchemyError, OSError) as error:
        if trouble_of(error) is None:
            raise
        # A try that isn't counted would be one of any number.
        words = _("Nothing can be written now, so the PIN can't be tried. Use your password.")
        return asked(request, target, None, 503, "", words)
    right = pin_hash is not None and devices.is_right_pin(pin_hash, pin)
    with state.database.write() as session:
        account = devices.end_try(session, token, right)
        still = devices.known_device(session, token, state.pin_lasts)
        if account is not None:
            delay.passed(f"pin {known.id}", client)
            signed_in = accounts.start(session, account)[0]
            return let_in(request, target, signed_in, account.language)
    words = _("The PIN is not right.") if still else _("The PIN was wrong too often and has ended.")
    return asked(request, target, still, 403, "", words)


@router.get("/pin")
def show(request: Request, visitor: Anyone) -> Response:
    """Whether this phone has a PIN, and the form to set one."""
    return _page(request, {})


@router.post("/pin")
def set_pin(request: Request, visitor: Anyone, form: Form) -> Response:
    """Set a PIN; the password is asked for, so that a phone left open is not enough."""
    state: State = request.app.state.shared
    pin = typed_digits(form, "pin")
    problems = pin_problems(pin, typed_digits(form, "again"))
    delay: SignInDelay = request.app.state.sign_in_delay
    client = request.client.host if request.client else "unknown"
    if wait_s := ceil(delay.begin(visitor.name, client)):
        problems["password"] = _("Too many tries. Seconds to wait: %(seconds)s.") % {
            "seconds": wait_s
        }
    else:
        with state.database.read() as session:
            account = accounts.right_password(session, visitor.name, str(form.get("password", "")))
        if account is None:
            problems["password"] = _("This is not your password.")
        else:
            delay.passed(visitor.name, client)
    if problems:
        return _page(request, problems, 422)
    with state.database.write() as session:
        account = session.get_one(accounts.Account, visitor.account_id)
        token = devices.set_pin(session, account, pin, request.cookies.get(DEVICE_COOKIE))
    response = go("/more", "pin-set")
    set_cookie(response, state.settings, DEVICE_COOKIE, token, KEPT_S)
    return response


def typed_digits(form: FormData, name: str) -> str:
    """A field of digits, in whatever script the phone's keyboard has them."""
    return ascii_digits(str(form.get(name, "")))


def pin_problems(pin: str, again: str) -> dict[str, str]:
    """What is wrong with a PIN given twice, by field."""
    match devices.pin_problem(pin):
        case devices.PinProblem.NOT_DIGITS:
            return {"pin": _("%(n)s digits.") % {"n": devices.PIN_DIGITS}}
        case devices.PinProblem.EASY:
            return {"pin": _("This is too easy to guess. Choose another.")}
    return {} if pin == again else {"again": _("This is not the same as above.")}


@router.post("/pin/remove")
def remove(request: Request, visitor: Anyone, form: Form) -> Response:
    """Take the PIN from this phone."""
    state: State = request.app.state.shared
    with state.database.write() as session:
        devices.forget_device(session, request.cookies.get(DEVICE_COOKIE), visitor.account_id)
    response = go("/more", "pin-removed")
    response.delete_cookie(DEVICE_COOKIE, path="/")
    return response


def _page(request: Request, problems: dict[str, str], status: int = 200) -> Response:
    state: State = request.app.state.shared
    with state.database.read() as session:
        known = devices.known_device(session, request.cookies.get(DEVICE_COOKIE), state.pin_lasts)
    return page(
        request,
        "pin.html",
        status,
        known=known,
        problems=problems,
        digits=devices.PIN_DIGITS,
        tries=devices.WRONG_TRIES,
        days=state.base.rules.sign_in.pin_days,
    )
