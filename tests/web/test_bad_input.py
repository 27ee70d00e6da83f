"""What is typed wrongly is said beside its field, and what was typed stays."""

from __future__ import annotations

import datetime as dt
import html
import re

import pytest
from days import today
from people import Person
from webfakes import photo


def field(page: str, name: str) -> str:
    """The one input of a name, as HTML."""
    (found,) = re.findall(rf'<input[^>]*\bname="{name}"(?![^>]*type="radio")[^>]*>', page)
    return found


def said(page: str, name: str) -> str:
    """What is said beside a field."""
    (found,) = re.findall(rf'id="{name}-problem">([^<]*)<', page)
    return html.unescape(found)


@pytest.mark.parametrize("wrong", ["", "0", "two", "3.5", "61", "-1"])
def test_a_wrong_visit_number(worker: Person, wrong: str) -> None:
    woman = worker.add_woman("KX-601")
    answer = worker.post(f"{woman}/visits", number=wrong, gestation_weeks="23")
    assert answer.status_code == 422
    assert said(answer.text, "number") == "A whole number from 1 to 60."
    typed = field(answer.text, "number")
    assert f'value="{wrong}"' in typed
    assert 'aria-invalid="true"' in typed
    assert 'value="23"' in field(answer.text, "gestation_weeks")


def test_wrong_weeks(worker: Person) -> None:
    woman = worker.add_woman("KX-602")
    answer = worker.post(f"{woman}/visits", number="2", gestation_weeks="2w3d")
    assert answer.status_code == 422
    assert said(answer.text, "gestation_weeks") == "A whole number from 1 to 44."
    assert 'value="2w3d"' in field(answer.text, "gestation_weeks")
    assert 'value="2"' in field(answer.text, "number")
    # Nothing was opened, and her weeks are as before.
    assert "Week 20 of pregnancy." in worker.get(woman).text


@pytest.mark.parametrize("typed", ["٢٣", "२३", " 23 "])
def test_digits_of_other_scripts_are_numbers(worker: Person, typed: str) -> None:
    woman = worker.add_woman("KX-603")
    assert worker.post(f"{woman}/visits", number="1", gestation_weeks=typed).status_code == 303
    assert "Week 23 of pregnancy." in worker.get(woman).text


@pytest.mark.parametrize("typed", ["٩\u066b٤", "९.४", "9,4"])
def test_decimals_as_a_phone_writes_them(worker: Person, typed: str) -> None:
    woman = worker.add_woman("KX-604")
    answer = worker.post(f"{woman}/tube", value=typed, unit="g_dl", submission_key="tube-key-604")
    assert answer.status_code == 303
    assert "<b>9.4</b>" in worker.get(answer.headers["location"]).text


def test_a_wrong_day_of_treatment(worker: Person) -> None:
    woman = worker.add_woman("KX-605")
    late = (today() + dt.timedelta(days=3)).isoformat()
    answer = worker.post(f"{woman}/treatment", regimen="treatment", started_on=late)
    assert answer.status_code == 422
    assert said(answer.text, "started_on") == "A date up to today."
    assert f'value="{late}"' in field(answer.text, "started_on")
    assert re.search(r'value="treatment"[^>]*checked', answer.text)
    assert re.search(r"<details[^>]*open[^>]*>\s*<summary>Iron-folic acid", answer.text)


def test_a_day_of_a_year_past_is_told_from_one_to_come(worker: Person) -> None:
    """In January the year before is soon typed; "a date up to today" it is."""
    woman = worker.add_woman("KX-607")
    past = (today() - dt.timedelta(days=401)).isoformat()
    given = {"value": "9.4", "unit": "g_dl", "method": "Cell counter", "place": "Clinic"}
    for day, words in ((past, "Longer ago than 400 days. Look at the year."), ("", "A date up to")):
        answer = worker.post(f"{woman}/lab", on=day, submission_key="lab-key-607", **given)
        assert answer.status_code == 422
        assert said(answer.text, "on").startswith(words)


def test_no_reason_to_close(worker: Person) -> None:
    woman = worker.add_woman("KX-606")
    answer = worker.post(f"{woman}/close")
    assert answer.status_code == 422
    assert said(answer.text, "reason") == "Choose one."
    assert re.search(r"<details[^>]*open[^>]*>\s*<summary>Close her record", answer.text)


def test_another_code_than_hers_deletes_nothing(supervisor: Person) -> None:
    woman = supervisor.add_woman("KX-607")
    answer = supervisor.post(f"{woman}/remove", code="KX-670")
    assert answer.status_code == 422
    assert said(answer.text, "again") == "This is not her code."
    assert re.search(r'id="again"[^>]*value="KX-670"', answer.text)
    assert supervisor.get(woman).status_code == 200


def test_a_reading_set_aside_without_why(supervisor: Person) -> None:
    visit = supervisor.open_visit(supervisor.add_woman("KX-608"))
    reading = supervisor.send_photo(visit, photo(9.0)).json()["url"]
    answer = supervisor.post(f"{reading}/set-aside", why=" ")
    assert answer.status_code == 422
    assert said(answer.text, "why") == "Fill this in."


def test_a_photo_form_without_a_photo(worker: Person) -> None:
    visit = worker.open_visit(worker.add_woman("KX-609"))
    answer = worker.post(f"{visit}/photos", submission_key="photo-key-609")
    assert answer.status_code == 422
    assert said(answer.text, "photo") == "Choose a photo."


def test_a_tube_without_its_scale(worker: Person) -> None:
    woman = worker.add_woman("KX-610")
    answer = worker.post(f"{woman}/tube", value="9", submission_key="tube-key-610")
    assert answer.status_code == 422
    assert said(answer.text, "unit") == "Choose one."


def test_nothing_to_import(supervisor: Person) -> None:
    answer = supervisor.post("/exchange/import")
    assert answer.status_code == 422
    assert said(answer.text, "table") == "Choose a file."


def test_a_short_password_for_somebody(supervisor: Person) -> None:
    page = supervisor.get("/people").text
    other = re.search(r'action="(/people/[0-9a-f-]{36})"', page)
    answer = supervisor.post(other[1], what="password", password="short")
    assert answer.status_code == 422
    name = "password-" + other[1].rsplit("/", 1)[1]
    assert said(answer.text, name).startswith("10 to")


@pytest.mark.parametrize(
    "words",
    [
        "elle a dit \u00abd'accord\u00bb",
        # Joiners that keyboards for Hindi, Persian and emoji put into words.
        "\u0930\u093e\u091c\u094d\u200d\u092f",
        "\u0645\u06cc\u200c\u062e\u0648\u0627\u0647\u0645 \U0001f469\u200d\u2695\ufe0f",
    ],
)
def test_words_of_any_keyboard_are_kept(worker, words):
    woman = worker.add_woman(f"KX-{690 + len(words)}")
    worker.post(f"{woman}/close", reason="other", words=words, sure="yes")
    assert html.escape(words, quote=False).replace("'", "&#39;") in worker.get(woman).text
