"""A register of an earlier version comes up to date with all that it holds; on both databases."""

from __future__ import annotations

import datetime as dt
import json

import pytest
from builders import PROTOCOL, combine, facts
from sqlalchemy import select

from cardreader.register.base import local_day, utc_now
from cardreader.register.database import Database, sqlite_url
from cardreader.register.history import measurements
from cardreader.register.keptlists import keep_lists
from cardreader.register.kinds import ReferralOutcome
from cardreader.register.lists import ListName
from cardreader.register.merge.days import join_all, same_days
from cardreader.register.merge.following import Judge
from cardreader.register.models import Reading, Referral, Woman
from cardreader.register.shownlists import part_of_list
from cardreader.register.summary import summarise

WOMAN, OTHER = "00000000-0000-0000-0000-00000000000a", "00000000-0000-0000-0000-00000000000b"
READING = "00000000-0000-0000-0000-00000000000c"
ROWS = (
    f"""INSERT INTO woman (id, code, added_at) VALUES
        ('{WOMAN}', 'KX-1', '2026-06-01 08:00:00'), ('{OTHER}', 'KX-2', '2026-06-01 08:00:00')""",
    f"""INSERT INTO reading (id, submission_key, woman_id, source, taken_at, hb_g_dl, band,
                             entered_at)
        VALUES ('{READING}', 'lab-key-1', '{WOMAN}', 'lab', '2026-06-03 08:00:00', 9.6, 'anaemic',
                '2026-06-03 08:00:00')""",
    f"""INSERT INTO referral (id, woman_id, band, hb_g_dl, urgent, source, opened_at, closed_at,
                              closing_reading_id)
        VALUES ('r1', '{WOMAN}', 'anaemic', 9.0, false, 'photo', '2026-06-02 08:00:00',
                '2026-06-03 08:00:00', '{READING}'),
               ('r2', '{OTHER}', 'severe', 5.5, true, 'photo', '2026-06-02 08:00:00', NULL,
                NULL)""",
)


def _register_of(request, tmp_path, revision, statements):
    """The URL of a register of a revision with rows, on the database that is asked for."""
    if request.param == "sqlite":
        url = sqlite_url(tmp_path / "register.db")
    else:
        url = request.getfixturevalue("postgres").new_url()
    database = Database(url)
    database.migrate(revision)
    with database.engine.begin() as connection:
        for statement in statements:
            connection.exec_driver_sql(statement)
    database.close()
    return url


@pytest.fixture(params=["sqlite", "postgresql"])
def first_version(request, tmp_path):
    """The URL of a register as the first version left it."""
    return _register_of(request, tmp_path, "0001", ROWS)


def test_a_register_of_the_first_version_keeps_what_it_holds(first_version):
    database = Database(first_version)
    database.migrate()
    with database.read() as session:
        answered, waiting = (session.get_one(Referral, name) for name in ("r1", "r2"))
        assert (answered.outcome, answered.closing_reading_id) == (ReferralOutcome.RESULT, READING)
        assert (answered.purpose, waiting.purpose) == ("test", "test")
        assert (waiting.hb_g_dl, waiting.urgent, waiting.outcome) == (5.5, True, None)
    keep_lists(database, PROTOCOL.follow_up)
    with database.read() as session:
        today = local_day(utc_now())
        part = part_of_list(session, PROTOCOL.follow_up, ListName.REFERRALS, today)
        assert [row.woman.code for row in part.rows] == ["KX-2"]
    database.close()


VISITS = ("00000000-0000-0000-0000-0000000000d1", "00000000-0000-0000-0000-0000000000d2")


def _photo_of(visit: str, hb_g_dl: float) -> list[str]:
    """A visit with a photo, as the version before last kept them."""
    result = json.dumps(facts(hb_g_dl).detail)
    low, high = hb_g_dl - 0.6, hb_g_dl + 0.6
    values = f"{hb_g_dl}, {low}, {high}, 0.4, 'anaemic'"
    at = f"'2026-06-03 0{visit[-1]}:00:00'"
    return [
        f"""INSERT INTO visit (id, woman_id, number, "on", opened_at, hb_g_dl, low_g_dl, high_g_dl,
                               sd_g_dl, band, result)
            VALUES ('{visit}', '{WOMAN}', 1, '2026-06-03', {at}, {values}, '{result}')""",
        f"""INSERT INTO reading (id, submission_key, woman_id, visit_id, source, taken_at,
                                 entered_at, hb_g_dl, low_g_dl, high_g_dl, sd_g_dl, band, blot,
                                 photo_sha256, detail)
            VALUES ('{visit[:-2]}e{visit[-1]}', 'photo-{visit[-1]}', '{WOMAN}', '{visit}', 'photo',
                    {at}, {at}, {values}, 1, '{visit[-1] * 64}', '{result}')""",
    ]


@pytest.fixture(params=["sqlite", "postgresql"])
def seventh_version(request, tmp_path):
    """The URL of a register that was brought together from two, as the seventh revision left it."""
    photos = (*_photo_of(VISITS[0], 9.0), *_photo_of(VISITS[1], 10.0))
    return _register_of(request, tmp_path, "0007", (*ROWS, *photos))


def test_visits_of_one_day_that_were_two_become_one(seventh_version):
    database = Database(seventh_version)
    database.migrate()
    keep_lists(database, PROTOCOL.follow_up)
    month = dt.date(2026, 6, 1)
    with database.read() as session:
        # Nothing is joined that was not combined; nothing is lost meanwhile.
        before = summarise(session, month, month, PROTOCOL.follow_up)
        values = [p.hb_g_dl for p in measurements(session.get_one(Woman, WOMAN))]
        assert (before.visits, sorted(values)) == (2, [9.0, 9.6, 10.0])
        assert [r.blot_id for r in session.scalars(select(Reading))] == [None] * 3
    join_all(database, Judge(combine))
    with database.read() as session:
        after = summarise(session, month, month, PROTOCOL.follow_up)
        values = [p.hb_g_dl for p in measurements(session.get_one(Woman, WOMAN))]
        assert (after.visits, after.photos, sorted(values)) == (1, 2, [9.5, 9.6])
        (day,) = same_days(session)
        assert (day.lead.id, day.code) == (VISITS[0], "KX-1")
    database.close()
