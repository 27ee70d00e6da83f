"""What the supervisor must look at: values that registers changed apart from each other.

Both stay in the register. Until somebody decides, the one that can hurt least is shown.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass

from sqlalchemy import func, select, update
from sqlalchemy.orm import Session

from cardreader.register import audit
from cardreader.register.base import utc_now
from cardreader.register.events import standing_events
from cardreader.register.fieldchanges import FIRST, OF_ALL_JOINED, Said, say, touch
from cardreader.register.fieldgroups import WOMAN, fields_of, plain_tables
from cardreader.register.kinds import EventKind, ReferralOutcome
from cardreader.register.merge.choosing import SETTLED, differ, row_of
from cardreader.register.merge.contradictions import (
    FIELDS,
    Contradiction,
    choices,
    contradictions,
    of_one_pregnancy,
    pregnancy_of,
)
from cardreader.register.merge.fitting import free_code
from cardreader.register.merge.following import Judge, weeks_of
from cardreader.register.merge.joining import (
    ask_as_shown,
    ask_if_alive,
    component,
    said_in,
    show_by_herself,
    show_joined,
)
from cardreader.register.merge.state import Change, Row
from cardreader.register.merge.store import load_women, shown_values, utc
from cardreader.register.mergemodels import FieldChange, JoinedAway, Joining, KnownRegister
from cardreader.register.models import Account, Treatment, Woman
from cardreader.register.openreferrals import open_referrals
from cardreader.register.referrals import close
from cardreader.register.rowcheck import checked_values
from cardreader.register.women import Closing


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
        whole = row_of(record)
        now = {column: whole[column] for column in fields_of(table)[name]}
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
    """How many fields are to be decided, and contradictions to be settled."""
    told = session.scalars(select(Woman.contradicts).where(Woman.contradicts.is_not(None)))
    return len(_groups(session)) + sum(len(kinds.split(",")) for kinds in told if kinds)


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
    found = {key for key, told in heads.items() if differ(key[1], key[3], told)}
    return sorted(found - _contradicting(session, found))


def _contradicting(
    session: Session, groups: Collection[tuple[str, str, str, str]]
) -> set[tuple[str, str, str, str]]:
    """Those whose weeks can't all be so: they are decided with her birth, as `contradictory`."""
    weeks = {one for one in groups if (one[1], one[3]) == (WOMAN, "gestation")}
    shown_as = shown_values(session, {one[0] for one in weeks})
    told = select(Woman).where(Woman.id.in_(shown_as.values()), Woman.contradicts.is_not(None))
    doubted = {her.id for her in session.scalars(told) if her.pregnancy_in_doubt}
    return {one for one in weeks if shown_as[one[0]] in doubted}


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
        show_by_herself(session, chosen.woman_id)
    if table == WOMAN and name in OF_ALL_JOINED:
        weeks = {weeks_of(head.value) for head in heads} if name == "gestation" else set()
        ask_as_shown(session, {chosen.woman_id}, judge, weeks)


@dataclass(frozen=True)
class Choice:
    """What one of her records says, of all that is decided together.

    ``token`` is good as long as her records say what they said. ``code``: of the record.
    """

    token: str
    own_id: str
    code: str
    value: Row
    at: dt.datetime
    person: str
    register: str


@dataclass(frozen=True)
class Contradictory:
    """What the joined records of a woman contradict each other in; ``joinings`` made her one."""

    woman_id: str
    code: str
    kind: Contradiction
    choices: tuple[Choice, ...]
    joinings: tuple[str, ...]


def contradictory(session: Session) -> list[Contradictory]:
    """Women whose records, or registers, contradict each other, by code."""
    query = select(Woman).where(Woman.contradicts.is_not(None)).order_by(Woman.code)
    return [found for her in session.scalars(query) for found in _contradictory(session, her)]


def _contradictory(session: Session, her: Woman) -> list[Contradictory]:
    group = component(session, her.id)
    states = load_women(session, group, [WOMAN])
    rows = said_in(states.values())
    codes = _codes(session, group)
    people = {row[0]: row[1] for row in session.execute(select(Account.id, Account.name))}
    registers = {r.id: r.name for r in session.scalars(select(KnownRegister))}
    standing = select(Joining.id).where(Joining.parted_at.is_(None), Joining.one_id.in_(group))
    joinings = tuple(session.scalars(standing.order_by(Joining.entered_at)))
    out = []
    for kind in contradictions([row for _, row, _ in rows]):
        said: dict[str, Choice] = {}
        for own, row, told in rows:
            record = states[own].records[WOMAN, own]
            last = told if kind is Contradiction.PREGNANCY else None
            last = last or max(
                (h for n in FIELDS[kind] for h in record.heads(n)), key=lambda h: h.at
            )
            entered = last.at.year <= FIRST.year
            at = utc(record.row["added_at"]) if entered else last.at
            by = record.row["added_by"] if entered else last.by
            for value in choices(kind, row):
                if kind is Contradiction.SMOKING and value["smoking"] is None:
                    continue
                assert at is not None
                where = registers.get(last.register_id or "", "")
                who = (people.get(by or "", ""), where)
                token = _token(her.id, kind, own, value)
                said[token] = Choice(token, own, codes.get(own, ""), value, at, *who)
        out.append(Contradictory(her.id, her.code, kind, tuple(said.values()), joinings))
    return out


def _token(woman_id: str, kind: Contradiction, own: str, value: Row) -> str:
    text = json.dumps([woman_id, kind, own, value], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def settle(
    session: Session, woman_id: str, token: str, by: str | None, judge: Judge | None = None
) -> None:
    """Let what one record says hold for all her records; ValueError when it says so no more.

    It is a change like any: what each said before is kept, and it travels.
    """
    her = session.get(Woman, woman_id)
    offered = [] if her is None else _contradictory(session, her)
    chosen = [(one, c) for one in offered for c in one.choices if c.token == token]
    if her is None or not chosen:
        raise ValueError("her records don't say so any more: look at the list again")
    found, choice = chosen[0]
    group = component(session, woman_id)
    states = load_women(session, group, [WOMAN]).values()
    told = {
        weeks_of(head.value)
        for state in states
        for head in state.records[WOMAN, state.id].heads("gestation")
    }
    for state in states:
        for name in FIELDS[found.kind]:
            heads = state.records[WOMAN, state.id].heads(name)
            value = {column: choice.value[column] for column in fields_of(WOMAN)[name]}
            if len(heads) > 1 or heads[0].value != value:
                say(session, state.id, Said(WOMAN, state.id, name, heads[-1].value, value), by)
                if (away := session.get(JoinedAway, state.id)) is not None:
                    away.row = {**away.row, **value}
    audit.append(
        *(session, "contradiction.settle", woman_id, by), kind=found.kind, record=choice.own_id
    )
    if found.kind is Contradiction.PREGNANCY:
        _set_births_aside(session, her, choice.value, by)
    touch(session, group)
    session.flush()
    show_joined(session, group)
    if len(group) == 1:
        show_by_herself(session, woman_id)
    if found.kind is Contradiction.PREGNANCY:
        ask_as_shown(session, group, judge, told)
    ask_if_alive(session, group)
    if choice.value.get("closed_reason") == Closing.DIED:
        for referral in open_referrals(session.get_one(Woman, woman_id)):
            close(session, referral, ReferralOutcome.DIED, utc_now(), by)


def _set_births_aside(session: Session, her: Woman, holds: Row, by: str | None) -> None:
    """Take back births of this pregnancy other than that which holds: a month counted them."""
    pregnancy = pregnancy_of(holds)
    for event in standing_events(her, EventKind.BIRTH):
        same = pregnancy.birth == event.on and pregnancy.outcome == event.choice
        if not same and of_one_pregnancy(event.on, pregnancy):
            event.set_aside_at = utc_now()
            audit.append(session, "event.undo", event.id, by, kind=event.kind)


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
