"""The supervisor's backup button: a file that restores, and how long ago the last one was."""

from __future__ import annotations

import datetime as dt

from people import Person
from sqlalchemy import select

from cardreader.register.backup import make_backup, restore_backup
from cardreader.register.base import utc_now
from cardreader.register.database import Database, sqlite_url
from cardreader.register.lastbackup import PutBacks, note_put_back
from cardreader.register.models import AuditEntry, Woman
from cardreader.web.texts import moment

PASSPHRASE = "an invented passphrase"


def test_the_downloaded_file_restores(app, worker, supervisor, tmp_path):
    worker.add_woman("KX-1")
    assert "There is no backup yet." in supervisor.get("/").text
    answer = supervisor.post("/backup", passphrase=PASSPHRASE, again=PASSPHRASE)
    assert answer.status_code == 200
    assert answer.headers["content-disposition"].startswith("attachment")
    assert b"KX-1" not in answer.content
    file, new = tmp_path / "fetched.backup", tmp_path / "new"
    file.write_bytes(answer.content)
    restore_backup(sqlite_url(new / "register.db"), new, file, PASSPHRASE)
    restored = Database(sqlite_url(new / "register.db"))
    with restored.read() as session:
        assert session.scalars(select(Woman.code)).all() == ["KX-1"]
    restored.close()
    assert not list(app.state.settings.data.glob(".backup-*"))
    assert "Last backup today." in supervisor.get("/").text
    with app.state.database.read() as session:
        assert session.scalars(select(AuditEntry.action)).all().count("backup") == 1


def test_how_long_ago_is_counted_in_days(make_app, monkeypatch):
    app = make_app()
    supervisor = Person(app, "supervisor")
    supervisor.post("/backup", passphrase=PASSPHRASE, again=PASSPHRASE)
    for days, words in ((1, "Last backup 1 day ago."), (9, "Last backup 9 days ago.")):
        day = dt.date.today() + dt.timedelta(days=days)
        object.__setattr__(app.state.shared, "today", lambda day=day: day)
        page = supervisor.get("/backup").text
        assert words in page
        assert ('class="due late"' in page) == (days >= 7)
        assert words in supervisor.get("/").text


def test_everybody_is_told_for_a_while_that_the_register_was_put_back(
    app, worker, supervisor, tmp_path
):
    """Photos sent after the backup are on no phone any more, and nobody would look for them."""
    made = make_backup(app.state.database, tmp_path, tmp_path / "x.backup", PASSPHRASE)
    assert "put back" not in worker.get("/").text
    with app.state.database.write() as session:
        note_put_back(session, made)
    for person in (worker, supervisor):
        assert f"from a backup of {moment(dt.datetime.fromisoformat(made.made_at))}" in (
            person.get("/").text
        )
    with app.state.database.read() as session:
        assert PutBacks().lately(session, utc_now() + dt.timedelta(days=13)) is not None
        assert PutBacks().lately(session, utc_now() + dt.timedelta(days=15)) is None


def test_a_passphrase_too_short_or_mistyped_makes_no_file(app, supervisor):
    for fields in (
        {"passphrase": "short", "again": "short"},
        {"passphrase": PASSPHRASE, "again": "x"},
    ):
        answer = supervisor.post("/backup", **fields)
        assert answer.status_code == 422
        assert 'aria-invalid="true"' in answer.text
        assert PASSPHRASE not in answer.text
    assert "There is no backup yet." in supervisor.get("/").text


def test_backups_are_the_supervisors(app, worker, researcher):
    for person in (worker, researcher):
        assert person.get("/backup").status_code == 403
        answer = person.post("/backup", passphrase=PASSPHRASE, again=PASSPHRASE)
        assert answer.status_code == 403
    assert "backup" not in worker.get("/").text
