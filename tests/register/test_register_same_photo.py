"""One picture is known again whole and as what a slow link got of it, on both databases."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest
from builders import add_woman, facts, photo
from sqlalchemy import event

from cardreader.read.phonenote import original_sha256
from cardreader.register.blots import blots_of
from cardreader.register.samephoto import (
    LOOKED_BACK,
    KnownPhotoError,
    also_entered,
    ask_if_known,
    entered_elsewhere,
    picture_of,
)

WHOLE, PART, ANOTHER = "aa" * 32, "bb" * 32, "cc" * 32


def sent(sha256: str, smaller: str = "", hb_g_dl: float = 9.0):
    """A photo of which the phone sent the whole, or something smaller."""
    given = facts(hb_g_dl)
    note = {smaller: {"original_sha256": WHOLE}} if smaller else {}
    told = {**(given.detail or {}), "photo": {"sha256": sha256, **note}}
    return replace(given, sha256=sha256, detail=told)


@pytest.mark.parametrize("smaller", ["card_part", "reduced"])
@pytest.mark.parametrize("first", ["whole", "smaller"])
def test_a_picture_sent_whole_and_smaller_is_one(database, smaller, first):
    files = {"whole": sent(WHOLE), "smaller": sent(PART, smaller)}
    second = next(name for name in files if name != first)
    hashes = {"whole": frozenset({WHOLE}), "smaller": frozenset({PART, WHOLE})}
    with database.write() as session:
        there = photo(session, add_woman(session, "KX-1"), files[first], key="first-photo-key")
        visit = photo(
            session, add_woman(session, "KX-2"), sent(ANOTHER), key="other-photo-key"
        ).visit
        ask_if_known(session, frozenset({ANOTHER}), visit.id)
        with pytest.raises(KnownPhotoError) as asked:
            ask_if_known(session, hashes[second], visit.id)
        assert asked.value.code == "KX-1"
        meant = photo(session, visit.woman, files[second], key="second-photo-key")
        assert picture_of(meant) == picture_of(there) == WHOLE
        assert [r.id for r in also_entered(session, meant)] == [there.id]
        assert [r.id for r in also_entered(session, there)] == [meant.id]


def test_what_was_sent_smaller_long_ago_is_not_looked_for(database):
    with database.write() as session:
        old = photo(session, add_woman(session, "KX-1"), sent(PART, "card_part"))
        old.taken_at -= LOOKED_BACK + dt.timedelta(days=1)
        visit = photo(session, add_woman(session, "KX-2"), sent(ANOTHER)).visit
        session.flush()
        ask_if_known(session, frozenset({WHOLE}), visit.id)
        with pytest.raises(KnownPhotoError):
            ask_if_known(session, frozenset({PART}), visit.id)


def test_no_photo_is_looked_for_among_all_readings(sqlite):
    """By SQLite's own plan (sqlite.org/eqp.html): a table is searched by an index, or scanned."""
    asked = []

    def note(_connection, _cursor, statement, parameters, *_):
        asked.append((statement, parameters))

    event.listen(sqlite.engine, "before_cursor_execute", note)
    with sqlite.read() as session:
        assert entered_elsewhere(session, frozenset({WHOLE, PART}), None) == []
    event.remove(sqlite.engine, "before_cursor_execute", note)
    with sqlite.engine.connect() as connection:
        plans = [
            row[-1]
            for statement, parameters in asked
            if statement.startswith("SELECT")
            for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters)
        ]
    assert any("ix_reading_photo_sha256" in step for step in plans)
    assert not any(step.startswith("SCAN reading") for step in plans)


def test_one_picture_sent_twice_is_one_blot(database):
    with database.write() as session:
        woman = add_woman(session, "KX-1")
        visit = photo(session, woman, sent(PART, "card_part"), key="part-photo-key").visit
        photo(session, woman, sent(WHOLE), key="whole-photo-key", number=1)
        assert len(blots_of(visit)) == 1


def test_the_hash_that_a_phone_told_is_found_in_the_file():
    assert (
        original_sha256(b"\xff\xd8 cardreader-part/1 sha256=" + b"0a" * 32 + b" ...") == "0a" * 32
    )
    note = b"cardreader-reduced/1 from=3264x2448 quality=98 sha256="
    assert original_sha256(b"\xff\xd8" + note + b"1f" * 32) == "1f" * 32
    assert original_sha256(note + b"unknown") is None
    assert original_sha256(b"no photo at all") is None
