"""Two women joined by mistake and parted again: neither may be left in a closed record."""

from __future__ import annotations

import datetime as dt

import pytest
from builders import NOBODY, PROTOCOL, add_woman, combine, facts, lab, photo, refused
from days import today
from sqlalchemy import select

from cardreader.register import audit, closing, recording, women
from cardreader.register.base import utc_now
from cardreader.register.births import note_birth
from cardreader.register.kinds import BirthOutcome
from cardreader.register.lists import ListName, row_of
from cardreader.register.merge.following import Judge
from cardreader.register.merge.joining import join_two, part
from cardreader.register.mergemodels import Joining
from cardreader.register.models import Woman
from cardreader.register.referrals import send_for_test
from cardreader.register.tube import TubeUnit

JUDGE = Judge(combine)
MOVED = women.Closing.MOVED


def tube(session, woman) -> None:
    given = (woman, "tube-key", 5.0, TubeUnit.G_DL, utc_now(), None, PROTOCOL, NOBODY)
    recording.record_tube(session, *given)


ENTRIES = {
    "photo": lambda s, her: photo(s, her, facts(5.0)),
    "refused": lambda s, her: photo(s, her, refused()),
    "tube": tube,
    "sent": lambda s, her: send_for_test(s, her, utc_now(), True, None),
    "laboratory": lambda s, her: lab(s, her, 6.0, sure=True),
}


def joined(session, closed_days_ago: int | None) -> None:
    """KX-1, entered first, and KX-2; KX-1 was perhaps closed before they were joined."""
    one, other = (add_woman(session, f"KX-{n}", days_ago=90 // n) for n in (1, 2))
    for woman in (one, other):
        photo(session, woman, facts(13.0), days_ago=40)
    if closed_days_ago is not None:
        day = today() - dt.timedelta(days=closed_days_ago)
        closing.close_woman(session, one, MOVED, day, None)
    join_two(session, one.id, other.id, None, JUDGE)


def parted(session) -> dict[str, Woman]:
    part(session, session.scalars(select(Joining)).one(), None, JUDGE)
    session.flush()
    session.expire_all()
    assert audit.check(session)
    return {woman.code: woman for woman in session.scalars(select(Woman))}


def on_lists(woman: Woman) -> set[ListName]:
    if woman.closed_on is not None:
        return set()
    row = row_of(woman, PROTOCOL.follow_up)
    return {name for name in ListName if row.belongs(name, today())}


def test_what_was_read_under_the_other_record_is_held_against_the_limits_after_the_birth(sqlite):
    with sqlite.write() as session:
        one, other = (add_woman(session, f"KX-{n}", weeks=38, days_ago=60) for n in (1, 2))
        on = today() - dt.timedelta(days=45)
        note_birth(session, one, BirthOutcome.LIVE, on, None, PROTOCOL, sure=True)
        photo(session, other, facts(7.4, 0.2), days_ago=1)
        assert [r.urgent for r in other.referrals] == [False]
        ids = one.id, other.id
    with sqlite.write() as session:
        join_two(session, *ids, None, Judge(combine, protocol=PROTOCOL))
        her = women.find_woman(session, "KX-2")
        assert [r.urgent for r in her.referrals] == [True]


@pytest.mark.parametrize("what", ENTRIES)
def test_what_came_into_a_record_closed_before_opens_it_again(sqlite, what):
    with sqlite.write() as session:
        joined(session, closed_days_ago=30)
        ENTRIES[what](session, women.find_woman(session, "KX-2"))
        found = parted(session)
        assert ListName.REFERRALS in on_lists(found["KX-1"])
        assert found["KX-2"].closed_on is None


def test_a_record_closed_before_into_which_nothing_came_stays_closed(sqlite):
    with sqlite.write() as session:
        joined(session, closed_days_ago=30)
        found = parted(session)
        assert found["KX-1"].closed_on == today() - dt.timedelta(days=30)
        assert found["KX-2"].closed_on is None


@pytest.mark.parametrize("reason", [MOVED, women.Closing.DIED])
def test_who_was_closed_as_one_is_followed_as_two(sqlite, reason):
    """One of them moved away, or died; nobody knows which."""
    with sqlite.write() as session:
        joined(session, closed_days_ago=None)
        her = women.find_woman(session, "KX-2")
        ENTRIES["photo"](session, her)
        closing.close_woman(session, her, reason, today(), None, sure=True)
        found = parted(session)
        assert {ListName.SEVERE, ListName.REFERRALS} <= on_lists(found["KX-1"])
        assert found["KX-2"].closed_on is None
        # Closed once more, by who knows which of them it is, she stays so.
        closing.close_woman(session, found["KX-2"], reason, today(), None, sure=True)
        assert found["KX-2"].closed_on == today()
