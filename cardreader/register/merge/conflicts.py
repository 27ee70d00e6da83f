"""What the supervisor must look at: values that registers changed apart from each other.

Both stay in the register. Until somebody decides, the one that can hurt least is shown.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass

from sqlalchemy import func, select, update
from sqlalchemy.orm import Session

from cardreader.register import audit
from cardreader.register.fieldchanges import OF_ALL_JOINED, Said, say, touch
from cardreader.register.fieldgroups import WOMAN, fields_of, plain_tables
from cardreader.register.merge.choosing import SETTLED, differ, shown
from cardreader.register.merge.fitting import free_code
from cardreader.register.merge.following import Judge, weeks_of
from cardreader.register.merge.joining import ask_as_shown, show_joined
from cardreader.register.merge.state import Change, Row
from cardreader.register.merge.store import load_women, shown_values
from cardreader.register.mergemodels import FieldChange, JoinedAway, Joining, KnownRegister
from cardreader.register.models import Account, Treatment, Woman
from cardreader.register.rowcheck import checked_values


@dataclass(frozen=True)
class Value:
    """One of the values: what it says, who said so, where and when."""

    change_id: str
    value: Row
    at: dt.datetime | None
    person: str
    register: str
    shown: bool


@dataclass(frozen=True)
class Conflict:
    """A field of which several values hold. ``code``: of the woman it is shown under."""

    woman_id: str
    code: str
    table: str
    record: str
    field: str
    values: tuple[Value, ...]


@dataclass(frozen=True)
class Clash:
    """Two women who were given one code; ``shown`` is what each is found by here."""

    code: str
    women: tuple[tuple[str, str], ...]
    """Id and code shown of each."""


def conflicts(session: Session) -> list[Conflict]:
    """All that is to be decided, by code."""
    groups = _groups(session)
    states = load_women(session, {woman for woman, *_ in groups})
    shown_as = shown_values(session, states)
    codes = _codes(session, set(shown_as.values()))
    people = {row[0]: row[1] for row in session.execute(select(Account.id, Account.name))}
    registers = {r.id: r.name for r in session.scalars(select(KnownRegister))}
    out = []
    for woman, table, record_id, name in groups:
        record = states[woman].records[table, record_id]
        now = shown(record, name)
        values = tuple(
            Value(
                head.id,
                head.value,
                head.at if head.at.year > 1970 else None,
                people.get(head.by or "", ""),
                registers.get(head.register_id or "", ""),
                head.value == now,
            )
            for head in record.heads(name)
        )
        whose = shown_as[woman]
        out.append(Conflict(whose, codes.get(whose, ""), table, record_id, name, values))
    return sorted(out, key=lambda c: (c.code, c.table, c.field, c.record))


def count_conflicts(session: Session) -> int:
    """How many fields are to be decided."""
    return len(_groups(session))


def _groups(session: Session) -> list[tuple[str, str, str, str]]:
    """Woman, table, record and field of which several heads say different things."""
    several = (
        select(FieldChange.in_table, FieldChange.record, FieldChange.field)
        .where(FieldChange.head)
        .group_by(FieldChange.in_table, FieldChange.record, FieldChange.field)
        .having(func.count() > 1)
    )
    wanted = {(r[0], r[1], r[2]) for r in session.execute(several) if (r[0], r[2]) not in SETTLED}
    heads: dict[tuple[str, str, str, str], list[Change]] = defaultdict(list)
    for record in {key[1] for key in wanted}:
        rows = select(FieldChange).where(FieldChange.record == record, FieldChange.head)
        for c in session.scalars(rows):
            if (c.in_table, c.record, c.field) in wanted:
                change = Change(c.id, c.field, c.said["value"], c.at)
                heads[c.woman_id, c.in_table, c.record, c.field].append(change)
    return sorted(key for key, found in heads.items() if differ(key[1], key[3], found))


def decide(session: Session, change_id: str, by: str | None, judge: Judge | None = None) -> None:
    """Let one of the values hold; ValueError when it doesn't, or nothing is to be decided.

    ``judge``: what was read is held against a birth, or weeks, that hold from now on.
    """
    chosen = session.get(FieldChange, change_id)
    if chosen is None or not chosen.head:
        raise ValueError("this value doesn't hold any more: look at the list again")
    table, record, name = chosen.in_table, chosen.record, chosen.field
    state = load_women(session, {chosen.woman_id})[chosen.woman_id]
    heads = state.records[table, record].heads(name)
    if len(heads) < 2:
        raise ValueError("there is nothing to decide")
    value = chosen.said["value"]
    say(session, chosen.woman_id, Said(table, record, name, value, value), by)
    plain = plain_tables()[table]
    values = checked_values(plain, value, fields_of(table)[name])
    if table == WOMAN and name == "code":
        values["code"] = free_code(session, value["code"], record)
    away = session.get(JoinedAway, record) if table == WOMAN else None
    if away is None:
        session.execute(update(plain).where(plain.c.id == record).values(values))
    else:
        away.row = {**away.row, **value}
    audit.append(session, "conflict.decide", record, by, field=name)
    touch(session, {chosen.woman_id})
    session.flush()
    show_joined(session, {chosen.woman_id})
    if table == WOMAN and name in OF_ALL_JOINED:
        weeks = {weeks_of(head.value) for head in heads} if name == "gestation" else set()
        ask_as_shown(session, {chosen.woman_id}, judge, weeks)


def code_clashes(session: Session) -> list[Clash]:
    """Women who have to be told apart, or joined: they were given one code."""
    said = select(FieldChange).where(
        FieldChange.in_table == WOMAN, FieldChange.field == "code", FieldChange.head
    )
    wanted: dict[str, set[str]] = defaultdict(set)
    for change in session.scalars(said):
        wanted[change.said["value"]["code"]].add(change.record)
    codes = _codes(session, {one for women in wanted.values() for one in women})
    out = []
    for code, women in wanted.items():
        renamed = {one for one in women if codes.get(one, code) != code}
        if not renamed:
            continue
        holder = session.scalars(select(Woman).where(Woman.code == code)).first()
        found = [(one, codes[one]) for one in sorted(renamed)]
        out.append(Clash(code, tuple([(holder.id, code)] if holder else []) + tuple(found)))
    return sorted((clash for clash in out if len(clash.women) > 1), key=lambda c: c.code)


def two_regimens(session: Session) -> list[tuple[str, str]]:
    """Women with two running regimens, by id and code: two registers noted one each."""
    running = (
        select(Treatment.woman_id)
        .where(Treatment.ended_on.is_(None))
        .group_by(Treatment.woman_id)
        .having(func.count() > 1)
    )
    query = select(Woman.id, Woman.code).where(Woman.id.in_(running)).order_by(Woman.code)
    return [(row[0], row[1]) for row in session.execute(query)]


def standing_joinings(session: Session) -> list[tuple[Joining, str, tuple[str, str]]]:
    """Joinings that stand, the newest first: with the woman shown, and both codes."""
    query = select(Joining).where(Joining.parted_at.is_(None)).order_by(Joining.entered_at.desc())
    out = []
    for joining in session.scalars(query):
        shown_as = shown_values(session, {joining.one_id, joining.other_id})
        codes = _codes(session, {joining.one_id, joining.other_id})
        if len(codes) == 2:
            pair = (codes[joining.one_id], codes[joining.other_id])
            out.append((joining, shown_as[joining.one_id], pair))
    return out


def shown_as(session: Session, woman_id: str) -> str:
    """The id of the woman that an own record is shown as."""
    return shown_values(session, {woman_id})[woman_id]


def _codes(session: Session, women: Collection[str]) -> dict[str, str]:
    here = select(Woman.id, Woman.code).where(Woman.id.in_(women))
    away = select(JoinedAway.woman_id, JoinedAway.code).where(JoinedAway.woman_id.in_(women))
    return {r[0]: r[1] for query in (here, away) for r in session.execute(query)}
