"""Registers that become one, over random histories: the order never matters, nothing is lost.

The laws are those of a join semilattice: commutative, associative, idempotent.
"""

from __future__ import annotations

import shutil
from collections import Counter

import pytest
from builders import combine
from histories import anything, one_day, one_severe, seen_today, two_women
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st
from sqlalchemy import select
from wholestate import load_state

from cardreader.decide.protocolfile import load_protocol
from cardreader.register.database import Database, sqlite_url
from cardreader.register.dayvisits import is_shown
from cardreader.register.fieldchanges import OF_ALL_JOINED
from cardreader.register.fieldgroups import fields_of, plain, plain_tables, travelling_columns
from cardreader.register.merge.choosing import row_of
from cardreader.register.merge.days import join_all, same_days
from cardreader.register.merge.following import Judge
from cardreader.register.merge.state import State, join
from cardreader.register.merge.together import take
from cardreader.register.models import JoinedVisit

# Of a protocol whose limits differ by trimester.
JUDGE = Judge(combine, protocol=load_protocol("who-2024"))
THREE = settings(max_examples=26, derandomize=True, database=None, phases=[Phase.generate])


deed = st.tuples(st.integers(0, 2), st.one_of(anything, *seen_today))
exchange = st.tuples(st.integers(0, 2), st.integers(0, 2))
"""Which register takes in what which other says."""


class Three:
    """Three registers that can hand over to each other."""

    def __init__(self, empty_register, folder) -> None:
        self.registers = []
        for name in "abc":
            shutil.copy(empty_register, folder / f"{name}.db")
            self.registers.append(Database(sqlite_url(folder / f"{name}.db")))

    def do(self, which: int, step) -> None:
        with self.registers[which].write() as session:
            step(session)

    def says(self, which: int) -> State:
        with self.registers[which].read() as session:
            return load_state(session)

    def take(self, which: int, said: State) -> None:
        with self.registers[which].write() as session:
            take(session, said, JUDGE)

    def settle(self) -> None:
        """Everybody takes in from everybody until nobody has anything new to say."""
        for _ in range(6):
            said = [self.says(n) for n in range(3)]
            if said[0] == said[1] == said[2]:
                return
            for n in range(3):
                for m in range(3):
                    if n != m:
                        self.take(n, said[m])
        raise AssertionError("the registers never agree")

    def tables(self, which: int) -> dict[str, list[tuple]]:
        return shown_tables(self.registers[which])

    def joined(self, which: int) -> dict[str, tuple]:
        return visits_joined(self.registers[which])

    def apart(self, which: int) -> int:
        """Days whose visits stay apart."""
        with self.registers[which].read() as session:
            return sum(day.lead is None for day in same_days(session))

    def rejoin(self) -> None:
        """What was joined or parted where nothing could combine is joined by whoever can."""
        for register in self.registers:
            join_all(register, JUDGE)

    def close(self) -> None:
        for register in self.registers:
            register.close()


def shown_tables(register: Database) -> dict[str, list[tuple]]:
    """What a register shows, photos' places aside.

    Where two women have one code, or two readings one key, each register keeps its
    own and gives the other an ending.
    """
    out = {}
    with register.engine.connect() as connection:
        for name, table in plain_tables().items():
            columns = travelling_columns(name)
            found = connection.execute(select(*(table.c[c] for c in columns)))
            out[name] = sorted((_without_endings(row._mapping) for row in found), key=repr)
    return out


def visits_joined(register: Database) -> dict[str, tuple]:
    """Which visits are one, and what they come to together; and those that stay apart."""
    with register.read() as session:
        found = {
            row.visit_id: (row.lead_id, row.made_of, row.hb_g_dl, row.band)
            for row in session.scalars(select(JoinedVisit))
        }
        for day in same_days(session):
            assert day.lead is not None or day.alarming
            assert len({visit.id in found for visit in day.visits}) == 1
            shown = [visit for visit in day.visits if is_shown(visit)]
            assert len(shown) == (len(day.visits) if day.lead is None else 1)
        return found


def _without_endings(row) -> tuple:
    values = dict(row)
    if "code" in values:
        values["code"] = values["code"][:4]
    if "submission_key" in values:
        values["submission_key"] = values["submission_key"].split("~")[0]
    return tuple(values.items())


def three_with(empty_register, tmp_path_factory, deeds, exchanges) -> Three:
    three = Three(empty_register, tmp_path_factory.mktemp("three"))
    before = list(deeds)
    # Women whom all three know, so that what they do meets.
    for _, step in before[: len(before) // 3]:
        three.do(0, step)
    before = before[len(before) // 3 :]
    for other in (1, 2):
        three.take(other, three.says(0))
    for taker, giver in exchanges:
        for which, step in before[: len(deeds) // (len(exchanges) + 1) + 1]:
            three.do(which, step)
        before = before[len(deeds) // (len(exchanges) + 1) + 1 :]
        three.take(taker, three.says(giver))
    for which, step in before:
        three.do(which, step)
    return three


@pytest.mark.slow
@given(deeds=st.lists(deed, min_size=14, max_size=22), exchanges=st.lists(exchange, max_size=2))
@THREE
def test_registers_that_meet_in_any_order_become_one(
    empty_register, tmp_path_factory, deeds, exchanges
):
    """All laws of each history: to make one of three registers takes longer than to look."""
    three = three_with(empty_register, tmp_path_factory, deeds, exchanges)
    try:
        said = [three.says(n) for n in range(3)]
        joining_is_a_semilattice(*said)
        tables_are_what_is_said(said[0], three.tables(0))
        registers_come_to_agree(three, said)
    finally:
        three.close()


def joining_is_a_semilattice(a: State, b: State, c: State) -> None:
    assert join(a, b) == join(b, a)
    assert join(join(a, b), c) == join(a, join(b, c))
    assert join(a, a) == a
    assert join(join(a, b), a) == join(a, b)
    assert nothing_is_lost([a, b, c], join(join(a, b), c))


def nothing_is_lost(parts: list[State], whole: State) -> bool:
    """Every entry and every change of a woman who wasn't deleted is in the whole."""
    for said in parts:
        for name, woman in said.women.items():
            if name in whole.removed:
                continue
            for key, record in woman.records.items():
                kept = whole.women[name].records[key]
                for field in fields_of(record.table):
                    assert record.said(field).items() <= kept.said(field).items()
        assert said.removed <= whole.removed
        assert said.joinings.keys() <= whole.joinings.keys()
    return True


def registers_come_to_agree(three: Three, said: list[State]) -> None:
    three.settle()
    agreed = three.says(0)
    assert nothing_is_lost(said, agreed)
    assert three.tables(0) == three.tables(1) == three.tables(2)
    three.take(0, agreed)
    assert three.says(0) == agreed
    three.rejoin()
    assert three.joined(0) == three.joined(1) == three.joined(2)
    assert three.says(0) == agreed  # of what is joined nothing is said


def tables_are_what_is_said(said: State, shown: dict[str, list[tuple]]) -> None:
    """A row is what its record says, but for joined women and codes that are taken."""
    rows = {dict(row)["id"]: dict(row) for table in shown.values() for row in table}
    for woman in said.women.values():
        for (table, name), record in woman.records.items():
            if name not in rows:
                assert table == "woman"  # joined into another
                continue
            differing = {
                column
                for column, value in row_of(record).items()
                if not _same(rows[name][column], value)
            }
            assert differing <= {"woman_id", "code", "submission_key"} | {
                column for field in OF_ALL_JOINED for column in _woman_field(table, field)
            }


def _woman_field(table: str, field: str) -> tuple[str, ...]:
    return fields_of(table)[field] if table == "woman" else ()


def _same(kept, value) -> bool:
    return plain(kept) == value


@pytest.mark.slow
def test_visits_of_one_day_are_one_in_whatever_order_registers_meet(
    empty_register, tmp_path_factory
):
    """Each goes on after the first meeting, not knowing what the others enter."""
    found = Counter()

    @given(
        deeds=st.lists(st.tuples(st.integers(0, 2), one_day), min_size=6, max_size=12),
        exchanges=st.lists(exchange, min_size=1, max_size=3),
    )
    @settings(THREE, max_examples=10, phases=[Phase.explicit, Phase.generate])
    @example(deeds=one_severe, exchanges=[])
    def go(deeds, exchanges) -> None:
        known = [(0, two_women), *[(0, lambda _: None)] * (len(deeds) // 2)]
        three = three_with(empty_register, tmp_path_factory, known + deeds, exchanges)
        try:
            said = [three.says(n) for n in range(3)]
            for taker, order in enumerate(((1, 2, 0), (2, 0, 1), (0, 1, 2))):
                for giver in order:
                    three.take(taker, said[giver])
            three.rejoin()
            joined = three.joined(0)
            assert joined == three.joined(1) == three.joined(2)
            three.settle()
            assert joined == three.joined(0) == three.joined(1) == three.joined(2)
            found["joined"] += len(joined)
            found["apart"] += three.apart(0)
        finally:
            three.close()

    go()
    assert found["joined"] > 0, found
    assert found["apart"] > 0, found
