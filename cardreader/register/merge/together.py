"""Bringing what another register says into this one, all in one transaction."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache

from sqlalchemy import Select, insert, select, update
from sqlalchemy.orm import Session, selectinload

from cardreader.core.written import name_key
from cardreader.register import audit
from cardreader.register.fieldchanges import forget, touch, write_down
from cardreader.register.fieldgroups import WOMAN, plain_tables
from cardreader.register.judgedby import is_of_another, protocol_of
from cardreader.register.kinds import Role
from cardreader.register.merge.choosing import shown
from cardreader.register.merge.days import join_visits, refer_joined
from cardreader.register.merge.fitting import free_code
from cardreader.register.merge.following import (
    Judge,
    Told,
    apart,
    ask_by_limits,
    born_unknown,
    follow,
    read_unknown,
    sent_unknown,
    unsettled_visits,
    weeks_unknown,
)
from cardreader.register.merge.joining import (
    ask_as_shown,
    ask_if_alive,
    component,
    note_each,
    show_alone,
    show_joined,
    weeks_ever,
)
from cardreader.register.merge.parting import ask_for_herself, reopen_if_anothers
from cardreader.register.merge.state import (
    Joined,
    Key,
    State,
    WomanState,
    join_joinings,
    join_women,
)
from cardreader.register.merge.store import (
    load_joinings,
    load_women,
    shown_values,
    utc,
    write_women,
)
from cardreader.register.mergemodels import FieldChange, HeldBy, Joining, RemovedWoman
from cardreader.register.models import Account, Reading, Visit, Woman
from cardreader.register.parts import SOME, in_parts

NO_PASSWORD = "none"
"""In place of a password's hash: no password fits it."""
LONGEST_NAME = 60


@dataclass(frozen=True)
class Person:
    """Somebody who entered something at another register."""

    id: str
    name: str
    home_id: str


@dataclass
class Outcome:
    """What a taking-in did; women are counted by own record."""

    new: int = 0
    changed: int = 0
    same: int = 0
    removed: int = 0
    came_in: set[str] = field(default_factory=set)
    """Readings that are new here, by id."""
    judged_by: Counter[str] = field(default_factory=Counter)
    """New readings that another protocol judged, by its id."""
    photo_files: tuple[str, ...] = ()
    """Kept photos of deleted records, which the caller removes once this is committed."""

    @property
    def readings(self) -> int:
        """How many readings are new here."""
        return len(self.came_in)


def take_people(session: Session, people: Iterable[Person]) -> None:
    """Let those be known who entered what comes; they can't sign in here."""
    given = {person.id: person for person in people}
    for some in in_parts(given):
        for known in session.scalars(select(Account.id).where(Account.id.in_(some))):
            del given[known]
    names = {name_key(name) for name in session.scalars(select(Account.name))} if given else set()
    for person in given.values():
        name, ending = person.name, f" · {person.id[:8]}"
        if name_key(name) in names:
            name = name[: LONGEST_NAME - len(ending)] + ending
        names.add(name_key(name))
        session.add(
            Account(
                id=person.id,
                name=name,
                role=Role.WORKER.value,
                password_hash=NO_PASSWORD,
                disabled=True,
                home_id=person.home_id,
            )
        )
    session.flush()


@dataclass
class Concerned:
    """Own records that are joined or parted now, and which joinings ended, by id."""

    women: set[str] = field(default_factory=set)
    parted: dict[str, Joined] = field(default_factory=dict)


def take_joinings(session: Session, joinings: Mapping[str, Joined], concerned: Concerned) -> None:
    """Take in who was joined and parted; notes whom it concerns."""
    if not joinings:
        return
    here = load_joinings(session)
    for name, given in joinings.items():
        merged, known = join_joinings(here.get(name), given), here.get(name)
        if merged == known:
            continue
        concerned.women |= {merged.one_id, merged.other_id}
        if known is not None and known.parted_at is None and merged.parted_at is not None:
            concerned.parted[name] = merged
        row = session.get(Joining, name)
        if row is None:
            row = Joining(id=name, one_id=merged.one_id, other_id=merged.other_id)
            row.entered_at, row.entered_by = utc(merged.entered_at), merged.entered_by  # type: ignore[assignment]
            session.add(row)
        row.parted_at, row.parted_by = utc(merged.parted_at), merged.parted_by
    session.flush()


def take_removed(session: Session, women: Collection[str], outcome: Outcome) -> set[str]:
    """Delete who was deleted elsewhere; returns others whose records were joined with theirs."""
    if not women:
        return set()
    gone = set(women) - set(session.scalars(select(RemovedWoman.woman_id)))
    if not gone:
        return set()
    left = {one for woman in gone for one in component(session, woman)} - gone
    show_alone(session, gone | left)
    files: list[str] = []
    for woman in session.scalars(select(Woman).where(Woman.id.in_(gone))):
        files += [r.photo_file for r in woman.readings if r.photo_file]
        for referral in woman.referrals:
            referral.closing_reading_id = referral.opening_reading_id = None
        for event in woman.events:
            event.reading_id = event.referral_id = None
        session.flush()
        session.delete(woman)
        outcome.removed += 1
    session.flush()
    forget(session, gone)
    audit.append(session, "register.take_in_removed", "-", None, women=sorted(gone))
    outcome.photo_files += tuple(files)
    return left


def take_women(
    session: Session,
    women: Mapping[str, WomanState],
    outcome: Outcome,
    judge: Judge | None,
    register_id: str | None = None,
) -> None:
    """Take in what another register says of these women.

    RowError for what this program can't have written; the caller then rolls back.
    """
    if not women:  # most parts of a hand-over hold none
        return
    removed = set(session.scalars(select(RemovedWoman.woman_id)))
    given = {name: state for name, state in women.items() if name not in removed}
    ever = {
        one for pair in session.execute(select(Joining.one_id, Joining.other_id)) for one in pair
    }
    together = {one for name in ever & given.keys() for one in component(session, name)}
    show_alone(session, together)
    before = load_women(session, given)
    merged = {name: join_women(before.get(name), state) for name, state in given.items()}
    write_women(session, merged.values(), before)
    show_joined(session, together)
    # Of who is not joined, too: one register noted her birth, and the other her weeks since.
    note_each(session, [state for n, state in merged.items() if n not in together])
    changed = _count(outcome, before, merged)
    fresh = {n: apart(before[n], given[n]) if n in before else set() for n in given}
    sent = {
        n: sent_unknown(before[n], given[n]) | read_unknown(before[n], given[n])
        for n in given
        if n in before
    }
    born = {n for n in given if n in before and born_unknown(before[n], given[n])}
    visits = {name: unsettled_visits(merged[name]) for name in given}
    weeks = {n: weeks_unknown(before[n], given[n]) if n in before else {} for n in given}
    new_here = _held_by(session, given, register_id)
    touch(session, {*changed, *(n for n in new_here if merged[n] != given[n])})
    # What was written went past the session; what follows from it goes through it.
    session.expire_all()
    # What follows, follows from the visits as they are shown from now on.
    leads = join_visits(session, set(shown_values(session, given).values()), judge)
    concerned = {n for n in given if fresh[n] or visits[n]} | born
    _follow(session, concerned, fresh, sent, born, visits, weeks, judge)
    _hold_by_limits(session, merged, outcome, judge)
    reopen_if_anothers(session, set(shown_values(session, changed).values()), None)
    refer_joined(session, leads)
    write_down(session)


def _count(
    outcome: Outcome, before: Mapping[str, WomanState], merged: Mapping[str, WomanState]
) -> set[str]:
    changed = {name for name, state in merged.items() if state != before.get(name)}
    outcome.new += len(merged.keys() - before.keys())
    outcome.changed += len(changed & before.keys())
    outcome.same += len(merged) - len(changed)
    for name in changed:
        known = before[name].records if name in before else {}
        new = merged[name].records.keys() - known.keys()
        outcome.came_in |= {one for table, one in new if table == Reading.__tablename__}
    return changed


def _held_by(session: Session, women: Collection[str], register_id: str | None) -> set[str]:
    """Note that a register has these women; returns those of whom that is new."""
    if register_id is None:
        return set()
    known: set[str] = set()
    for some in in_parts(women):
        held = select(HeldBy.woman_id).where(
            HeldBy.register_id == register_id, HeldBy.woman_id.in_(some)
        )
        known |= set(session.scalars(held))
    new = set(women) - known
    if new:
        rows = [{"woman_id": one, "register_id": register_id} for one in sorted(new)]
        session.execute(insert(HeldBy), rows)
    return new


@cache
def _whole() -> Select[Woman]:
    """``some`` women with all that following them looks at."""
    return (
        select(Woman)
        .where(Woman.id.in_(SOME))
        .options(
            selectinload(Woman.visits).selectinload(Visit.readings),
            selectinload(Woman.readings),
            selectinload(Woman.referrals),
            selectinload(Woman.events),
        )
    )


def _follow(
    session: Session,
    women: set[str],
    fresh: Mapping[str, set[Key]],
    sent: Mapping[str, set[str]],
    born: set[str],
    visits: Mapping[str, set[str]],
    weeks: Mapping[str, Mapping[str, list[Told]]],
    judge: Judge | None,
) -> None:
    shown_as = shown_values(session, women)
    for some in in_parts(set(shown_as.values()), 100):
        for woman in session.scalars(_whole(), {"some": some}):
            own = [name for name, as_whom in shown_as.items() if as_whom == woman.id]
            follow(
                session,
                woman,
                set().union(*(fresh[name] for name in own)),
                set().union(*(visits[name] for name in own)),
                judge,
                set().union(*(sent.get(name, ()) for name in own)),
                not born.isdisjoint(own),
                {reading: told for name in own for reading, told in weeks[name].items()},
            )
        write_down(session)


def _hold_by_limits(
    session: Session, women: Mapping[str, WomanState], outcome: Outcome, judge: Judge | None
) -> None:
    """Hold what came in against this register's limits, where another protocol judged it."""
    if judge is None or judge.protocol is None:
        return
    readings: dict[str, set[str]] = {}
    for name, state in women.items():
        for (table, one), record in state.records.items():
            mine = table == Reading.__tablename__ and one in outcome.came_in
            if mine and is_of_another(record.row.get("detail"), judge.protocol):
                readings.setdefault(name, set()).add(one)
                protocol = protocol_of(record.row.get("detail"))
                outcome.judged_by.update([protocol] if protocol else [])
    shown_as = set(shown_values(session, readings).values())
    ask_by_limits(session, shown_as, set().union(*readings.values()), judge)


def settle_codes(session: Session) -> None:
    """Give women the codes that they were given, where those are free by now."""
    table = plain_tables()[WOMAN]
    said = (
        select(FieldChange.record, FieldChange.said, table.c.code)
        .join(table, table.c.id == FieldChange.record)
        .where(FieldChange.in_table == WOMAN, FieldChange.field == "code", FieldChange.head)
    )
    other = {row[0] for row in session.execute(said) if row[1]["value"]["code"] != row[2]}
    for name, state in sorted(load_women(session, other).items()):
        wanted = shown(state.records[WOMAN, name], "code")["code"]
        if free_code(session, wanted, name) == wanted:
            session.execute(update(table).where(table.c.id == name).values(code=wanted))
    session.expire_all()


def take(
    session: Session,
    incoming: State,
    judge: Judge | None = None,
    register_id: str | None = None,
    each: Callable[[int], None] = lambda _: None,
) -> Outcome:
    """Take in a whole saying, as it is held in memory."""
    outcome = Outcome()
    concerned = Concerned()
    take_joinings(session, incoming.joinings, concerned)
    concerned.women |= take_removed(session, incoming.removed, outcome)
    for some in in_parts(incoming.women):
        women = {name: incoming.women[name] for name in some}
        take_women(session, women, outcome, judge, register_id)
        each(len(some))
    finish(session, concerned, judge)
    return outcome


def finish(session: Session, concerned: Concerned, judge: Judge | None) -> None:
    """Show joined and parted women as such, and codes that are free again."""
    show_joined(session, concerned.women)
    as_shown = set(shown_values(session, concerned.women).values())
    leads = join_visits(session, as_shown, judge)
    ask_as_shown(session, as_shown, judge)
    ask_if_alive(session, as_shown)
    for _, joining in sorted(concerned.parted.items()):
        joined_at = utc(joining.entered_at)
        assert joined_at is not None
        both = set(shown_values(session, {joining.one_id, joining.other_id}).values())
        weeks = weeks_ever(session, joining.one_id)
        ask_as_shown(session, both, judge, weeks, joined_at)
        ask_for_herself(session, both, joined_at, None)
    refer_joined(session, leads)
    write_down(session)
    touch(session, concerned.women - set(session.scalars(select(RemovedWoman.woman_id))))
    settle_codes(session)
