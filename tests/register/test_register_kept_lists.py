"""The places that are kept are those worked out anew from the records, whatever was done."""

from __future__ import annotations

import datetime as dt
import shutil
from contextlib import ExitStack, suppress
from dataclasses import replace

import pytest
from builders import PROTOCOL, add_woman, combine, facts, lab, photo
from days import today
from histories import anything
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from sqlalchemy import select, text
from wholestate import load_state

from cardreader.register import backup, closing
from cardreader.register.database import Database, sqlite_url
from cardreader.register.keptlists import Places, catch_up, keep_lists, mark_of
from cardreader.register.listmodels import KeptLists, KeptPlace, OutOfPlace
from cardreader.register.lists import ListName, list_counts, list_rows, open_rows
from cardreader.register.merge.following import Judge
from cardreader.register.merge.together import take
from cardreader.register.shownlists import counts_today, on_any_list, part_of_list
from cardreader.register.women import Closing

RULES = PROTOCOL.follow_up
OTHER_RULES = replace(RULES, monthly_days=9, severe_days=3, grace_days=1, rise_g_dl=3.0)
DAYS = (0, 12, 31, 400)
"""From today on: time alone brings women onto lists."""


def must_agree(database: Database, rules=RULES) -> None:
    """What is kept, and what is read from it, is what the records say: today and later."""
    catch_up(database, rules)
    with database.read() as session:
        assert session.get(KeptLists, 1).rules == mark_of(rules)
        assert session.scalars(select(OutOfPlace)).all() == []
        rows = open_rows(session, rules)
        anew = {
            (row.woman.id, name.value): (place.since, place.pressing, place.value)
            for row in rows
            for name in ListName
            if (place := row.place(name)) is not None
        }
        kept = session.scalars(select(KeptPlace))
        assert {(k.woman_id, k.on_list): (k.since, k.pressing, k.value) for k in kept} == anew
        for day in (today() + dt.timedelta(days=days) for days in DAYS):
            assert counts_today(session, rules, day) == list_counts(rows, day)
            for name in ListName:
                whole = [row.woman.code for row in list_rows(rows, name, day)]
                part = part_of_list(session, rules, name, day)
                assert ([row.woman.code for row in part.rows], part.total) == (whole, len(whole))
            on_any = {r.woman.id for r in rows if any(r.belongs(n, day) for n in ListName)}
            part = on_any_list(session, rules, tuple(ListName), day)
            assert ({row.woman.id for row in part.rows}, part.total) == (on_any, len(on_any))


class Kept:
    """A register whose places are kept, and another that it takes in from."""

    def __init__(self, url: str, other: str) -> None:
        self.own, self.other = Database(url), Database(other)
        for database in (self.own, self.other):
            database.migrate()
        self.rules = RULES
        keep_lists(self.own, RULES)

    def do(self, what: str, step) -> None:
        """One thing that happens; whoever doesn't know the rules writes all the same."""
        match what:
            case "rules":
                self.rules = OTHER_RULES if self.rules is RULES else RULES
                keep_lists(self.own, self.rules)
            case "take":
                with self.other.read() as session:
                    said = load_state(session)
                with self.own.write() as session:
                    take(session, said, Judge(combine))
            case "other":
                with self.other.write() as session:
                    step(session)
            case "unknowing":
                self.own.renewer = None
                with self.own.write() as session:
                    step(session)
                self.own.renewer = Places(self.rules)
            case _:
                with self.own.write() as session:
                    step(session)

    def close(self) -> None:
        self.own.close()
        self.other.close()


_whats = ("own", "own", "own", "own", "unknowing", "other", "other", "take", "rules")
_histories = st.lists(st.tuples(st.sampled_from(_whats), anything), min_size=4, max_size=14)
_settings = settings(derandomize=True, database=None, phases=[Phase.generate])


def _go_through(history, url: str, other: str) -> None:
    kept = Kept(url, other)
    try:
        for what, step in history:
            kept.do(what, step)
            must_agree(kept.own, kept.rules)
    finally:
        kept.close()


@pytest.mark.slow
@given(history=_histories)
@settings(_settings, max_examples=12)
def test_kept_places_follow_any_history(empty_register, tmp_path_factory, history):
    folder = tmp_path_factory.mktemp("kept")
    for name in ("own", "other"):
        shutil.copy(empty_register, folder / f"{name}.db")
    _go_through(history, *(sqlite_url(folder / f"{name}.db") for name in ("own", "other")))


@pytest.mark.slow
@given(history=_histories)
@settings(_settings, max_examples=3)
def test_kept_places_follow_any_history_on_postgresql(
    postgres, empty_register, tmp_path_factory, history
):
    folder = tmp_path_factory.mktemp("kept")
    shutil.copy(empty_register, folder / "other.db")
    _go_through(history, postgres.new_url(), sqlite_url(folder / "other.db"))


def fill(database: Database) -> None:
    """Women on every kind of list, two of them with no record left to follow."""
    with database.write() as session:
        for n, hb in enumerate((6.0, 8.5, 10.2, 12.8, 13.5)):
            her = add_woman(session, f"KX-{n}", days_ago=60)
            photo(session, her, facts(hb), days_ago=40)
            lab(session, her, hb, days_ago=39, sure=True)
        closing.close_woman(session, her, Closing.MOVED, today(), None, sure=True)


def test_places_are_kept_in_the_transaction_that_changes_her(database):
    keep_lists(database, RULES)
    with database.write() as session:
        photo(session, add_woman(session, "KX-1", days_ago=5), facts(6.0), days_ago=2)
    with database.engine.connect() as connection:
        found = connection.execute(text("SELECT on_list FROM kept_place ORDER BY on_list"))
        assert [row[0] for row in found] == ["due", "overdue", "referrals", "severe"]
    # What is not committed moves nobody.
    with suppress(ZeroDivisionError), database.write() as session:
        photo(session, add_woman(session, "KX-2"), facts(6.0))
        raise ZeroDivisionError
    must_agree(database)


def test_a_register_that_came_from_before_is_worked_out_once(database, monkeypatch):
    fill(database)
    with database.read() as session:
        assert session.scalars(select(KeptPlace)).all() == []
        # Not kept yet: the lists are shown all the same.
        assert counts_today(session, RULES, today())[ListName.SEVERE] == 1
    monkeypatch.setattr("cardreader.register.keptlists.AT_ONCE", 2)
    keep_lists(database, RULES)
    must_agree(database)
    monkeypatch.setattr(Places, "renew", None)  # would fail if it began again
    keep_lists(database, RULES)


def test_working_out_goes_on_where_it_was_stopped(sqlite, monkeypatch):
    fill(sqlite)
    monkeypatch.setattr("cardreader.register.keptlists.AT_ONCE", 2)
    renew, seen = Places.renew, []

    def stopped(self, session, women):
        seen.extend(women)
        if len(seen) > 2:
            raise KeyboardInterrupt
        renew(self, session, women)

    monkeypatch.setattr(Places, "renew", stopped)
    with pytest.raises(KeyboardInterrupt):
        keep_lists(sqlite, RULES)
    monkeypatch.setattr(Places, "renew", renew)
    with sqlite.read() as session:
        assert session.get(KeptLists, 1).done_to == seen[1]
        # Half of them would be no list.
        assert counts_today(session, RULES, today())[ListName.SEVERE] == 1
    with sqlite.write() as session:
        photo(session, add_woman(session, "KX-9"), facts(5.5))
    keep_lists(sqlite, RULES)
    must_agree(sqlite)


def test_places_of_another_protocol_are_not_shown(sqlite):
    fill(sqlite)
    keep_lists(sqlite, OTHER_RULES)
    with sqlite.read() as session:
        rows = open_rows(session, RULES)
        assert counts_today(session, RULES, today()) == list_counts(rows, today())
        day = today() - dt.timedelta(days=20)
        assert counts_today(session, RULES, day) == list_counts(rows, day)
        assert counts_today(session, OTHER_RULES, day) != list_counts(rows, day)
    keep_lists(sqlite, RULES)
    must_agree(sqlite)


def test_those_on_any_list_come_most_pressing_first(sqlite):
    fill(sqlite)
    order = (ListName.SEVERE, ListName.OVERDUE, ListName.DUE)
    with sqlite.read() as session:
        anew = on_any_list(session, RULES, order, today(), 3)
    keep_lists(sqlite, RULES)
    with sqlite.read() as session:
        kept = on_any_list(session, RULES, order, today(), 3)
    assert (anew.total, kept.total) == (4, 4)
    codes = [row.woman.code for row in kept.rows]
    assert codes[0] == "KX-0"
    assert codes == [row.woman.code for row in anew.rows]


def test_a_list_comes_in_parts(sqlite):
    fill(sqlite)
    keep_lists(sqlite, RULES)
    with sqlite.read() as session:
        whole = part_of_list(session, RULES, ListName.DUE, today())
        parts = [part_of_list(session, RULES, ListName.DUE, today(), n, 1) for n in range(5)]
    assert whole.total == len(whole.rows) == 4
    codes = [row.woman.code for part in parts for row in part.rows]
    assert codes == [row.woman.code for row in whole.rows]
    assert {part.total for part in parts} == {4}


@pytest.mark.parametrize("target", ["sqlite", "postgresql"])
def test_places_are_no_part_of_a_backup_and_worked_out_after_it(
    database, target, tmp_path, request
):
    fill(database)
    keep_lists(database, RULES)
    file, fresh = tmp_path / "register.backup", tmp_path / "fresh"
    note = backup.make_backup(database, tmp_path, file, "an invented passphrase")
    assert not {"kept_place", "kept_lists", "out_of_place"} & set(note.rows)
    url = sqlite_url(fresh / "register.db")
    if target == "postgresql":
        url = request.getfixturevalue("postgres").new_url()
    backup.restore_backup(url, fresh, file, "an invented passphrase")
    with ExitStack() as stack:
        restored = Database(url)
        stack.callback(restored.close)
        with restored.read() as session:
            assert session.scalars(select(KeptLists)).all() == []
        keep_lists(restored, RULES)
        must_agree(restored)
