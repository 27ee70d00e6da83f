"""What registers tell each other as lines of JSON, and how such lines are believed.

Every line comes from a known register, and is held all the same to what this program
writes: a register of another version, or one that was tampered with, must not break
a page here weeks later.
"""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import asdict
from typing import Any

from cardreader.core.written import is_line
from cardreader.register.fieldchanges import FIRST, first_id
from cardreader.register.fieldgroups import (
    WOMAN,
    fields_of,
    plain,
    plain_tables,
    travelling_columns,
)
from cardreader.register.merge.choosing import row_of
from cardreader.register.merge.state import Change, Joined, Key, Record, WomanState
from cardreader.register.merge.store import utc
from cardreader.register.merge.together import Person
from cardreader.register.models import AuditEntry
from cardreader.register.rowcheck import RowError, check_words, checked_row, checked_values

WOMAN_LINE, REMOVED, JOINING, PERSON, TRAIL = "woman", "removed", "joining", "person", "trail"
_TRAIL_COLUMNS = ("account_id", "action", "subject", "detail", "previous_hash", "hash")


def woman_line(state: WomanState, own_id: str) -> list[Any]:
    """All that is said of a woman; changes made here get this register's id."""
    records = []
    for record in state.records.values():
        changes = [
            [c.id, c.field, c.value, plain(c.at), sorted(c.replaces), c.by, c.register_id or own_id]
            for c in record.changes.values()
        ]
        records.append([record.table, record.row, changes])
    return [WOMAN_LINE, state.id, records]


def read_woman(line: list[Any]) -> WomanState:
    """A woman as a line holds her; RowError for what this program can't have written."""
    match line:
        case [_, str(name), list(records)]:
            known: dict[Key, Record] = {}
            for entry in records:
                record = _record(entry, name)
                known[record.table, record.id] = record
            if [key for key in known if key[0] == WOMAN] != [(WOMAN, _id(name))]:
                raise RowError("a woman's record is not whole")
            return WomanState(name, known)
    raise RowError("a line is no woman's")


def _record(entry: object, woman: str) -> Record:
    match entry:
        case [str(table), dict(row), list(changes)] if table in plain_tables():
            kept = [_change(table, change) for change in changes]
            missing = {c for change in kept for c in fields_of(table)[change.field]}
            if set(row) != set(travelling_columns(table)) - missing:
                raise RowError(f"a record of {table} has not the columns it must have")
            record = Record(table, _id(row["id"]), row, {change.id: change for change in kept})
            if any(not record.heads(change.field) for change in kept):
                raise RowError(f"changes of {table} replace each other")
            if table == WOMAN:  # what is shown of her is worked out of dates
                checked_row(plain_tables()[table], row, tuple(row))
                check_words(table, row)
            whole = row_of(record)
            checked_row(plain_tables()[table], whole, travelling_columns(table))
            check_words(table, whole)
            if (row["id"] if table == WOMAN else row["woman_id"]) != woman:
                raise RowError(f"a record of {table} is another woman's")
            for change in kept:
                if change.at == FIRST and change.id != first_id(
                    record.id, change.field, change.value
                ):
                    raise RowError(f"a first value of {table} is not the first")
            return record
    raise RowError("a record is none")


def _change(table: str, entry: object) -> Change:
    match entry:
        case [str(name), str(field), dict(value), str(at), list(replaces), by, register]:
            columns = fields_of(table).get(field)
            if columns is None:
                raise RowError(f"{table} has no field {field[:40]!r}")
            checked_values(plain_tables()[table], value, columns)
            check_words(table, value)
            return Change(
                *(_id(name), field, value, _time(at), frozenset(_id(one) for one in replaces)),
                by=None if by is None else _id(by),
                register_id=None if register is None else _id(register),
            )
    raise RowError("a change is none")


def joining_line(joining: Joined) -> list[Any]:
    """Who was joined, and whether they were parted."""
    return [JOINING, asdict(joining)]


def read_joining(line: list[Any]) -> Joined:
    """A joining as a line holds it."""
    match line:
        case [_, dict(given)]:
            try:
                joining = Joined(**given)
                for name in (joining.id, joining.one_id, joining.other_id):
                    _id(name)
                for person in (joining.entered_by, joining.parted_by):
                    if person is not None:
                        _id(person)
                _time(joining.entered_at)
                if joining.parted_at is not None:
                    _time(joining.parted_at)
            except (TypeError, ValueError):
                raise RowError("a joining is none") from None
            return joining
    raise RowError("a joining is none")


def read_removed(line: list[Any]) -> str:
    """Whose record was deleted."""
    match line:
        case [_, str(name)]:
            return _id(name)
    raise RowError("a deletion is none")


def person_line(person: Person) -> list[Any]:
    """Somebody who entered what is handed over."""
    return [PERSON, person.id, person.name, person.home_id]


def read_person(line: list[Any]) -> Person:
    """A person as a line holds them."""
    match line:
        case [_, str(name), str(called), str(home)] if 1 <= len(called) <= 60 and is_line(called):
            return Person(_id(name), called, _id(home))
    raise RowError("a person is none")


def trail_line(entry: AuditEntry) -> list[Any]:
    """An entry of the audit trail."""
    return [TRAIL, entry.seq, plain(entry.at), *(getattr(entry, n) for n in _TRAIL_COLUMNS)]


def read_trail(line: list[Any]) -> AuditEntry:
    """An entry as a line holds it; not of this register's own trail."""
    match line:
        case [
            _,
            int(seq),
            str(at),
            account,
            str(action),
            str(subject),
            str(detail),
            str(b),
            str(h),
        ]:
            values = (account, action, subject, detail, b, h)
            names = ("account_id", "action", "subject", "detail", "previous_hash", "hash")
            row = dict(zip(names, values, strict=True))
            checked_values(AuditEntry.__table__, row, names)  # type: ignore[arg-type]
            if not 1 <= seq < 2**31:
                raise RowError("an entry of the trail has no number")
            return AuditEntry(seq=seq, at=_time(at), **row)
    raise RowError("an entry of the trail is none")


def _id(text: object) -> str:
    try:
        if isinstance(text, str) and str(uuid.UUID(text)) == text:
            return text
    except ValueError:
        pass
    raise RowError("an id is none")


def _time(text: str) -> dt.datetime:
    try:
        at = utc(text)
        if at is None or plain(at) != text:
            raise ValueError
    except ValueError:
        raise RowError("a time is none") from None
    return at
