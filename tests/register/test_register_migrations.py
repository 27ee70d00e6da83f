"""A register of an earlier version comes up to date with all that it holds; on both databases."""

from __future__ import annotations

import pytest
from builders import PROTOCOL
from sqlalchemy import text

from cardreader.register.database import Database, sqlite_url
from cardreader.register.keptlists import keep_lists, part_of_list
from cardreader.register.lists import ListName
from cardreader.register.models import Referral, ReferralOutcome, local_day, utc_now

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


@pytest.fixture(params=["sqlite", "postgresql"])
def first_version(request, tmp_path):
    """The URL of a register as the first version left it."""
    if request.param == "sqlite":
        url = sqlite_url(tmp_path / "register.db")
    else:
        url = request.getfixturevalue("postgres").new_url()
    database = Database(url)
    database.migrate("0001")
    with database.engine.begin() as connection:
        for statement in ROWS:
            connection.execute(text(statement))
    database.close()
    return url


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
