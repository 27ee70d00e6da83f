"""What a register is known by, whatever its addresses.

Its audit trail starts with one entry that no other register has: who made the first
account, under which random id, and when. That entry's hash is the register's identity.
It goes with every backup, and nobody can change it without breaking the trail.
"""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from cardreader.register.models import AuditEntry

LENGTH = 32


def identity_of(session: Session) -> str | None:
    """32 hexadecimal digits; None while nothing was ever entered."""
    first = session.scalar(select(AuditEntry.hash).order_by(AuditEntry.seq).limit(1))
    return None if first is None else first[:LENGTH]


def host_name(identity: str) -> str:
    """The name under which the register is announced on the local network."""
    return f"cardreader-{identity[:6]}.local"
