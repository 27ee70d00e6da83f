"""Every change of a field is kept beside the record, whoever makes it and wherever in the code.

A listener on the register's writing sessions sees what a transaction changed, and writes
it down as it commits: the first value, the new one, when, by whom, and which changes it
replaces. From that any two registers can tell which of them knew what the other did.
What is new needs no change: the row itself is its first value.
"""

from __future__ import annotations

import datetime as dt
import json
import uuid
from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import (
    bindparam,
    delete,
    event,
    func,
    insert,
    inspect,
    select,
    update,
)
from sqlalchemy.orm import Session

from cardreader.register import audit
from cardreader.register.base import Base, new_id, utc_now
from cardreader.register.changedwomen import note_changed
from cardreader.register.fieldgroups import (
    WOMAN,
    field_of,
    fields_of,
    plain,
    plain_tables,
    travelling_columns,
    travelling_names,
)
from cardreader.register.mergemodels import (
    FieldChange,
    JoinedAway,
    Moved,
    RemovedWoman,
    Touched,
)
from cardreader.register.models import AuditEntry
from cardreader.register.parts import SOME, directly, in_parts

_PENDING = "field changes"
_NAMES = uuid.UUID("6f0f6f3e-5d0c-4c55-9a3b-0b6f1c0b5d11")
FIRST = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
"""The time of a first value: before all that replace it."""
OF_ALL_JOINED = ("closing", "birth", "gestation", "smoking")
"""Fields of a woman that hold for all the records she is joined from."""
_PREGNANCY = frozenset({"birth", "gestation"})
"""Of these, what is shown together is of one record."""
# What is asked at each change, made once.
_LAST_TOUCH = select(func.max(Touched.seq))
_UNTOUCH, _TOUCH = delete(Touched).where(Touched.woman_id.in_(SOME)), insert(Touched)
_HEADS = select(FieldChange).where(
    FieldChange.record == bindparam("record"),
    FieldChange.field == bindparam("field"),
    FieldChange.in_table == bindparam("table"),
    FieldChange.head,
)
_KEEP = insert(FieldChange)
_OWNERS = select(Moved.record, Moved.own_id).where(Moved.record.in_(SOME))
_JOINED_INTO = select(JoinedAway.into_id).where(JoinedAway.into_id.in_(SOME))


@dataclass
class _Pending:
    """What one transaction did so far."""

    # (table, record) -> column -> its value before.
    old: dict[tuple[str, str], dict[str, Any]] = field(default_factory=lambda: defaultdict(dict))
    new: dict[str, Any] = field(default_factory=dict)
    women: set[str] = field(default_factory=set)
    gone: set[str] = field(default_factory=set)
    by: str | None = None


def watch(sessions: type[Session]) -> None:
    """Keep the changes that are made through sessions of a class."""
    event.listen(sessions, "before_flush", _know_old_values)
    event.listen(sessions, "after_flush", _collect)
    event.listen(sessions, "before_commit", write_down)


def touch(session: Session, women: Collection[str]) -> None:
    """Note that own records were changed now; the next hand-over takes them along."""
    if not women:
        return
    note_changed(session, women)
    connection = directly(session)
    seq = (connection.scalar(_LAST_TOUCH) or 0) + 1
    for some in in_parts(women):
        connection.execute(_UNTOUCH, {"some": some})
        connection.execute(_TOUCH, [{"woman_id": one, "seq": seq} for one in some])


def forget(session: Session, women: Collection[str]) -> None:
    """Leave nothing of these women but that their records were deleted."""
    _pending(session).gone.update(women)
    known = set(
        session.scalars(select(RemovedWoman.woman_id).where(RemovedWoman.woman_id.in_(women)))
    )
    session.add_all(RemovedWoman(woman_id=one) for one in women if one not in known)
    session.execute(delete(FieldChange).where(FieldChange.woman_id.in_(women)))
    session.execute(delete(Moved).where(Moved.own_id.in_(women)))
    session.execute(delete(JoinedAway).where(JoinedAway.woman_id.in_(women)))
    session.flush()
    touch(session, women)


def first_id(record: str, name: str, value: dict[str, Any]) -> str:
    """The id of a field's first value: the same wherever that is the first value."""
    text = json.dumps(value, sort_keys=True, separators=(",", ":"))
    return str(uuid.uuid5(_NAMES, f"{record}\n{name}\n{text}"))


# --- listening -----------------------------------------------------------------------


def _pending(session: Session) -> _Pending:
    found: _Pending = session.info.setdefault(_PENDING, _Pending())
    return found


def _travels(entry: object) -> bool:
    return isinstance(entry, Base) and entry.__tablename__ in travelling_names()


def _know_old_values(session: Session, _context: Any, _instances: Any) -> None:
    """Load what a column held where the session never saw it before it was set."""
    for entry in session.dirty:
        state = inspect(entry)
        if not _travels(entry) or not state.persistent or entry.id in _pending(session).new:
            continue
        table = entry.__tablename__
        unseen = [
            name
            for name in travelling_columns(table)
            if (history := state.attrs[name].history).added and not history.deleted
        ]
        if unseen:
            columns = plain_tables()[table].c
            with session.no_autoflush:
                found = session.execute(
                    select(*(columns[name] for name in unseen)).where(columns.id == entry.id)
                ).one()
            old = _pending(session).old[table, entry.id]
            for name, value in zip(unseen, found, strict=True):
                old.setdefault(name, plain(value))


def _collect(session: Session, _context: Any) -> None:
    pending = _pending(session)
    for entry in session.new:
        if isinstance(entry, AuditEntry):
            pending.by = entry.account_id or pending.by
        elif _travels(entry):
            pending.new[entry.id] = entry
            pending.women.add(_woman_of(entry))
    for entry in session.dirty:
        if not _travels(entry) or entry.id in pending.new:
            continue
        table, state = entry.__tablename__, inspect(entry)
        for name in travelling_columns(table):
            history = state.attrs[name].history
            if history.has_changes() and history.deleted:
                pending.old[table, entry.id].setdefault(name, plain(history.deleted[0]))


def _woman_of(entry: Any) -> str:
    own: str = entry.id if entry.__tablename__ == WOMAN else entry.woman_id
    return own


# --- writing down ----------------------------------------------------------------------


def write_down(session: Session) -> None:
    """Write down what the transaction changed so far; called as it commits."""
    session.flush()
    pending: _Pending | None = session.info.pop(_PENDING, None)
    if pending is None:
        return
    homes = _homes(session, pending)
    women = {homes.get(record, _woman_of(entry)) for record, entry in pending.new.items()}
    for (table, record), old in pending.old.items():
        columns = plain_tables()[table].c
        row = session.execute(select(*columns).where(columns.id == record)).mappings().one_or_none()
        if row is None:
            continue
        now = {name: plain(value) for name, value in row.items()}
        own = record if table == WOMAN else homes.get(record, now["woman_id"])
        if own in pending.gone:
            continue
        for name in {field_of(table)[column] for column in old if column in field_of(table)}:
            value = {column: now[column] for column in fields_of(table)[name]}
            before = {column: old.get(column, now[column]) for column in value}
            if value == before:
                continue
            change = Said(table, record, name, before, value)
            say(session, own, change, pending.by)
            women.add(own)
            if table == WOMAN and name in OF_ALL_JOINED:
                women |= _say_of_joined(session, change, pending.by)
                _settle(session, record, name, pending.by)
    touch(session, women - pending.gone)


@dataclass(frozen=True)
class Said:
    """A field of a record and what it is changed to; ``before`` counts where nothing is kept."""

    table: str
    record: str
    field: str
    before: dict[str, Any]
    value: dict[str, Any]


def say(session: Session, own: str, change: Said, by: str | None) -> str:
    """Keep a change that replaces everything said of that field so far; returns its id."""
    heads = [kept.id for kept in _heads(session, change)]
    if heads:
        session.execute(update(FieldChange).where(FieldChange.id.in_(heads)).values(head=False))
    else:
        heads = [keep_first(session, own, change, head=False)]
    return _keep(session, own, change, new_id(), change.value, heads, utc_now(), by, True)


def _heads(session: Session, change: Said) -> list[FieldChange]:
    """What is kept of that field of that record and nothing replaces."""
    asked = {"record": change.record, "field": change.field, "table": change.table}
    return list(session.scalars(_HEADS, asked, execution_options={"populate_existing": True}))


def keep_first(session: Session, own: str, change: Said, head: bool) -> str:
    """Keep a field's first value, which until now was only that of the row."""
    name = first_id(change.record, change.field, change.before)
    return _keep(session, own, change, name, change.before, [], FIRST, None, head)


def _keep(
    session: Session,
    own: str,
    change: Said,
    change_id: str,
    value: dict[str, Any],
    replaces: list[str],
    at: dt.datetime,
    by: str | None,
    head: bool,
) -> str:
    directly(session).execute(
        _KEEP,
        {
            "id": change_id,
            "woman_id": own,
            "in_table": change.table,
            "record": change.record,
            "field": change.field,
            "said": {"value": value, "replaces": sorted(replaces)},
            "at": at,
            "by": by,
            "register_id": None,
            "head": head,
        },
    )
    return change_id


def _homes(session: Session, pending: _Pending) -> dict[str, str]:
    """Record -> its own woman, where that is not the one it hangs on.

    An entry for joined women is the own one of the visit or referral it belongs to, else
    of the woman shown.
    """
    homes: dict[str, str] = {}
    for some in in_parts({record for _, record in pending.old}):
        found = directly(session).execute(_OWNERS, {"some": some})
        homes.update((row[0], row[1]) for row in found)
    women = {"some": list(pending.women)}
    joined = set(directly(session).scalars(_JOINED_INTO, women)) if pending.women else set()
    for record, entry in pending.new.items():
        if entry.__tablename__ == WOMAN or entry.woman_id not in joined:
            continue
        of = [getattr(entry, name, None) for name in ("visit_id", "referral_id", "reading_id")]
        known = select(Moved.own_id).where(Moved.record.in_([one for one in of if one]))
        own = next((homes[one] for one in of if one in homes), None) or session.scalar(known)
        if own is not None:
            homes[record] = own
            session.add(Moved(record=record, in_table=entry.__tablename__, own_id=own))
    session.flush()
    return homes


def _settle(session: Session, record: str, name: str, by: str | None) -> None:
    """What somebody notes of her now holds for all her records: in that they are at one."""
    woman = plain_tables()[WOMAN]
    kind = "pregnancy" if name in _PREGNANCY else name
    told = session.scalar(select(woman.c.contradicts).where(woman.c.id == record))
    found = (told or "").split(",")
    if kind in found:
        left = ",".join(one for one in found if one != kind)
        session.execute(update(woman).where(woman.c.id == record).values(contradicts=left or None))
        audit.append(session, "contradiction.settle", record, by, kind=kind)


def _say_of_joined(session: Session, change: Said, by: str | None) -> set[str]:
    """What holds for the woman shown holds for those joined into her.

    A birth is that of the pregnancy whose weeks are shown, and weeks are those of the
    pregnancy after the birth shown: the one goes along with the other.
    """
    everyone = list(session.scalars(select(JoinedAway).where(JoinedAway.into_id == change.record)))
    if not everyone:
        return set()
    changes = [change]
    for name in sorted(_PREGNANCY - {change.field}) if change.field in _PREGNANCY else ():
        columns = plain_tables()[WOMAN].c
        query = select(*(columns[c] for c in fields_of(WOMAN)[name]))
        row = session.execute(query.where(columns.id == change.record)).mappings().one()
        value = {column: plain(kept) for column, kept in row.items()}
        changes.append(Said(WOMAN, change.record, name, value, value))
        own = _heads(session, changes[-1])
        if len(own) == 1 and own[0].said["value"] != value:
            say(session, change.record, changes[-1], by)
    women = set()
    for away in everyone:
        for one in changes:
            before = {column: away.row[column] for column in one.value}
            if one is change or before != one.value:
                said = Said(WOMAN, away.woman_id, one.field, before, one.value)
                say(session, away.woman_id, said, by)
                away.row = {**away.row, **one.value}
                women.add(away.woman_id)
    session.flush()
    return women
