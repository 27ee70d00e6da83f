"""Tablets given and counted, and who needs more: dates and amounts are invented."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest
from builders import PROTOCOL, add_woman, facts, photo
from days import today
from hypothesis import given, settings
from hypothesis import strategies as st

from cardreader.register import women
from cardreader.register.kinds import EventKind, Regimen
from cardreader.register.lists import ListName, list_counts, list_rows, open_rows
from cardreader.register.models import Event, Treatment, Woman
from cardreader.register.tablets import count_tablets, give_tablets, tablets_of

RULES = PROTOCOL.follow_up
DAY = dt.timedelta(days=1)


def test_tablets_taken_and_due(sqlite):
    with sqlite.write() as session:
        woman = add_woman(session)
        women.start_treatment(session, woman, Regimen.PREVENTION, today() - 30 * DAY, None)
        assert tablets_of(woman, RULES) is None
        give_tablets(session, woman, 60, today() - 30 * DAY, None)
        assert tablets_of(woman, RULES).lasts_until == today() + 30 * DAY
        count_tablets(session, woman, 45, today(), None)
        give_tablets(session, woman, 30, today(), None)
        found = tablets_of(woman, RULES)
        # 60 given, 45 left: 15 taken in 30 days of one a day; 75 at hand now.
        assert (found.given, found.taken, found.due) == (90, 15, 30)
        assert found.lasts_until == today() + 75 * DAY
        with pytest.raises(ValueError, match="tablets"):
            give_tablets(session, woman, 100_000, today(), None)


def given_on(session, woman, *days):
    for days_ago, amount in days:
        give_tablets(session, woman, amount, today() - days_ago * DAY, None)


def test_tablets_that_came_after_the_supply_had_ended_start_it_anew(sqlite):
    with sqlite.write() as session:
        woman = add_woman(session)
        women.start_treatment(session, woman, Regimen.PREVENTION, today() - 90 * DAY, None)
        given_on(session, woman, (90, 30), (20, 30))
        # Nothing for forty days in between: the second thirty last from when they came.
        assert tablets_of(woman, RULES).lasts_until == today() + 10 * DAY


def test_tablets_are_taken_as_the_regimen_of_the_day_asks(sqlite):
    with sqlite.write() as session:
        woman = add_woman(session)
        women.start_treatment(session, woman, Regimen.PREVENTION, today() - 40 * DAY, None)
        given_on(session, woman, (40, 60))
        women.start_treatment(session, woman, Regimen.TREATMENT, today() - 10 * DAY, None)
        # Thirty at one a day, then the other thirty at two a day.
        assert tablets_of(woman, RULES).lasts_until == today() + 5 * DAY
        count_tablets(session, woman, 20, today(), None)
        assert tablets_of(woman, RULES).due == 50
        assert tablets_of(woman, RULES).lasts_until == today() + 10 * DAY
        women.end_treatment(session, woman, today(), None)
        assert tablets_of(woman, RULES).lasts_until is None


@settings(max_examples=60)
@given(
    st.lists(st.tuples(st.integers(0, 200), st.integers(0, 120), st.booleans()), max_size=6),
    st.lists(st.tuples(st.integers(0, 200), st.sampled_from(list(Regimen))), max_size=3),
)
def test_the_supply_is_that_of_counting_day_by_day(entries, regimens):
    """Second opinion: one tablet after the other, each day by itself."""
    woman = Woman(code="KX-1", treatments=[], events=[])
    starts = sorted(today() - days * DAY for days, _ in regimens)
    for start, after, (_, regimen) in zip(starts, [*starts[1:], None], regimens, strict=False):
        woman.treatments.append(Treatment(regimen=regimen, started_on=start, ended_on=after))
    for days, amount, is_count in entries:
        kind = EventKind.TABLETS_LEFT if is_count else EventKind.TABLETS_GIVEN
        # None may be left, but no entry says that none were given.
        amount = amount if is_count else max(amount, 1)
        woman.events.append(Event(kind=kind, on=today() - days * DAY, amount=amount))
    found = tablets_of(woman, RULES)
    if found is None or found.a_day is None:
        assert not starts or all(is_count for _, _, is_count in entries)
        return
    held, day, used_up = 0, today() - 200 * DAY, None
    while day <= today() or held > 0:
        counted = [e for e in woman.events if e.on == day and e.kind == EventKind.TABLETS_LEFT]
        came = [e for e in woman.events if e.on == day and e.kind == EventKind.TABLETS_GIVEN]
        held = (counted[-1].amount if counted else held) + sum(e.amount for e in came)
        running = [t for t in woman.treatments if t.started_on <= day] or woman.treatments[:1]
        a_day = {Regimen.PREVENTION: 1, Regimen.TREATMENT: 2}[running[-1].regimen]
        if counted or came or held >= a_day:
            used_up = day + DAY * (held >= a_day)
        held, day = max(held - a_day, 0), day + DAY
    assert found.lasts_until == used_up
    assert found.ask_on == used_up - RULES.tablets.ask_days * DAY


def on_list(database, rules):
    with database.read() as session:
        rows = open_rows(session, rules)
        listed = [row.woman.code for row in list_rows(rows, ListName.TABLETS, today())]
        assert list_counts(rows, today())[ListName.TABLETS] == len(listed)
    return listed


def test_who_runs_out_is_on_a_list_as_the_protocol_says(database):
    with database.write() as session:
        for code, days_ago, amount in (
            ("KX-1", 30, 60),  # for another thirty days
            ("KX-2", 30, 36),  # for six days
            ("KX-3", 30, 20),  # used up ten days ago
            ("KX-4", 100, 100),  # the whole course
            ("KX-5", 30, 34),  # for four days, and severe
        ):
            woman = add_woman(session, code, days_ago=days_ago)
            start = today() - days_ago * DAY
            women.start_treatment(session, woman, Regimen.PREVENTION, start, None)
            given_on(session, woman, (days_ago, amount))
        photo(session, woman, facts(5.0), days_ago=2)
        no_regimen = add_woman(session, "KX-6", days_ago=30)
        given_on(session, no_regimen, (30, 10))
        add_woman(session, "KX-7")
    assert on_list(database, RULES) == ["KX-5", "KX-3", "KX-4", "KX-2"]
    none = replace(RULES, tablets=replace(RULES.tablets, ask_days=0))
    assert on_list(database, none) == ["KX-3", "KX-4"]
    two = replace(RULES, tablets=replace(RULES.tablets, prevention_a_day=2))
    assert on_list(database, two) == ["KX-5", "KX-4", "KX-3", "KX-2", "KX-1"]
    with database.write() as session:
        third, fourth = (women.find_woman(session, code) for code in ("KX-3", "KX-4"))
        assert tablets_of(fourth, RULES).course_given
        assert not tablets_of(third, RULES).course_given
        given_on(session, third, (0, 30))
        women.end_treatment(session, fourth, today(), None)
    assert on_list(database, RULES) == ["KX-5", "KX-2"]
