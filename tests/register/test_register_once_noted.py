"""What two registers noted, each for itself: births, closings and referrals stand once."""

from __future__ import annotations

import datetime as dt
import shutil
from dataclasses import replace

import pytest
from builders import PROTOCOL, add_woman, combine, facts, lab, photo
from days import today
from sqlalchemy import select
from wholestate import load_state

from cardreader.decide.followuprules import OutcomeRule
from cardreader.register.base import utc_now
from cardreader.register.births import note_birth
from cardreader.register.closing import close_woman, reopen_woman
from cardreader.register.database import Database, sqlite_url
from cardreader.register.kinds import BirthOutcome, Purpose, ReferralOutcome
from cardreader.register.merge.following import Judge
from cardreader.register.merge.together import take
from cardreader.register.models import Woman
from cardreader.register.openreferrals import open_referrals, sent_for
from cardreader.register.referrals import close, tell_outcome
from cardreader.register.summary import Summary, summarise
from cardreader.register.undoing import undo_event
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


# --- one referral, opened at both before they met -----------------------------------------


def referred_at_both(two, days_ago: float = 20) -> None:
    """Each read her as severe and sent her on, before they met."""
    for register, hb in zip(two, (5.2, 5.6), strict=True):
        with register.write() as session:
            her = session.scalars(select(Woman)).one()
            photo(session, her, facts(hb), days_ago=days_ago + hb / 100)
    meet(two)


def sent(register) -> list[tuple[str, list[str]]]:
    with register.read() as session:
        her = session.scalars(select(Woman)).one()
        return [(one.id, [double.id for double in doubles]) for one, doubles in sent_for(her)]


def open_at(register) -> int:
    with register.read() as session:
        return len(open_referrals(session.scalars(select(Woman)).one()))


def test_one_referral_stands_for_what_both_opened(two):
    referred_at_both(two)
    ((_, doubles),) = sent(two[0])
    assert len(doubles) == 1
    assert sent(two[1]) == sent(two[0])
    assert open_at(two[0]) == 2
    for register in two:
        assert month_of(register).referrals.missing == 1

    # One result answers both, and a care referral is another thing.
    with two[1].write() as session:
        lab(session, session.scalars(select(Woman)).one(), 5.4, days_ago=1)
    meet(two)
    for register in two:
        assert [doubles for _, doubles in sent(register)] == [[]]
        with register.read() as session:
            (care,) = open_referrals(session.scalars(select(Woman)).one())
            assert care.purpose == Purpose.CARE


def test_what_became_of_it_is_told_once(two):
    referred_at_both(two)
    rules = replace(
        PROTOCOL.follow_up,
        referral=replace(PROTOCOL.follow_up.referral, refused=OutcomeRule(closes=True)),
    )
    with two[0].write() as session:
        her = session.scalars(select(Woman)).one()
        ((first, _),) = sent_for(her)
        event = tell_outcome(session, first, ReferralOutcome.REFUSED, today(), None, rules)
        assert open_referrals(her) == []
        undo_event(session, event, None)
        assert len(open_referrals(her)) == 2
        tell_outcome(session, first, ReferralOutcome.REFUSED, today(), None, rules)
    meet(two)
    assert open_at(two[1]) == 0


def test_a_mistake_is_one_registers_own(two):
    """What the other opened for what it read itself stays, and is shown then."""
    referred_at_both(two)
    with two[0].write() as session:
        ((first, (double,)),) = sent_for(session.scalars(select(Woman)).one())
        close(session, first, ReferralOutcome.MISTAKE, utc_now(), None)
        double_id = double.id
    assert sent(two[0]) == [(double_id, [])]
