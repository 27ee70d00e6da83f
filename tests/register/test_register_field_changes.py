"""What a transaction changes is kept beside the record, whoever wrote it."""

from __future__ import annotations

from builders import add_woman, facts, lab, photo
from days import today
from sqlalchemy import select

from cardreader.register import accounts, closing, women
from cardreader.register.base import Base
from cardreader.register.fieldgroups import fields_of, plain_tables
from cardreader.register.kinds import Role
from cardreader.register.knownby import mend_code
from cardreader.register.mergemodels import FieldChange, RemovedWoman, Touched
from cardreader.register.removal import remove_woman


def changes(database, **of):
    with database.read() as session:
        return list(session.scalars(select(FieldChange).filter_by(**of).order_by(FieldChange.at)))


def test_a_new_record_needs_no_change(database):
    with database.write() as session:
        photo(session, add_woman(session), facts(12.8))
    assert changes(database) == []


def test_the_first_value_the_new_one_and_whose_hand(database):
    with database.write() as session:
        ada = accounts.add_account(session, "ada", Role.WORKER, "a long password").id
        her = add_woman(session, "KX-1").id
    with database.write() as session:
        mend_code(session, women.find_woman(session, "KX-1"), "KX-2", today(), ada)
    first, second = changes(database, field="code")
    assert (first.said["value"], second.said["value"]) == ({"code": "KX-1"}, {"code": "KX-2"})
    assert (first.head, second.head, second.by) == (False, True, ada)
    assert second.said["replaces"] == [first.id]
    assert (second.woman_id, second.record, second.in_table) == (her, her, "woman")


def test_columns_that_belong_together_change_together(database):
    with database.write() as session:
        add_woman(session, "KX-1")
    with database.write() as session:
        her = women.find_woman(session, "KX-1")
        closing.close_woman(session, her, women.Closing.MOVED, today(), None)
    newest = changes(database, field="closing")[-1]
    assert newest.said["value"] == {
        "closed_on": today().isoformat(),
        "closed_reason": "moved",
        "followed_from": None,
    }


def test_a_change_by_a_session_that_never_saw_the_value_knows_it_all_the_same(database):
    with database.write() as session:
        her = add_woman(session, "KX-1")
        session.flush()
        session.expire(her)
        her.smoking = "none"
    # Made and changed in one transaction: it is new.
    assert changes(database) == []
    with database.write() as session:
        her = women.find_woman(session, "KX-1")
        session.expire(her)
        her.smoking = "10-19"
    assert [c.said["value"]["smoking"] for c in changes(database)] == ["none", "10-19"]


def test_a_transaction_that_fails_leaves_none(database):
    with database.write() as session:
        add_woman(session, "KX-1")
    try:
        with database.write() as session:
            women.find_woman(session, "KX-1").smoking = "none"
            raise KeyboardInterrupt
    except KeyboardInterrupt:
        pass
    assert changes(database) == []


def test_every_entry_touches_its_woman(database):
    with database.write() as session:
        her = add_woman(session, "KX-1", days_ago=9)
        add_woman(session, "KX-2")
        photo(session, her, facts(9.0), days_ago=3)
    with database.write() as session:
        lab(session, women.find_woman(session, "KX-1"), 9.2)
    with database.read() as session:
        seqs = dict(session.execute(select(Touched.woman_id, Touched.seq)).all())
        assert seqs[women.find_woman(session, "KX-1").id] == 2
        assert seqs[women.find_woman(session, "KX-2").id] == 1


def test_what_was_deleted_leaves_no_value_behind(database):
    with database.write() as session:
        her = add_woman(session, "KX-1", days_ago=9)
        photo(session, her, facts(9.0), days_ago=3)
        lab(session, her, 9.2)
    with database.write() as session:
        her = women.find_woman(session, "KX-1")
        women.set_gestation(session, her, 30, today(), None)
    assert changes(database)
    with database.write() as session:
        remove_woman(session, women.find_woman(session, "KX-1"), None)
    assert changes(database) == []
    with database.read() as session:
        assert session.scalars(select(RemovedWoman)).one()


def test_every_column_of_a_travelling_table_is_of_one_field_or_stays():
    """A column that a later version adds travels without being named.

    What records contradict each other in is worked out wherever they come together.
    """
    assert {"woman", "visit", "reading", "referral", "treatment", "event"} <= set(plain_tables())
    for name in plain_tables():
        columns = [column for group in fields_of(name).values() for column in group]
        assert len(columns) == len(set(columns))
        stays = set(Base.metadata.tables[name].c.keys()) - set(columns)
        assert stays <= {"id", "woman_id", "photo_file", "contradicts"}
