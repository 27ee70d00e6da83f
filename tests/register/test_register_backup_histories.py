"""Whatever was done in a register, its backup can be made, and restores every field as it was."""

from __future__ import annotations

import shutil

import pytest
from builders import add_woman, facts, photo, refused
from histories import steps
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from cardreader.register import visits
from cardreader.register.backup import make_backup, restore_backup
from cardreader.register.base import Base, local_day, utc_now
from cardreader.register.database import Database, sqlite_url
from cardreader.register.models import Visit

PASSPHRASE = "an invented passphrase"


def stored(database: Database) -> dict[str, list[tuple]]:
    """Every field as the database itself holds it, no type of ours between."""
    with database.engine.connect() as connection:
        return {
            table.name: sorted(
                map(tuple, connection.exec_driver_sql(f'SELECT * FROM "{table.name}"')), key=repr
            )
            for table in Base.metadata.sorted_tables
            if table.name != "sign_in"
        }


def restored_copy(database: Database, folder) -> dict[str, list[tuple]]:
    file, fresh = folder / "register.backup", folder / "fresh"
    make_backup(database, folder, file, PASSPHRASE)
    restore_backup(sqlite_url(fresh / "register.db"), fresh, file, PASSPHRASE)
    copy = Database(sqlite_url(fresh / "register.db"))
    try:
        return stored(copy)
    finally:
        copy.close()


def test_a_visit_opened_and_left_can_be_backed_up(sqlite, tmp_path):
    with sqlite.write() as session:
        photo(session, add_woman(session, "KX-1"), facts(9.0))
        left = add_woman(session, "KX-2")
        visits.open_visit(session, left, 1, local_day(utc_now()), None)
    assert restored_copy(sqlite, tmp_path) == stored(sqlite)


def test_the_combined_result_survives_beside_a_visit_that_has_none(sqlite, tmp_path):
    """Whichever row comes first, a later one keeps what it holds."""
    with sqlite.write() as session:
        visits.open_visit(session, add_woman(session, "KX-1"), 1, local_day(utc_now()), None)
        both = add_woman(session, "KX-2")
        photo(session, both, facts(7.1))
        photo(session, both, facts(8.9))
    copy = restored_copy(sqlite, tmp_path)
    assert copy == stored(sqlite)
    result = list(Visit.__table__.columns.keys()).index("result")
    assert any('"g_dl": 8.0' in str(row[result]) for row in copy["visit"])


def test_a_visit_whose_only_photo_was_refused_can_be_backed_up(sqlite, tmp_path):
    with sqlite.write() as session:
        photo(session, add_woman(session, "KX-1"), facts(9.0))
        photo(session, add_woman(session, "KX-2"), refused())
    assert restored_copy(sqlite, tmp_path) == stored(sqlite)


def test_what_has_no_result_is_null_to_the_database(database):
    """Not the JSON value null, which other programs would take for a value."""
    with database.write() as session:
        woman = add_woman(session)
        photo(session, woman, refused())
        visit = woman.visits[0]
        visit.result = None
        session.flush()
        connection = session.connection()
        empty = "SELECT count(*) FROM visit WHERE result IS NULL"
        assert connection.exec_driver_sql(empty).scalar() == 1


def test_null_that_an_older_version_wrote_as_json_becomes_none(sqlite):
    with sqlite.write() as session:
        photo(session, add_woman(session), facts(9.0))
    old = Database(sqlite.url)
    with old.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE visit SET result = 'null'")
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '0001'")
    old.migrate("0002")
    with old.engine.connect() as connection:
        assert connection.exec_driver_sql("SELECT result FROM visit").scalar() is None
    old.close()


@pytest.mark.slow
# Few and long ones: backup and restore make all tables anew, which takes most of the time.
@given(history=st.lists(steps, min_size=6, max_size=20))
@settings(max_examples=14, derandomize=True, database=None, phases=[Phase.generate])
def test_any_history_comes_back_field_by_field(empty_register, tmp_path_factory, history):
    folder = tmp_path_factory.mktemp("history")
    database = Database(sqlite_url(shutil.copy(empty_register, folder / "register.db")))
    try:
        for step in history:
            with database.write() as session:
                step(session)
        assert restored_copy(database, folder) == stored(database)
    finally:
        database.close()
