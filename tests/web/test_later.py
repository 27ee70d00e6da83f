"""What a start puts off: it is there once it is asked for, and by itself after the first page."""

from __future__ import annotations

import asyncio
import errno
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor

import pytest
from fastapi.testclient import TestClient
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse
from starlette.routing import Route
from starlette.websockets import WebSocketDisconnect
from webfakes import FakeReader

from cardreader.decide.protocolfile import DEFAULT, ProtocolSource
from cardreader.web import later, rest
from cardreader.web.app import create_app
from cardreader.web.later import LaterRoutes, after_first_answer
from cardreader.web.laterreader import LaterReader
from cardreader.web.settings import Settings

TOKEN = "a-token-of-the-start"
PIN = "273914"


@pytest.fixture
def begun(tmp_path):
    """A client of an application of which only the first pages are there."""
    app = create_app(Settings(data=tmp_path / "data"), FakeReader(), later=True)
    app.state.first_token = TOKEN
    yield TestClient(app, follow_redirects=False)
    app.state.database.close()


def begin(client: TestClient) -> None:
    form = {"token": TOKEN, "name": "Amina", "pin": PIN, "again": PIN}
    assert client.post("/first", data=form).status_code == 200


def test_a_start_spares_itself_what_no_first_page_needs(tmp_path):
    """Both its first pages come without; then the home page comes with what it needs."""
    code = f"""
import sys
from pathlib import Path
from cardreader.web.oldpydantic import spare_old_pydantic
spare_old_pydantic()
from fastapi.testclient import TestClient
from sqlalchemy.orm import Mapper
from cardreader.decide.protocolfile import DEFAULT, ProtocolSource
from cardreader.register.models import Account
from cardreader.web.app import create_app
from cardreader.web.here import nobody_yet
from cardreader.web.laterreader import LaterReader
from cardreader.web.settings import Settings
late = (
    "alembic", "cryptography.x509", "cv2", "numpy", "PIL", "reportlab", "cardreader.pipeline",
    "cardreader.register.lists", "cardreader.register.merge", "cardreader.register.recording",
    "cardreader.web.api", "cardreader.web.calibrating", "cardreader.web.meeting",
    "cardreader.web.pages.home", "cardreader.web.rest", "cardreader.web.words",
)
def load():
    from webfakes import FakeReader
    return FakeReader()
def loaded():
    return [name for name in late if name in sys.modules]
settings = Settings(Path({str(tmp_path / "data")!r}), protocol=ProtocolSource(DEFAULT))
app = create_app(settings, LaterReader(ProtocolSource(DEFAULT), load), later=True)
app.state.first_token = {TOKEN!r}
print(nobody_yet(app.state.database))
client = TestClient(app)
answers = [client.get(path) for path in ("/first?token=" + {TOKEN!r}, "/", "/sw.js")]
print([answer.status_code for answer in answers], Account.__mapper__.configured)
print(loaded(), sys.modules.get("pydantic.v1"))
form = dict(token={TOKEN!r}, name="Amina", pin={PIN!r}, again={PIN!r})
print(client.post("/first", data=form).status_code, client.get("/").status_code)
print("cardreader.web.rest" in loaded())
"""
    environment = {"PYTHONPATH": ":".join(sys.path)}
    shown = subprocess.run(
        [sys.executable, "-c", code], check=True, capture_output=True, text=True, env=environment
    )
    assert shown.stdout.splitlines() == [
        "True",
        "[200, 200, 200] False",
        "[] None",
        "200 200",
        "True",
    ]


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/", 303),
        ("GET", "/women?find=KX", 303),
        ("POST", "/backup", 303),
        ("GET", "/pin", 303),
        ("GET", "/api/session", 401),
        ("GET", "/api/nothing", 404),
        ("GET", "/nothing", 404),
        ("GET", "/static/nothing.css", 404),
        ("DELETE", "/first", 405),
        ("PUT", "/api/women", 401),
    ],
)
def test_whatever_is_asked_first_is_answered_as_where_all_is_there(
    begun, app, method, path, status
):
    whole = TestClient(app, follow_redirects=False)
    answers = [one.request(method, path) for one in (begun, whole)]
    assert [one.status_code for one in answers] == [status] * 2
    told = [(one.headers.get("location"), one.headers.get("content-type")) for one in answers]
    assert told[0] == told[1]


def test_whoever_is_not_signed_in_is_told_so_without_the_rest(begun):
    """As a browser opens a later start: the page for the PIN, then the home page."""
    begin(begun)
    begun.cookies.delete("signed_in")
    told = begun.get("/")
    assert (told.status_code, told.headers["location"]) == (303, "/sign-in?next=/")
    assert 'action="/sign-in/pin"' in begun.get("/sign-in?next=/").text
    assert not begun.app.state.rest.there
    assert begun.post("/sign-in/pin", data={"pin": PIN, "next": "/"}).status_code == 303
    assert not begun.app.state.rest.there
    assert begun.get("/").status_code == 200
    assert begun.app.state.rest.there


def test_a_woman_entered_first_of_all_is_on_her_list(begun):
    """The lists are kept before anything can be entered."""
    begin(begun)
    csrf = begun.get("/api/session").json()["csrf"]
    entered = begun.post(
        "/api/women", json={"code": "KX-1", "gestation_weeks": 20}, headers={"X-CSRF-Token": csrf}
    )
    assert entered.status_code == 201
    assert "KX-1" in begun.get("/lists/due").text


def test_all_routes_are_there_in_the_end_and_described(begun, tmp_path):
    whole = create_app(Settings(data=tmp_path / "whole"), FakeReader())
    assert begun.get("/api/openapi.json").json() == whole.openapi()
    routes = begun.app.router.routes
    assert {id(one) for one in rest.ROUTES} <= {id(one) for one in routes}
    assert [type(one) for one in routes] == [type(one) for one in whole.router.routes]
    whole.state.database.close()


def routes_of(load) -> tuple[Starlette, LaterRoutes, TestClient]:
    """A small application whose routes are put off, but for one."""
    app = Starlette(routes=[Route("/first", answer)])
    put_off = LaterRoutes(app.router, load)
    app.router.routes.append(put_off)
    return app, put_off, TestClient(app, raise_server_exceptions=False)


def answer(request):
    return PlainTextResponse(request.url.path)


def test_routes_are_loaded_once_by_whoever_asks_first_and_others_wait():
    loads, ready = [], threading.Event()

    def load():
        loads.append(threading.current_thread())
        ready.wait(30)
        return [Route("/later", answer), Route("/later/{name}", answer)]

    app, put_off, client = routes_of(load)
    assert client.get("/first").text == "/first"
    assert (loads, put_off.there) == ([], False)
    with ThreadPoolExecutor(3) as pool:
        asked = [pool.submit(client.get, path) for path in ("/later", "/later/on", "/nothing")]
        # Whoever has a route already is answered meanwhile.
        assert client.get("/first").text == "/first"
        ready.set()
        statuses = [one.result().status_code for one in asked]
    assert statuses == [200, 200, 404]
    assert len(loads) == 1
    assert loads[0] is not threading.current_thread()
    assert put_off.there
    assert put_off not in app.router.routes


def failing_first(gives):
    """A loader that fails the first time, and what grows by its tries."""
    tries = []

    def load():
        tries.append(1)
        if len(tries) == 1:
            raise OSError("no room in memory")
        return gives

    return load, tries


def test_routes_that_could_not_be_loaded_are_tried_again():
    load, _tries = failing_first([Route("/later", answer)])
    _app, put_off, client = routes_of(load)
    assert client.get("/later").status_code == 500
    assert not put_off.there
    assert client.get("/later").text == "/later"


def test_a_web_socket_is_closed_and_nothing_is_loaded_for_it(begun):
    with pytest.raises(WebSocketDisconnect), begun.websocket_connect("/"):
        pass
    assert not begun.app.state.rest.there


def test_a_full_disk_at_the_first_page_of_the_rest_is_told_in_words(begun, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, "no space left")

    begin(begun)
    with monkeypatch.context() as patch:
        patch.setattr(rest, "keep_lists", full)
        refused = begun.get("/")
    assert refused.status_code == 503
    assert "full" in refused.text
    assert begun.get("/").status_code == 200


def asked(app, kind: str) -> None:
    # In a thread of its own: a browser's test may have left this one within a loop.
    with ThreadPoolExecutor(1) as pool:
        pool.submit(lambda: asyncio.run(app({"type": kind}, None, None))).result()


def test_what_was_put_off_is_loaded_after_the_first_answer_whatever_fails(monkeypatch, caplog):
    monkeypatch.setattr(later, "SOON_S", 0.0)
    loaded, done = [], threading.Event()

    def fail():
        loaded.append("tried")
        raise OSError("no room in memory")

    def load():
        loaded.append("loaded")
        done.set()

    async def page(_scope, _receive, _send):
        assert not done.is_set()

    shown = after_first_answer(page, fail, load)
    asked(shown, "lifespan")
    assert not done.wait(0.2)
    asked(shown, "http")
    assert done.wait(30)
    assert loaded == ["tried", "loaded"]
    assert "could not be loaded" in caplog.text


def test_a_reader_is_loaded_once_and_tried_again_where_it_could_not_be():
    load, tries = failing_first(FakeReader())
    reader = LaterReader(ProtocolSource(DEFAULT), load)
    assert reader.rules.id == DEFAULT
    with pytest.raises(OSError, match="no room"):
        reader.shades()
    assert reader.shades() == FakeReader().shades()
    assert reader.now() is reader.now()
    assert len(tries) == 2
