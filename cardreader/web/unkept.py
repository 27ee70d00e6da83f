"""Sign-ins that can't be written down, as with the disk full: they live in memory.

Who can't sign in can't look at a list, and a list is read without writing anything. They
end as others do, and with the server; as soon as something can be written again they are
kept like all others.
"""

from __future__ import annotations

import datetime as dt
import secrets
import threading
from dataclasses import dataclass

from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from cardreader.register import accounts
from cardreader.register.base import utc_now
from cardreader.register.database import Database
from cardreader.register.models import Account
from cardreader.register.trouble import Trouble, trouble_of

TRIED_EVERY = dt.timedelta(seconds=30)
"""A write is tried anew that often, with the page of whoever is signed in so."""


@dataclass
class Held:
    """One sign-in; ``password_hash`` as it was: a new password ends it."""

    account_id: str
    password_hash: str
    csrf: str
    started_at: dt.datetime
    seen_at: dt.datetime
    tried_at: dt.datetime
    trouble: Trouble


class Unkept:
    """The sign-ins of one server that are in its memory alone, by their token."""

    def __init__(self) -> None:
        self._held: dict[str, Held] = {}
        self._lock = threading.Lock()

    def start(self, account: Account, trouble: Trouble) -> str:
        """Sign in; returns the token for the browser. Only after the password was right."""
        token = secrets.token_urlsafe(32)
        self.hold(token, account, secrets.token_urlsafe(24), utc_now(), trouble)
        return token

    def hold(
        self, token: str, account: Account, csrf: str, started_at: dt.datetime, trouble: Trouble
    ) -> None:
        """Keep here what is in use and can't be noted to be."""
        now = utc_now()
        held = Held(account.id, account.password_hash, csrf, started_at, now, now, trouble)
        with self._lock:
            self._held[token] = held

    def current(
        self, session: Session, token: str, limits: accounts.SessionLimits
    ) -> tuple[Held, Account] | None:
        """The sign-in of a token while it lasts, and its account as it is now."""
        with self._lock:
            held = self._held.get(token)
        if held is None:
            return None
        account = session.get(Account, held.account_id)
        now = utc_now()
        alive = now - held.seen_at <= limits.idle and now - held.started_at <= limits.whole
        unchanged = account is not None and account.password_hash == held.password_hash
        if account is None or account.disabled or not unchanged or not alive:
            self.end(token)
            return None
        held.seen_at = now
        return held, account

    def end(self, token: str) -> None:
        """Sign out."""
        with self._lock:
            self._held.pop(token, None)

    def keep(self, database: Database, token: str, held: Held) -> Trouble | None:
        """Write it down if that can be done again; the trouble while it can't."""
        if utc_now() - held.tried_at <= TRIED_EVERY:
            return held.trouble
        held.tried_at = utc_now()
        try:
            with database.write() as session:
                accounts.keep(session, token, held.account_id, held.csrf, held.started_at)
        except (SQLAlchemyError, OSError) as error:
            if (trouble := trouble_of(error)) is None:
                raise
            held.trouble = trouble
            return trouble
        self.end(token)
        return None
