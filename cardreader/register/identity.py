"""What a register is known by, whatever its addresses.

Its audit trail starts with one entry that no other register has: who made the first
account, under which random id, and when. That entry's hash is the register's identity.
It goes with every backup, and nobody can change it without breaking the trail.

Where its files were copied, two registers have one trail, and so one identity. The copy that is
made a register of its own notes so in its trail, and is told apart by that entry from then on.
What phones keep for the register they still give to either: nothing taken before the copy was
noticed may be left without a register that takes it.
"""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from cardreader.register.models import AuditEntry

LENGTH = 32
RENEWED = "register.renewed"
"""What the trail calls it that a copy was made a register of its own."""


def identity_of(session: Session) -> str | None:
    """32 hexadecimal digits; None while nothing was ever entered."""
    first = session.scalar(select(AuditEntry.hash).order_by(AuditEntry.seq).limit(1))
    return None if first is None else first[:LENGTH]


def own_identity(session: Session) -> str | None:
    """The same, but for a copy that was made a register of its own, which has another."""
    renewed = (
        select(AuditEntry.hash)
        .where(AuditEntry.action == RENEWED)
        .order_by(AuditEntry.seq.desc())
        .limit(1)
    )
    found = session.scalar(renewed)
    return identity_of(session) if found is None else found[:LENGTH]


def host_name(identity: str) -> str:
    """The name under which the register is announced on the local network."""
    return f"cardreader-{identity[:6]}.local"
