"""A laboratory value of before a reading that it contradicts; dates and values are invented."""

from __future__ import annotations

import datetime as dt

import pytest
from builders import NOBODY, PROTOCOL, add_woman, combine, facts, lab, photo

from cardreader.decide.rule import Outcome
from cardreader.register.base import utc_now
from cardreader.register.doubt import DoubtfulError, lab_doubts, refer_if_result_doubted
from cardreader.register.history import as_referred, point_of, standing
from cardreader.register.kinds import Purpose
from cardreader.register.lists import ListName, row_of
from cardreader.register.openreferrals import NEAR_DAYS, open_referrals, unanswering
from cardreader.register.recording import record_lab
from cardreader.register.settingaside import set_aside

RULES = PROTOCOL.follow_up
DAY = dt.timedelta(days=1)


@pytest.fixture
def session(sqlite):
    with sqlite.write() as session:
        yield session


def test_a_value_of_the_day_before_that_a_severe_photo_contradicts_is_asked_about(session):
    woman = add_woman(session, days_ago=9)
    severe = photo(session, woman, facts(5.1))
    with pytest.raises(DoubtfulError) as asked:
        lab(session, woman, 13.9, days_ago=1)
    (doubt,) = asked.value.doubts
    assert (doubt.point.hb_g_dl, doubt.is_newer) == (5.1, True)
    assert [r.id for r in woman.readings] == [severe.id], "nothing is written before the answer"

    lab(session, woman, 13.9, days_ago=1, sure=True)
    (referral,) = open_referrals(woman)
    assert referral.urgent
    stands = standing(as_referred(woman))
    assert (stands.severe, stands.foremost.hb_g_dl) == (True, 5.1)
    assert unanswering(referral).hb_g_dl == 13.9
    # Blood that was drawn after it does.
    lab(session, woman, 13.8, days_ago=-0.001, sure=True)
    assert not open_referrals(woman)
    assert standing(as_referred(woman)).foremost is None


def test_an_earlier_clock_time_of_the_same_day_is_asked_about_and_answers_nothing(session):
    woman = add_woman(session, days_ago=9)
    noon = (utc_now() - 2 * DAY).astimezone().replace(hour=12, minute=0)
    photo(session, woman, facts(5.1), days_ago=(utc_now() - noon) / DAY)
    given = (woman, "morning-key", 13.9, "Cell counter", "", noon - dt.timedelta(hours=3), None)
    with pytest.raises(DoubtfulError) as asked:
        record_lab(session, *given, PROTOCOL, NOBODY)
    assert [doubt.is_newer for doubt in asked.value.doubts] == [True]
    record_lab(session, *given, PROTOCOL, NOBODY, True)
    assert [r.urgent for r in open_referrals(woman)] == [True]
    assert standing(as_referred(woman)).severe


def test_a_severe_value_of_the_day_before_is_asked_about_beside_a_good_photo_and_is_not_lost(
    session,
):
    woman = add_woman(session, days_ago=9)
    photo(session, woman, facts(13.6))
    with pytest.raises(DoubtfulError) as asked:
        lab(session, woman, 5.2, days_ago=1)
    assert [doubt.point.hb_g_dl for doubt in asked.value.doubts] == [13.6]
    lab(session, woman, 5.2, days_ago=1, sure=True)
    assert [(r.purpose, r.urgent) for r in open_referrals(woman)] == [(Purpose.CARE, True)]
    row = row_of(woman, RULES)
    assert row.place(ListName.SEVERE) is not None
    assert row.standing.foremost.hb_g_dl == 5.2


def test_a_severe_value_that_comes_in_behind_a_better_one_is_asked_after(session):
    """In their order the better one would have been asked about."""
    woman = add_woman(session, days_ago=9)
    lab(session, woman, 13.9, days_ago=1)
    late = lab(session, woman, 5.2, days_ago=2, sure=True)
    refer_if_result_doubted(session, woman, point_of(late), RULES, None)
    assert [(r.purpose, r.urgent) for r in open_referrals(woman)] == [(Purpose.TEST, True)]
    assert standing(as_referred(woman)).severe
    lab(session, woman, 13.7, days_ago=-0.001, sure=True)
    assert not open_referrals(woman)
    assert not standing(as_referred(woman)).severe


def test_the_question_reaches_so_many_days_and_no_further(session):
    woman = add_woman(session, days_ago=90)
    photo(session, woman, facts(5.1))
    for days, asked in ((NEAR_DAYS, True), (NEAR_DAYS + 1, False)):
        assert bool(lab_doubts(woman, 13.9, utc_now() - days * DAY, RULES)) is asked
    assert not lab_doubts(woman, 5.6, utc_now() - DAY, RULES), "the two agree"


def test_of_later_readings_a_better_one_does_not_hide_the_severe_one(session):
    woman = add_woman(session, days_ago=20)
    photo(session, woman, facts(13.5), days_ago=5)
    photo(session, woman, facts(5.0), days_ago=3)
    photo(session, woman, facts(13.5), days_ago=1)
    doubts = lab_doubts(woman, 13.8, utc_now() - 8 * DAY, RULES)
    assert [doubt.point.hb_g_dl for doubt in doubts] == [5.0]


def test_what_may_be_severe_is_not_hidden_by_a_better_reading_either(session):
    woman = add_woman(session, days_ago=9)
    photo(session, woman, facts(7.6, 0.6), days_ago=5)
    assert woman.visits[0].band == Outcome.UNCERTAIN
    photo(session, woman, facts(13.5), days_ago=2)
    doubts = lab_doubts(woman, 13.8, utc_now(), RULES)
    assert [doubt.point.hb_g_dl for doubt in doubts] == [7.6]


def test_a_severe_photo_that_is_taken_back_is_held_against_nothing(session):
    woman = add_woman(session, days_ago=9)
    wrong = photo(session, woman, facts(5.1))
    set_aside(session, wrong, "another woman's", None, combine, NOBODY)
    assert not lab_doubts(woman, 13.9, utc_now() - DAY, RULES)


def test_a_result_that_is_taken_back_leaves_the_severe_photo_as_it_was(session):
    woman = add_woman(session, days_ago=9)
    photo(session, woman, facts(5.1))
    wrong = lab(session, woman, 13.9, days_ago=1, sure=True)
    set_aside(session, wrong, "another woman's", None, combine, NOBODY)
    (referral,) = open_referrals(woman)
    assert referral.urgent
    assert unanswering(referral) is None
    assert standing(as_referred(woman)).severe


def test_what_an_open_referral_asks_after_stays_on_the_severe_list(session):
    """A late photo contradicts the one result after it: nobody has said which is right."""
    woman = add_woman(session, days_ago=9)
    lab(session, woman, 13.9)
    late = photo(session, woman, facts(5.1), days_ago=2)
    assert not open_referrals(woman)
    (point,) = (p for p in as_referred(woman) if p.visit_id == late.visit_id)
    refer_if_result_doubted(session, woman, point, RULES, None)
    row = row_of(woman, RULES)
    assert row.place(ListName.SEVERE) is not None
    assert (row.standing.awaiting_confirmation, row.standing.foremost.hb_g_dl) == (True, 5.1)
    assert unanswering(row.referral).hb_g_dl == 13.9


# --- a day that is hardly right ----------------------------------------------------------


def early_of(session, woman, days_ago: float) -> tuple[bool, bool] | None:
    """Whether a result of then is asked about for its day, and whether for her pregnancy's."""
    with pytest.raises(DoubtfulError) as asked:
        lab(session, woman, 11.2, days_ago=days_ago)
    early = asked.value.early
    assert not asked.value.doubts
    return None if early is None else (early.on < early.first_likely, early.pregnancy)


def test_last_years_number_is_asked_about(session):
    """It would be entered behind everything, and answer nothing."""
    woman = add_woman(session, days_ago=9, weeks=20)
    photo(session, woman, facts(10.9), days_ago=9)
    assert early_of(session, woman, 365) == (True, True)
    assert len(woman.readings) == 1
    assert open_referrals(woman)
    lab(session, woman, 11.2, days_ago=365, sure=True)
    assert open_referrals(woman)


def test_a_slip_of_earlier_in_this_pregnancy_is_not_asked_about(session):
    woman = add_woman(session, days_ago=9, weeks=30)
    photo(session, woman, facts(10.9), days_ago=9)
    lab(session, woman, 11.2, days_ago=200)
    assert early_of(session, woman, 30 * 7 + 9 + 2) == (True, True)


def test_without_her_weeks_her_record_tells(session):
    woman = add_woman(session, days_ago=60, weeks=None)
    photo(session, woman, facts(10.9), days_ago=9)
    lab(session, woman, 11.2, days_ago=60 + RULES.without_weeks_days)
    other = add_woman(session, "KX-2", days_ago=60, weeks=None)
    assert early_of(session, other, 60 + RULES.without_weeks_days + 1) == (True, False)


def test_a_year_too_early_falls_into_a_pregnancy_that_is_over(session):
    woman = add_woman(session, days_ago=250, weeks=20)
    woman.birth_on = dt.date.today() - dt.timedelta(days=100)
    assert early_of(session, woman, 365) == (True, False)


def test_two_results_of_one_day_that_differ_are_asked_about(session):
    woman = add_woman(session, days_ago=9)
    lab(session, woman, 10.9, days_ago=2)
    with pytest.raises(DoubtfulError) as asked:
        lab(session, woman, 10.4, days_ago=2)
    (doubt,) = asked.value.doubts
    assert doubt.is_second
    assert doubt.apart_g_dl < doubt.allowed_g_dl
    lab(session, woman, 10.4, days_ago=2, sure=True)
    lab(session, woman, 10.3, days_ago=1)  # of another day


def test_one_result_rounded_and_in_another_unit_is_not(session):
    woman = add_woman(session, days_ago=9)
    lab(session, woman, 11.3, days_ago=2)
    lab(session, woman, 11.277, days_ago=2)  # 7.0 mmol/L


def test_of_two_far_apart_the_day_is_told_too(session):
    woman = add_woman(session, days_ago=9)
    lab(session, woman, 13.9, days_ago=2)
    with pytest.raises(DoubtfulError) as asked:
        lab(session, woman, 6.1, days_ago=2)
    (doubt,) = asked.value.doubts
    assert (doubt.is_second, doubt.apart_g_dl > doubt.allowed_g_dl) == (True, True)
