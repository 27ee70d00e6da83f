"""With the disk full or the register locked, pages say so and what to do, and lose nothing."""

from __future__ import annotations

import datetime as dt
import errno
import logging
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager

import pytest
from people import PASSWORD, Person
from sqlalchemy import event
from webfakes import photo

from cardreader.register import accounts
from cardreader.register import database as database_module
from cardreader.register.base import utc_now
from cardreader.web import photos as web_photos
from cardreader.web import unkept


def _fill_disk(app) -> None:
    with app.state.database.engine.connect() as connection:
        used = connection.exec_driver_sql("PRAGMA page_count").scalar()
    app.state.database.engine.dispose()
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


def test_a_register_that_gets_damaged_while_it_runs_is_said(app, worker, caplog, monkeypatch):
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
    # A server or a library that set up logging in another test of this process may have silenced
    # this log, let only the gravest through, or cut it off from those above it.
    log = logging.getLogger("uvicorn.error")
    monkeypatch.setattr(log, "disabled", False)
    monkeypatch.setattr(log, "handlers", [*log.handlers, caplog.handler])
    caplog.set_level(logging.ERROR, logger=log.name)
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


READING = (
    "/",
    "/lists/due",
    "/lists/severe",
    "/lists/referrals",
    "/summary",
    "/more",
    "/women?q=KX",
)


@pytest.fixture
def unwritable(app):
    """Lets the register be read and not written, and written again: ``(stop, go_on)``."""
    engine = app.state.database.engine
    state = {"on": 0}
    event.listen(engine, "checkout", lambda c, *_: c.execute(f"PRAGMA query_only={state['on']}"))

    def to(on: int):
        def switch() -> None:
            state["on"] = on

        return switch

    return to(1), to(0)


def test_where_nothing_can_be_written_who_signs_in_can_read(app, worker, unwritable):
    woman = worker.add_woman("KX-1")
    worker.send_photo(worker.open_visit(woman), photo(5.0))
    stop, go_on = unwritable
    stop()
    person = Person(app, "worker")
    for path in (*READING, woman):
        answer = person.get(path)
        assert answer.status_code == 200, path
        assert "You can read, but nothing that you send is entered" in answer.text
    assert "KX-1" in person.get("/lists/severe").text
    assert person.post("/women/new", code="KX-2").status_code == 503
    go_on()
    assert person.post("/women/new", code="KX-2").status_code == 303
    wrong = {"name": "worker", "password": "not her password"}
    stop()
    assert person.client.post("/sign-in", data=wrong).status_code == 403


def test_who_is_signed_in_goes_on_reading(app, worker, unwritable, monkeypatch):
    """That a sign-in is in use is noted twice a minute; every page failed from then on."""
    monkeypatch.setattr(unkept, "TRIED_EVERY", dt.timedelta(0))
    stop, go_on = unwritable
    stop()
    later = utc_now() + dt.timedelta(seconds=31)
    monkeypatch.setattr(accounts, "utc_now", lambda: later)
    for path in READING:
        answer = worker.get(path)
        assert answer.status_code == 200, path
        assert "You can read" in answer.text
    # Asked for once a page, with whether a form may be sent beside it.
    with reads_of(app, "account") as statements:
        worker.get("/")
    assert len(statements) == 1, statements
    go_on()
    assert "You can read" not in worker.get("/").text


@contextmanager
def reads_of(app, table: str) -> Iterator[list[str]]:
    """What is asked of a table meanwhile."""
    asked: list[str] = []

    def note(_connection, _cursor, statement, *_rest) -> None:
        if f"FROM {table} " in statement.replace("\n", " "):
            asked.append(statement)

    engine = app.state.database.engine
    event.listen(engine, "before_cursor_execute", note)
    yield asked
    event.remove(engine, "before_cursor_execute", note)


def test_a_sign_in_that_began_in_memory_is_kept_as_soon_as_it_can_be(
    app, worker, unwritable, monkeypatch
):
    monkeypatch.setattr(unkept, "TRIED_EVERY", dt.timedelta(0))
    stop, go_on = unwritable
    stop()
    person = Person(app, "worker")
    go_on()
    assert "You can read" not in person.get("/").text
    # No more than others does it need the server's memory.
    app.state.shared.unkept.end(person.client.cookies["signed_in"])
    assert person.get("/lists/due").status_code == 200


def test_a_sign_in_in_memory_ends_as_others_do(app, worker, supervisor, unwritable, monkeypatch):
    stop, go_on = unwritable
    stop()
    leaving, closed, resting = (Person(app, "worker") for _ in range(3))
    token = leaving.client.cookies["signed_in"]
    assert leaving.post("/sign-out").status_code == 303
    leaving.client.cookies.set("signed_in", token)
    assert leaving.get("/lists/due").status_code == 303
    later = utc_now() + dt.timedelta(minutes=31)
    with monkeypatch.context() as patch:
        patch.setattr(unkept, "utc_now", lambda: later)
        assert resting.get("/lists/due").status_code == 303
    go_on()
    with app.state.database.write() as session:
        accounts.set_disabled(session, accounts.find_account(session, "worker"), True, None)
    assert closed.get("/lists/due").status_code == 303


def test_a_pin_is_not_tried_where_its_tries_cannot_be_counted(app, worker, unwritable):
    worker.post("/pin", pin="205913", again="205913", password=PASSWORD)
    stop, _go_on = unwritable
    stop()
    answer = worker.client.post("/sign-in/pin", data={"pin": "205913", "next": "/"})
    assert answer.status_code == 503
    assert "Use your password" in answer.text
    assert 'name="password"' in answer.text
