"""When the register was last backed up, as its own audit trail tells."""

from __future__ import annotations

import datetime as dt

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from cardreader.register import audit
from cardreader.register.backupnote import BackupNote
from cardreader.register.models import AuditEntry

ACTION = "backup"
OLD_DAYS = 7
"""A backup older than this is called old: our own choice."""


def note_backup(session: Session, note: BackupNote, by: str | None) -> None:
    """Write down that a backup was made, and how far the trail reached in it."""
    audit.append(session, ACTION, "-", by, audit_hash=note.audit_hash, photos=note.photos)


def last_backup(session: Session) -> dt.datetime | None:
    """Time of the newest backup; None when there was none."""
    return session.scalar(select(func.max(AuditEntry.at)).where(AuditEntry.action == ACTION))
