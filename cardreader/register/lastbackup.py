"""When the register was last backed up, and put back from a backup: its own audit trail tells."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from cardreader.register import audit
from cardreader.register.backupnote import BackupNote
from cardreader.register.models import AuditEntry

ACTION = "backup"
OLD_DAYS = 7
"""A backup older than this is called old: our own choice."""
PUT_BACK = "restore"
TOLD_DAYS = 14
"""So long whoever opens the first page is told that the register was put back: our own choice."""


@dataclass(frozen=True)
class PutBack:
    """The register was put back at a time, from a backup made at another."""

    at: dt.datetime
    made_at: dt.datetime


def note_backup(session: Session, note: BackupNote, by: str | None) -> None:
    """Write down that a backup was made, and how far the trail reached in it."""
    audit.append(session, ACTION, "-", by, audit_hash=note.audit_hash, photos=note.photos)


def last_backup(session: Session) -> dt.datetime | None:
    """Time of the newest backup; None when there was none."""
    return session.scalar(select(func.max(AuditEntry.at)).where(AuditEntry.action == ACTION))


def note_put_back(session: Session, note: BackupNote) -> None:
    """Write down that the register was put back, and how old the backup was."""
    audit.append(session, PUT_BACK, "-", None, made_at=note.made_at)


def put_back_lately(session: Session, now: dt.datetime) -> PutBack | None:
    """When the register was last put back, as long as it is to be told; else None.

    What was entered between the backup and that is not in it, and nobody else says so: phones
    have sent their photos and keep them no more.
    """
    newest = select(AuditEntry).where(AuditEntry.action == PUT_BACK)
    entry = session.scalars(newest.order_by(AuditEntry.seq.desc()).limit(1)).first()
    if entry is None or now - entry.at > dt.timedelta(days=TOLD_DAYS):
        return None
    made_at = dt.datetime.fromisoformat(json.loads(entry.detail)["made_at"])
    return PutBack(entry.at, made_at)
