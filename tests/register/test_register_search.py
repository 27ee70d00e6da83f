"""Finding women by part of what is known of them, on both databases."""

from __future__ import annotations

import datetime as dt

import pytest
from builders import add_woman, facts, photo
from days import today
from sqlalchemy import inspect, text

from cardreader.register.database import Database
from cardreader.register.knownby import mend_code, set_village
from cardreader.register.merge.joining import join_two
from cardreader.register.search import search_women


def found(database: Database, *asked) -> list[str]:
    with database.read() as session:
        return [woman.code for woman in search_women(session, *asked).women]


def test_by_part_of_code_former_code_and_village(database):
    with database.write() as session:
        one, two = add_woman(session, "KX-12/7", days_ago=3), add_woman(session, "KX-345")
        set_village(session, one, "Upper_Ford 100%", today(), None)
        set_village(session, two, "UpperXFord", today(), None)
        mend_code(session, two, "KX-346", today(), None)
    assert found(database, "kx") == ["KX-346", "KX-12/7"]
    assert found(database, " 2/ 7") == ["KX-12/7"]
    assert found(database, "345") == ["KX-346"]
    assert found(database, "upper") == ["KX-346", "KX-12/7"]
    # What stands for any letter elsewhere stands for itself here.
    assert found(database, "upper_") == ["KX-12/7"]
    assert found(database, "100%") == ["KX-12/7"]
    assert found(database, "%") == ["KX-12/7"]


def test_by_part_of_the_code_of_a_record_that_is_joined_into_hers(database):
    with database.write() as session:
        ids = [add_woman(session, code, days_ago=n).id for n, code in ((5, "KX-1"), (2, "PX-77"))]
    with database.write() as session:
        join_two(session, *ids, None)
    assert found(database, "77") == ["KX-1"]
    # Also with another script's digits.
    assert found(database, "\u0667\u0667") == ["KX-1"]


def test_by_a_village_in_any_case_of_its_alphabet(database):
    with database.write() as session:
        set_village(session, add_woman(session, "KX-1"), "Élan du Sud", today(), None)
        set_village(session, add_woman(session, "KX-2"), "Верхний Брод", today(), None)
    for typed in ("élan", "ÉLAN", "Élan du"):
        assert found(database, typed) == ["KX-1"]
    for typed in ("верхний", "Верхний"):
        assert found(database, typed) == ["KX-2"]


def test_by_day_and_part_together(database):
    with database.write() as session:
        for code, days in (("KX-1", 12), ("KX-2", 12), ("KX-3", 4)):
            photo(session, add_woman(session, code, days_ago=20), facts(9.0), days_ago=days)
    day = today() - dt.timedelta(days=12)
    assert sorted(found(database, "", day)) == ["KX-1", "KX-2"]
    assert found(database, "x-2", day) == ["KX-2"]


def test_others_beside_those_shown_are_told_of(database):
    with database.write() as session:
        for n in range(4):
            add_woman(session, f"KX-{n}", days_ago=n)
    with database.read() as session:
        some, every = (search_women(session, "kx", None, most) for most in (3, 4))
    assert ([w.code for w in some.women], some.more) == (["KX-0", "KX-1", "KX-2"], True)
    assert (len(every.women), every.more) == (4, False)


def test_many_are_found_as_few_are(database, monkeypatch):
    with database.write() as session:
        for n in range(6):
            her = add_woman(session, f"KX-{n}", days_ago=n)
            set_village(session, her, f"Ford {n % 2}", today(), None)
    for asked in (("kx",), ("ford 1",), ("ford", today() - dt.timedelta(days=2)), ("none",)):
        few = found(database, *asked)
        with monkeypatch.context() as patch:
            patch.setattr("cardreader.register.search.FEW", 1)
            assert found(database, *asked) == few
    assert found(database, "ford 1") == ["KX-1", "KX-3", "KX-5"]


@pytest.mark.parametrize("database", ["postgresql"], indirect=True)
def test_postgresql_finds_parts_by_an_index(database):
    """As documented for pg_trgm: https://www.postgresql.org/docs/current/pgtrgm.html"""
    with database.engine.begin() as connection:
        names = {i["name"] for i in inspect(connection).get_indexes("woman")}
        assert "trgm_woman_code" in names
        connection.execute(text("SET LOCAL enable_seqscan = off"))
        plan = connection.execute(
            text("EXPLAIN SELECT id FROM woman WHERE code LIKE '%X-1%' ESCAPE '/'")
        )
        assert "trgm_woman_code" in str(plan.all())
