"""A day whose readings lie off those before, on the pages; women and values are invented."""

from __future__ import annotations

import datetime as dt

import pytest
from builders import add_woman, facts
from builders import photo as enter
from people import Person
from sqlalchemy import select
from test_documents import text_of
from webfakes import photo

from cardreader.register.models import Reading

USUAL = (8.4, 9.1, 9.7, 10.2, 10.6, 11.0, 11.5, 12.1)


@pytest.fixture
def place(app):
    """Three sessions of eight women."""
    with app.state.database.write() as session:
        for days in (21, 14, 7):
            for k, hb in enumerate(USUAL):
                woman = add_woman(session, f"S{days}-{k}", days_ago=days)
                enter(session, woman, facts(hb), days_ago=days)
    return app


def read_today(worker: Person, off: float) -> str:
    """Eight women of today; the address of the last one's result."""
    for k, hb in enumerate(USUAL):
        visit = worker.open_visit(worker.add_woman(f"T-{k}"))
        answer = worker.send_photo(visit, photo(round(hb + off, 1), salt=str(k)))
        assert answer.status_code == 201
    return answer.json()["url"]


@pytest.mark.parametrize(
    ("off", "found", "follows"),
    [
        (4.5, "g/dL higher than before (8 women).", "send the women of that day for a blood test"),
        (-3.5, "g/dL lower than before (8 women).", "Find the cause before more are read"),
    ],
)
def test_said_before_all_else(place, worker, off, found, follows):
    result = worker.get(read_today(worker, off)).text
    home = worker.get("/").text
    for text in (result, home):
        assert found in text
        assert follows in text
    assert result.index(found) < result.index('id="headline"')


def test_the_api_says_the_same_as_the_page(place, worker):
    """A phone shows the API's words of a photo that it sent later."""
    reading = worker.get(f"/api{read_today(worker, 4.5)}").json()
    assert reading["outcome"] == "uncertain"
    assert reading["words"] == "Uncertain: all readings of this day lie too high."
    off = reading["day_off"]
    assert (off["on"], off["women"]) == (dt.date.today().isoformat(), 8)
    assert off["shift_g_dl"] == pytest.approx(4.5, abs=0.3)
    assert "higher than before (8 women)." in off["words"]
    her = worker.get(f"/api/women/{reading['woman_id']}/readings").json()
    assert her == [reading]


def test_an_ordinary_day_is_none_in_the_api(place, worker):
    reading = worker.get(f"/api{read_today(worker, 0.0)}").json()
    assert reading["day_off"] is None
    assert reading["outcome"] == "not_anaemic"


def test_nobody_is_called_well_on_a_day_that_lies_too_high(place, worker):
    url = read_today(worker, 4.5)
    result = worker.get(url).text
    assert "Uncertain: all readings of this day lie too high." in result
    assert "Anaemia is unlikely" not in result
    assert "Confirm with a blood test at a health facility." in result
    # She of the first photo, too, read before there were enough to tell by.
    women = worker.get(f"/women?on={dt.datetime.now().astimezone().date()}").text
    assert women.count("T-0") == 1
    first = worker.get("/women?find=T-0").headers["location"]
    assert "g/dL higher than before (8 women)." in worker.get(first).text


def test_a_laboratory_value_is_not_doubted_for_it(place, worker):
    read_today(worker, 4.5)
    woman = worker.get("/women?find=T-0").headers["location"]
    answer = worker.post(
        f"{woman}/lab",
        **{"value": "12.6", "unit": "g_dl", "method": "Cell counter", "place": "Invented Clinic"},
        **{"on": str(dt.datetime.now().astimezone().date()), "submission_key": "k" * 20},
    )
    assert answer.status_code == 303, answer.text
    assert "Readings of" not in worker.get(woman).text


def test_it_stands_in_the_months_summary(place, worker):
    read_today(worker, 4.5)
    month = worker.get("/summary").text
    assert "Days whose readings lie off those before" in month
    assert "Days whose readings lie off those before" in worker.get("/summary/summary.csv").text


def test_an_ordinary_day_says_nothing(place, worker):
    result = worker.get(read_today(worker, 0.3)).text
    for text in (result, worker.get("/").text):
        assert "Readings of" not in text
    assert "Days whose readings" not in worker.get("/summary").text


def test_yesterdays_reading_is_not_doubted_for_today(place, worker):
    read_today(worker, 4.5)
    with place.state.database.read() as session:
        before = dt.datetime.now(dt.UTC) - dt.timedelta(days=6)
        old = session.scalars(select(Reading.id).where(Reading.taken_at < before)).first()
    assert "Readings of" not in worker.get(f"/readings/{old}").text


def read_then(place, days_ago: int) -> list[str]:
    """Eight women of a day 4.5 g/dL too high; ids of their readings."""
    with place.state.database.write() as session:
        women = [add_woman(session, f"T-{k}", days_ago=days_ago, weeks=15) for k in range(8)]
        return [
            enter(session, woman, facts(hb + 4.5), days_ago=days_ago).id
            for woman, hb in zip(women, USUAL, strict=True)
        ]


def test_the_women_of_such_a_day_are_due_until_they_are_tested(place, worker):
    read_then(place, 3)
    home = worker.get("/").text
    assert "g/dL higher than before (8 women)." in home
    assert "Women called well on" in home
    assert "and not read or tested since: 8. Their tests are due." in home
    due = worker.get("/lists/due").text
    assert due.count("All readings of the day of her last one lie too high.") == 8
    woman = worker.get("/women?find=T-0").headers["location"]
    hers = worker.get(woman).text
    assert "Test due:" in hers
    assert "All readings of the day of her last one lie too high." in hers
    (told,) = [w for w in worker.get("/api/women").json() if w["code"] == "T-0"]
    assert told["due_on"] == str(dt.date.today() - dt.timedelta(days=3))
    assert worker.get(f"/api{woman}").json()["due_on"] == told["due_on"]


def test_a_program_is_not_told_that_she_is_well(place, worker):
    ids = read_then(place, 3)
    for one in ids:
        answer = worker.get(f"/api/readings/{one}").json()
        assert answer["words"] == "Uncertain: all readings of this day lie too high."
        assert answer["rank"] < 5


def test_nor_is_she_by_her_value_alone_below_what_is_open(place, worker):
    (one, *_) = read_then(place, 3)
    woman = worker.get("/women?find=T-0").headers["location"]
    assert worker.post(f"{woman}/send").status_code == 303
    result = worker.get(f"/readings/{one}").text
    assert "This value alone: Uncertain: all readings of this day lie too high." in result
    assert "Anaemia unlikely" not in result
    words = worker.get(f"/api/readings/{one}").json()["words"]
    assert words.endswith("This value alone: Uncertain: all readings of this day lie too high.")


def test_neither_history_nor_letter_calls_her_well(place, worker):
    """The letter goes where nobody knows of the day."""
    read_then(place, 3)
    woman = worker.get("/women?find=T-7").headers["location"]
    words = "Uncertain: all readings of this day lie too high."
    hers = worker.get(woman).text
    assert words in hers
    assert "Anaemia unlikely" not in hers

    # Moved to another place she is on no list here: it is asked about.
    moved = {"reason": "transferred", "words": "Invented Valley"}
    asked = worker.post(f"{woman}/close", **moved)
    assert asked.status_code == 422
    assert "All readings of the day of her last one lie too high." in asked.text
    assert worker.post(f"{woman}/close", **moved, sure="yes").status_code == 303
    letter = " ".join(text_of(worker.get(f"{woman}/transfer.pdf").content).split())
    assert words in letter
    assert "Anaemia unlikely" not in letter


def test_who_is_tested_since_is_closed_without_a_question(place, worker):
    read_then(place, 3)
    woman = worker.get("/women?find=T-7").headers["location"]
    given = {"value": "12.6", "unit": "g_dl", "method": "Cell counter", "place": "Invented Clinic"}
    today = str(dt.datetime.now().astimezone().date())
    answer = worker.post(f"{woman}/lab", **given, on=today, submission_key="k" * 20, sure="yes")
    assert answer.status_code == 303
    assert worker.post(f"{woman}/close", reason="moved", words="away").status_code == 303


def test_page_and_api_say_the_same_of_a_day_long_ago(app, worker):
    """She was well after her birth, so nothing else makes her due."""
    today = dt.datetime.now().astimezone().date()
    with app.state.database.write() as session:
        for days in (181, 174, 167):
            for k, hb in enumerate(USUAL):
                woman = add_woman(session, f"S{days}-{k}", days_ago=days)
                enter(session, woman, facts(hb), days_ago=days)
        for k, hb in enumerate(USUAL):
            woman = add_woman(session, f"T-{k}", days_ago=160, weeks=None)
            woman.birth_on, woman.birth_outcome = today - dt.timedelta(days=210), "live"
            enter(session, woman, facts(hb + 4.5), days_ago=160)
    woman = worker.get("/women?find=T-7").headers["location"]
    because = "All readings of the day of her last one lie too high."
    assert because in worker.get(woman).text
    due_on = worker.get(f"/api{woman}").json()["due_on"]
    assert due_on == str(today - dt.timedelta(days=160))
