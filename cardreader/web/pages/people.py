"""Accounts, one's own password, and the audit trail."""

from __future__ import annotations

from fastapi import APIRouter, Request
from sqlalchemy import select
from starlette.responses import Response

from cardreader.register import accounts, audit, devices
from cardreader.register.auditnames import women_of
from cardreader.register.kinds import Role
from cardreader.register.models import Account, AuditEntry
from cardreader.web import words
from cardreader.web.access import COOKIE, Anyone, Form, Supervisor
from cardreader.web.ataddress import at_address
from cardreader.web.fields import Fields
from cardreader.web.render import go, page
from cardreader.web.state import State
from cardreader.web.texts import gettext as _

router = APIRouter(include_in_schema=False)
ENTRIES = 200


@router.get("/more")
def more(request: Request, visitor: Anyone) -> Response:
    """Everything that has no place in the bar below."""
    return page(request, "more.html", roles=words.ROLES)


@router.get("/password")
def password_form(request: Request, visitor: Anyone) -> Response:
    """The form for one's own password."""
    return page(request, "password.html", least=accounts.MIN_PASSWORD)


@router.post("/password")
def password(request: Request, visitor: Anyone, form: Form) -> Response:
    """Change one's own password; every browser must sign in again."""
    state: State = request.app.state.shared
    old, new = str(form.get("old", "")), str(form.get("new", ""))
    problems = {}
    with state.database.write() as session:
        account = accounts.right_password(session, visitor.name, old)
        if account is None:
            problems["old"] = _("This is not your password.")
        if accounts.password_problem(new):
            problems["new"] = _("%(least)s to %(most)s letters.") % _lengths()
        if account is not None and not problems:
            accounts.set_password(session, account, new, visitor.account_id)
            response = go("/sign-in", "password")
            response.delete_cookie(COOKIE, path="/")
            return response
    return page(request, "password.html", 422, least=accounts.MIN_PASSWORD, problems=problems)


@router.get("/people")
def people(request: Request, visitor: Supervisor) -> Response:
    """All accounts."""
    return _people(request, {}, {})


@router.post("/people")
def add(request: Request, visitor: Supervisor, form: Form) -> Response:
    """Add a person."""
    state: State = request.app.state.shared
    fields = Fields(form)
    name = fields.text("name", 60)
    role = fields.choice("role", Role)
    password = str(form.get("password", ""))
    if accounts.password_problem(password):
        fields.problems["password"] = _("%(least)s to %(most)s letters.") % _lengths()
    with state.database.write() as session:
        if name and accounts.find_account(session, name) is not None:
            fields.problems["name"] = _("This name is taken.")
        if not fields.problems:
            accounts.add_account(session, name, role, password, visitor.account_id)
            return go("/people", "saved")
    values = {k: v for k, v in fields.values.items() if k != "password"}
    return _people(request, values, fields.problems, 422)


@router.post("/people/{account_id}")
def change(request: Request, visitor: Supervisor, form: Form, account_id: str) -> Response:
    """Close or reopen an account, give it another role or password, or take its PINs away."""
    state: State = request.app.state.shared
    with state.database.write() as session:
        account = at_address(session, Account, account_id)
        match form.get("what"):
            # Nobody locks themselves out: the last supervisor could not come back in.
            case "disable" if account.id != visitor.account_id:
                accounts.set_disabled(session, account, True, visitor.account_id)
            case "enable":
                accounts.set_disabled(session, account, False, visitor.account_id)
            case "password":
                new = str(form.get("password", ""))
                if accounts.password_problem(new):
                    wrong = {
                        f"password-{account.id}": _("%(least)s to %(most)s letters.") % _lengths()
                    }
                    return _people(request, {}, wrong, 422)
                accounts.set_password(session, account, new, visitor.account_id)
            case "role" if account.id != visitor.account_id:
                role = str(form.get("role", ""))
                if role not in set(Role):
                    return go("/people")
                accounts.set_role(session, account, Role(role), visitor.account_id)
            case "pins":
                devices.forget_all(session, account, visitor.account_id)
            case _:
                return go("/people")
    return go("/people", "saved")


@router.get("/audit")
def trail(request: Request, visitor: Supervisor) -> Response:
    """The newest entries, and whether the chain holds."""
    state: State = request.app.state.shared
    with state.database.read() as session:
        check = audit.check(session)
        newest = select(AuditEntry).order_by(AuditEntry.seq.desc()).limit(ENTRIES)
        entries = list(session.scalars(newest))
        return page(
            request,
            "audit.html",
            entries=entries,
            check=check,
            names={a.id: a.name for a in session.scalars(select(Account))},
            women=women_of(session, entries),
        )


def _people(
    request: Request, values: dict[str, str], problems: dict[str, str], status: int = 200
) -> Response:
    state: State = request.app.state.shared
    with state.database.read() as session:
        everyone = list(session.scalars(select(Account).order_by(Account.name)))
        pins = devices.device_counts(session)
    return page(
        request,
        "people.html",
        status,
        people=everyone,
        pins=pins,
        roles=words.ROLES,
        values=values,
        problems=problems,
        least=accounts.MIN_PASSWORD,
    )


def _lengths() -> dict[str, int]:
    return {"least": accounts.MIN_PASSWORD, "most": accounts.MAX_PASSWORD}
