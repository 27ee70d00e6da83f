"""With the disk full or the register locked, pages say so and what to do, and lose nothing."""

from __future__ import annotations

import errno
import sqlite3
from contextlib import closing

import pytest
from people import Person
from webfakes import photo

from cardreader.register import database as database_module
from cardreader.web import photos as web_photos


def _fill_disk(app) -> None:
    with app.state.database.engine.connect() as connection:
        used = connection.exec_driver_sql("PRAGMA page_count").scalar()
    app.state.database.engine.dispose()
    from sqlalchemy import event

    limit = f"PRAGMA max_page_count={used}"
    event.listen(app.state.database.engine, "connect", lambda c, _r: c.execute(limit))


def test_a_full_disk_is_said_on_the_page_and_to_the_phone(app, worker):
    visit = worker.open_visit(worker.add_woman("KX-1"))
    _fill_disk(app)
    answers = [
        worker.send_photo(visit, photo(9.0, "x" * 9000), key=f"key-{n:08}") for n in range(9)
    ]
    refused = [a for a in answers if a.status_code != 201]
    assert refused
    assert {a.status_code for a in refused} == {503}
    assert "disk of the register's computer is full" in refused[-1].json()["detail"]
    refused_pages = []
    for n in range(2, 400):
        page = worker.post("/women/new", code=f"KX-{n}")
        refused_pages += [page] if page.status_code != 303 else []
        if len(refused_pages) == 20:
            break
    assert {p.status_code for p in refused_pages} == {503}
    assert "disk of the register&#39;s computer is full" in refused_pages[-1].text


def test_a_full_disk_met_while_keeping_the_photo(keeping_app, monkeypatch):
    worker = Person(keeping_app, "worker")
    visit = worker.open_visit(worker.add_woman("KX-1"))

    def full(_data):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(web_photos, "stripped", lambda data: data)  # stand-ins hold no fields
    monkeypatch.setattr(keeping_app.state.shared.photos, "put", full)
    answer = worker.send_photo(visit, photo(9.0))
    assert answer.status_code == 503
    assert "full" in answer.json()["detail"]


def test_a_locked_register(make_app, monkeypatch, tmp_path):
    monkeypatch.setattr(database_module, "PATIENCE_MS", 50)
    app = make_app()
    worker, leaving = Person(app, "worker"), Person(app, "worker")
    other = sqlite3.connect(tmp_path / "data" / "register.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    answer = worker.post("/women/new", code="KX-1")
    assert answer.status_code == 503
    assert "Another program" in answer.text
    # Who gives the phone away can sign out of it all the same.
    assert leaving.post("/sign-out").status_code == 303
    assert leaving.get("/women/new").status_code == 303
    other.execute("ROLLBACK")
    other.close()
    assert worker.post("/women/new", code="KX-1").status_code == 303


def test_a_register_that_gets_damaged_while_it_runs_is_said(app, worker, caplog):
    """A page of the readings' table overwritten, as a dying card of memory does."""
    woman = worker.add_woman("KX-1")
    worker.send_photo(worker.open_visit(woman), photo(9.0))
    file = app.state.shared.settings.data / "register.db"
    # The last connection that is closed brings the log into the file.
    app.state.database.engine.dispose()
    with closing(sqlite3.connect(file)) as apart:
        query = "SELECT rootpage FROM sqlite_master WHERE name = 'reading'"
        page, size = (apart.execute(q).fetchone()[0] for q in (query, "PRAGMA page_size"))
    with file.open("r+b") as stream:
        stream.seek((page - 1) * size)
        stream.write(b"\x99" * size)
    answer = worker.get(woman)
    assert answer.status_code == 503
    assert "What was just sent is not entered" in answer.text
    assert "restore the newest backup" in caplog.text


def test_an_error_that_is_no_trouble_stays_a_defect(app, worker, monkeypatch):
    def broken(*_args, **_options):
        raise OSError("nothing known")

    monkeypatch.setattr("cardreader.web.pages.home.counts_today", broken)
    with pytest.raises(OSError, match="nothing known"):
        worker.get("/")
