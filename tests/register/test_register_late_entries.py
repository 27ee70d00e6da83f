"""Entries that come in late, from paper or a phone, and mistakes that stood for an answer.

What is older never hides what is newer, and the order in which things come in changes
nothing of what is asked. All values are invented.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from itertools import permutations
from uuid import uuid4

import pytest
from builders import NOBODY, PROTOCOL, add_woman, combine, facts, lab, photo, refused
from days import today

from cardreader.decide.followuprules import OutcomeRule
from cardreader.decide.protocolfile import load_protocol
from cardreader.decide.rule import Outcome
from cardreader.register import closing, recording, referrals, settingaside, visits
from cardreader.register.base import local_day, utc_now
from cardreader.register.births import OddWeeksError, note_birth
from cardreader.register.doubt import DoubtfulError
from cardreader.register.followup import DueKind
from cardreader.register.kinds import BirthOutcome, EventKind, Purpose, ReferralOutcome, Regimen
from cardreader.register.lists import row_of
from cardreader.register.mendedweeks import mend_weeks
from cardreader.register.merge.joining import join_two, part
from cardreader.register.mergemodels import Joining
from cardreader.register.models import Visit
from cardreader.register.openreferrals import open_referrals
from cardreader.register.referrals import send_for_test, tell_outcome
from cardreader.register.tube import TubeUnit
from cardreader.register.women import end_treatment, find_woman, running_treatment, start_treatment

RULES = PROTOCOL.follow_up
DAY = dt.timedelta(days=1)


@pytest.fixture
def her(sqlite):
    """A woman, in a session that writes."""
    with sqlite.write() as session:
        yield session, add_woman(session, days_ago=60)


def test_a_late_result_opens_her_record_no_earlier_than_it_was_closed(her):
    """Else the month of the result counts her as opened again, and her page has her open first
    and then closed."""
    session, woman = her
    photo(session, woman, facts(9.0), days_ago=50)
    closed = closing.Closing.MOVED
    on = today() - 3 * DAY
    closing.close_woman(session, woman, closed, on, None, sure=True)
    result = lab(session, woman, 6.1, days_ago=45, sure=True)
    assert woman.closed_on is None
    (opened,) = [e for e in woman.events if e.kind == EventKind.READ_WHILE_CLOSED]
    assert (opened.on, opened.reading_id) == (on, result.id)
    assert woman.followed_from == local_day(result.taken_at)


def test_a_new_result_opens_her_record_on_its_day(her):
    session, woman = her
    photo(session, woman, facts(9.0), days_ago=50)
    closed_on = today() - 30 * DAY
    closing.close_woman(session, woman, closing.Closing.MOVED, closed_on, None, sure=True)
    result = photo(session, woman, facts(9.4), days_ago=2)
    (opened,) = [e for e in woman.events if e.kind == EventKind.READ_WHILE_CLOSED]
    assert opened.on == local_day(result.taken_at)


def tube(session, woman, hb_g_dl: float, days_ago: float = 0):
    at = utc_now() - days_ago * DAY
    return recording.record_tube(
        *(session, woman, uuid4().hex, hb_g_dl, TubeUnit.G_DL, at, None, PROTOCOL, NOBODY)
    )


def set_aside(session, reading) -> None:
    session.flush()
    session.expire_all()
    settingaside.set_aside(session, reading, "a slip", None, combine, NOBODY)


def asked(woman) -> list[tuple[str, bool, float | None]]:
    """What is open: the outcome it speaks of, whether it is urgent, the value."""
    return [(r.band, r.urgent, r.hb_g_dl) for r in open_referrals(woman)]


# --- older entries that come in late -----------------------------------------------------


@pytest.mark.parametrize("late", ["tube", "photo"])
def test_an_older_value_does_not_answer_a_newer_photo_that_could_not_be_read(her, late):
    session, woman = her
    photo(session, woman, refused("out_of_range"), days_ago=1)
    if late == "tube":
        tube(session, woman, 13.5, days_ago=20)
    else:
        photo(session, woman, facts(13.5), days_ago=20)
    assert asked(woman) == [(Outcome.NOT_READ, True, None)]
    photo(session, woman, facts(13.6))
    assert asked(woman) == []


def test_an_older_value_leaves_the_urgency_of_a_newer_photo(her):
    session, woman = her
    photo(session, woman, refused("out_of_range"))
    photo(session, woman, facts(9.0), days_ago=10)
    assert asked(woman) == [(Outcome.ANAEMIC, True, 9.0)]


def test_a_referral_speaks_of_the_newest_value(her):
    session, woman = her
    photo(session, woman, facts(5.0))
    photo(session, woman, facts(9.0), days_ago=10)
    assert asked(woman) == [(Outcome.SEVERE, True, 5.0)]


def test_what_somebody_sent_as_urgent_stays_so_when_a_photo_is_not(her):
    session, woman = her
    send_for_test(session, woman, utc_now(), True, None)
    photo(session, woman, facts(9.0))
    assert asked(woman) == [(Outcome.ANAEMIC, True, 9.0)]


def test_an_older_result_does_not_end_a_referral_for_a_newer_value(her):
    session, woman = her
    photo(session, woman, facts(9.0), days_ago=10)
    photo(session, woman, facts(5.0))
    with pytest.raises(DoubtfulError):
        lab(session, woman, 9.5, days_ago=5)
    lab(session, woman, 9.5, days_ago=5, sure=True)
    assert asked(woman) == [(Outcome.SEVERE, True, 5.0)]
    lab(session, woman, 5.2)
    assert [r.purpose for r in open_referrals(woman)] == [Purpose.CARE]


def test_an_older_result_does_not_end_care_for_a_newer_one(her):
    session, woman = her
    lab(session, woman, 6.0, days_ago=10)
    lab(session, woman, 5.5)
    lab(session, woman, 8.0, days_ago=5, sure=True)
    assert asked(woman) == [(Outcome.SEVERE, True, 5.5)]


def test_the_order_in_which_entries_come_in_changes_nothing_of_what_is_asked(sqlite):
    entries = [
        lambda s, w: photo(s, w, facts(9.0), days_ago=12),
        lambda s, w: photo(s, w, refused("out_of_range"), days_ago=8),
        lambda s, w: tube(s, w, 13.5, days_ago=6),
        lambda s, w: photo(s, w, facts(5.0), days_ago=2),
    ]
    found = set()
    with sqlite.write() as session:
        for number, order in enumerate(permutations(entries)):
            woman = add_woman(session, f"KX-{number + 10}", days_ago=60)
            for enter in order:
                enter(session, woman)
            found.add(tuple(asked(woman)))
    assert found == {((Outcome.SEVERE, True, 5.0),)}


def test_a_regimen_noted_late_does_not_end_the_one_that_came_after_it(her):
    session, woman = her
    start_treatment(session, woman, Regimen.TREATMENT, today() - 10 * DAY, None)
    start_treatment(session, woman, Regimen.PREVENTION, today() - 50 * DAY, None)
    session.flush()
    session.expire_all()
    running = running_treatment(woman)
    assert running.regimen == Regimen.TREATMENT
    assert [t.ended_on for t in woman.treatments] == [today() - 10 * DAY, None]
    end_treatment(session, woman, today() - 20 * DAY, None)
    assert running.ended_on == running.started_on  # never before it began


# --- mistakes that stood for an answer ------------------------------------------------------


def test_what_came_in_behind_a_mistaken_result_is_asked_once_it_is_set_aside(her):
    session, woman = her
    wrong = lab(session, woman, 12.0, days_ago=1)
    photo(session, woman, facts(5.0), days_ago=3)
    photo(session, woman, refused("out_of_range"), days_ago=2)
    set_aside(session, wrong)
    assert asked(woman) == [(Outcome.SEVERE, True, 5.0)]


@pytest.mark.parametrize("clear", ["tube", "photo"])
def test_a_photo_that_could_not_be_read_asks_again_when_its_answer_was_a_mistake(her, clear):
    session, woman = her
    photo(session, woman, refused("out_of_range"), days_ago=3)
    wrong = tube(session, woman, 13.5) if clear == "tube" else photo(session, woman, facts(13.5))
    assert asked(woman) == []
    set_aside(session, wrong)
    assert asked(woman) == [(Outcome.NOT_READ, True, None)]


def test_care_stays_open_while_another_severe_result_stands(her):
    session, woman = her
    first = lab(session, woman, 6.0, days_ago=10)
    second = lab(session, woman, 5.5)
    set_aside(session, first)
    assert asked(woman) == [(Outcome.SEVERE, True, 5.5)]
    set_aside(session, second)
    assert asked(woman) == []


def test_care_she_went_for_stays_told_when_the_result_is_set_aside(her):
    session, woman = her
    result = lab(session, woman, 6.0)
    care = open_referrals(woman)[0]
    referrals.close(session, care, ReferralOutcome.WENT, utc_now(), None)
    set_aside(session, result)
    assert care.outcome == ReferralOutcome.WENT


@pytest.mark.parametrize("photo_first", [True, False])
def test_what_anothers_result_answered_is_asked_again_once_they_are_parted(sqlite, photo_first):
    """Two women joined by mistake: the result is the one's, the severe photo the other's."""
    with sqlite.write() as session:
        one, other = (add_woman(session, code, days_ago=60) for code in ("KX-1", "KX-2"))
        photo(session, one, facts(13.0), days_ago=50)
        visit = visits.open_visit(session, other, 1, today() - 5 * DAY, None)
        session.flush()
        ids, visit_id = (one.id, other.id), visit.id
    with sqlite.write() as session:
        joining_id = join_two(session, *ids, None).id
    enter = [
        lambda s, w: photo(s, w, facts(5.0), days_ago=5),
        lambda s, w: lab(s, w, 12.0, days_ago=1, sure=True),
    ]
    for step in enter if photo_first else reversed(enter):
        with sqlite.write() as session:
            step(session, find_woman(session, "KX-1"))
    with sqlite.write() as session:
        assert asked(find_woman(session, "KX-1")) == []
        part(session, session.get_one(Joining, joining_id), None)
    with sqlite.read() as session:
        hers = session.get_one(Visit, visit_id).woman
        assert hers.code == "KX-2"
        assert asked(hers) == [(Outcome.SEVERE, True, 5.0)]
        assert asked(find_woman(session, "KX-1")) == []


def test_a_value_taken_back_leaves_the_referral_with_the_words_it_had(her):
    session, woman = her
    photo(session, woman, facts(5.0), days_ago=6)
    slip = tube(session, woman, 9.0)
    assert asked(woman) == [(Outcome.ANAEMIC, True, 9.0)]
    set_aside(session, slip)
    assert asked(woman) == [(Outcome.SEVERE, True, 5.0)]


@pytest.mark.parametrize("later", ["photo", "tube", "unread", "by hand"])
def test_who_refused_while_listed_as_severe_is_asked_no_less_urgently_later(her, later):
    session, woman = her
    photo(session, woman, facts(5.0), days_ago=20)
    closes = replace(RULES.referral, refused=OutcomeRule(closes=True))
    rules = replace(RULES, referral=closes)  # a local protocol that lets the matter rest
    tell_outcome(session, open_referrals(woman)[0], ReferralOutcome.REFUSED, today(), None, rules)
    assert open_referrals(woman) == []
    match later:
        case "photo":
            photo(session, woman, facts(9.0), number=2)
        case "tube":
            tube(session, woman, 9.0)
        case "unread":
            photo(session, woman, refused(), number=2)
        case _:
            send_for_test(session, woman, utc_now(), False, None)
    assert row_of(woman, RULES).standing.severe
    assert [r.urgent for r in open_referrals(woman)] == [True]
    # A result that lifts it ends the alarm: what comes after it is asked as it is.
    lab(session, woman, 9.4, sure=True)
    photo(session, woman, facts(9.0), days_ago=-1, number=3)
    assert [r.urgent for r in open_referrals(woman)] == [False]


def test_what_was_told_of_a_referral_stands_when_its_answer_was_a_mistake(her):
    session, woman = her
    photo(session, woman, facts(9.0), days_ago=6)
    tell_outcome(session, open_referrals(woman)[0], ReferralOutcome.WENT, today(), None, RULES)
    wrong = lab(session, woman, 9.2)
    set_aside(session, wrong)
    assert open_referrals(woman)[0].outcome == ReferralOutcome.WENT


# --- births, and pregnancies after them ----------------------------------------------------


@pytest.mark.parametrize(
    ("weeks", "outcome", "odd"),
    [
        (10, BirthOutcome.LIVE, True),
        (21, BirthOutcome.STILLBIRTH, True),
        (22, BirthOutcome.LIVE, False),
        (44, BirthOutcome.LIVE, False),
        (45, BirthOutcome.LIVE, True),
        (10, BirthOutcome.LOSS, False),
        (28, BirthOutcome.LOSS, True),
        (10, BirthOutcome.NOT_KNOWN, False),
        (None, BirthOutcome.LIVE, False),
    ],
)
def test_a_birth_in_an_odd_week_is_asked_about(sqlite, weeks, outcome, odd):
    """The weeks are those of the protocol file: common practice, no source."""
    with sqlite.write() as session:
        woman = add_woman(session, weeks=None)
        if weeks is not None:
            closing.tell_weeks(session, woman, min(weeks, 40), today() - DAY, None)
        on = today() - DAY + dt.timedelta(weeks=max((weeks or 0) - 40, 0))
        if odd:
            with pytest.raises(OddWeeksError) as asked_about:
                note_birth(session, woman, outcome, on, None, PROTOCOL)
            assert asked_about.value.week == weeks
            assert woman.birth_on is None
        note_birth(session, woman, outcome, on, None, PROTOCOL, sure=odd)
        assert woman.birth_on == on


def long_ago_a_mother(session, woman) -> None:
    """Birth and the test after it are two years past, and her record was closed."""
    woman.gestation_weeks = woman.gestation_on = None
    note_birth(session, woman, BirthOutcome.LIVE, today() - 700 * DAY, None, PROTOCOL)
    photo(session, woman, facts(14.0), days_ago=650)
    closing.close_woman(session, woman, closing.Closing.DELIVERED, today() - 640 * DAY, None)


@pytest.mark.parametrize("by_hand", [True, False])
def test_who_is_followed_anew_long_after_a_birth_has_a_next_day(her, by_hand):
    session, woman = her
    long_ago_a_mother(session, woman)
    if by_hand:
        closing.reopen_woman(session, woman, today(), None)
    else:
        photo(session, woman, facts(14.0))
    due = row_of(woman, RULES).due
    assert due is not None
    assert due.kind is DueKind.WITHOUT_WEEKS


def test_weeks_told_after_a_birth_are_another_pregnancys(her):
    session, woman = her
    long_ago_a_mother(session, woman)
    closing.reopen_woman(session, woman, today(), None)
    closing.tell_weeks(session, woman, 12, today(), None)
    assert woman.gestation_at(today()) == 12
    assert row_of(woman, RULES).due.kind is DueKind.SCHEDULED


WHO = load_protocol("who-2024")


def told(her, weeks: int, hb_g_dl: float, days_ago: int) -> list[tuple[str, bool, float | None]]:
    """What is asked once these weeks are told today, of a result taken under those told before."""
    session, woman = her
    at = utc_now() - days_ago * DAY
    subject = recording.subject_of(woman, at.date(), None)
    given = (hb_g_dl, "Cell counter", "Invented Clinic", at, None, WHO, subject)
    result = recording.record_lab(session, woman, uuid4().hex, *given)
    assert result.band == Outcome.NOT_ANAEMIC
    mend_weeks(session, woman, weeks, today(), None, WHO, None)
    return asked(woman)


def test_weeks_mended_hold_what_was_read_before_against_the_limits_of_its_trimester(her):
    """10.7 g/dL is enough in the second trimester, where she was taken to be, and no other."""
    assert told(her, 36, 10.7, days_ago=10) == [(Outcome.ANAEMIC, False, 10.7)]


@pytest.mark.parametrize(("weeks", "hb_g_dl"), [(24, 10.7), (36, 11.2)])
def test_weeks_mended_ask_for_nothing_where_the_limits_are_kept(her, weeks, hb_g_dl):
    assert told(her, weeks, hb_g_dl, days_ago=10) == []


def test_weeks_that_began_before_the_birth_are_no_pregnancys(her):
    session, woman = her
    note_birth(session, woman, BirthOutcome.LOSS, today() - 20 * DAY, None, PROTOCOL)
    with pytest.raises(closing.BeforeBirthError):
        closing.tell_weeks(session, woman, 12, today(), None)
    assert woman.birth_on is not None


def test_weeks_from_an_old_paper_do_not_replace_newer_ones(her):
    session, woman = her
    closing.tell_weeks(session, woman, 24, today(), None)
    closing.tell_weeks(session, woman, 12, today() - 30 * DAY, None)
    assert woman.gestation_at(today()) == 24
