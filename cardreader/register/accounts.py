"""Accounts and sign-ins.

Passwords are kept as argon2id hashes. A sign-in ends after a time without use
and after a working day at the latest; the browser holds a random token, the
database only the token's hash.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import secrets
from dataclasses import dataclass
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from cardreader.core.written import as_line, name_key
from cardreader.register import audit
from cardreader.register.base import utc_now
from cardreader.register.kinds import Role
from cardreader.register.models import Account, Device, SignIn

MIN_PASSWORD = 10
MAX_PASSWORD = 200
HASHER = PasswordHasher()
"""As dear as the library has it: RFC 9106, section 4, for little memory."""
_SEEN_STEP = dt.timedelta(seconds=30)
"""How stale ``seen_at`` may get before it is written again: spares a write per page."""


@dataclass(frozen=True)
class SessionLimits:
    """How long a sign-in lasts."""

    idle: dt.timedelta = dt.timedelta(minutes=30)
    whole: dt.timedelta = dt.timedelta(hours=12)


_PROBLEMS = {
    "too_short": f"the password is too short: it needs at least {MIN_PASSWORD} characters",
    "too_long": f"the password is too long: {MAX_PASSWORD} characters at most",
}


@cache
def _nobody_hash() -> str:
    # Checked when the name is unknown, so that time doesn't tell names from none.
    return HASHER.hash(secrets.token_hex(16))


def password_problem(password: str) -> str | None:
    """Why a password can't be taken: ``too_short``, ``too_long`` or None."""
    if len(password) < MIN_PASSWORD:
        return "too_short"
    return "too_long" if len(password) > MAX_PASSWORD else None


def add_account(
    session: Session, name: str, role: Role, password: str, by: str | None = None
) -> Account:
    """Add a person. The name is compared without regard to case."""
    name = as_line(name)
    if not 1 <= len(name) <= 60:
        raise ValueError("a name has 1 to 60 characters")
    if problem := password_problem(password):
        raise ValueError(_PROBLEMS[problem])
    if find_account(session, name) is not None:
        raise ValueError("this name is taken")
    account = Account(name=name, role=Role(role).value, password_hash=HASHER.hash(password))
    session.add(account)
    session.flush()
    audit.append(session, "account.add", account.id, by, role=account.role)
    return account


def find_account(session: Session, name: str) -> Account | None:
    """The account of that name, any case; one that is written just so comes first.

    Compared here: SQLite knows the two cases of no letter beyond A to Z.
    """
    key = name_key(name)
    found = session.execute(select(Account.name, Account.id).order_by(Account.created_at)).all()
    alike = [row for row in found if name_key(row[0]) == key]
    if not alike:
        return None
    chosen = next((row for row in alike if row[0] == as_line(name)), alike[0])
    return session.get(Account, chosen[1])


def set_password(session: Session, account: Account, password: str, by: str | None) -> None:
    """Change a password and end all of the account's sign-ins and PINs."""
    if problem := password_problem(password):
        raise ValueError(_PROBLEMS[problem])
    account.password_hash = HASHER.hash(password)
    end_all(session, account)
    audit.append(session, "account.password", account.id, by)


def set_disabled(session: Session, account: Account, disabled: bool, by: str | None) -> None:
    """Close or reopen an account; closing ends its sign-ins."""
    account.disabled = disabled
    if disabled:
        end_all(session, account)
    audit.append(session, "account.disable" if disabled else "account.enable", account.id, by)


def right_password(session: Session, name: str, password: str) -> Account | None:
    """The account if name and password fit and it isn't closed."""
    account = find_account(session, name)
    if account is None:
        _verify(_nobody_hash(), password)
        return None
    return account if _verify(account.password_hash, password) and not account.disabled else None


def set_role(session: Session, account: Account, role: Role, by: str | None) -> None:
    """Give a person another role; it holds from the next page on."""
    before, account.role = account.role, Role(role).value
    if before != account.role:
        audit.append(session, "account.role", account.id, by, before=before, role=account.role)


def hashed_secret(secret: str) -> str:
    """What is kept of a password or PIN."""
    return HASHER.hash(secret)


def is_right_secret(hashed: str, secret: str) -> bool:
    """Whether a password or PIN fits what was kept of it."""
    return _verify(hashed, secret)


def _verify(hashed: str, password: str) -> bool:
    try:
        return HASHER.verify(hashed, password[: MAX_PASSWORD + 1])
    except (VerificationError, InvalidHashError):
        return False


def start(session: Session, account: Account) -> tuple[str, SignIn]:
    """Sign in; returns the token for the browser and the row."""
    token = secrets.token_urlsafe(32)
    now = utc_now()
    row = SignIn(
        token_hash=token_sha256(token),
        account_id=account.id,
        csrf=secrets.token_urlsafe(24),
        started_at=now,
        seen_at=now,
    )
    session.add(row)
    audit.append(session, "sign_in", account.id, account.id)
    return token, row


def keep(session: Session, token: str, account_id: str, csrf: str, started_at: dt.datetime) -> None:
    """Write down a sign-in that began when nothing could be written, or note that it is in use."""
    row = session.get(SignIn, token_sha256(token))
    if row is not None:
        row.seen_at = utc_now()
        return
    session.add(
        SignIn(
            token_hash=token_sha256(token),
            account_id=account_id,
            csrf=csrf,
            started_at=started_at,
            seen_at=utc_now(),
        )
    )
    audit.append(session, "sign_in", account_id, account_id, began=started_at)


def current(session: Session, token: str, limits: SessionLimits) -> SignIn | None:
    """The sign-in of a token, if it is neither ended nor expired."""
    row = session.get(SignIn, token_sha256(token))
    if row is None or row.account.disabled:
        return None
    now = utc_now()
    alive = now - row.seen_at <= limits.idle and now - row.started_at <= limits.whole
    return row if alive else None


def needs_touch(row: SignIn) -> bool:
    """Whether the time of last use is stale enough to be written."""
    return utc_now() - row.seen_at > _SEEN_STEP


def touch(session: Session, token: str) -> None:
    """Note that a sign-in is in use."""
    row = session.get(SignIn, token_sha256(token))
    if row is not None:
        row.seen_at = utc_now()


def end(session: Session, token: str) -> None:
    """Sign out."""
    row = session.get(SignIn, token_sha256(token))
    if row is not None:
        audit.append(session, "sign_out", row.account_id, row.account_id)
        session.delete(row)


def end_all(session: Session, account: Account) -> None:
    """End every sign-in of an account, and the PINs on its devices."""
    session.execute(delete(SignIn).where(SignIn.account_id == account.id))
    session.execute(delete(Device).where(Device.account_id == account.id))


def token_sha256(token: str) -> str:
    """What the register keeps of a secret that a phone holds."""
    return hashlib.sha256(token.encode()).hexdigest()
