"""One photo for two women, or for two visits, is asked about before it is entered."""

from __future__ import annotations

import datetime as dt
import json

import pytest
from people import Person
from sqlalchemy import func, select
from webfakes import photo, refused_photo

from cardreader.register.models import AuditEntry, Reading, Visit, Woman


@pytest.fixture
def first(worker: Person) -> str:
    """The result of a photo entered for KX-701."""
    visit = worker.open_visit(worker.add_woman("KX-701"))
    return worker.send_photo(visit, photo(9.0), key="photo-key-701").json()["url"]


def count(app, table) -> int:
    with app.state.database.read() as session:
        return session.scalar(select(func.count()).select_from(table))


def test_the_same_photo_for_another_woman_is_asked_about(app, worker, first) -> None:
    visit = worker.open_visit(worker.add_woman("KX-702"))
    answer = worker.send_photo(visit, photo(9.0), key="photo-key-702")
    assert answer.status_code == 409
    assert answer.json()["ask"] == "known_photo"
    assert "KX-701" in answer.json()["detail"]
    assert count(app, Reading) == 1
    # She says that it is meant: entered, noted in the trail, and told on both results.
    meant = worker.send_photo(visit, photo(9.0), key="photo-key-702", known_photo="true")
    assert meant.status_code == 201
    assert "also entered for KX-701" in worker.get(meant.json()["url"]).text
    assert "also entered for KX-702" in worker.get(first).text
    with app.state.database.read() as session:
        noted = session.scalars(
            select(AuditEntry).where(AuditEntry.action == "reading.known_photo")
        ).one()
        assert noted.subject == meant.json()["id"]
        assert json.loads(noted.detail) == {"also": first.rsplit("/", 1)[1]}


def test_a_photo_of_an_earlier_visit_is_asked_about_too(worker, first) -> None:
    woman = worker.get(first).text.split('href="/women/')[1].split('"')[0]
    with worker.app.state.database.write() as session:
        for earlier in session.scalars(select(Visit)):
            earlier.on -= dt.timedelta(days=30)
    visit = worker.open_visit(f"/women/{woman}", 2)
    answer = worker.send_photo(visit, photo(9.0), key="photo-key-703")
    assert answer.status_code == 409
    assert "KX-701" in answer.json()["detail"]


def test_nothing_is_left_behind_by_the_question(app, worker, first) -> None:
    """A photo kept on the phone under a code that is not in the register yet."""
    before = count(app, Woman), count(app, Visit)
    send = {"submission_key": "photo-key-704", "code": "KX-704"}
    files = {"photo": ("p.jpg", photo(9.0), "image/jpeg")}
    answer = worker.api("POST", "/api/photos", data=send, files=files)
    assert answer.status_code == 409
    assert (count(app, Woman), count(app, Visit)) == before
    meant = worker.api("POST", "/api/photos", data={**send, "known_photo": "true"}, files=files)
    assert meant.status_code == 201


def test_no_question_where_the_first_was_set_aside(app, worker, first) -> None:
    """The way to mend a photo under the wrong woman: set aside, then sent for the right one."""
    Person(app, "supervisor").post(f"{first}/set-aside", why="wrong woman")
    visit = worker.open_visit(worker.add_woman("KX-705"))
    assert worker.send_photo(visit, photo(9.0), key="photo-key-705").status_code == 201


def test_a_refused_photo_is_the_same_photo_too(worker) -> None:
    for n, status in ((706, 201), (707, 409)):
        visit = worker.open_visit(worker.add_woman(f"KX-{n}"))
        answer = worker.send_photo(visit, refused_photo(), key=f"photo-key-{n}")
        assert answer.status_code == status


def test_the_same_photo_twice_in_one_visit_counts_once_and_asks_nothing(worker, first) -> None:
    visit = worker.get(first).text.split('href="/visits/')[1].split('"')[0]
    answer = worker.send_photo(f"/visits/{visit}", photo(9.0), key="photo-key-708")
    assert answer.status_code == 201
    assert "Blots together" not in worker.get(answer.json()["url"]).text


def test_the_form_without_scripts_asks_too(worker, first) -> None:
    visit = worker.open_visit(worker.add_woman("KX-709"))
    files = {"photo": ("p.jpg", photo(9.0), "image/jpeg")}
    asked = worker.post(f"{visit}/photos", files=files, submission_key="photo-key-709")
    assert asked.status_code == 409
    assert "KX-701" in asked.text
    assert 'name="known_photo"' in asked.text
    meant = worker.post(
        f"{visit}/photos", files=files, submission_key="photo-key-709", known_photo="true"
    )
    assert meant.status_code == 303
