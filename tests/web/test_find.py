"""Finding a woman again when only part of what was written down is known."""

from __future__ import annotations

import datetime as dt
import html
import re

import pytest
from builders import add_woman, facts, lab
from builders import photo as enter
from days import today
from people import Person


def rows(page: str) -> list[str]:
    """The rows found, without tags."""
    found = re.findall(r'<li><a href="/women/[0-9a-f-]{36}">(.*?)</a></li>', page, re.DOTALL)
    return [" ".join(html.unescape(re.sub("<[^>]*>", " ", row)).split()) for row in found]


def test_rows_tell_the_last_value_and_its_date(app, worker: Person) -> None:
    with app.state.database.write() as session:
        woman = add_woman(session, "VA-77/1", days_ago=40)
        enter(session, woman, facts(8.1), days_ago=30)
        lab(session, woman, 8.4, days_ago=20)
        add_woman(session, "VA-77/2")
    day = today() - dt.timedelta(days=20)
    found = rows(worker.get("/women?find=77").text)
    assert found == [
        "VA-77/2 Nothing read yet.",
        f"VA-77/1 Anaemic, confirmed. 8.4 g/dL, {day.day} {day:%b %Y}",
    ]


def test_may_be_severe_is_said_in_the_rows(app, worker: Person) -> None:
    with app.state.database.write() as session:
        enter(session, add_woman(session, "VB-1"), facts(7.3, sd_g_dl=0.9))
    (row,) = rows(worker.get("/women?find=vb").text)
    assert "May be severe. 7.3 g/dL" in row


def test_by_the_day_she_was_seen(app, worker: Person) -> None:
    day = today() - dt.timedelta(days=12)
    with app.state.database.write() as session:
        enter(session, add_woman(session, "VC-1", days_ago=20), facts(9.0), days_ago=12)
        lab(session, add_woman(session, "VC-2", days_ago=20), 9.0, days_ago=12)
        enter(session, add_woman(session, "VC-3", days_ago=20), facts(9.0), days_ago=11)
        add_woman(session, "VD-4", days_ago=12)  # added that day, not seen again
    codes = {row.split()[0] for row in rows(worker.get(f"/women?on={day}").text)}
    assert codes == {"VC-1", "VC-2", "VD-4"}
    codes = {row.split()[0] for row in rows(worker.get(f"/women?on={day}&find=vc").text)}
    assert codes == {"VC-1", "VC-2"}


@pytest.mark.parametrize("day", ["31-12-2026", "9999-12-31", "0001-01-01"])
def test_a_day_that_is_none_is_said(worker: Person, day: str) -> None:
    answer = worker.get(f"/women?on={day}&find=KX")
    assert answer.status_code == 422
    assert 'id="on-problem">A date as 2026-11-30.<' in answer.text
    assert 'value="KX"' in answer.text


def test_more_than_is_shown_is_told(app, worker: Person) -> None:
    with app.state.database.write() as session:
        for n in range(53):
            add_woman(session, f"VE-{n:03}")
    page = worker.get("/women?find=ve").text
    assert len(rows(page)) == 50
    assert "The newest 50 are shown, and there are more." in page
    assert "are shown" not in worker.get("/women?find=ve-01").text


def test_an_exact_code_still_opens_her_page(app, worker: Person) -> None:
    woman = worker.add_woman("VF-1")
    worker.add_woman("VF-10")
    assert worker.get("/women?find=vf-1").headers["location"] == woman
