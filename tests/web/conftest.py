"""Applications with accounts, and clients that are signed in."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from webfakes import FakeReader

from cardreader.register import accounts
from cardreader.register.models import Role
from cardreader.web.app import create_app
from cardreader.web.settings import PhotoPolicy, Settings

# The PostgreSQL server of the register's tests serves here too.
sys.path.append(str(Path(__file__).parents[1] / "register"))

PASSWORD = "a long invented password"


@pytest.fixture
def make_app(tmp_path) -> Iterator[Callable[..., FastAPI]]:
    """Makes applications on an own data folder, each with one account a role."""
    made: list[FastAPI] = []

    def make(**changes) -> FastAPI:
        settings = Settings(
            data=tmp_path / "data",
            **{"place": "Invented Hill", "sign_in_tries_a_minute": 1000, **changes},
        )
        app = create_app(settings, FakeReader())
        with app.state.database.write() as session:
            if accounts.find_account(session, "worker") is None:
                for role in Role:
                    accounts.add_account(session, role.value, role, PASSWORD)
        made.append(app)
        return app

    yield make
    for app in made:
        app.state.database.close()


@pytest.fixture
def app(make_app) -> FastAPI:
    """An application that keeps no photos."""
    return make_app()


@pytest.fixture
def keeping_app(make_app) -> FastAPI:
    """An application that keeps photos, encrypted."""
    return make_app(photos=PhotoPolicy.ENCRYPTED)


class Person:
    """A client signed in as somebody."""

    def __init__(self, app: FastAPI, name: str) -> None:
        self.app = app
        self.client = TestClient(app, base_url="http://testserver", follow_redirects=False)
        answer = self.client.post("/sign-in", data={"name": name, "password": PASSWORD})
        assert answer.status_code == 303, answer.text
        self.csrf = self.client.get("/api/session").json()["csrf"]

    def get(self, path: str):
        """GET a page."""
        return self.client.get(path)

    def post(self, path: str, files=None, **fields):
        """POST a form with the CSRF token."""
        return self.client.post(path, data={"csrf": self.csrf, **fields}, files=files)

    def api(self, method: str, path: str, **kwargs):
        """Call the API with the CSRF header."""
        headers = {"X-CSRF-Token": self.csrf, **kwargs.pop("headers", {})}
        return self.client.request(method, path, headers=headers, **kwargs)

    def add_woman(self, code: str, weeks: str = "20") -> str:
        """Add a woman; returns the address of her page."""
        answer = self.post("/women/new", code=code, gestation_weeks=weeks)
        assert answer.status_code == 303, answer.text
        return answer.headers["location"].split("?")[0]

    def open_visit(self, woman: str, number: int = 1) -> str:
        """Open a visit; returns its address."""
        return self.post(f"{woman}/visits", number=str(number)).headers["location"]

    def send_photo(self, visit: str, data: bytes, key: str | None = None, **fields):
        """Send a photo as the pages' scripts do."""
        key = key or re.sub(r"\W", "", f"key{hash((visit, data)) & 0xFFFFFFFFFF:010x}")
        return self.api(
            "POST",
            f"/api{visit}/photos",
            data={"submission_key": key, **fields},
            files={"photo": ("p.jpg", data, "image/jpeg")},
        )


@pytest.fixture
def worker(app) -> Person:
    """A signed-in worker."""
    return Person(app, "worker")


@pytest.fixture
def supervisor(app) -> Person:
    """A signed-in supervisor."""
    return Person(app, "supervisor")


@pytest.fixture
def researcher(app) -> Person:
    """A signed-in researcher."""
    return Person(app, "researcher")
