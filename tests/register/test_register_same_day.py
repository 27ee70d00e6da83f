"""Visits that two registers entered for one woman on one day are one visit, once they meet."""

from __future__ import annotations

import datetime as dt
import shutil
from dataclasses import replace
from uuid import uuid4

import pytest
from builders import NOBODY, PROTOCOL, add_woman, combine, facts, lab, photo, refused
from days import today
from sqlalchemy import select
from wholestate import load_state

from cardreader.decide.statements import Statement
from cardreader.register import recording, settingaside, visits
from cardreader.register.base import local_day, utc_now
from cardreader.register.blots import all_blots, blot_numbers, decision_of, last_photographed
from cardreader.register.database import Database, sqlite_url
from cardreader.register.dayvisits import is_shown, lead_of, members, result_of
from cardreader.register.fhir import bundle_dict
from cardreader.register.history import measurements, standing
from cardreader.register.merge.conflicts import count_conflicts
from cardreader.register.merge.days import join_all, same_days
from cardreader.register.merge.following import Judge
from cardreader.register.merge.joining import join_two, part
from cardreader.register.merge.together import take
from cardreader.register.mergemodels import Joining
from cardreader.register.models import AuditEntry, JoinedVisit, Visit
from cardreader.register.openreferrals import open_referrals
from cardreader.register.phoneclock import TakenAt
from cardreader.register.summary import summarise, visits_seen
from cardreader.register.women import find_woman

JUDGE = Judge(combine)


class Registers:
    """Registers that all know a woman, and take in from each other."""

    def __init__(self, urls: list[str]) -> None:
        self.all = [Database(url) for url in urls]
        self.do(0, lambda s, _: add_woman(s, "KX-1", days_ago=30))
        for other in range(1, len(urls)):
            self.give(0, other)

    def do(self, which: int, what, code: str = "KX-1"):
        with self.all[which].write() as session:
            return what(session, find_woman(session, code))

    def give(self, giver: int, taker: int, judge: Judge | None = JUDGE) -> None:
        said = self.says(giver)
        with self.all[taker].write() as session:
            take(session, said, judge)

    def exchange(self) -> None:
        """Until both say the same."""
        for _ in range(4):
            self.give(0, 1)
            self.give(1, 0)
            if self.says(0) == self.says(1):
                return
        raise AssertionError("they never agree")

    def says(self, which: int):
        with self.all[which].read() as session:
            return load_state(session)

    def values(self, which: int) -> list[float]:
        return self.do(which, lambda _s, her: [round(m.hb_g_dl, 2) for m in measurements(her)])

    def days(self, which: int) -> list[tuple[int, bool, bool]]:
        """How many visits of each day that has several, whether joined, whether alarming."""
        with self.all[which].read() as session:
            found = same_days(session)
            return [(len(day.visits), day.lead is not None, day.alarming) for day in found]

    def close(self) -> None:
        for register in self.all:
            register.close()


@pytest.fixture
def urls(tmp_path, empty_register):
    """Two registers on SQLite."""
    for name in "ab":
        shutil.copy(empty_register, tmp_path / f"{name}.db")
    return [sqlite_url(tmp_path / f"{name}.db") for name in "ab"]


@pytest.fixture
def pair(urls):
    """Both on SQLite."""
    registers = Registers(urls)
    yield registers
    registers.close()


@pytest.fixture(params=["sqlite", "postgresql"])
def mixed(urls, request):
    """The second, which is the programme's, on either database."""
    if request.param == "postgresql":
        urls[1] = request.getfixturevalue("postgres").migrated_url()
    registers = Registers(urls)
    yield registers
    registers.close()


def blot(hb_g_dl: float, sd_g_dl: float = 0.4):
    return lambda session, her: photo(session, her, facts(hb_g_dl, sd_g_dl))


def actions(register: Database) -> list[str]:
    with register.read() as session:
        found = session.scalars(select(AuditEntry.action).order_by(AuditEntry.seq))
        return [action for action in found if action in ("visit.join", "visit.part")]


def test_visits_of_two_registers_become_one(mixed):
    mixed.do(0, blot(9.0))
    mixed.do(1, blot(10.0))
    apart = {which: mixed.values(which) for which in (0, 1)}
    assert apart == {0: [9.0], 1: [10.0]}
    mixed.exchange()
    for which in (0, 1):
        assert mixed.values(which) == [9.5]
        assert mixed.days(which) == [(2, True, False)]
        assert actions(mixed.all[which]) == ["visit.join"]
        with mixed.all[which].read() as session:
            her = find_woman(session, "KX-1")
            first, second = sorted(her.visits, key=lambda v: (v.opened_at, v.id))
            assert [lead_of(v) is first for v in (first, second)] == [True, True]
            assert [len(members(v)) for v in (first, second)] == [2, 2]
            # What each register wrote of its own visit stands in its row as it did.
            assert sorted(v.hb_g_dl for v in her.visits) == [9.0, 10.0]
            assert sorted(blot_numbers(second).values()) == [1, 2]
            assert {decision_of(r)["outcome"] for r in her.readings} == {"anaemic"}
            assert visits.visit_on(her, today()) is first
            assert count_conflicts(session) == 0


def test_it_is_as_if_the_second_blot_had_joined_the_visit_at_one_register(pair):
    pair.do(0, blot(9.0))
    pair.do(1, blot(10.0))
    pair.exchange()
    with pair.all[0].write() as session:
        alone = add_woman(session, "KX-2", days_ago=30)
        for value in (9.0, 10.0):
            photo(session, alone, facts(value))
        here = find_woman(session, "KX-1")
        (one,), (other,) = measurements(here), measurements(alone)
        for name in ("hb_g_dl", "low_g_dl", "high_g_dl", "sd_g_dl", "outcome", "may_be_severe"):
            assert getattr(one, name) == getattr(other, name)
        joined, whole = result_of(here.visits[0]), result_of(alone.visits[0])
        assert joined.result["decision"] == whole.result["decision"]
        assert standing(measurements(here)) == replace(
            standing(measurements(alone)), latest=one, foremost=one
        )


def test_a_joined_visit_is_counted_and_handed_on_once(mixed):
    mixed.do(0, blot(9.0))
    mixed.do(1, blot(11.9, 0.1))
    mixed.exchange()
    for which in (0, 1):
        with mixed.all[which].read() as session:
            month = summarise(session, today(), today(), PROTOCOL.follow_up)
            assert (month.visits, month.photos) == (1, 2)
            assert {o.value: n for o, n in month.outcomes if n} == {"anaemic": 1}
            assert visits_seen(session, today(), today() + dt.timedelta(days=1)) == 1
            lead = lead_of(find_woman(session, "KX-1").visits[0])
            resources = [entry["resource"] for entry in bundle_dict(session)["entry"]]
            kinds = [r["resourceType"] for r in resources]
            assert kinds.count("Encounter") == 1
            encounters = {r["encounter"]["reference"] for r in resources if "encounter" in r}
            assert encounters == {f"urn:uuid:{lead.id}"}
            (together,) = (r for r in resources if "derivedFrom" in r)
            assert len(together["derivedFrom"]) == 2


def test_what_comes_late_joins_the_others(pair):
    pair.do(0, blot(9.0))
    pair.do(1, blot(10.0))
    pair.exchange()
    pair.do(1, blot(11.0))
    assert pair.values(1) == [10.0]
    pair.do(0, blot(12.0))
    assert pair.values(0) == [10.33]
    pair.exchange()
    assert pair.values(0) == pair.values(1) == [10.5]


def test_a_photo_set_aside_at_one_leaves_the_result_of_the_others(pair):
    pair.do(0, blot(9.0))
    pair.do(1, blot(10.0))
    pair.exchange()

    def slip(session, her) -> None:
        wrong = next(r for r in her.readings if r.hb_g_dl == 10.0)
        settingaside.set_aside(session, wrong, "another woman's", None, combine, NOBODY)

    pair.do(0, slip)
    assert pair.values(0) == [9.0]
    pair.exchange()
    assert pair.values(1) == [9.0]


def test_no_joining_hides_a_severe_result(pair):
    pair.do(0, blot(5.0))
    pair.do(1, blot(11.5))
    pair.exchange()
    for which in (0, 1):
        assert pair.values(which) == [5.0, 11.5]
        assert pair.days(which) == [(2, False, True)]
        assert pair.do(which, lambda _s, her: standing(measurements(her)).severe)
        assert actions(pair.all[which]) == []
    # Severe in both, or in both together, is one severe visit.
    pair.do(1, blot(1.0))
    pair.exchange()
    for which in (0, 1):
        assert pair.values(which) == [5.83]
        assert pair.days(which) == [(2, True, True)]
        assert pair.do(which, lambda _s, her: standing(measurements(her)).severe)


def test_no_joining_hides_that_she_may_be_severe(pair):
    """One alone asks whether she is severe; together nothing would."""
    pair.do(0, blot(7.6))
    question = pair.do(0, lambda _s, her: her.visits[0].result["decision"]["question"])
    assert question == Statement.MAY_BE_SEVERE
    pair.do(1, blot(10.4))
    pair.exchange()
    assert pair.values(0) == pair.values(1) == [7.6, 10.4]
    assert pair.days(0) == [(2, False, True)]


def test_a_pale_blot_at_one_makes_the_good_one_of_the_other_uncertain(pair):
    pair.do(0, lambda s, her: photo(s, her, refused("out_of_range")))
    pair.do(1, blot(13.0))
    pair.exchange()
    for which in (0, 1):
        (outcome,) = pair.do(which, lambda _s, her: [m.outcome.value for m in measurements(her)])
        assert outcome == "uncertain"
        assert pair.do(which, lambda _s, her: len(open_referrals(her))) >= 1


def test_blots_that_together_ask_for_a_test_open_one_referral_between_registers(pair):
    """Each alone said that all is well; the pale photo's own referral was answered since."""

    def contradicting(details, subject, pale):
        made = combine(details, subject, pale)
        return made if len(details) == 1 else replace(made, outcome=recording.Outcome.UNCERTAIN)

    judge = Judge(contradicting)
    pair.do(0, blot(12.5))
    pair.do(1, blot(14.9))
    assert pair.do(0, lambda _s, her: open_referrals(her)) == []
    for _ in range(3):
        pair.give(0, 1, judge)
        pair.give(1, 0, judge)
    assert pair.says(0) == pair.says(1)
    for which in (0, 1):
        referrals = pair.do(which, lambda _s, her: [r.band for r in open_referrals(her)])
        assert referrals == ["uncertain"]


def test_without_anything_to_combine_them_with_they_stay_apart_until_there_is(pair):
    pair.do(0, blot(9.0))
    pair.do(1, blot(10.0))
    pair.give(1, 0)
    assert pair.values(0) == [9.5]
    pair.do(1, blot(11.0))
    pair.give(1, 0, judge=None)
    # What was joined is not what is there now: nothing stale is shown.
    assert pair.values(0) == [9.0, 10.5]
    assert actions(pair.all[0]) == ["visit.join", "visit.part"]
    join_all(pair.all[0], JUDGE)
    assert pair.values(0) == [10.0]
    join_all(pair.all[0], JUDGE)
    assert actions(pair.all[0]) == ["visit.join", "visit.part", "visit.join"]


def test_visits_of_two_joined_records_are_one_until_they_are_parted(mixed):
    mixed.do(0, blot(9.0))
    mixed.do(1, lambda s, _: photo(s, add_woman(s, "PX-1", days_ago=3), facts(10.0)))
    mixed.exchange()
    assert mixed.values(0) == [9.0]
    one, other = (mixed.do(1, lambda _s, her: her.id, code) for code in ("KX-1", "PX-1"))
    with mixed.all[1].write() as session:
        join_two(session, one, other, None, JUDGE)
    mixed.exchange()
    for which in (0, 1):
        assert mixed.values(which) == [9.5]
        assert mixed.days(which) == [(2, True, False)]
    mixed.do(0, blot(11.0))
    mixed.exchange()
    assert mixed.values(0) == mixed.values(1) == [10.0]
    with mixed.all[0].write() as session:
        part(session, session.scalars(select(Joining)).one(), None)
    mixed.exchange()
    for which in (0, 1):
        assert mixed.values(which) == [10.0]  # of 9 and 11, which are her own
        with mixed.all[which].read() as session:
            (point,) = measurements(find_woman(session, "PX-1"))
            assert point.hb_g_dl == 10.0
            assert session.scalars(select(JoinedVisit)).all() == []
            assert all(map(is_shown, session.scalars(select(Visit))))


def test_a_laboratory_result_lifts_what_joined_visits_say(pair):
    pair.do(0, blot(5.0))
    pair.do(1, blot(5.4))
    pair.exchange()
    pair.do(0, lambda s, her: lab(s, her, 10.0, sure=True))
    pair.exchange()
    for which in (0, 1):
        stands = pair.do(which, lambda _s, her: standing(measurements(her)))
        assert (stands.severe, stands.anaemic, stands.awaiting_confirmation) == (False, True, False)
        assert pair.do(which, lambda _s, her: open_referrals(her)) == []


def test_one_photo_entered_at_both_is_one_blot(pair):
    for which in (0, 1):
        pair.do(which, lambda s, her: photo(s, her, facts(9.0, sha="a" * 64)))
    pair.exchange()
    with pair.all[0].read() as session:
        assert len(all_blots(find_woman(session, "KX-1").visits[0])) == 1
    assert pair.values(0) == [9.0]


def test_a_visit_opened_and_left_at_one_is_no_second_visit(pair):
    pair.do(0, lambda s, her: visits.open_visit(s, her, 1, today(), None))
    pair.do(1, blot(9.0))
    pair.exchange()
    for which in (0, 1):
        assert pair.values(which) == [9.0]
        with pair.all[which].read() as session:
            assert visits_seen(session, today(), today() + dt.timedelta(days=1)) == 1


# --- blots of one number ----------------------------------------------------------------


def same_blot(hb_g_dl: float):
    """The blot of the photo before, photographed again."""

    def step(session, her):
        now = utc_now()
        visit = last_photographed(visits.open_visit(session, her, 1, local_day(now), None))
        return recording.record_photo(
            *(session, visit, f"again-{uuid4().hex}", facts(hb_g_dl), TakenAt(now), None),
            *(combine, NOBODY),
            same_blot=True,
        )

    return step


def shown_numbers(which: Registers, register: int) -> list[int]:
    """Under which numbers the blots of her visits are shown."""
    with which.all[register].read() as session:
        return sorted(blot_numbers(find_woman(session, "KX-1").visits[0]).values())


def test_two_blots_that_got_one_number_apart_both_count(pair):
    """Both registers went on with one visit, and each called its blot the second."""
    pair.do(0, blot(9.0))
    pair.give(0, 1)
    pair.do(0, blot(10.0))
    pair.do(1, blot(11.0))
    pair.exchange()
    for which in (0, 1):
        assert pair.values(which) == [10.0]  # of three blots, not of two
        assert shown_numbers(pair, which) == [1, 2, 3]
        with pair.all[which].read() as session:
            (visit,) = find_woman(session, "KX-1").visits
            assert [r.blot for r in visit.readings].count(2) == 2


def test_another_photo_of_a_blot_still_stands_in_its_place(pair):
    pair.do(0, blot(9.0))
    pair.give(0, 1)
    pair.do(0, blot(10.0))
    pair.do(0, same_blot(10.6))
    pair.do(1, same_blot(9.4))
    pair.exchange()
    for which in (0, 1):
        assert pair.values(which) == [10.0]  # of 9.4 and 10.6
        assert shown_numbers(pair, which) == [1, 1, 2, 2]


def test_the_blot_before_is_photographed_again_whichever_visit_holds_it(pair):
    pair.do(0, blot(9.0))
    pair.do(1, blot(10.0))
    pair.exchange()
    pair.do(0, same_blot(11.0))  # of the blot of the other register, the last one
    pair.exchange()
    for which in (0, 1):
        assert pair.values(which) == [10.0]  # of 9 and 11
        assert shown_numbers(pair, which) == [1, 2, 2]


def test_entries_of_before_blots_had_names_are_told_apart_by_number(pair):
    def forget(_session, her) -> None:
        for reading in her.readings:
            reading.blot_id = None

    pair.do(0, blot(9.0))
    pair.do(0, blot(10.0))
    pair.do(0, forget)
    pair.do(0, same_blot(11.0))
    assert pair.values(0) == [10.0]  # of 9 and 11: the newest photo of the second blot
    # Another register's visit of that day, also of before: its first blot is another.
    pair.do(1, blot(10.6))
    pair.do(1, forget)
    pair.exchange()
    for which in (0, 1):
        assert pair.values(which) == [10.2]
        assert shown_numbers(pair, which) == [1, 2, 2, 3]


def test_a_refused_photo_of_another_blot_takes_no_value_away(pair):
    pair.do(0, blot(9.0))
    pair.give(0, 1)
    pair.do(0, blot(10.0))
    pair.do(1, lambda s, her: photo(s, her, refused()))
    pair.exchange()
    assert pair.values(0) == pair.values(1) == [9.5]
