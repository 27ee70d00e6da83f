"""The audit trail: who did what, in a chain that shows if an entry was changed.

Each entry's hash covers the entry and the hash before it. Triggers in the
database refuse change and deletion; the chain shows it if somebody goes around
them. Cutting entries off the end is only seen against a hash noted elsewhere:
each backup notes the newest one. Entries carry ids, never a woman's code.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from cardreader.register.base import utc_now
from cardreader.register.models import AuditEntry
from cardreader.register.parts import directly

START = "0" * 64
"""What the first entry takes for the hash before it."""
# Made once, as is whatever is asked at each change: to put a question together takes as long as
# to answer it.
_NEWEST = select(AuditEntry.seq, AuditEntry.hash).order_by(AuditEntry.seq.desc()).limit(1)


@dataclass(frozen=True)
class ChainCheck:
    """Result of checking the chain; falsy when it is broken.

    ``entries`` counts what was checked; ``broken_at`` is the first bad entry's number.
    """

    entries: int
    newest_hash: str
    broken_at: int | None

    def __bool__(self) -> bool:
        return self.broken_at is None


def append(
    session: Session, action: str, subject: str, account_id: str | None = None, **detail: Any
) -> AuditEntry:
    """Write one entry, in the same transaction as what it tells of."""
    last = directly(session).execute(_NEWEST).first()
    entry = AuditEntry(
        seq=1 if last is None else last.seq + 1,
        at=utc_now(),
        account_id=account_id,
        action=action,
        subject=subject,
        detail=json.dumps(detail, sort_keys=True, default=str),
        previous_hash=START if last is None else last.hash,
    )
    entry.hash = _hash(entry)
    session.add(entry)
    session.flush()
    return entry


def check(session: Session) -> ChainCheck:
    """Walk the whole chain and say where it breaks, if it does."""
    entries = session.scalars(
        select(AuditEntry).order_by(AuditEntry.seq).execution_options(yield_per=1000)
    )
    return check_entries(entries)


def check_entries(entries: Iterable[AuditEntry]) -> ChainCheck:
    """Check entries given in order of ``seq``."""
    count, newest = 0, START
    for count, entry in enumerate(entries, start=1):
        fits = entry.seq == count and entry.previous_hash == newest and entry.hash == _hash(entry)
        if not fits:
            return ChainCheck(count, newest, entry.seq)
        newest = entry.hash
    return ChainCheck(count, newest, None)


def is_chain(entries: list[AuditEntry]) -> bool:
    """Whether entries in a row are unchanged, and follow each other."""
    return all(entry.hash == _hash(entry) for entry in entries) and all(
        later.previous_hash == earlier.hash for earlier, later in pairwise(entries)
    )


def _hash(entry: AuditEntry) -> str:
    content = [
        entry.previous_hash,
        entry.seq,
        entry.at.astimezone(dt.UTC).isoformat(timespec="microseconds"),
        entry.account_id,
        entry.action,
        entry.subject,
        entry.detail,
    ]
    return hashlib.sha256(json.dumps(content).encode()).hexdigest()
