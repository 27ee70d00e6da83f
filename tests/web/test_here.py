"""The server on the phone itself: its first start, and being killed at any instant."""

from __future__ import annotations

import html
import json
import re
import sqlite3
import subprocess
import sys
import threading
import time
import urllib.parse
import urllib.request
import uuid
from http.client import HTTPException
from http.cookiejar import CookieJar
from pathlib import Path
from random import Random

import pytest
from browserkit import MAIN, ROOT, Server, free_port
from fastapi.testclient import TestClient
from forked import Forked
from inprocess import run_cardreader
from webfakes import FakeReader

from cardreader.register.kinds import Role
from cardreader.terminal.exitcodes import ExitCode
from cardreader.web import here, oldpydantic

TOKEN = "a-token-of-the-start"
PIN = "273914"
PHOTO = (ROOT / "sample_images" / "good" / "severe-6.8-led.jpg").read_bytes()


@pytest.fixture
def alone(make_app, tmp_path):
    """A client of an application in which nobody can sign in yet."""
    from cardreader.web.app import create_app
    from cardreader.web.settings import Settings

    app = create_app(Settings(data=tmp_path / "alone"), FakeReader())
    app.state.first_token = TOKEN
    yield TestClient(app, follow_redirects=False)
    app.state.database.close()


def begin(client: TestClient, **changes: str):
    form = {"token": TOKEN, "name": "Amina", "pin": PIN, "again": PIN, **changes}
    return client.post("/first", data=form)


@pytest.mark.parametrize("choice", [("language", "fr"), ("scheme", "dark")])
def test_whoever_chooses_her_language_first_can_go_on(alone, choice):
    name, value = choice
    shown = alone.get(f"/first?token={TOKEN}").text
    (back,) = set(re.findall(r'name="next" value="([^"]*)"', shown))
    answer = alone.post(f"/{name}", data={"next": html.unescape(back), name: value})
    assert answer.headers["location"] == f"/first?token={TOKEN}"
    assert alone.get(answer.headers["location"]).status_code == 200
    wrong = alone.post("/first", data={"token": TOKEN, "name": "Amina", "pin": "1", "again": "2"})
    assert f'value="{back}"' in wrong.text


def test_the_first_start_makes_the_person_and_her_pin(alone):
    assert "Who works on this phone?" in alone.get(f"/first?token={TOKEN}").text
    done = begin(alone)
    assert done.status_code == 200
    password = re.search(r'class="password">([0-9a-f-]+)<', done.text)[1]
    session = alone.get("/api/session").json()
    assert (session["name"], session["role"]) == ("Amina", Role.SUPERVISOR.value)
    # Nobody else begins.
    assert alone.get(f"/first?token={TOKEN}").status_code == 404
    assert begin(alone, name="Other").status_code == 404
    # The PIN opens it again on this phone; elsewhere it is the password.
    alone.cookies.delete("signed_in")
    assert 'action="/sign-in/pin"' in alone.get("/sign-in").text
    assert alone.post("/sign-in/pin", data={"pin": PIN}).status_code == 303
    alone.cookies.clear()
    form = {"name": "Amina", "password": password}
    assert alone.post("/sign-in", data=form).status_code == 303


@pytest.mark.parametrize(
    "changes", [{"pin": "123456", "again": "123456"}, {"again": "273915"}, {"name": " "}]
)
def test_what_is_missing_or_too_easy_is_told(alone, changes):
    assert begin(alone, **changes).status_code == 422
    assert alone.get("/api/session").status_code == 401


def test_another_app_of_the_phone_does_not_know_the_token(alone, app, worker):
    assert alone.get("/first").status_code == 403
    assert begin(alone, token="guessed").status_code == 403
    # Where the start showed no such address there is no such page.
    assert worker.get(f"/first?token={TOKEN}").status_code == 404


def test_the_page_is_opened_by_whatever_the_machine_has(tmp_path, monkeypatch):
    opener = tmp_path / "termux-open-url"
    opener.write_text(f'#!/bin/sh\necho "$1" > {tmp_path}/opened\n')
    opener.chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path), prepend=":")
    assert here.open_page("http://127.0.0.1:1/")
    for _ in range(100):
        if (tmp_path / "opened").exists() and (tmp_path / "opened").read_text():
            break
        time.sleep(0.05)
    assert (tmp_path / "opened").read_text() == "http://127.0.0.1:1/\n"


def test_it_is_for_this_machine_alone(tmp_path):
    done = run_cardreader("serve", "--here", "--host", "0.0.0.0", "--data", tmp_path)
    assert done.returncode == 2
    assert "this machine alone" in done.stderr


class Phone:
    """A phone whose server is started, killed and started again.

    ``path`` is a folder whose modules come before the others'.
    """

    def __init__(self, data: Path, path: Path | None = None) -> None:
        self.data = data
        self.environment = Server(data).environment()
        if path is not None:
            self.environment["PYTHONPATH"] = f"{path}:{self.environment['PYTHONPATH']}"
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.from_nothing = path is not None
        self.process: Forked | subprocess.Popen[str] | None = None
        self.csrf = ""
        jar = urllib.request.HTTPCookieProcessor(CookieJar())
        self.opener = urllib.request.build_opener(jar)

    def start(self) -> str:
        """Start; returns the address that was shown."""
        words = [
            *("serve", "--here", "--no-open", "--port", str(self.port)),
            *("--data", str(self.data), "--photos", "encrypted"),
        ]
        if self.from_nothing:
            command = [sys.executable, "-c", MAIN, *words]
            self.process = subprocess.Popen(
                command, stdout=subprocess.PIPE, text=True, env=self.environment
            )
        else:
            self.process = Forked(words, self.environment, piped=True)
        assert self.process.stdout is not None
        shown = re.search(r"http://\S+", self.process.stdout.readline())[0]
        for _ in range(600):
            try:
                self.call("GET", "/sign-in")
                return shown
            except OSError:
                time.sleep(0.1)
        raise RuntimeError("not started")

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait()
        self.process.stdout.close()

    def call(self, method: str, path: str, data: bytes | None = None, kind: str = "") -> bytes:
        headers = {"X-CSRF-Token": self.csrf, **({"Content-Type": kind} if kind else {})}
        request = urllib.request.Request(self.url + path, data, headers, method=method)
        with self.opener.open(request, timeout=60) as answer:
            return answer.read()

    def form(self, path: str, **fields: str) -> bytes:
        body = urllib.parse.urlencode(fields).encode()
        return self.call("POST", path, body, "application/x-www-form-urlencoded")

    def json(self, path: str, **fields) -> dict:
        return json.loads(self.call("POST", path, json.dumps(fields).encode(), "application/json"))

    def add_woman(self, code: str) -> dict:
        return self.json("/api/women", code=code, gestation_weeks=20)

    def add_tube(self, woman: str, key: str) -> dict:
        return self.json(f"/api/women/{woman}/tube", submission_key=key, unit="g_dl", value=9.5)

    def add_photo(self, code: str, key: str) -> dict:
        """In pieces, each photo another file."""
        note = key.encode()
        head = b"\xff\xfe" + (len(note) + 2).to_bytes(2, "big") + note
        data = PHOTO[:2] + head + PHOTO[2:]
        for at in range(0, len(data), 100_000):
            path = f"/api/uploads/{key}?size={len(data)}&offset={at}"
            self.call("PUT", path, data[at : at + 100_000], "application/octet-stream")
        return json.loads(self.form("/api/photos", submission_key=key, uploaded="true", code=code))


@pytest.mark.slow
def test_killed_at_any_instant_every_confirmed_record_is_there_once_and_no_half_one(tmp_path):
    rng = Random(20261126)
    phone = Phone(tmp_path / "phone")
    shown = phone.start()
    token = urllib.parse.parse_qs(urllib.parse.urlsplit(shown).query)["token"][0]
    phone.form("/first", token=token, name="Amina", pin=PIN, again=PIN)
    phone.csrf = json.loads(phone.call("GET", "/api/session"))["csrf"]
    confirmed: dict[str, str] = {}
    tried: list[tuple[str, str]] = []
    lock = threading.Lock()

    def work(kind: str, stop: threading.Event) -> None:
        while not stop.is_set():
            key = uuid.UUID(int=rng.getrandbits(128)).hex
            code = f"K{key[:8]}".upper()
            with lock:
                tried.append((kind, key))
            try:
                if kind == "photo":
                    made = phone.add_photo(code, key)
                else:
                    made = phone.add_tube(phone.add_woman(code)["id"], key)
            except (OSError, HTTPException):  # no answer, or one cut off after its head
                stop.wait(0.05)
                continue
            with lock:
                confirmed[key] = made["id"]

    for life in range(4):
        if life:
            phone.start()
        stop = threading.Event()
        threads = [threading.Thread(target=work, args=(k, stop)) for k in ("tube", "photo")]
        for thread in threads:
            thread.start()
        before = len(confirmed)
        while len(confirmed) < before + 3:
            time.sleep(0.02)
        time.sleep(rng.uniform(0, 0.4))
        phone.kill()
        stop.set()
        for thread in threads:
            thread.join()
    phone.start()
    for reading in confirmed.values():
        assert json.loads(phone.call("GET", f"/api/readings/{reading}"))["id"] == reading
    # What was not confirmed is sent again: each is there once, whatever had come through.
    for kind, key in tried:
        if kind == "photo":
            made = phone.add_photo(f"K{key[:8]}".upper(), key)
            assert confirmed.setdefault(key, made["id"]) == made["id"]
    phone.kill()
    assert_whole(phone.data, confirmed)


def assert_whole(data: Path, confirmed: dict[str, str]) -> None:
    """The register as it lies on the disk."""
    with sqlite3.connect(data / "register.db") as register:
        assert register.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert register.execute("PRAGMA foreign_key_check").fetchall() == []
        rows = register.execute("SELECT submission_key, id, photo_file, source FROM reading")
        entered = rows.fetchall()
    register.close()
    assert len({row[0] for row in entered}) == len(entered)
    found = {row[0]: row[1] for row in entered}
    assert {key: found.get(key) for key in confirmed} == confirmed
    kept = {row[2] for row in entered if row[3] == "photo"}
    assert None not in kept
    assert {path.name for path in (data / "photos").iterdir()} >= kept
    assert not [p.name for p in data.iterdir() if p.is_file() and p.suffix in (".part", ".tmp")]
    done = Server(data).command("audit")
    assert "unbroken" in done.stdout, done.stderr


def test_a_calibration_that_is_named_and_damaged_is_told_at_the_start(tmp_path):
    (tmp_path / "damaged.json").write_text("{}")
    words = ["serve", "--here", "--no-open", "--data", tmp_path / "data"]
    done = run_cardreader(*words, "--calibration", tmp_path / "damaged.json")
    assert done.returncode == ExitCode.BAD_DATA
    assert "damaged.json" in done.stderr


def test_a_framework_that_needs_the_old_pydantic_gets_it(monkeypatch):
    def needs_it(*_):
        import pydantic.v1  # noqa: F401

    monkeypatch.delitem(sys.modules, "pydantic.v1", raising=False)
    monkeypatch.setattr(oldpydantic, "jsonable_encoder", needs_it)
    oldpydantic.spare_old_pydantic()
    assert sys.modules.get("pydantic.v1", "not loaded") is not None
