"""The note at the head of a backup: what it holds, and whether it is one at all."""

from __future__ import annotations

import datetime as dt
import json
import re
from dataclasses import asdict, dataclass

FORMAT = "cardreader-backup/2"
WITHOUT_AUTHORITY = "cardreader-backup/1"
"""The form before backups held the authority; still read."""
_REVISION = re.compile(r"[0-9A-Za-z_]{1,40}")
_HASH = re.compile(r"[0-9a-f]{64}")


class BackupError(Exception):
    """A backup that can't be made or restored; one line says why."""


@dataclass(frozen=True)
class BackupNote:
    """What a backup holds. ``audit_hash`` is the newest hash of the audit trail."""

    made_at: str
    revision: str
    rows: dict[str, int]
    photos: int
    photo_key: bool
    audit_entries: int
    audit_hash: str
    authority: bool = False

    def to_json(self) -> bytes:
        """JSON text; `read_note` reads it back."""
        return json.dumps({"format": FORMAT, **asdict(self)}, indent=1).encode()


def read_note(data: bytes) -> BackupNote:
    """The note of a backup; BackupError for anything that this program didn't write."""
    try:
        head = json.loads(data)
    except (ValueError, RecursionError):
        head = None
    form = head.pop("format", None) if isinstance(head, dict) else None
    if form not in (FORMAT, WITHOUT_AUTHORITY):
        raise BackupError("this is not a backup of the register, or one of a newer version")
    if form == WITHOUT_AUTHORITY and "authority" not in head:
        head["authority"] = False
    if not _is_note(head):
        raise BackupError("the backup's note is damaged: make the backup again, or use another")
    return BackupNote(**head)


def _is_note(head: dict[str, object]) -> bool:
    match head:
        case {
            "made_at": str(made_at),
            "revision": str(revision),
            "rows": dict(rows),
            "photos": int(photos),
            "photo_key": bool(),
            "authority": bool(),
            "audit_entries": int(entries),
            "audit_hash": str(newest),
        }:
            return (
                len(head) == 8
                and _is_time(made_at)
                and _REVISION.fullmatch(revision) is not None
                and _HASH.fullmatch(newest) is not None
                and all(isinstance(name, str) for name in rows)
                and all(map(_is_count, (photos, entries, *rows.values())))
            )
    return False


def _is_count(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and value >= 0


def _is_time(text: str) -> bool:
    try:
        return dt.datetime.fromisoformat(text) is not None
    except ValueError:
        return False
