"""One woman under two records that tell of her pregnancies differently."""

from __future__ import annotations

import datetime as dt

import pytest
from builders import PROTOCOL, add_woman, combine, facts, photo
from days import today
from sqlalchemy import event, select
from wholestate import load_state

from cardreader.decide.protocolfile import load_protocol
from cardreader.decide.rule import Outcome
from cardreader.register.base import utc_now
from cardreader.register.births import note_birth
from cardreader.register.closing import tell_weeks
from cardreader.register.followup import DueKind
from cardreader.register.keptlists import keep_lists
from cardreader.register.kinds import BirthOutcome, EventKind
from cardreader.register.lists import row_of
from cardreader.register.merge.choosing import shown_of_joined
from cardreader.register.merge.following import Judge
from cardreader.register.merge.joining import join_two, part, show_all_anew
from cardreader.register.mergemodels import Joining
from cardreader.register.models import Event, Woman
from cardreader.register.recording import record_lab, subject_of
from cardreader.register.undoing import undo_event
from cardreader.register.women import find_woman

DAY = dt.timedelta(days=1)
JUDGE = Judge(combine, protocol=PROTOCOL)
WHO = load_protocol("who-2024")
WHO_JUDGE = Judge(combine, protocol=WHO)


def entered(session, code: str, weeks: int | None, told_days_ago: int) -> Woman:
    return add_woman(session, code, weeks, days_ago=told_days_ago)


def give_birth(session, woman, days_ago: int, outcome=BirthOutcome.LIVE) -> Event:
    on = today() - days_ago * DAY
    return note_birth(session, woman, outcome, on, None, PROTOCOL, sure=True)


def join(register) -> None:
    with register.write() as session:
        one, other = (find_woman(session, code).id for code in ("KX-1", "KX-2"))
        join_two(session, one, other, None, JUDGE)


def row_today(session):
    return row_of(find_woman(session, "KX-1"), PROTOCOL.follow_up)


def old_birth_and_new_pregnancy(register) -> None:
    with register.write() as session:
        first = entered(session, "KX-1", 38, 400)
        give_birth(session, first, 380)
        entered(session, "KX-2", 12, 10)


@pytest.mark.parametrize("birth_first", [True, False])
def test_an_old_birth_and_a_new_pregnancy_are_the_new_pregnancy(database, birth_first):
    """Whichever record was entered first."""
    with database.write() as session:
        old, new = ("KX-1", "KX-2") if birth_first else ("KX-2", "KX-1")
        # Who is entered first is shown; weeks are as told on a day.
        first = entered(session, old, 38, 400)
        photo(session, first, facts(13.0), days_ago=395)
        give_birth(session, first, 380)
        second = entered(session, new, 12, 10)
        second.added_at = utc_now() - (10 if birth_first else 500) * DAY
    join(database)
    with database.write() as session:
        her = find_woman(session, "KX-1")
        assert her.birth_on is None
        assert her.gestation_at(today()) == 13
        row = row_today(session)
        assert row.due.kind is DueKind.SCHEDULED
        assert not row.asks_birth(today(), PROTOCOL.follow_up)
        # This pregnancy's birth leaves the one before as it was noted.
        give_birth(session, her, 0, BirthOutcome.LOSS)
        standing = [e for e in her.events if e.kind == EventKind.BIRTH and e.set_aside_at is None]
        assert len(standing) == 2
        assert row_today(session).due.kind is DueKind.AFTER_BIRTH


def test_of_two_births_the_last_one_counts(sqlite):
    """By the first one alone no test after the birth would be due, and she on no list."""
    with sqlite.write() as session:
        first = entered(session, "KX-1", 38, 400)
        give_birth(session, first, 380)
        second = entered(session, "KX-2", 38, 40)
        photo(session, second, facts(13.0), days_ago=30)
        give_birth(session, second, 20)
    join(sqlite)
    with sqlite.read() as session:
        assert find_woman(session, "KX-1").birth_on == today() - 20 * DAY
        due = row_today(session).due
        assert due.kind is DueKind.AFTER_BIRTH
        assert due.last_on > today()


def test_a_birth_known_to_one_record_ends_the_pregnancy_that_both_told_of(sqlite):
    with sqlite.write() as session:
        entered(session, "KX-1", 20, 150)
        second = entered(session, "KX-2", 36, 30)
        give_birth(session, second, 7)
    join(sqlite)
    with sqlite.read() as session:
        assert find_woman(session, "KX-1").birth_on == today() - 7 * DAY
        assert row_today(session).due.kind is DueKind.AFTER_BIRTH


@pytest.mark.parametrize("birth_first", [True, False])
@pytest.mark.parametrize(("hb_g_dl", "urgent"), [(11.4, False), (7.4, True), (13.5, None)])
def test_a_birth_ends_the_pregnancy_of_a_record_without_weeks(
    database, hb_g_dl, urgent, birth_first
):
    """And what was read under that record is held against the limits after the birth."""
    with database.write() as session:
        codes = ("KX-1", "KX-2") if birth_first else ("KX-2", "KX-1")
        first = entered(session, codes[0], 38, 60)
        give_birth(session, first, 50)
        second = entered(session, codes[1], None, 40 if birth_first else 200)
        photo(session, second, facts(hb_g_dl, 0.2), days_ago=10)
    join(database)
    with database.read() as session:
        her = find_woman(session, "KX-1")
        assert her.birth_on == today() - 50 * DAY
        if urgent is None:
            assert row_today(session).due.kind is DueKind.AFTER_BIRTH
        found = [r.urgent for r in her.referrals if r.closed_at is None]
        assert found == ([] if urgent is None else [urgent])


def test_who_comes_again_long_after_the_birth_of_her_other_record_has_a_next_day(sqlite):
    """Shown by the limits after a birth, she is asked for her weeks all the same."""
    with sqlite.write() as session:
        first = entered(session, "KX-1", 38, 400)
        give_birth(session, first, 380)
        photo(session, first, facts(13.5), days_ago=330)
        second = entered(session, "KX-2", None, 390)
        photo(session, second, facts(13.5), days_ago=3)
    join(sqlite)
    with sqlite.read() as session:
        assert row_today(session).due.kind is DueKind.WITHOUT_WEEKS


def read_by_other_weeks(session) -> None:
    """10.7 g/dL, read under a record in whose trimester that is enough (who-2024)."""
    entered(session, "KX-1", 29, 1)
    second = entered(session, "KX-2", 26, 10)
    photo(session, second, facts(10.7, 0.05), days_ago=2)
    second.visits[0].band = second.visits[0].readings[0].band = Outcome.NOT_ANAEMIC.value
    session.flush()
    for referral in second.referrals:
        session.delete(referral)


def asked(session, code: str) -> list[str]:
    return [r.band for r in find_woman(session, code).referrals if r.closed_at is None]


def test_what_was_read_under_one_record_is_held_against_the_weeks_of_all(database):
    with database.write() as session:
        read_by_other_weeks(session)
    with database.write() as session:
        one, other = (find_woman(session, code).id for code in ("KX-1", "KX-2"))
        join_two(session, one, other, None, WHO_JUDGE)
    with database.read() as session:
        assert find_woman(session, "KX-1").gestation_at(today()) == 29
        assert asked(session, "KX-1") == [Outcome.ANAEMIC]


def test_what_was_read_of_the_joined_is_held_against_her_own_weeks_once_parted(database):
    with database.write() as session:
        entered(session, "KX-1", 29, 3)
        entered(session, "KX-2", 27, 1)
    with database.write() as session:
        one, other = (find_woman(session, code).id for code in ("KX-1", "KX-2"))
        join_two(session, one, other, None, WHO_JUDGE)
    with database.write() as session:
        her = find_woman(session, "KX-1")
        assert her.gestation_at(today()) == 27
        subject = subject_of(her, today(), None)
        given = (10.7, "Cell counter", "Invented Clinic", utc_now(), None, WHO, subject)
        assert record_lab(session, her, "key", *given).band == Outcome.NOT_ANAEMIC
    with database.write() as session:
        part(session, session.scalars(select(Joining)).one(), None, WHO_JUDGE)
    with database.read() as session:
        assert asked(session, "KX-1") == [Outcome.ANAEMIC]
        assert asked(session, "KX-2") == []


def test_weeks_told_of_the_joined_hold_for_both_and_parting_gives_each_her_own_back(database):
    old_birth_and_new_pregnancy(database)
    join(database)
    with database.write() as session:
        part(session, session.scalars(select(Joining)).one(), None, JUDGE)
    with database.read() as session:
        first, second = (find_woman(session, code) for code in ("KX-1", "KX-2"))
        assert first.birth_on == today() - 380 * DAY
        assert first.gestation_weeks == 38
        assert (second.birth_on, second.gestation_weeks) == (None, 12)
    join(database)
    with database.write() as session:
        tell_weeks(session, find_woman(session, "KX-1"), 15, today(), None)
    with database.write() as session:
        standing = session.scalars(select(Joining).where(Joining.parted_at.is_(None))).one()
        part(session, standing, None, JUDGE)
    with database.read() as session:
        assert find_woman(session, "KX-2").gestation_weeks == 15


def as_shown_by_an_earlier_version(register, code: str) -> None:
    """As she was shown before weeks held for all that is joined."""
    told_on = (today() - 400 * DAY).isoformat()
    with register.engine.begin() as connection:
        her = connection.exec_driver_sql(f"SELECT id FROM woman WHERE code = '{code}'").scalar()
        connection.exec_driver_sql(
            f"UPDATE woman SET gestation_weeks = 38, gestation_on = '{told_on}' WHERE id = '{her}'"
        )
        connection.exec_driver_sql(
            f"DELETE FROM field_change WHERE field = 'gestation' AND record = '{her}'"
        )


def test_what_an_earlier_version_shows_of_the_joined_is_shown_anew_at_the_start(sqlite):
    old_birth_and_new_pregnancy(sqlite)
    join(sqlite)
    with sqlite.read() as session:
        said = load_state(session)
    as_shown_by_an_earlier_version(sqlite, "KX-1")
    for _ in range(2):
        show_all_anew(sqlite)
        with sqlite.read() as session:
            assert find_woman(session, "KX-1").gestation_at(today()) == 13
            assert load_state(session) == said


def test_only_who_is_shown_otherwise_is_written_anew_at_the_start(sqlite):
    with sqlite.write() as session:
        for code in ("KX-1", "KX-2", "KX-3", "KX-4"):
            entered(session, code, 20, 30)
        entered(session, "KX-5", 38, 400)
        entered(session, "KX-6", 12, 10)
    with sqlite.write() as session:
        women = [find_woman(session, f"KX-{n}").id for n in range(1, 7)]
        for n in range(0, 6, 2):
            join_two(session, women[n], women[n + 1], None, JUDGE)
    keep_lists(sqlite, PROTOCOL.follow_up)
    written = []

    @event.listens_for(sqlite.engine, "before_cursor_execute")
    def note(_connection, _cursor, statement, parameters, *_):
        if statement != "BEGIN" and not statement.startswith("SELECT"):
            written.append(f"{statement} {parameters}")

    show_all_anew(sqlite)
    assert not written
    as_shown_by_an_earlier_version(sqlite, "KX-5")
    written.clear()
    show_all_anew(sqlite)
    assert any(one.startswith("UPDATE woman") and women[4] in one for one in written)
    assert not [one for one in written if any(her in one for her in women[:4])]


@pytest.mark.parametrize("weeks", [None, 12])
def test_what_is_noted_of_the_joined_is_shown_alike_by_whoever_works_it_out_anew(sqlite, weeks):
    """As another register does that takes it in."""
    with sqlite.write() as session:
        first = entered(session, "KX-1", 38, 400)
        give_birth(session, first, 380)
        entered(session, "KX-2", weeks, 100)
    join(sqlite)
    with sqlite.write() as session:
        give_birth(session, find_woman(session, "KX-1"), 3)
    for _ in range(2):
        with sqlite.read() as session:
            her = find_woman(session, "KX-1")
            assert (her.birth_on, her.gestation_weeks) == (today() - 3 * DAY, weeks)
        show_all_anew(sqlite)


def said_of(weeks=None, on=None, birth=None, closed=None, added="2025-01-01", again=None):
    return {
        "added_at": f"{added}T10:00:00",
        **{"gestation_weeks": weeks, "gestation_on": on},
        **{"birth_on": birth, "birth_outcome": birth and "live"},
        "smoking": None,
        **{"closed_on": closed, "closed_reason": closed and "moved", "followed_from": again},
    }


@pytest.mark.parametrize(
    ("one", "other", "weeks", "birth"),
    [
        # The record without weeks is of the pregnancy that ended: shown as pregnant she would be
        # judged by limits that are lower than hers, and her birth be forgotten.
        (said_of(38, "2025-01-01", "2025-01-20"), said_of(), 38, "2025-01-20"),
        (said_of(38, "2025-01-01", "2025-01-20"), said_of(added="2025-03-16"), 38, "2025-01-20"),
        # Opened so late that it can be another's; her weeks are asked for.
        (said_of(38, "2025-01-01", "2025-01-20"), said_of(added="2025-03-17"), None, None),
        (said_of(38, "2025-01-01", "2025-01-20"), said_of(again="2025-09-01"), None, None),
        (said_of(), said_of(9, "2026-01-01"), 9, None),
        (said_of(9, "2026-01-01"), said_of(12, "2026-01-22"), 12, None),
        (said_of(birth="2026-01-01"), said_of(birth="2026-02-01"), None, "2026-02-01"),
    ],
)
def test_which_pregnancy_is_shown(one, other, weeks, birth):
    for said in ([one, other], [other, one]):
        found = shown_of_joined(said)
        assert (found["gestation_weeks"], found["birth_on"]) == (weeks, birth)


def test_taking_a_corrected_birth_back_brings_the_one_before(database):
    with database.write() as session:
        her = entered(session, "KX-1", 38, 30)
        births = [
            give_birth(session, her, 9),
            give_birth(session, her, 8, BirthOutcome.STILLBIRTH),
            give_birth(session, her, 7),
        ]
        for before in (births[1], births[0]):
            last = next(e for e in reversed(births) if e.set_aside_at is None)
            undo_event(session, last, None)
            assert (her.birth_on, her.birth_outcome) == (before.on, before.choice)
            assert [e for e in births if e.set_aside_at is None] == [before]
        undo_event(session, births[0], None)
        assert her.birth_on is None
        assert all(e.set_aside_at is not None for e in births)
