"""Applications with accounts, and clients that are signed in."""

from __future__ import annotations

import shutil
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from anyio.from_thread import start_blocking_portal
from fastapi import FastAPI
from fastapi.testclient import TestClient
from people import Person, add_accounts
from phone import axe as axe
from phone import browser as browser
from phone import context as context
from phone import page as page
from phone import photos as photos
from phone import playwright as playwright
from phone import server as server
from webfakes import FakeReader

from cardreader.register.kinds import Role
from cardreader.web.app import create_app
from cardreader.web.settings import PhotoPolicy, Settings

# The PostgreSQL server of the register's tests serves here too.
sys.path.append(str(Path(__file__).parents[1] / "register"))


SIGNED_IN_FOR_S = 300


@pytest.fixture(scope="session", autouse=True)
def _one_event_loop() -> Iterator[None]:
    """As on a server. Else each request starts a loop, and a thread for it, of its own."""
    with start_blocking_portal() as portal, pytest.MonkeyPatch.context() as patch:
        patch.setattr(TestClient, "portal", portal)
        yield


@dataclass(frozen=True)
class Signed:
    """A data folder with a register and one account a role, to be copied, each signed in."""

    folder: Path
    people: dict[str, Person]
    at: float


@pytest.fixture(scope="session")
def register_with_accounts(tmp_path_factory) -> Callable[[], Signed]:
    """Gives one whose sign-ins are minutes old at most: they end after some time without use."""
    made: list[Signed] = []

    def newest() -> Signed:
        if not made or time.monotonic() - made[-1].at > SIGNED_IN_FOR_S:
            folder = tmp_path_factory.mktemp("register") / "data"
            app = create_app(Settings(data=folder), FakeReader())
            with app.state.database.write() as session:
                add_accounts(session)
            people = {role.value: Person(app, role.value) for role in Role}
            app.state.shared.uploads.close()
            app.state.database.close()
            made.append(Signed(folder, people, time.monotonic()))
        return made[-1]

    return newest


@pytest.fixture
def make_app(tmp_path, register_with_accounts) -> Iterator[Callable[..., FastAPI]]:
    """Makes applications on an own data folder, each with one account a role."""
    made: list[FastAPI] = []

    def make(**changes) -> FastAPI:
        settings = Settings(
            data=tmp_path / "data",
            **{"place": "Invented Hill", "free_tries": 1000, **changes},
        )
        people = {}
        if not settings.data.exists():
            signed = register_with_accounts()
            shutil.copytree(signed.folder, settings.data)
            people = dict(signed.people)
        app = create_app(settings, FakeReader())
        if not settings.database_url:
            app.state.signed_in = people
        if settings.database_url:
            # A register elsewhere, on PostgreSQL, is not in the folder that was copied.
            with app.state.database.write() as session:
                add_accounts(session)
        made.append(app)
        return app

    yield make
    for app in made:
        app.state.shared.uploads.close()
        app.state.database.close()


@pytest.fixture
def app(make_app) -> FastAPI:
    """An application that keeps no photos."""
    return make_app()


@pytest.fixture
def keeping_app(make_app) -> FastAPI:
    """An application that keeps photos, encrypted."""
    return make_app(photos=PhotoPolicy.ENCRYPTED)


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
