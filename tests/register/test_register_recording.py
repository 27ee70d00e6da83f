"""Entering readings: once each, with the referral that follows; on both databases."""

from __future__ import annotations

import datetime as dt
import threading

import pytest
from builders import NOBODY, PROTOCOL, add_woman, combine, facts, lab, photo, refused
from sqlalchemy import select
from sqlalchemy.exc import DBAPIError, StatementError

from cardreader.decide.rule import Outcome
from cardreader.register import audit, recording, settingaside, submissions
from cardreader.register.base import utc_now
from cardreader.register.models import AuditEntry, Reading, Woman
from cardreader.register.phoneclock import TakenAt
from cardreader.register.tube import TubeUnit, tube_hb_g_dl


def test_same_key_is_entered_once(database):
    with database.write() as session:
        woman = add_woman(session)
        first = photo(session, woman, facts(9.0), key="one-key")
        again = photo(session, woman, facts(9.0), key="one-key")
        assert again.id == first.id
        assert len(woman.readings) == 1


def test_same_key_for_another_photo_is_refused(database):
    with database.write() as session:
        woman = add_woman(session)
        photo(session, woman, facts(9.0), key="one-key")
        with pytest.raises(submissions.KeyReusedError):
            photo(session, woman, facts(10.0), key="one-key")


def test_many_at_once_enter_one(database):
    with database.write() as session:
        woman_id = add_woman(session).id
    errors = []

    def enter():
        try:
            with database.write() as session:
                photo(session, session.get_one(Woman, woman_id), facts(9.0), key="one-key")
        except Exception as error:
            errors.append(error)

    threads = [threading.Thread(target=enter) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert errors == []
    with database.read() as session:
        assert len(session.scalars(select(Reading)).all()) == 1
        assert audit.check(session)


@pytest.mark.parametrize(
    ("hb_g_dl", "referred", "urgent"), [(5.5, True, True), (9.0, True, False), (14.0, False, False)]
)
def test_referral_follows_from_the_result(database, hb_g_dl, referred, urgent):
    with database.write() as session:
        woman = add_woman(session)
        photo(session, woman, facts(hb_g_dl))
        assert bool(woman.referrals) is referred
        assert [r.urgent for r in woman.referrals] == [urgent] * referred


def test_uncertain_is_referred_and_urgent_when_it_may_be_severe(database):
    with database.write() as session:
        maybe_anaemic, maybe_severe = add_woman(session, "KX-1"), add_woman(session, "KX-2")
        assert photo(session, maybe_anaemic, facts(11.0)).band == Outcome.UNCERTAIN
        assert photo(session, maybe_severe, facts(7.5)).band == Outcome.UNCERTAIN
        assert [r.urgent for r in maybe_anaemic.referrals] == [False]
        assert [r.urgent for r in maybe_severe.referrals] == [True]


def test_one_open_referral_that_never_loses_its_urgency(database):
    with database.write() as session:
        woman = add_woman(session)
        photo(session, woman, facts(5.5), days_ago=1)
        photo(session, woman, facts(9.0), number=2)
        (referral,) = woman.referrals
        assert referral.urgent
        assert referral.hb_g_dl == 9.0


def test_laboratory_result_closes_the_referral(database):
    with database.write() as session:
        woman = add_woman(session)
        photo(session, woman, facts(9.0), days_ago=3)
        result = lab(session, woman, 9.6)
        (referral,) = woman.referrals
        assert referral.closing_reading_id == result.id
        assert referral.closed_at is not None


def test_laboratory_result_from_before_answers_nothing(database):
    with database.write() as session:
        woman = add_woman(session)
        photo(session, woman, facts(9.0), days_ago=3)
        lab(session, woman, 12.0, days_ago=10, sure=True)
        assert woman.referrals[0].closed_at is None


def test_photo_that_arrives_after_its_laboratory_result_opens_nothing(database):
    with database.write() as session:
        woman = add_woman(session)
        lab(session, woman, 9.6, days_ago=1)
        photo(session, woman, facts(9.0), days_ago=4)
        assert woman.referrals == []


def test_blots_of_one_visit_combine_and_refused_ones_do_not_count(database):
    with database.write() as session:
        woman = add_woman(session)
        photo(session, woman, facts(9.0))
        photo(session, woman, refused())
        photo(session, woman, facts(10.0))
        (visit,) = woman.visits
        assert visit.hb_g_dl == pytest.approx(9.5)
        assert visit.sd_g_dl == pytest.approx(0.4 / 2**0.5)
        assert [r.blot for r in visit.readings] == [1, 2, 3]


def test_a_pale_blot_beside_a_good_one_takes_the_all_clear_away(database):
    with database.write() as session:
        woman = add_woman(session)
        photo(session, woman, facts(14.0))
        (visit,) = woman.visits
        assert visit.band == "not_anaemic"
        photo(session, woman, refused("out_of_range"))
        assert visit.band == "uncertain"
        assert len(woman.referrals) == 1


def test_a_blurred_photo_beside_a_good_one_takes_nothing_away(database):
    with database.write() as session:
        woman = add_woman(session)
        photo(session, woman, facts(14.0))
        photo(session, woman, refused("blurred"))
        assert woman.visits[0].band == "not_anaemic"


def test_the_very_same_file_counts_once(database):
    with database.write() as session:
        woman = add_woman(session)
        photo(session, woman, facts(9.0), key="first-key")
        photo(session, woman, facts(9.0), key="second-key")
        assert len(woman.readings) == 2
        assert woman.visits[0].sd_g_dl == pytest.approx(0.4)


def test_the_same_blot_again_is_not_a_second_blot(database):
    with database.write() as session:
        woman = add_woman(session)
        photo(session, woman, facts(9.0))
        (visit,) = woman.visits
        recording.record_photo(
            *(session, visit, "again-key", facts(10.0), TakenAt(utc_now()), None, combine, NOBODY),
            same_blot=True,
        )
        assert visit.hb_g_dl == pytest.approx(10.0)
        assert visit.sd_g_dl == pytest.approx(0.4)


def test_set_aside_reading_leaves_the_result_and_reopens_what_it_closed(database):
    with database.write() as session:
        woman = add_woman(session)
        wrong = photo(session, woman, facts(13.0), days_ago=2)
        photo(session, woman, facts(9.0), days_ago=2)
        settingaside.set_aside(session, wrong, "another woman's blot", None, combine, NOBODY)
        assert woman.visits[0].hb_g_dl == pytest.approx(9.0)
        result = lab(session, woman, 9.5)
        settingaside.set_aside(session, result, "wrong woman", None, combine, NOBODY)
        assert woman.referrals[0].closed_at is None


def test_tube_scales_agree():
    # Common practice, no source: 24 g/dL = 160 %, so 100 % is 15 g/dL.
    assert tube_hb_g_dl(160, TubeUnit.PERCENT) == pytest.approx(24)
    assert tube_hb_g_dl(100, TubeUnit.PERCENT) == pytest.approx(15)
    assert tube_hb_g_dl(20, TubeUnit.PERCENT) == pytest.approx(3)
    assert tube_hb_g_dl(9.4, TubeUnit.G_DL) == 9.4


@pytest.mark.parametrize(("value", "unit"), [(1.9, "g_dl"), (24.1, "g_dl"), (19, "percent")])
def test_tube_reads_only_its_graduations(value, unit):
    with pytest.raises(ValueError, match="a tube reads"):
        tube_hb_g_dl(value, TubeUnit(unit))


def test_tube_reading_is_a_screening_result(database):
    with database.write() as session:
        woman = add_woman(session)
        reading = recording.record_tube(
            *(session, woman, "tube-key", 40.0, TubeUnit.PERCENT, utc_now(), None),
            *(PROTOCOL, NOBODY),
        )
        assert reading.hb_g_dl == pytest.approx(6.0)
        assert reading.low_g_dl < 6.0 < reading.high_g_dl
        assert woman.referrals[0].urgent


def test_audit_trail_cannot_be_changed(database):
    with database.write() as session:
        add_woman(session)
    for change in (
        "UPDATE audit_entry SET action = 'nothing'",
        "DELETE FROM audit_entry",
    ):
        with pytest.raises(DBAPIError, match="append only"), database.write() as session:
            session.connection().exec_driver_sql(change)
    with database.read() as session:
        assert audit.check(session).entries == 1


def test_changed_trail_is_seen(database):
    with database.write() as session:
        for n in range(5):
            audit.append(session, "test", f"subject {n}")
    with database.read() as session:
        entries = session.scalars(select(AuditEntry).order_by(AuditEntry.seq)).all()
        assert audit.check_entries(entries)
        entries[2].detail = '{"x": 1}'
        check = audit.check_entries(entries)
        assert not check
        assert check.broken_at == 3
        session.expire_all()
        assert not audit.check_entries(entries[:2] + entries[3:])


def test_times_must_be_aware(sqlite):
    with sqlite.write() as session:
        woman = add_woman(session)
        session.flush()
        woman.added_at = dt.datetime(2026, 1, 1)
        with pytest.raises(StatementError, match="aware"):
            session.flush()
        session.rollback()
