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


class PutBacks:
    """When the register was last put back, as far as the trail was looked through.

    Who opens a first page asks, and a trail of years is long: only what is new is looked at.
    """

    def __init__(self) -> None:
        self._seq = 0
        self._newest: PutBack | None = None

    def lately(self, session: Session, now: dt.datetime) -> PutBack | None:
        """When it was, as long as it is to be told; else None.

        What was entered between the backup and that is not in it, and nobody else says so: phones
        have sent their photos and keep them no more.
        """
        seq = session.scalar(select(func.max(AuditEntry.seq))) or 0
        if seq > self._seq:
            self._newest = _put_back_since(session, self._seq) or self._newest
            self._seq = seq
        if self._newest is None or now - self._newest.at > dt.timedelta(days=TOLD_DAYS):
            return None
        return self._newest


def _put_back_since(session: Session, seq: int) -> PutBack | None:
    """Of the newest note of it after an entry of the trail."""
    noted = select(AuditEntry).where(AuditEntry.action == PUT_BACK, AuditEntry.seq > seq)
    entry = session.scalars(noted.order_by(AuditEntry.seq.desc()).limit(1)).first()
    if entry is None:
        return None
    return PutBack(entry.at, dt.datetime.fromisoformat(json.loads(entry.detail)["made_at"]))
