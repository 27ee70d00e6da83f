"""Joined records, and registers, that tell of one woman what can't all be true."""

from __future__ import annotations

import datetime as dt

import pytest
from builders import PROTOCOL, add_woman, combine, facts, lab, photo
from days import today
from sqlalchemy import select
from wholestate import load_state

from cardreader.decide.protocolfile import load_protocol
from cardreader.decide.rule import Outcome
from cardreader.decide.subject import Smoking
from cardreader.register import closing
from cardreader.register.births import note_birth
from cardreader.register.closing import tell_weeks
from cardreader.register.fieldchanges import Said, say, touch
from cardreader.register.fieldgroups import WOMAN
from cardreader.register.followup import DueKind
from cardreader.register.keptlists import keep_lists
from cardreader.register.kinds import BirthOutcome, ReferralOutcome
from cardreader.register.lists import ListName, list_rows, open_rows, row_of
from cardreader.register.merge.conflicts import contradictory, count_conflicts, settle
from cardreader.register.merge.contradictions import contradictions
from cardreader.register.merge.following import Judge
from cardreader.register.merge.joining import join_two, part, show_all_anew
from cardreader.register.merge.together import take
from cardreader.register.mergemodels import FieldChange, Joining
from cardreader.register.models import AuditEntry, Woman
from cardreader.register.recording import subject_of
from cardreader.register.shownlists import counts_today
from cardreader.register.summary import summarise
from cardreader.register.women import Closing, find_woman

DAY = dt.timedelta(days=1)
WHO = load_protocol("who-2024")
JUDGE = Judge(combine, protocol=WHO)


def born(session, woman, days_ago: int, outcome=BirthOutcome.LIVE) -> None:
    note_birth(session, woman, outcome, today() - days_ago * DAY, None, PROTOCOL, sure=True)


def join(register) -> None:
    with register.write() as session:
        one, other = (find_woman(session, code).id for code in ("KX-1", "KX-2"))
        join_two(session, one, other, None, JUDGE)


def hers(session) -> Woman:
    return find_woman(session, "KX-1")


def kinds(session) -> list[str]:
    found = [one.kind.value for one in contradictory(session)]
    assert count_conflicts(session) == len(found)
    assert (hers(session).contradicts or "") == ",".join(found)
    return found


def choose(register, **wanted) -> None:
    """Let the record hold that says this."""
    with register.write() as session:
        fits = [
            choice
            for one in contradictory(session)
            for choice in one.choices
            if wanted.items() <= choice.value.items()
        ]
        settle(session, hers(session).id, fits[0].token, None, JUDGE)


def birth_and_going_on(session) -> None:
    """By the one record she gave birth 60 days ago, by the other she is in week 20."""
    born(session, add_woman(session, "KX-1", 38, days_ago=65), 60)
    second = add_woman(session, "KX-2", 20, days_ago=5)
    photo(session, second, facts(11.4, 0.1), days_ago=5)


def said(weeks=None, on=None, birth=None, outcome="live", **more):
    return {
        **{"added_at": "2025-01-01T10:00:00", "followed_from": None, "smoking": None},
        **{"gestation_weeks": weeks, "gestation_on": on},
        **{"birth_on": birth, "birth_outcome": birth and outcome},
        **{"closed_on": None, "closed_reason": None},
        **more,
    }


GONE = {"closed_on": "2025-06-01", "closed_reason": "moved"}
DEAD = {"closed_on": "2025-06-01", "closed_reason": "died"}


@pytest.mark.parametrize(
    ("one", "other", "found"),
    [
        # Dated three weeks apart, and four.
        (said(20, "2025-03-01"), said(23, "2025-03-01"), []),
        (said(20, "2025-03-01"), said(24, "2025-03-01"), ["pregnancy"]),
        # The pregnancy before was over when this one began, though no birth is noted.
        (said(20, "2024-01-01"), said(10, "2025-03-01"), []),
        # The pregnancy that ended with it; another before it; another after it.
        (said(38, "2025-03-01", "2025-03-08"), said(36, "2025-02-15"), []),
        (said(38, "2025-03-01", "2025-03-08"), said(20, "2023-02-15"), []),
        (said(38, "2025-03-01", "2025-03-08"), said(8, "2025-06-01"), []),
        (said(38, "2025-03-01", "2025-03-08"), said(8, "2025-04-15"), ["pregnancy"]),
        (said(birth="2025-03-08"), said(30, "2025-04-01"), ["pregnancy"]),
        # No child is born of week 12; a pregnancy may be lost then.
        (said(birth="2025-03-08"), said(11, "2025-03-01"), ["pregnancy"]),
        (said(birth="2025-03-08", outcome="loss"), said(11, "2025-03-01"), []),
        (said(birth="2025-03-08", outcome="loss"), said(36, "2025-03-01"), ["pregnancy"]),
        # Of one birth two days, of one day two outcomes; a birth, and a loss after it.
        (said(birth="2025-03-08"), said(birth="2025-03-09"), ["pregnancy"]),
        (said(birth="2025-03-08"), said(birth="2025-03-08", outcome="loss"), ["pregnancy"]),
        (said(birth="2025-03-08"), said(birth="2025-03-08"), []),
        (said(birth="2025-03-08"), said(birth="2025-07-08"), ["pregnancy"]),
        (said(birth="2025-03-08"), said(birth="2025-07-08", outcome="loss"), []),
        (said(birth="2025-03-08"), said(birth="2025-12-08"), []),
        (said(**GONE), said(), ["closing"]),
        (said(**GONE), said(added_at="2025-06-02T10:00:00"), []),
        (said(**GONE), said(followed_from="2025-06-02"), []),
        (said(**DEAD), said(added_at="2025-06-02T10:00:00"), ["closing"]),
        (said(**DEAD), said(**GONE), ["closing"]),
        (said(smoking="none"), said(smoking="20-or-more"), ["smoking"]),
        (said(), said(smoking="20-or-more"), []),
    ],
)
def test_what_cannot_both_be_true(one, other, found):
    assert list(contradictions([one, other])) == found
    assert list(contradictions([other, one])) == found


def test_what_a_later_pregnancy_followed_is_past():
    before = [said(birth="2023-03-08"), said(birth="2023-03-12")]
    assert contradictions(before)
    assert not contradictions([*before, said(10, "2025-06-01")])


def test_a_birth_and_a_pregnancy_that_began_before_it_are_followed_as_both(database):
    """She was shown as pregnant, by the lower limits, and the birth was nowhere to be seen."""
    with database.write() as session:
        birth_and_going_on(session)
    join(database)
    with database.read() as session:
        her = hers(session)
        assert kinds(session) == ["pregnancy"]
        assert her.birth_on == today() - 60 * DAY
        assert not subject_of(her, today(), None).pregnant
        # 11.4 is enough while she is pregnant, and not after a birth.
        assert [r.band for r in her.referrals] == [Outcome.ANAEMIC]


def test_who_is_in_doubt_falls_off_no_list(database):
    """Tested after the birth that one record notes she would be on no list, and be pregnant."""
    with database.write() as session:
        birth_and_going_on(session)
        photo(session, find_woman(session, "KX-1"), facts(13.8, 0.1), days_ago=15)
        find_woman(session, "KX-2").visits[0].readings[0].set_aside_at = dt.datetime.now(dt.UTC)
    keep_lists(database, WHO.follow_up)
    join(database)
    with database.read() as session:
        row = row_of(hers(session), WHO.follow_up)
        assert row.due.kind is DueKind.WITHOUT_WEEKS
        assert row.due.first_on == today() + 15 * DAY
        soon = today() + 15 * DAY
        assert list_rows(open_rows(session, WHO.follow_up), ListName.DUE, soon)
        assert counts_today(session, WHO.follow_up, soon)[ListName.DUE] == 1


def test_weeks_that_cannot_both_be_right_are_not_known(database):
    """So the strictest trimester's limits hold, also of what was read before."""
    with database.write() as session:
        add_woman(session, "KX-1", 8, days_ago=1)
        second = add_woman(session, "KX-2", 20, days_ago=10)
        photo(session, second, facts(10.7, 0.05), days_ago=2)
        second.visits[0].band = second.visits[0].readings[0].band = Outcome.NOT_ANAEMIC.value
        session.flush()
        for referral in list(second.referrals):
            session.delete(referral)
    join(database)
    with database.read() as session:
        assert kinds(session) == ["pregnancy"]
        her = hers(session)
        assert her.gestation_at(today()) is None
        assert subject_of(her, today(), None).pregnant
        assert [r.band for r in her.referrals] == [Outcome.ANAEMIC]
    choose(database, gestation_weeks=20)
    with database.read() as session:
        assert kinds(session) == []
        assert hers(session).gestation_at(today()) == 21


def test_what_is_settled_holds_everywhere_and_keeps_what_was_said(two_registers):
    here, there = two_registers
    with here.write() as session:
        birth_and_going_on(session)
    join(here)
    hand_over(here, there)
    with there.read() as session:
        assert kinds(session) == ["pregnancy"]
    choose(here, birth_on=None)
    with here.read() as session:
        assert kinds(session) == []
        assert hers(session).birth_on is None
        assert hers(session).gestation_at(today()) == 20
        # The month forgets the birth that was none; the trail and the changes don't.
        month = summarise(session, (today() - 60 * DAY).replace(day=1), today(), WHO.follow_up)
        assert not [n for _, n in month.births if n]
        trail = session.scalars(
            select(AuditEntry.action).where(AuditEntry.action.like("contradiction.%"))
        )
        assert list(trail) == ["contradiction.note", "contradiction.settle", "contradiction.note"]
        kept = session.scalars(select(FieldChange).where(FieldChange.field == "birth")).all()
        assert {one.said["value"]["birth_on"] for one in kept} == {
            None,
            (today() - 60 * DAY).isoformat(),
        }
    hand_over(here, there)
    hand_over(there, here)
    for register in two_registers:
        with register.read() as session:
            assert kinds(session) == []
            assert hers(session).gestation_at(today()) == 20


def test_a_choice_that_no_record_offers_any_more_is_refused(sqlite):
    with sqlite.write() as session:
        birth_and_going_on(session)
    join(sqlite)
    with sqlite.write() as session:
        token = contradictory(session)[0].choices[0].token
        tell_weeks(session, find_woman(session, "KX-1"), 2, today(), None)
    with sqlite.write() as session, pytest.raises(ValueError, match="any more"):
        settle(session, hers(session).id, token, None, JUDGE)


def test_parted_they_contradict_each_other_no_more(database):
    with database.write() as session:
        birth_and_going_on(session)
    join(database)
    with database.write() as session:
        part(session, session.scalars(select(Joining)).one(), None, JUDGE)
    with database.read() as session:
        assert kinds(session) == []
        first, second = (find_woman(session, code) for code in ("KX-1", "KX-2"))
        assert (first.birth_on, second.birth_on) == (today() - 60 * DAY, None)
        assert second.gestation_at(today()) == 20


def test_what_somebody_notes_who_sees_both_settles_it(sqlite):
    """She is asked for her weeks at the next visit, and tells them."""
    with sqlite.write() as session:
        add_woman(session, "KX-1", 8, days_ago=1)
        add_woman(session, "KX-2", 20, days_ago=10)
    join(sqlite)
    with sqlite.write() as session:
        tell_weeks(session, hers(session), 21, today(), None)
    with sqlite.read() as session:
        assert kinds(session) == []
        assert hers(session).gestation_at(today()) == 21
    show_all_anew(sqlite)
    with sqlite.read() as session:
        assert kinds(session) == []


def test_one_record_dead_and_the_other_visiting(database):
    """She is followed, what ended by her death is asked again, and the supervisor is asked."""
    with database.write() as session:
        first = add_woman(session, "KX-1", 20, days_ago=30)
        photo(session, first, facts(5.0), days_ago=20)
        closing.close_woman(session, first, Closing.DIED, today() - 9 * DAY, None)
        add_woman(session, "KX-2", 21, days_ago=20)
    join(database)
    with database.read() as session:
        assert kinds(session) == ["closing"]
        her = hers(session)
        assert her.closed_on is None
        assert [(r.closed_at, r.urgent) for r in her.referrals] == [(None, True)]
    choose(database, closed_reason="died")
    with database.read() as session:
        assert kinds(session) == []
        assert hers(session).closed_reason == Closing.DIED
        assert [r.outcome for r in hers(session).referrals] == [ReferralOutcome.DIED]


@pytest.mark.parametrize("known", [None, Smoking.NONE])
def test_who_smokes_by_one_record_is_judged_as_who_smokes(database, known):
    with database.write() as session:
        add_woman(session, "KX-1", 20).smoking = known and known.value
        add_woman(session, "KX-2", 20).smoking = Smoking.FROM_20.value
    join(database)
    with database.read() as session:
        assert subject_of(hers(session), today(), None).smoking is Smoking.FROM_20
        assert kinds(session) == ([] if known is None else ["smoking"])


def hand_over(giver, taker) -> None:
    with giver.read() as session:
        state = load_state(session)
    with taker.write() as session:
        take(session, state, JUDGE)


@pytest.fixture
def two_registers(database, tmp_path, empty_register):
    """Two registers; of each pair one is on SQLite."""
    import shutil

    from cardreader.register.database import Database, sqlite_url

    other = Database(sqlite_url(shutil.copy(empty_register, tmp_path / "other.db")))
    yield database, other
    other.close()


def seen_apart(here, there, weeks: int) -> None:
    """One register notes a birth of 30 days ago; the other, which doesn't know, weeks of today."""
    with here.write() as session:
        add_woman(session, "KX-1", 35, days_ago=60)
    hand_over(here, there)
    with here.write() as session:
        born(session, hers(session), 30)
        photo(session, hers(session), facts(13.8, 0.1), days_ago=0)
    with there.write() as session:
        tell_weeks(session, hers(session), weeks, today(), None)
    hand_over(there, here)
    hand_over(here, there)


def test_weeks_told_where_nobody_knew_of_the_birth_contradict_it(two_registers):
    """She had given birth by the one, was tested after it, and was on no list."""
    seen_apart(*two_registers, 30)
    for register in two_registers:
        with register.read() as session:
            assert kinds(session) == ["pregnancy"]
            assert not subject_of(hers(session), today(), None).pregnant
    choose(two_registers[1], gestation_weeks=30)
    hand_over(two_registers[1], two_registers[0])
    for register in two_registers:
        with register.read() as session:
            assert kinds(session) == []
            assert hers(session).gestation_at(today()) == 30


def test_settled_for_the_birth_the_weeks_end_with_it(two_registers):
    seen_apart(*two_registers, 30)
    choose(two_registers[0], birth_on=(today() - 30 * DAY).isoformat())
    hand_over(*two_registers)
    for register in two_registers:
        with register.read() as session:
            assert kinds(session) == []
            assert hers(session).gestation_at(today() - 31 * DAY) == 25
            assert hers(session).gestation_at(today()) is None
            assert len([e for e in hers(session).events if e.set_aside_at is None]) == 1


def test_weeks_that_began_after_the_birth_that_another_register_noted_are_a_pregnancy(
    two_registers,
):
    """As where both are noted at one register: she was taken for who had given birth, and tested
    after it was on no list."""
    seen_apart(*two_registers, 3)
    for register in two_registers:
        with register.read() as session:
            assert kinds(session) == []
            her = hers(session)
            assert her.gestation_at(today()) == 3
            assert row_of(her, WHO.follow_up).due.kind is DueKind.SCHEDULED
            assert [e.choice for e in her.events] == ["live"]


def test_a_birth_that_is_noted_late_by_who_knew_her_weeks_contradicts_nothing(two_registers):
    here, there = two_registers
    with here.write() as session:
        her = add_woman(session, "KX-1", 39, days_ago=3)
        born(session, her, 5)
        assert her.gestation_at(today() - 6 * DAY) == 38
    hand_over(*two_registers)
    with there.read() as session:
        assert kinds(session) == []


def test_a_result_settles_what_was_read_and_not_who_she_is(sqlite):
    with sqlite.write() as session:
        birth_and_going_on(session)
    join(sqlite)
    with sqlite.write() as session:
        lab(session, hers(session), 12.5, days_ago=0, sure=True)
    with sqlite.read() as session:
        assert kinds(session) == ["pregnancy"]


# --- several weeks in one record ----------------------------------------------------------


def told_apart(here, there, *weeks: int) -> None:
    """Each register tells other weeks of one record, not knowing of the other's; then they meet."""
    with here.write() as session:
        add_woman(session, "KX-1", 8, days_ago=60)
    hand_over(here, there)
    for register, told in zip((here, there), weeks, strict=True):
        with register.write() as session:
            tell_weeks(session, hers(session), told, today(), None)
            her = hers(session)
            photo(session, her, facts(10.7, 0.05), days_ago=0)
            # As this protocol has it in the second trimester.
            her.visits[0].band = her.visits[0].readings[0].band = Outcome.NOT_ANAEMIC.value
            session.flush()
            for referral in list(her.referrals):
                session.delete(referral)
    hand_over(there, here)
    hand_over(here, there)


@pytest.mark.parametrize("weeks", [(16, 34), (34, 16), (17, 26)])
def test_of_several_weeks_in_one_record_none_is_shown_before_somebody_decides(two_registers, weeks):
    """The newest were: by them 10.7 g/dL may be enough, and she came back in months."""
    told_apart(*two_registers, *weeks)
    for register in two_registers:
        with register.read() as session:
            assert kinds(session) == ["pregnancy"]
            her = hers(session)
            assert (her.gestation_at(today()), her.birth_on) == (None, None)
            # For WHO 2024 enough in the second trimester; not where the trimester is not known.
            assert Outcome.ANAEMIC in [r.band for r in her.referrals if r.closed_at is None]
            due = row_of(her, WHO.follow_up).due
            assert due.kind in (DueKind.WITHOUT_WEEKS, DueKind.MONTHLY)
    choose(two_registers[0], gestation_weeks=weeks[1])
    hand_over(*two_registers)
    for register in two_registers:
        with register.read() as session:
            assert kinds(session) == []
            assert hers(session).gestation_at(today()) == weeks[1]


@pytest.mark.parametrize("weeks", [(20, 22), (22, 20)])
def test_weeks_of_one_pregnancy_dated_twice_are_shown_and_to_be_decided(two_registers, weeks):
    told_apart(*two_registers, *weeks)
    for register in two_registers:
        with register.read() as session:
            assert contradictory(session) == []
            assert count_conflicts(session) == 1
            assert hers(session).gestation_at(today()) in weeks


def test_several_weeks_of_before_are_shown_anew_at_the_next_start(database):
    with database.write() as session:
        add_woman(session, "KX-1", 16, days_ago=0)
    with database.write() as session:
        tell_weeks(session, hers(session), 34, today(), None)
    with database.write() as session:
        for one in session.scalars(select(FieldChange).where(FieldChange.field == "gestation")):
            one.head, one.said = True, {**one.said, "replaces": []}
    with database.read() as session:
        assert hers(session).gestation_at(today()) == 34
    for _ in range(2):  # and nothing is written the second time
        show_all_anew(database, JUDGE)
        with database.read() as session:
            assert hers(session).gestation_at(today()) is None
            assert kinds(session) == ["pregnancy"]
            noted = select(AuditEntry.seq).where(AuditEntry.action == "contradiction.note")
            assert len(session.scalars(noted).all()) == 1


def test_the_next_pregnancy_is_shown_though_weeks_of_the_last_were_mended_later(two_registers):
    """She had given birth by the newest weeks, was tested after it, and was on no list."""
    here, there = two_registers
    with here.write() as session:
        her = add_woman(session, "KX-1", 36, days_ago=200)
        born(session, her, 180)
        photo(session, her, facts(13.8, 0.1), days_ago=130)
    hand_over(here, there)
    with there.write() as session:
        tell_weeks(session, hers(session), 12, today(), None)
    with here.write() as session:
        her = hers(session)
        her.gestation_weeks = 38  # of the pregnancy that is over, told on the same day
    hand_over(there, here)
    hand_over(here, there)
    for register in two_registers:
        with register.read() as session:
            her = hers(session)
            assert her.gestation_at(today()) == 12
            assert row_of(her, WHO.follow_up).due.kind is DueKind.SCHEDULED


def test_a_birth_against_weeks_told_apart_is_a_contradiction_whichever_came_last(two_registers):
    seen_apart(*two_registers, 30)
    here, there = two_registers
    with here.write() as session:
        # Weeks of before the birth, told apart from those that the other register has.
        change = session.scalars(
            select(FieldChange).where(FieldChange.field == "gestation", FieldChange.head)
        ).one()
        before = {"gestation_weeks": 34, "gestation_on": (today() - 60 * DAY).isoformat()}
        change_id = say(session, hers(session).id, Said(WOMAN, hers(session).id, "gestation",
                        dict(change.said["value"]), before), None)  # fmt: skip
        session.get_one(FieldChange, change_id).said = {"value": before, "replaces": []}
        session.get_one(FieldChange, change.id).head = True
        touch(session, {hers(session).id})
    hand_over(here, there)
    with there.read() as session:
        assert kinds(session) == ["pregnancy"]
        assert row_of(hers(session), WHO.follow_up).due is not None
