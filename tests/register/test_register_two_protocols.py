"""Registers that go by different protocols become one."""

from __future__ import annotations

import shutil
from dataclasses import replace

import pytest
from builders import PROTOCOL, add_woman, combine, facts
from wholestate import load_state

from cardreader.decide.protocolfile import load_protocol
from cardreader.decide.rule import Outcome, decide
from cardreader.decide.subject import Smoking, Subject
from cardreader.hb.distribution import HbDistribution
from cardreader.register import recording, visits
from cardreader.register.base import local_day, utc_now
from cardreader.register.database import Database, sqlite_url
from cardreader.register.history import measurements
from cardreader.register.judgedby import limits_of, protocol_of
from cardreader.register.kinds import Purpose
from cardreader.register.merge.following import Judge
from cardreader.register.merge.together import take
from cardreader.register.phoneclock import TakenAt
from cardreader.register.recording import subject_of
from cardreader.register.women import find_woman
from cardreader.result.asjson import decision_json

WHO = load_protocol("who-2024")
"""In the second trimester 10.5 g/dL is enough for it, for common practice 11."""


@pytest.fixture
def programme(tmp_path, empty_register):
    """The register that takes in."""
    database = Database(sqlite_url(shutil.copy(empty_register, tmp_path / "programme.db")))
    yield database
    database.close()


def hand_over(giver, taker, protocol=PROTOCOL):
    with giver.read() as session:
        state = load_state(session)
    with taker.write() as session:
        return take(session, state, Judge(combine, None, protocol.follow_up, protocol))


def lab_at(register, hb_g_dl: float, protocol, weeks=20, code="KX-1", elevation_m=None) -> None:
    with register.write() as session:
        her = find_woman(session, code) or add_woman(session, code, weeks)
        subject = subject_of(her, local_day(utc_now()), elevation_m)
        given = (f"lab-{hb_g_dl}", hb_g_dl, "Cell counter", "Invented Clinic", utc_now(), None)
        # Sure: of two results of one day the second is asked about.
        recording.record_lab(session, her, *given, protocol, subject, True)


def asked(register, code="KX-1") -> list[tuple]:
    with register.read() as session:
        her = find_woman(session, code)
        return [(r.band, r.purpose, r.urgent) for r in her.referrals if r.closed_at is None]


@pytest.mark.parametrize("known", [True, False])
def test_what_is_enough_there_and_not_here_is_asked_for(database, programme, known):
    """Also where she comes for the first time. The value keeps what it said."""
    if known:
        with database.write() as session:
            add_woman(session, "KX-1", 20)
        hand_over(database, programme)
    lab_at(database, 10.7, WHO)
    done = hand_over(database, programme)
    assert done.judged_by == {"who-2024": 1}
    assert asked(database) == []
    assert asked(programme) == [(Outcome.ANAEMIC, Purpose.TEST, False)]
    with programme.read() as session:
        her = find_woman(session, "KX-1")
        assert [p.outcome for p in measurements(her)] == [Outcome.NOT_ANAEMIC]
        detail = her.readings[0].detail
        assert protocol_of(detail) == "who-2024"
        assert limits_of(detail) == (7.0, 10.5)
    # Where it was read it is known, too, once that hands over; and asked for once.
    hand_over(programme, database, WHO)
    hand_over(database, programme)
    for register in (database, programme):
        assert len(asked(register)) == 1


def test_what_is_enough_here_keeps_what_was_made_of_it_there(database, programme):
    lab_at(database, 10.7, PROTOCOL)
    hand_over(database, programme, WHO)
    assert asked(programme) == []
    with programme.read() as session:
        her = find_woman(session, "KX-1")
        assert [p.outcome for p in measurements(her)] == [Outcome.ANAEMIC]


def test_of_one_protocol_nothing_is_judged_anew(sqlite, programme):
    lab_at(sqlite, 10.7, WHO)
    done = hand_over(sqlite, programme, WHO)
    assert not done.judged_by
    assert asked(programme) == []


def test_a_later_result_answers_for_what_was_judged_by_other_limits(sqlite, programme):
    lab_at(sqlite, 10.7, WHO)
    lab_at(sqlite, 11.1, WHO)
    hand_over(sqlite, programme)
    assert asked(programme) == []


def test_what_was_taken_off_there_is_taken_off_here(sqlite, programme):
    """11.5 at 1500 m is 10.4 by a protocol that knows of elevation."""
    loose = replace(WHO, id="loose", sha256="f" * 64, bands=tuple(map(_lower, WHO.bands)))
    lab_at(sqlite, 11.5, loose, elevation_m=1500.0)
    hand_over(sqlite, programme)
    assert asked(programme) == [(Outcome.ANAEMIC, Purpose.TEST, False)]


def test_who_smokes_by_her_record_is_held_against_it(sqlite, programme):
    with sqlite.write() as session:
        add_woman(session, "KX-1", 30).smoking = Smoking.FROM_20.value
    lab_at(sqlite, 11.3, PROTOCOL)
    hand_over(sqlite, programme, WHO)
    assert asked(programme) == [(Outcome.ANAEMIC, Purpose.TEST, False)]


def test_a_severe_result_of_other_limits_is_sent_for_care(sqlite, programme):
    loose = replace(WHO, id="loose", sha256="f" * 64, bands=tuple(map(_lower, WHO.bands)))
    lab_at(sqlite, 6.8, loose)
    hand_over(sqlite, programme)
    assert (Outcome.SEVERE, Purpose.CARE, True) in asked(programme)


def _lower(band):
    below = band.below_g_dl and tuple(limit - 1 for limit in band.below_g_dl)
    return replace(band, below_g_dl=below)


def test_what_a_photo_came_to_there_is_held_against_the_limits_here(sqlite, programme):
    subject = Subject(gestation_weeks=20)
    read = facts(10.75, 0.05)
    decision = decide(HbDistribution.normal(10.75, 0.05), WHO, subject)
    detail = {
        **read.detail,
        **{"decision": decision_json(decision), "protocol": {"id": WHO.id, "sha256": WHO.sha256}},
    }
    read = replace(read, detail=detail, outcome=decision.outcome)

    def keep(details, _subject, _pale):
        return replace(read, detail=details[0])

    with sqlite.write() as session:
        her = add_woman(session, "KX-1", 20)
        visit = visits.open_visit(session, her, 1, local_day(utc_now()), None)
        recording.record_photo(session, visit, "key", read, TakenAt(utc_now()), None, keep, subject)
        assert visit.band == Outcome.NOT_ANAEMIC
    hand_over(sqlite, programme)
    assert asked(programme) == [(Outcome.ANAEMIC, Purpose.TEST, False)]
