"""Times of phones, doubtful values, tablets, the next test: dates and values invented."""

from __future__ import annotations

import datetime as dt

import pytest
from builders import NOBODY, PROTOCOL, add_woman, combine, facts, lab, photo, refused
from days import today
from scipy.stats import norm

from cardreader.decide.rule import Outcome
from cardreader.register import recording, settingaside, women
from cardreader.register.base import local_day, utc_now
from cardreader.register.closing import UnsureError, close_woman, reopen_woman
from cardreader.register.doubt import DoubtfulError, lab_doubts
from cardreader.register.followup import DueKind, next_due
from cardreader.register.history import Measurement, certain_at, measurements, standing
from cardreader.register.kinds import Purpose, Source
from cardreader.register.openreferrals import open_referrals
from cardreader.register.phoneclock import taken_at
from cardreader.register.settingaside import set_aside
from cardreader.register.tube import TubeUnit

RULES = PROTOCOL.follow_up
NOW = dt.datetime(2026, 6, 15, 9, tzinfo=dt.UTC)
DAY = dt.timedelta(days=1)


@pytest.mark.parametrize(
    ("told", "sent", "opened", "at", "behind_days"),
    [
        (None, None, None, NOW, None),  # the server's own time
        (NOW - 5 * DAY, NOW - 5 * DAY, None, NOW, 5),  # slow by five days
        (NOW + 7 * DAY, NOW + 8 * DAY, None, NOW - DAY, -8),  # fast, and kept for a day
        (NOW - 2 * DAY, NOW, None, NOW - 2 * DAY, 0),  # right, and kept for two days
        (NOW - 5 * DAY, None, NOW - DAY, NOW - DAY, 4),  # before its visit: at least so slow
        (NOW - 2 * DAY, None, None, NOW - 2 * DAY, None),  # only the phone's word
        (NOW - 90 * DAY, None, None, NOW, None),  # nobody keeps a photo so long
        (NOW, NOW - DAY, None, NOW, None),  # sent before it was taken: a clock set meanwhile
    ],
)
def test_the_servers_clock_rules_where_it_knows(told, sent, opened, at, behind_days):
    found = taken_at(told, sent, NOW, opened)
    assert found.at == at
    if behind_days is None:
        assert found.behind_s is None
    else:
        assert found.behind_s == pytest.approx(behind_days * 86400)


def test_what_lies_between_two_words_of_a_clock_that_was_set_meanwhile_is_only_a_word():
    found = taken_at(NOW - 5 * DAY, NOW, NOW, moved=True)
    assert (found.at, found.behind_s) == (NOW - 5 * DAY, None)


def test_what_only_a_phone_dates_is_not_answered_by_a_result_before_it_came_in():
    severe = Measurement(NOW - 5 * DAY, Source.PHOTO, 4.6, 4.0, 5.2, 0.4, Outcome.SEVERE)
    result = Measurement(NOW - 2 * DAY, Source.LAB, 9.8, None, None, 0.0, Outcome.ANAEMIC)
    assert not standing([severe, result]).severe
    unchecked = Measurement(
        *(NOW - 5 * DAY, Source.PHOTO, 4.6, 4.0, 5.2, 0.4, Outcome.SEVERE), latest_at=NOW
    )
    assert standing([unchecked, result]).severe


def put(register, entries, days: float) -> None:
    """Let these have been entered some days from now, by a clock that was right or was not."""
    for one in entries:
        one.taken_at += dt.timedelta(days=days)
        one.entered_at += dt.timedelta(days=days)
    register.flush()


@pytest.mark.parametrize("years", [1, 6])
@pytest.mark.parametrize("what", ["photo", "tube", "lab"])
def test_who_is_read_severe_under_a_clock_years_slow_is_on_the_lists(sqlite, years, what):
    """A laptop whose clock's battery is empty: last month's result lies in the years to come."""
    with sqlite.write() as session:
        woman = add_woman(session, days_ago=40)
        put(session, [lab(session, woman, 12.5)], years * 365)
        if what == "photo":
            photo(session, woman, facts(5.0))
        elif what == "tube":
            given = (woman, "tube-key", 5.0, TubeUnit.G_DL, utc_now(), None, PROTOCOL, NOBODY)
            recording.record_tube(session, *given)
        else:
            lab(session, woman, 5.0, sure=True)
        assert standing(measurements(woman)).severe
        assert [(r.urgent, r.closed_at) for r in woman.referrals] == [(True, None)]
        # The clock is right again, and what was entered stays dated as it was.
        put(session, woman.readings, -years * 365 - 1)
        assert standing(measurements(woman)).severe
        lab(session, woman, 12.4, sure=True)
        assert not standing(measurements(woman)).severe
        assert woman.referrals[0].closed_at is not None


def test_a_photo_not_read_under_a_slow_clock_is_not_answered_by_one_before_it(sqlite):
    with sqlite.write() as session:
        woman = add_woman(session, days_ago=40)
        before = photo(session, woman, facts(12.5))
        before.visit.on += 365 * DAY
        put(session, [before], 365)
        photo(session, woman, refused())
        assert [r.closed_at for r in woman.referrals] == [None]


def test_a_result_dated_ahead_that_is_set_aside_dates_nothing(sqlite):
    with sqlite.write() as session:
        woman = add_woman(session, days_ago=40)
        mistake = lab(session, woman, 12.5)
        put(session, [mistake], 365)
        severe = photo(session, woman, facts(5.0), days_ago=1)
        assert certain_at(severe) > utc_now() + dt.timedelta(days=364)
        set_aside(session, mistake, "wrong day", None, combine, NOBODY)
        assert certain_at(severe) == severe.taken_at
        lab(session, woman, 12.4, sure=True)
        assert woman.referrals[0].closed_at is not None


def test_doubt_is_where_both_errors_end(sqlite):
    """99 of 100 honest pairs pass: scipy's normal distribution as second opinion.

    Laboratory: 4 % as two standard deviations (42 CFR 493.941).
    """
    with sqlite.write() as session:
        woman = add_woman(session)
        photo(session, woman, facts(9.0, 0.4))
        at = utc_now()
        for factor, doubted in ((0.99, False), (1.01, True)):
            # Solved by steps: the laboratory's error grows with its value.
            value = 9.0
            for _ in range(50):
                value = 9.0 + factor * norm.ppf(0.995) * (0.4**2 + (value * 0.02) ** 2) ** 0.5
            assert bool(lab_doubts(woman, value, at, RULES)) is doubted
        assert not lab_doubts(woman, 9.0, at, RULES)
        later = at + 60 * DAY
        assert not lab_doubts(woman, 12.5, later, RULES), "in two months it may have risen"


def test_a_better_reading_does_not_hide_the_severe_one_from_the_question(sqlite):
    with sqlite.write() as session:
        woman = add_woman(session, days_ago=9)
        photo(session, woman, facts(4.6), days_ago=5)
        photo(session, woman, facts(13.5), days_ago=2)
        with pytest.raises(DoubtfulError) as asked:
            lab(session, woman, 13.8)
        assert [doubt.point.hb_g_dl for doubt in asked.value.doubts] == [4.6]
        assert lab(session, woman, 13.8, sure=True).hb_g_dl == 13.8


def test_a_severe_result_closes_the_test_and_opens_care(database):
    with database.write() as session:
        woman = add_woman(session)
        photo(session, woman, facts(5.5), days_ago=1)
        severe = lab(session, woman, 5.9)
        test, care = woman.referrals
        assert (test.purpose, test.closing_reading_id) == (Purpose.TEST, severe.id)
        assert (care.purpose, care.urgent, care.closed_at) == (Purpose.CARE, True, None)
        lab(session, woman, 8.4, days_ago=-0.01, key="lab-better", sure=True)
        assert care.closed_at is not None


def due(points, birth_on=None):
    start = local_day(NOW) - dt.timedelta(weeks=20)
    return next_due(RULES, standing(points), points, start, start, birth_on)


def test_the_test_after_a_severe_value_is_nearer():
    severe = Measurement(NOW, Source.LAB, 6.2, None, None, 0.0, Outcome.SEVERE)
    found = due([severe])
    assert (found.kind, found.first_on) == (DueKind.SEVERE, local_day(NOW) + 14 * DAY)


def test_one_test_is_due_after_a_birth_and_then_none():
    born = local_day(NOW) - 45 * DAY
    fine = Measurement(NOW - 60 * DAY, Source.PHOTO, 13.0, 12.4, 13.6, 0.4, Outcome.NOT_ANAEMIC)
    found = due([fine], born)
    assert (found.kind, found.first_on) == (DueKind.AFTER_BIRTH, born + 42 * DAY)
    after = Measurement(NOW, Source.PHOTO, 13.0, 12.4, 13.6, 0.4, Outcome.NOT_ANAEMIC)
    assert due([fine, after], born) is None


def test_closing_and_opening_again_leave_their_trace(database):
    with database.write() as session:
        woman = add_woman(session, days_ago=40)
        photo(session, woman, facts(5.0), days_ago=10)
        with pytest.raises(UnsureError):
            close_woman(session, woman, women.Closing.MOVED, today(), None)
        assert woman.closed_on is None
        close_woman(session, woman, women.Closing.MOVED, today(), None, "to her mother", sure=True)
        reopen_woman(session, woman, today(), None)
        assert [(e.kind, e.choice) for e in woman.events] == [
            ("closed", "moved"),
            ("reopened", "moved"),
        ]
        assert woman.followed_from == today()


def test_a_late_result_of_before_the_closing_leaves_it_closed_unless_it_presses(database):
    with database.write() as session:
        fine, severe = (add_woman(session, code, days_ago=40) for code in ("KX-1", "KX-2"))
        for woman in (fine, severe):
            close_woman(session, woman, women.Closing.MOVED, today(), None)
        lab(session, fine, 13.0, days_ago=5)
        lab(session, severe, 6.0, days_ago=5)
        assert fine.closed_on is not None
        assert severe.closed_on is None


def test_death_ends_every_referral_and_a_mistake_opens_them_all_again(sqlite):
    with sqlite.write() as session:
        woman = add_woman(session)
        photo(session, woman, facts(5.5), days_ago=2)
        lab(session, woman, 5.9, days_ago=1)
        photo(session, woman, facts(6.0))
        assert len(open_referrals(woman)) == 2
        close_woman(session, woman, women.Closing.DIED, today(), None)
        assert open_referrals(woman) == []
        reopen_woman(session, woman, today(), None)
        assert len(open_referrals(woman)) == 2


def test_a_good_photo_set_aside_leaves_the_refused_one_to_be_answered(sqlite):
    with sqlite.write() as session:
        woman = add_woman(session)
        photo(session, woman, refused())
        wrong = photo(session, woman, facts(14.0))
        assert open_referrals(woman) == []
        settingaside.set_aside(session, wrong, "another woman's blot", None, combine, NOBODY)
        assert [referral.band for referral in open_referrals(woman)] == ["not_read"]
