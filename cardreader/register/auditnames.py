"""Whose record an entry of the audit trail is about, for those who may see codes.

The trail itself holds random ids alone; they are looked up when it is shown. What was
deleted has no code any more, and stays unnamed.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from cardreader.register.base import Base
from cardreader.register.models import AuditEntry, Woman


@dataclass(frozen=True)
class Named:
    """A woman that an entry concerns."""

    woman_id: str
    code: str


def women_of(session: Session, entries: Iterable[AuditEntry]) -> dict[str, Named]:
    """Subject of an entry -> the woman it belongs to, for every subject that has one."""
    subjects = {entry.subject for entry in entries}
    owner: dict[str, str] = {}
    for mapper in Base.registry.mappers:
        columns = mapper.local_table.c
        if "id" not in columns or "woman_id" not in columns:
            continue
        found = session.execute(
            select(columns["id"], columns["woman_id"]).where(columns["id"].in_(subjects))
        )
        owner.update((row[0], row[1]) for row in found)
    wanted = subjects | set(owner.values())
    codes = {
        row[0]: row[1]
        for row in session.execute(select(Woman.id, Woman.code).where(Woman.id.in_(wanted)))
    }
    return {
        subject: Named(woman_id, codes[woman_id])
        for subject in subjects
        if (woman_id := owner.get(subject, subject)) in codes
    }
