"""Who is due, overdue, severe, or not rising: dates and values are invented."""

from __future__ import annotations

import datetime as dt
import random

import pytest
from builders import PROTOCOL, add_woman, facts, lab, photo
from scipy.stats import norm

from cardreader.decide.followuprules import FollowUpRules
from cardreader.decide.rule import Outcome
from cardreader.register import births, closing, women
from cardreader.register.followup import DueKind, missing_rise, next_due
from cardreader.register.history import Measurement, standing
from cardreader.register.kinds import BirthOutcome, Regimen, Source
from cardreader.register.lists import ListName, list_counts, list_rows, open_rows, row_of
from cardreader.register.models import Treatment
from cardreader.register.visits import open_visit

RULES = FollowUpRules()
TODAY = dt.date(2026, 6, 15)


def point(days_ago, hb, outcome, source=Source.PHOTO, sd=0.4):
    at = dt.datetime(2026, 6, 15, 9, tzinfo=dt.UTC) - dt.timedelta(days=days_ago)
    return Measurement(at, source, hb, hb - 0.6, hb + 0.6, sd, outcome)


def test_screening_never_takes_a_woman_off_the_severe_list():
    severe = point(40, 5.0, Outcome.SEVERE)
    better = point(10, 12.5, Outcome.NOT_ANAEMIC)
    assert standing([severe, better]).severe
    assert standing([severe, better]).anaemic
    cleared = point(5, 11.8, Outcome.NOT_ANAEMIC, Source.LAB)
    assert not standing([severe, better, cleared]).severe
    assert not standing([severe, better, cleared]).anaemic


def test_laboratory_puts_on_the_severe_list():
    assert standing([point(3, 6.1, Outcome.SEVERE, Source.LAB)]).severe


def due(points, weeks_today=20, added_days_ago=100):
    start = TODAY - dt.timedelta(weeks=weeks_today)
    added = TODAY - dt.timedelta(days=added_days_ago)
    return next_due(RULES, standing(points), points, start, added)


def test_anaemic_is_due_monthly():
    found = due([point(29, 9.0, Outcome.ANAEMIC)])
    assert found.kind is DueKind.MONTHLY
    assert not found.is_due(TODAY)
    assert due([point(30, 9.0, Outcome.ANAEMIC)]).is_due(TODAY)
    assert not due([point(37, 9.0, Outcome.ANAEMIC)]).is_overdue(TODAY)
    assert due([point(38, 9.0, Outcome.ANAEMIC)]).is_overdue(TODAY)


def test_uncertain_is_followed_like_anaemic_until_confirmed():
    assert due([point(30, 11.0, Outcome.UNCERTAIN)]).kind is DueKind.MONTHLY


def test_not_anaemic_follows_the_visits():
    # Tested in week 20, so the second of the four visits (weeks 14 to 26) is made.
    found = due([point(0, 12.5, Outcome.NOT_ANAEMIC)])
    assert (found.kind, found.visit_number) == (DueKind.SCHEDULED, 3)
    assert found.first_on == TODAY + dt.timedelta(weeks=8)
    assert not found.is_due(TODAY)


def test_woman_never_tested_is_due_in_her_week():
    found = due([], weeks_today=20, added_days_ago=0)
    assert found.visit_number == 2
    assert found.is_due(TODAY)
    assert not found.is_overdue(TODAY)


def test_missed_visit_is_overdue():
    # Added in week 8, never tested, now in week 20: the first visit was missed.
    assert due([], weeks_today=20, added_days_ago=84).is_overdue(TODAY)


def test_whole_last_week_of_a_visit_counts():
    start = TODAY - dt.timedelta(weeks=12, days=6)
    found = next_due(RULES, standing([]), [], start, start)
    assert found.visit_number == 1
    assert not found.is_overdue(TODAY)
    assert found.is_overdue(TODAY + dt.timedelta(days=1))


def test_without_her_weeks_she_is_tested_again():
    """One good photo of a woman whose weeks nobody knows must not be the last of her."""
    fine = point(0, 14.0, Outcome.NOT_ANAEMIC)
    found = next_due(RULES, standing([fine]), [fine], None, TODAY)
    assert (found.kind, found.first_on) == (DueKind.WITHOUT_WEEKS, TODAY + dt.timedelta(days=30))
    never = next_due(RULES, standing([]), [], None, TODAY)
    assert never.is_due(TODAY)


def test_whoever_comes_after_the_last_visits_weeks_is_tested():
    found = due([], weeks_today=42, added_days_ago=0)
    assert found.is_due(TODAY)
    assert found.is_overdue(TODAY + dt.timedelta(days=8))


BORN = TODAY - dt.timedelta(days=400)


def after_birth(points, *seen_days_ago):
    seen = [TODAY - dt.timedelta(days=days) for days in seen_days_ago]
    born = (BORN, None, seen)
    return next_due(RULES, standing(points), points, None, BORN - dt.timedelta(days=200), *born)


def test_who_comes_again_long_after_a_birth_is_asked_for_her_weeks():
    """Her record was never closed: the test after the birth ended nothing but that pregnancy."""
    tested = point(355, 13.0, Outcome.NOT_ANAEMIC)
    assert after_birth([tested], 355) is None
    assert after_birth([tested], 355, 3).kind is DueKind.WITHOUT_WEEKS
    found = after_birth([tested, point(3, 13.5, Outcome.NOT_ANAEMIC)])
    assert (found.kind, found.first_on) == (DueKind.WITHOUT_WEEKS, TODAY + dt.timedelta(days=27))


def test_who_was_followed_since_a_birth_until_a_result_is_done_with_it():
    anaemic = [point(days, 10.0, Outcome.ANAEMIC) for days in (355, 325, 295)]
    result = point(290, 13.0, Outcome.NOT_ANAEMIC, Source.LAB)
    assert after_birth([*anaemic, result], 355, 325, 295) is None
    assert after_birth([*anaemic, result], 355, 325, 295, 100).kind is DueKind.WITHOUT_WEEKS


@pytest.mark.parametrize("weeks", [39, 41, 43, 60])
def test_who_should_have_given_birth_is_asked_about_it(weeks):
    """All four tests made, no birth noted: she stays on a list until it is."""
    found = due([point(7, 13.0, Outcome.NOT_ANAEMIC)], weeks_today=min(weeks, 44))
    later = TODAY + dt.timedelta(weeks=max(0, weeks - 44))
    assert found.kind is DueKind.BIRTH
    assert found.is_due(later) == (weeks >= 42)
    assert found.is_overdue(later) == (weeks > 43)


def test_a_day_is_there_for_everybody_until_the_test_after_the_birth():
    """Whatever is known of her: nobody who is followed is left without a next day."""
    rng = random.Random(3)
    outcomes = [Outcome.NOT_ANAEMIC, Outcome.UNCERTAIN, Outcome.ANAEMIC, Outcome.SEVERE]
    for _ in range(400):
        days = sorted((rng.randint(0, 300) for _ in range(rng.randint(0, 4))), reverse=True)
        points = [point(day, 10.0, rng.choice(outcomes)) for day in days]
        start = rng.choice([None, TODAY - dt.timedelta(days=rng.randint(7, 400))])
        added = TODAY - dt.timedelta(days=rng.randint(0, 300))
        born = rng.choice([None, None, TODAY - dt.timedelta(days=rng.randint(0, 60))])
        found = next_due(RULES, standing(points), points, start, added, born)
        tested_after = born is not None and any(
            p.day >= born + dt.timedelta(days=RULES.after_birth_days[0]) for p in points
        )
        assert found is not None or tested_after


def test_the_severe_come_first_among_the_due(database):
    with database.write() as session:
        late = add_woman(session, "KX-1", weeks=8, days_ago=100)
        severe = add_woman(session, "KX-2", weeks=20, days_ago=20)
        photo(session, severe, facts(5.0), days_ago=15)
        rows = open_rows(session, RULES)
        named = [row.woman.code for row in list_rows(rows, ListName.DUE, dt.date.today())]
        assert named == [severe.code, late.code]


def treated(days_ago):
    return [Treatment(regimen=Regimen.TREATMENT, started_on=TODAY - dt.timedelta(days=days_ago))]


def test_missing_rise_is_flagged_with_its_doubt():
    points = [point(31, 8.0, Outcome.ANAEMIC), point(0, 8.3, Outcome.ANAEMIC)]
    found = missing_rise(RULES, treated(31), points)
    assert found.change_g_dl == pytest.approx(0.3)
    # scipy's normal distribution as second opinion.
    assert found.p_enough == pytest.approx(norm.sf(1.0, 0.3, (0.4**2 + 0.4**2) ** 0.5))


@pytest.mark.parametrize(
    ("second", "days", "regimen"),
    [
        (9.1, 31, Regimen.TREATMENT),  # it rose
        (8.3, 20, Regimen.TREATMENT),  # too early to tell
        (8.3, 31, Regimen.PREVENTION),  # not on treatment
    ],
)
def test_no_flag_where_none_is_due(second, days, regimen):
    points = [point(days, 8.0, Outcome.ANAEMIC), point(0, second, Outcome.ANAEMIC)]
    treatment = Treatment(regimen=regimen, started_on=TODAY - dt.timedelta(days=days))
    assert missing_rise(RULES, [treatment], points) is None


def test_lists_over_the_database(database):
    with database.write() as session:
        fine = add_woman(session, "KX-1", weeks=20)
        photo(session, fine, facts(14.0))
        severe = add_woman(session, "KX-2", days_ago=50)
        photo(session, severe, facts(5.0), days_ago=45)
        gone = add_woman(session, "KX-3", days_ago=50)
        photo(session, gone, facts(5.0), days_ago=45)
        closing.close_woman(session, gone, women.Closing.MOVED, dt.date.today(), None, sure=True)
        flat = add_woman(session, "KX-4", days_ago=50)
        photo(session, flat, facts(8.5), days_ago=40)
        women.start_treatment(
            session, flat, Regimen.TREATMENT, dt.date.today() - dt.timedelta(days=35), None
        )
        lab(session, flat, 8.6)
    today = dt.date.today()
    with database.read() as session:
        rows = open_rows(session, RULES)
        names = {n: [r.woman.code for r in list_rows(rows, n, today)] for n in ListName}
        counts = list_counts(rows, today)
    assert names == {
        ListName.DUE: ["KX-2"],
        ListName.OVERDUE: ["KX-2"],
        ListName.REFERRALS: ["KX-2"],
        ListName.SEVERE: ["KX-2"],
        ListName.NO_RISE: ["KX-4"],
        ListName.TABLETS: [],
        ListName.JUDGED_AGAIN: [],
    }
    assert counts == {name: len(codes) for name, codes in names.items()}


def test_a_visit_long_after_a_birth_brings_her_back_on_the_lists(sqlite):
    today = dt.date.today()
    with sqlite.write() as session:
        woman = add_woman(session, weeks=39, days_ago=400)
        born = today - dt.timedelta(days=390)
        births.note_birth(session, woman, BirthOutcome.LIVE, born, None, PROTOCOL)
        photo(session, woman, facts(14.0), days_ago=345)
        assert row_of(woman, RULES).due is None
        open_visit(session, woman, 6, today - dt.timedelta(days=40), None)
        assert row_of(woman, RULES).belongs(ListName.OVERDUE, today)


def test_urgent_referrals_come_first(database):
    with database.write() as session:
        photo(session, add_woman(session, "KX-1"), facts(9.0), days_ago=9)
        photo(session, add_woman(session, "KX-2"), facts(5.0), days_ago=1)
    with database.read() as session:
        rows = list_rows(open_rows(session, RULES), ListName.REFERRALS, dt.date.today())
        assert [r.woman.code for r in rows] == ["KX-2", "KX-1"]


def test_gestation_runs_on(sqlite):
    with sqlite.write() as session:
        woman = add_woman(session, weeks=20)
        assert woman.gestation_at(dt.date.today() + dt.timedelta(days=13)) == 21
        assert woman.gestation_at(dt.date.today() + dt.timedelta(weeks=30)) is None
        assert row_of(woman, RULES).due.visit_number == 2
