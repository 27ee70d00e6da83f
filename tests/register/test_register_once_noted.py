"""Births and closings that two registers noted, each for itself: a month counts each once."""

from __future__ import annotations

import datetime as dt
import shutil

import pytest
from builders import PROTOCOL, add_woman, combine
from days import today
from sqlalchemy import select
from wholestate import load_state

from cardreader.register.births import note_birth
from cardreader.register.closing import close_woman, reopen_woman
from cardreader.register.database import Database, sqlite_url
from cardreader.register.kinds import BirthOutcome
from cardreader.register.merge.following import Judge
from cardreader.register.merge.together import take
from cardreader.register.models import Woman
from cardreader.register.summary import Summary, summarise
from cardreader.register.women import Closing

JUDGE = Judge(combine, protocol=PROTOCOL)
DAY = dt.timedelta(days=1)


@pytest.fixture
def two(empty_register, tmp_path):
    """Two registers that know one woman."""
    found = []
    for name in "ab":
        file = shutil.copy(empty_register, tmp_path / f"{name}.db")
        found.append(Database(sqlite_url(file)))
    with found[0].write() as session:
        add_woman(session, weeks=36)
    meet(found)
    yield found
    for register in found:
        register.close()


def meet(two) -> None:
    for taker, giver in (two, two[::-1]):
        with giver.read() as session:
            said = load_state(session)
        with taker.write() as session:
            take(session, said, JUDGE)


def month_of(register, day: dt.date | None = None) -> Summary:
    with register.read() as session:
        return summarise(session, day or today(), today(), PROTOCOL.follow_up)


def births(register, day: dt.date | None = None) -> dict[str, int]:
    return {outcome.value: n for outcome, n in month_of(register, day).births if n}


def born(register, outcome: BirthOutcome, on: dt.date) -> None:
    with register.write() as session:
        her = session.scalars(select(Woman)).one()
        note_birth(session, her, outcome, on, None, PROTOCOL, sure=True)


def closed(register, reason: Closing) -> None:
    with register.write() as session:
        close_woman(session, session.scalars(select(Woman)).one(), reason, today(), None, "", True)


def test_a_birth_that_both_noted_is_counted_once(two):
    for register in two:
        born(register, BirthOutcome.LIVE, today())
    meet(two)
    assert [births(register) for register in two] == [{"live": 1}, {"live": 1}]


def test_twins_of_whom_one_lived_are_one_birth_at_both(two):
    for register in two:
        born(register, BirthOutcome.LIVE_AND_NOT, today())
    meet(two)
    assert [births(register) for register in two] == [{"live_and_not": 1}] * 2


def test_of_two_that_differ_the_one_that_is_shown_is_counted(two):
    """In whichever of the two months it lies."""
    born(two[0], BirthOutcome.NOT_KNOWN, today())
    born(two[1], BirthOutcome.LIVE, today() - 5 * DAY)
    meet(two)
    with two[0].read() as session:
        her = session.scalars(select(Woman)).one()
        on, outcome = her.birth_on, her.birth_outcome
    months = {day.replace(day=1) for day in (today(), today() - 5 * DAY)}
    for register in two:
        counted = {month: births(register, month) for month in months}
        assert counted == {m: {outcome: 1} if m == on.replace(day=1) else {} for m in months}


def test_births_of_two_pregnancies_are_two(two):
    born(two[0], BirthOutcome.LOSS, today() - 200 * DAY)
    with two[0].write() as session:
        her = session.scalars(select(Woman)).one()
        close_woman(session, her, Closing.OTHER, today() - 150 * DAY, None, "", True)
        reopen_woman(session, her, today() - 100 * DAY, None)
        her.birth_on = her.birth_outcome = her.gestation_on = her.gestation_weeks = None
    born(two[0], BirthOutcome.LOSS, today())
    meet(two)
    assert births(two[1]) == births(two[1], today() - 200 * DAY) == {"loss": 1}


def test_a_record_that_both_closed_is_counted_once(two):
    for register in two:
        closed(register, Closing.MOVED)
    meet(two)
    for register in two:
        assert {why.value: n for why, n in month_of(register).closed if n} == {"moved": 1}


def test_a_record_closed_opened_and_closed_is_counted_twice(two):
    closed(two[0], Closing.MOVED)
    with two[0].write() as session:
        reopen_woman(session, session.scalars(select(Woman)).one(), today(), None)
    closed(two[0], Closing.OTHER)
    meet(two)
    for register in two:
        assert {why.value: n for why, n in month_of(register).closed if n} == {
            "moved": 1,
            "other": 1,
        }
