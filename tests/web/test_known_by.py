"""A mistyped code is mended, and she is found by village and by the former code."""

from __future__ import annotations

import datetime as dt
import json

import pytest
from people import Person
from sqlalchemy import select
from test_find import rows
from webfakes import photo

from cardreader.register import audit
from cardreader.register.models import AuditEntry, Reading, Woman


def mend(person: Person, woman: str, code: str, village: str = ""):
    return person.post(f"{woman}/identity", new_code=code, village=village)


def test_a_mistyped_code_is_mended_with_all_that_is_hers(app, worker: Person) -> None:
    woman = worker.add_woman("IA-11")
    worker.send_photo(worker.open_visit(woman), photo(9.0))
    assert mend(worker, woman, "ia-12").status_code == 303
    page = worker.get(woman).text
    assert "<h1><bdi>IA-12</bdi></h1>" in page
    assert "9.0" in page
    assert "Her code was mended" in page
    assert "IA-11" in page  # as the former one
    # Found under the former code too, which is free for the woman it belongs to.
    assert [row.split()[0] for row in rows(worker.get("/women?find=IA-11").text)] == ["IA-12"]
    worker.add_woman("IA-11")
    with app.state.database.read() as session:
        noted = session.scalars(select(AuditEntry).order_by(AuditEntry.seq)).all()
        kinds = [json.loads(e.detail).get("kind") for e in noted if e.action == "event.note"]
        assert kinds == ["code_mended"]
        assert all("IA-1" not in entry.detail for entry in noted)
        assert audit.check(session)


def test_a_code_written_almost_like_another_is_asked_about(worker: Person) -> None:
    woman = worker.add_woman("IA-0041")
    for typed in ("ia 41", "IA0041", "ia/41"):
        asked = worker.post("/women/new", code=typed, gestation_weeks="20")
        assert asked.status_code == 422
        assert "The register has IA-0041, which is written almost alike." in asked.text
        assert f'href="{woman}">Her record: IA-0041' in asked.text
    # Two numbers are not run together.
    worker.add_woman("IA-4/1")
    # It is another woman: Add, pressed again, adds her; with yet another code it asks anew.
    again = {"gestation_weeks": "20", "another": "IA41"}
    assert worker.post("/women/new", code="ia-041", **again).status_code == 422
    assert worker.post("/women/new", code="IA41", **again).status_code == 303


@pytest.mark.parametrize(
    ("code", "typed"),
    [("IA-0041", "IA-OO41"), ("IA-105", "ia 1O5"), ("IA-105", "IA-IO5"), ("IL-9O", "IL-90")],
)
def test_a_letter_that_looks_like_a_digit_makes_no_second_record_unasked(
    worker: Person, code: str, typed: str
) -> None:
    worker.add_woman(code)
    asked = worker.post("/women/new", code=typed, gestation_weeks="20")
    assert asked.status_code == 422
    assert f"The register has {code}, which is written almost alike." in asked.text
    # Between letters it is a letter.
    assert worker.post("/women/new", code="1A-O", gestation_weeks="20").status_code == 303


def test_the_code_of_an_open_record_leads_to_it(worker: Person) -> None:
    woman = worker.add_woman("IA-51")
    answer = worker.post("/women/new", code="ia-51", gestation_weeks="20")
    assert answer.status_code == 422
    assert f'href="{woman}">Her record: IA-51' in answer.text


def kept(person: Person, code: str, data: bytes, taken: dt.datetime, key: str) -> dict:
    """A photo taken under a code with the server out of reach, and sent now."""
    fields = {"submission_key": key, "code": code, "taken_at": taken.isoformat()}
    answer = person.api(
        "POST",
        "/api/photos",
        data={**fields, "sent_at": dt.datetime.now(dt.UTC).isoformat()},
        files={"photo": ("p.jpg", data, "image/jpeg")},
    )
    assert answer.status_code in (200, 201), answer.text
    return answer.json()


def test_a_photo_that_waited_while_her_code_was_mended_is_hers(app, worker: Person) -> None:
    before = dt.datetime.now(dt.UTC) - dt.timedelta(hours=3)
    woman = worker.add_woman("IA-21")
    mend(worker, woman, "IA-22")
    sent = kept(worker, "ia-21", photo(5.0), before, "kept-key-1")
    assert (sent["code"], f"/women/{sent['woman_id']}") == ("IA-22", woman)
    # The answer was lost: it is the same entry.
    assert kept(worker, "IA-21", photo(5.0), before, "kept-key-1")["id"] == sent["id"]
    # Taken after the code was mended it is another woman's, to whom the code belongs.
    now = dt.datetime.now(dt.UTC)
    assert kept(worker, "IA-21", photo(9.0), now, "kept-key-2")["code"] == "IA-21"


def test_a_photo_that_waited_while_her_code_went_to_another_woman_is_asked_about(
    app, worker: Person
) -> None:
    before = dt.datetime.now(dt.UTC) - dt.timedelta(hours=3)
    mend(worker, worker.add_woman("IC-21"), "IC-22")
    worker.add_woman("IC-21")
    fields = {"submission_key": "kept-key-3", "code": "ic-21", "taken_at": before.isoformat()}
    fields["sent_at"] = dt.datetime.now(dt.UTC).isoformat()

    def send(**more: str):
        files = {"photo": ("p.jpg", photo(5.0), "image/jpeg")}
        return worker.api("POST", "/api/photos", data={**fields, **more}, files=files)

    answer = send()
    assert (answer.status_code, answer.json()["ask"]) == (409, "code_meant")
    assert "of the woman who has IC-22 now" in answer.json()["detail"]
    with app.state.database.read() as session:
        assert session.scalar(select(Reading.id)) is None
    assert send(code_meant="true").json()["code"] == "IC-21"
    # One taken since is asked about no more.
    assert kept(worker, "IC-21", photo(9.0), dt.datetime.now(dt.UTC), "kept-key-4")["code"]


@pytest.mark.parametrize(("told", "asked"), [(17, False), (23, False), (16, True), (24, True)])
def test_weeks_of_another_pregnancy_told_with_a_photo_that_waited_are_asked_about(
    app, worker: Person, told: int, asked: bool
) -> None:
    """A mistyped code is another woman's, and the weeks that were typed too went unread."""
    worker.add_woman("ID-21", "20")
    fields = {"submission_key": "kept-key-5", "code": "ID-21", "gestation_weeks": str(told)}

    def send(**more: str):
        files = {"photo": ("p.jpg", photo(5.0), "image/jpeg")}
        return worker.api("POST", "/api/photos", data={**fields, **more}, files=files)

    answer = send()
    if asked:
        assert (answer.status_code, answer.json()["ask"]) == (409, "code_meant")
        assert f"in week 20 that day, and week {told} was typed" in answer.json()["detail"]
        answer = send(code_meant="true")
    assert (answer.status_code, answer.json()["code"]) == (201, "ID-21")
    with app.state.database.read() as session:
        assert session.scalars(select(Woman.gestation_weeks)).all() == [20]


def test_another_womans_code_is_refused_and_stays_typed(worker: Person) -> None:
    worker.add_woman("IB-1")
    woman = worker.add_woman("IB-2")
    answer = mend(worker, woman, "IB-1")
    assert answer.status_code == 422
    assert 'id="new_code-problem">This code is in the register already.<' in answer.text
    assert 'name="new_code" value="IB-1"' in answer.text
    answer = mend(worker, woman, "Ada of the Hill!")
    assert answer.status_code == 422
    assert "<h1><bdi>IB-2</bdi></h1>" in worker.get(woman).text


def test_found_by_her_village(worker: Person) -> None:
    answer = worker.post("/women/new", code="IC-1", village="Invented Spring")
    woman = answer.headers["location"].split("?")[0]
    worker.post("/women/new", code="IC-2", village="Other Place")
    worker.post("/women/new", code="IC-3")
    assert rows(worker.get("/women?find=spring").text) == ["IC-1 Invented Spring Nothing read yet."]
    mend(worker, woman, "IC-1", "Upper Field")
    assert "Upper Field" in rows(worker.get("/women?find=upper+f").text)[0]
    assert rows(worker.get("/women?find=%25").text) == []
    assert rows(worker.get("/women?find=%E0%A4%97").text) == []


def test_the_former_code_goes_with_the_record(app, supervisor: Person) -> None:
    woman = supervisor.add_woman("ID-1")
    mend(supervisor, woman, "ID-2")
    assert supervisor.post(f"{woman}/remove", code="ID-2").status_code == 303
    assert rows(supervisor.get("/women?find=ID-").text) == []
    with app.state.database.read() as session:
        assert session.scalars(select(Woman)).all() == []
