"""One woman under two records: shown as one, and parted again when that was a mistake.

The record that was entered first is shown; the entries of the other hang on it, and
each keeps whose own it is. What was entered while they were joined belongs to the record
of the visit it was entered for, else to the one shown.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence

from sqlalchemy import delete, func, insert, or_, select, update
from sqlalchemy.orm import Session

from cardreader.register import audit
from cardreader.register.base import new_id, utc_now
from cardreader.register.changedwomen import note_changed
from cardreader.register.database import Database
from cardreader.register.fieldchanges import OF_ALL_JOINED, touch
from cardreader.register.fieldgroups import (
    WOMAN,
    fields_of,
    plain,
    plain_tables,
    travelling_columns,
)
from cardreader.register.kinds import ReferralOutcome
from cardreader.register.merge.choosing import shown, shown_of_joined, told_by
from cardreader.register.merge.contradictions import Contradiction, contradictions
from cardreader.register.merge.days import join_visits, refer_joined
from cardreader.register.merge.fitting import free_code
from cardreader.register.merge.following import (
    Judge,
    Told,
    ask_by_weeks,
    ask_since_births,
    told_of,
)
from cardreader.register.merge.parting import ask_for_herself
from cardreader.register.merge.state import Change, Row, WomanState
from cardreader.register.merge.store import load_women, shown_values, write_row
from cardreader.register.mergemodels import FieldChange, JoinedAway, Joining, Moved, RemovedWoman
from cardreader.register.models import Reading, Woman
from cardreader.register.parts import in_parts
from cardreader.register.referrals import reopen
from cardreader.register.rowcheck import checked_row


def join_two(
    session: Session, one_id: str, other_id: str, by: str | None, judge: Judge | None = None
) -> Joining:
    """Two records are of one woman; ValueError when they are joined already, or one.

    ``judge`` combines what both were seen for on one day; it stays apart without.
    """
    if other_id in component(session, one_id):
        raise ValueError("these records are one woman's already")
    session.flush()
    joining = Joining(id=new_id(), one_id=one_id, other_id=other_id, entered_by=by)
    session.add(joining)
    session.flush()
    audit.append(session, "woman.join", one_id, by, other=other_id)
    show_joined(session, {one_id, other_id})
    refer_joined(session, join_visits(session, component(session, one_id), judge))
    ask_as_shown(session, {one_id, other_id}, judge)
    ask_if_alive(session, {one_id, other_id})
    touch(session, {one_id, other_id})
    return joining


def part(session: Session, joining: Joining, by: str | None, judge: Judge | None = None) -> None:
    """They are two women after all; ValueError when they were parted before."""
    if joining.parted_at is not None:
        raise ValueError("these records were parted before")
    session.flush()
    women = {joining.one_id, joining.other_id}
    together = component(session, joining.one_id)
    joining.parted_at, joining.parted_by = utc_now(), by
    session.flush()
    audit.append(session, "woman.part", joining.one_id, by, other=joining.other_id)
    show_joined(session, together | women)
    leads = join_visits(session, together | women, judge)
    weeks = weeks_ever(session, joining.one_id)
    ask_as_shown(session, together | women, judge, weeks, joining.entered_at)
    touch(session, together | women)
    ask_for_herself(session, together | women, joining.entered_at, by)
    refer_joined(session, leads)


def ask_as_shown(
    session: Session,
    women: Collection[str],
    judge: Judge | None,
    weeks: Collection[Told] = (),
    since: dt.datetime | None = None,
) -> None:
    """Hold what was read under each record against the birth and the weeks as she is shown now.

    ``weeks``: by which it may have been judged, too, where it came in ``since``.
    """
    if judge is None:
        return
    shown_as = shown_values(session, women)
    ask_since_births(session, set(shown_as.values()), judge)
    for name in sorted(set(shown_as.values())):
        woman = session.get(Woman, name)
        if woman is None:
            continue
        told: dict[str, set[Told]] = {}
        for own in load_women(session, component(session, name)).values():
            read = (one for table, one in own.records if table == Reading.__tablename__)
            told.update((one, {told_of(own)}) for one in read)
        for reading in woman.readings:
            if since is None or reading.entered_at > since:
                told.setdefault(reading.id, set()).update(weeks)
        ask_by_weeks(session, woman, told, judge)


def ask_if_alive(session: Session, women: Collection[str]) -> None:
    """Open again what ended by the death that one record of a woman notes who is followed."""
    followed = select(Woman).where(
        Woman.id.in_(set(shown_values(session, women).values())), Woman.closed_on.is_(None)
    )
    for woman in session.scalars(followed.order_by(Woman.id)):
        for referral in woman.referrals:
            if referral.outcome == ReferralOutcome.DIED and referral.closed_at is not None:
                reopen(session, referral, None)


def weeks_ever(session: Session, woman_id: str) -> set[Told]:
    """The weeks of all records that ever were one woman's with this."""
    ever = load_women(session, component(session, woman_id, parted=True), [WOMAN])
    return {told_of(own) for own in ever.values()}


def component(session: Session, woman_id: str, parted: bool = False) -> frozenset[str]:
    """All own records that are one woman's with this; with ``parted``, that ever were."""
    found, ask = {woman_id}, {woman_id}
    while ask:
        query = select(Joining).where(or_(Joining.one_id.in_(ask), Joining.other_id.in_(ask)))
        if not parted:
            gone = select(RemovedWoman.woman_id)
            query = query.where(
                Joining.parted_at.is_(None),
                Joining.one_id.not_in(gone),
                Joining.other_id.not_in(gone),
            )
        ask = {one for j in session.scalars(query) for one in (j.one_id, j.other_id)} - found
        found |= ask
    return frozenset(found)


def show_joined(session: Session, women: Collection[str]) -> None:
    """Show these women as the joinings say: some parted, some joined."""
    show_alone(session, women)
    left = set(women)
    while left:
        group = component(session, left.pop())
        left -= group
        if len(group) > 1:
            show_alone(session, group)
            _show_as_one(session, group)
        note_contradictions(session, group)
    session.expire_all()


def note_contradictions(session: Session, group: Collection[str]) -> None:
    """Note what the records of one woman contradict each other in, with whom she is shown as."""
    states = load_women(session, group, [WOMAN])
    found = contradictions(said_of(states.values()))
    shown_as = set(shown_values(session, group).values())
    _note_found(session, {name: found for name in shown_as & states.keys()})


def note_each(session: Session, women: Collection[WomanState]) -> None:
    """Note of women who are shown by themselves what their records contradict themselves in."""
    _note_found(session, {one.id: contradictions(said_of([one])) for one in women})


def _note_found(session: Session, found: Mapping[str, Collection[Contradiction]]) -> None:
    woman = plain_tables()[WOMAN]
    kept = select(woman.c.id, woman.c.contradicts).where(woman.c.contradicts.is_not(None))
    before: dict[str, str] = {}
    for some in in_parts(found):
        rows = session.execute(kept.where(woman.c.id.in_(some)))
        before.update((row[0], row[1]) for row in rows)
    for name, kinds in sorted(found.items()):
        told = ",".join(kinds) or None
        if told != before.get(name):
            session.execute(update(woman).where(woman.c.id == name).values(contradicts=told))
            note_changed(session, {name})
            audit.append(session, "contradiction.note", name, None, kinds=list(kinds))


def show_by_herself(session: Session, woman_id: str) -> None:
    """Show what a woman's own record says, where she is joined with nobody."""
    if len(component(session, woman_id)) == 1:
        for state in load_women(session, {woman_id}, [WOMAN]).values():
            write_row(session, state.records[WOMAN, woman_id], woman_id)
            note_each(session, [state])
    session.expire_all()


def said_of(states: Iterable[WomanState]) -> list[Row]:
    """What each record says of all of her, with when it was entered; the first entered first."""
    return [said for _, said, _ in said_in(states)]


def said_in(states: Iterable[WomanState]) -> list[tuple[str, Row, Change | None]]:
    """The same with the record that says so, and with who told its weeks if several stand."""
    out = []
    for state in sorted(states, key=_entered_first):
        own = state.records[WOMAN, state.id]
        said = {k: v for n in OF_ALL_JOINED for k, v in shown(own, n).items()}
        said["added_at"] = own.row["added_at"]
        out += [(state.id, row, head) for row, head in told_by(own, said)]
    return out


def show_alone(session: Session, women: Collection[str]) -> None:
    """Give everyone joined with these women a record of her own again."""
    if not women:
        return
    away = list(
        session.scalars(
            select(JoinedAway).where(
                or_(JoinedAway.woman_id.in_(women), JoinedAway.into_id.in_(women))
            )
        )
    )
    into = {one.into_id for one in away}
    if not into:
        return
    group = list(session.scalars(select(JoinedAway).where(JoinedAway.into_id.in_(into))))
    woman = plain_tables()[WOMAN]
    for one in group:
        row = {**one.row}
        session.delete(one)
        session.flush()
        row["code"] = free_code(session, row["code"], one.woman_id)
        session.execute(insert(woman), [checked_row(woman, row)])
        for name, table in plain_tables().items():
            if name != WOMAN:
                mine = select(Moved.record).where(
                    Moved.own_id == one.woman_id, Moved.in_table == name
                )
                session.execute(
                    update(table).where(table.c.id.in_(mine)).values(woman_id=one.woman_id)
                )
        session.execute(delete(Moved).where(Moved.own_id == one.woman_id))
    for state in load_women(session, into).values():
        write_row(session, state.records[WOMAN, state.id], state.id)
    session.expire_all()


def _show_as_one(session: Session, group: Iterable[str]) -> None:
    states = load_women(session, set(group))
    if len(states) < 2:
        return
    first, *others = sorted(states.values(), key=_entered_first)
    woman = plain_tables()[WOMAN]
    for other in others:
        columns = [woman.c[name] for name in travelling_columns(WOMAN)]
        found = session.execute(select(*columns).where(woman.c.id == other.id)).mappings().one()
        row = {name: plain(value) for name, value in found.items()}
        for name, table in plain_tables().items():
            if name == WOMAN:
                continue
            mine = session.scalars(select(table.c.id).where(table.c.woman_id == other.id)).all()
            if mine:
                session.execute(
                    insert(Moved),
                    [{"record": one, "in_table": name, "own_id": other.id} for one in mine],
                )
                session.execute(
                    update(table).where(table.c.woman_id == other.id).values(woman_id=first.id)
                )
        session.execute(delete(woman).where(woman.c.id == other.id))
        session.add(JoinedAway(woman_id=other.id, into_id=first.id, code=row["code"], row=row))
        session.flush()
    _show_what_holds_of_all(session, [first, *others])


def _show_what_holds_of_all(session: Session, states: Sequence[WomanState]) -> None:
    """Show in the record entered first what follows from all that she is joined from."""
    first = states[0].records[WOMAN, states[0].id]
    write_row(session, first, first.id, _holds_of_all(states))


def _holds_of_all(states: Sequence[WomanState]) -> Row:
    """What is shown of a woman joined from these."""
    return shown_of_joined(said_of(states))


def show_all_anew(database: Database, judge: Judge | None = None) -> None:
    """Show as this version does who is joined, or told of by several weeks: an earlier one may
    have shown her otherwise.

    Written is only who is shown otherwise: mostly nobody, and then the register isn't kept
    from others that write.
    """
    with database.read() as session:
        if not _shown_otherwise(session):
            return
    with database.write() as session:
        otherwise = _shown_otherwise(session)
        for own in otherwise:
            _show_what_holds_of_all(session, own)
            note_contradictions(session, [one.id for one in own])
        session.expire_all()
        ask_as_shown(session, [own[0].id for own in otherwise], judge)
        note_changed(session, [own[0].id for own in otherwise])


def _shown_otherwise(session: Session) -> list[list[WomanState]]:
    """Own records of women whose row is not what follows from them, the shown one first.

    Of those who are joined, and those in whose record several weeks stand.
    """
    groups: dict[str, set[str]] = defaultdict(set)
    for into, woman_id in session.execute(select(JoinedAway.into_id, JoinedAway.woman_id)):
        groups[into] |= {into, woman_id}
    away = set().union(*groups.values())
    several = (
        select(FieldChange.record)
        .where(FieldChange.head, FieldChange.in_table == WOMAN, FieldChange.field == "gestation")
        .group_by(FieldChange.record)
        .having(func.count() > 1)
    )
    groups.update({one: {one} for one in session.scalars(several) if one not in away})
    states = load_women(session, set().union(*groups.values()), [WOMAN])
    table = plain_tables()[WOMAN]
    names = [column for n in OF_ALL_JOINED for column in fields_of(WOMAN)[n]]
    columns = [table.c[column] for column in (*names, "contradicts")]
    rows = {
        row["id"]: {name: plain(value) for name, value in row.items() if name != "id"}
        for some in in_parts(groups)
        for row in session.execute(
            select(table.c.id, *columns).where(table.c.id.in_(some))
        ).mappings()
    }
    found = []
    for into, group in groups.items():
        own = sorted((states[one] for one in group & states.keys()), key=_entered_first)
        if not own or own[0].id != into or into not in rows:
            continue
        kinds = ",".join(contradictions(said_of(own))) or None  # as it is kept
        if rows[into] != {**_holds_of_all(own), "contradicts": kinds}:
            found.append(own)
    return found


def _entered_first(state: WomanState) -> tuple[str, str]:
    return state.records[WOMAN, state.id].row["added_at"], state.id
