"""A PIN in place of the password, on a device where its owner has signed in before.

Short, so it holds only together with the device: a random token that the browser
keeps and the database knows by its hash. Five wrong tries in all end it, whoever
makes them; then the password is asked for again. PINs are kept as argon2id hashes.
"""

from __future__ import annotations

import datetime as dt
import re
import secrets
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from cardreader.register import audit
from cardreader.register.accounts import hashed_secret, is_right_secret, token_sha256
from cardreader.register.base import utc_now
from cardreader.register.models import Account, Device

PIN_DIGITS = 6
WRONG_TRIES = 5
"""Five guesses at six digits: one in 200,000, less what people choose too often."""


class PinProblem(StrEnum):
    """Why a PIN can't be taken."""

    NOT_DIGITS = "not_digits"
    EASY = "easy"


@dataclass(frozen=True)
class Known:
    """A device whose owner may sign in by PIN."""

    id: str
    account_id: str
    name: str


def pin_problem(pin: str) -> PinProblem | None:
    """Why these digits can't be a PIN, or None."""
    if not re.fullmatch(rf"[0-9]{{{PIN_DIGITS}}}", pin):
        return PinProblem.NOT_DIGITS
    steps = {(int(b) - int(a)) % 10 for a, b in pairwise(pin)}
    # All the same, counted up or down, or one pair or triple over and over.
    easy = steps <= {0} or steps <= {1} or steps <= {9}
    repeated = pin[:2] * 3 == pin or pin[:3] * 2 == pin
    return PinProblem.EASY if easy or repeated else None


def set_pin(session: Session, account: Account, pin: str, old_token: str | None) -> str:
    """Let a PIN open the account on this device; returns the device's new token.

    Only after the password was given. ValueError for a PIN that can't be one.
    """
    if problem := pin_problem(pin):
        raise ValueError(f"pin {problem}")
    if old_token:
        session.execute(delete(Device).where(Device.token_hash == token_sha256(old_token)))
    token, now = secrets.token_urlsafe(32), utc_now()
    device = Device(
        token_hash=token_sha256(token),
        account_id=account.id,
        pin_hash=hashed_secret(pin),
        made_at=now,
        password_at=now,
    )
    session.add(device)
    session.flush()
    audit.append(session, "pin.set", account.id, account.id)
    return token


def known_device(session: Session, token: str | None, lasts: dt.timedelta) -> Known | None:
    """The device of a token, while its PIN is good."""
    device = _device(session, token)
    if device is None or device.account.disabled or device.wrong_tries >= WRONG_TRIES:
        return None
    if utc_now() - device.password_at > lasts:
        return None
    return Known(device.id, device.account_id, device.account.name)


def begin_try(session: Session, token: str | None, lasts: dt.timedelta) -> str | None:
    """Count a try before it is checked; the hash to check against, None where there is none.

    Committed by the caller before checking: many sent at once would else share one count.
    """
    if known_device(session, token, lasts) is None:
        return None
    device = _device(session, token)
    assert device is not None
    device.wrong_tries += 1
    return device.pin_hash


def end_try(session: Session, token: str, right: bool) -> Account | None:
    """The account when the PIN was right; a PIN tried wrongly too often is forgotten."""
    device = _device(session, token)
    if device is None or device.account.disabled:
        return None
    if right:
        device.wrong_tries = 0
        return device.account
    if device.wrong_tries >= WRONG_TRIES:
        audit.append(session, "pin.ended", device.account_id, device.account_id)
        session.delete(device)
    else:
        audit.append(session, "pin.wrong", device.account_id)
    return None


def is_right_pin(pin_hash: str, pin: str) -> bool:
    """Whether the PIN fits; slow on purpose."""
    return is_right_secret(pin_hash, pin)


def password_given(session: Session, account: Account, token: str | None) -> None:
    """The password was given on this device: its PIN is good for the whole time again."""
    device = _device(session, token)
    if device is not None and device.account_id == account.id:
        device.password_at, device.wrong_tries = utc_now(), 0


def forget_device(session: Session, token: str | None, by: str | None) -> None:
    """Take the PIN from this device."""
    device = _device(session, token)
    if device is not None:
        audit.append(session, "pin.remove", device.account_id, by)
        session.delete(device)


def forget_all(session: Session, account: Account, by: str | None) -> None:
    """Take the PINs from every device of an account, such as a lost phone's."""
    audit.append(session, "pin.remove", account.id, by)
    session.execute(delete(Device).where(Device.account_id == account.id))


def device_counts(session: Session) -> dict[str, int]:
    """Account id -> devices with a PIN."""
    rows = session.execute(select(Device.account_id, func.count()).group_by(Device.account_id))
    return {row[0]: row[1] for row in rows}


def _device(session: Session, token: str | None) -> Device | None:
    if not token:
        return None
    return session.scalars(select(Device).where(Device.token_hash == token_sha256(token))).first()
