"""Long lists come in parts, on the pages and through the API."""

from __future__ import annotations

import re

import pytest
from builders import add_woman, facts, photo
from fastapi import FastAPI
from people import Person

from cardreader.register.database import Database


@pytest.fixture
def five_on_lists(app: FastAPI) -> list[str]:
    """Codes of five women with referrals, the most pressing first."""
    with app.state.database.write() as session:
        for n in range(5):
            her = add_woman(session, f"KX-{n}", days_ago=60)
            photo(session, her, facts(6.5 if n == 3 else 9.0), days_ago=40 + n)
    return ["KX-3", "KX-4", "KX-2", "KX-1", "KX-0"]


def test_a_long_list_comes_in_parts(worker: Person, five_on_lists, monkeypatch) -> None:
    monkeypatch.setattr("cardreader.web.pages.lists.MOST", 2)
    seen, address = [], "/lists/referrals"
    for count in (2, 2, 1):
        page = worker.get(address).text
        codes = re.findall(r"<b>(KX-\d)</b>", page)
        assert len(codes) == count
        assert f"Number {len(seen) + 1} to {len(seen) + count} of 5," in page
        seen += codes
        after = re.search(r'href="(/lists/referrals\?start=\d+)">Those after', page)
        address = after[1] if after else ""
    assert (seen, address) == (five_on_lists, "")
    assert "Those before" in page
    assert "Nobody so far down" in worker.get("/lists/referrals?start=9").text
    assert worker.get("/lists/referrals?start=-1").status_code == 200
    assert worker.get("/lists/referrals?start=x").status_code == 200


def test_a_short_list_says_nothing_of_parts(worker: Person, five_on_lists) -> None:
    page = worker.get("/lists/referrals").text
    assert re.findall(r"<b>(KX-\d)</b>", page) == five_on_lists
    assert "Those" not in page


def test_the_api_gives_a_list_in_parts(worker: Person, five_on_lists) -> None:
    def codes(asked: str) -> list[str]:
        return [woman["code"] for woman in worker.get(f"/api/women?{asked}").json()]

    assert codes("list=referrals") == five_on_lists
    assert codes("list=referrals&start=1&most=2") == five_on_lists[1:3]
    assert codes("start=3") == ["KX-3", "KX-4"]
    assert worker.get("/api/women?start=-1").status_code == 422


def test_what_another_program_wrote_is_on_the_lists(app, worker: Person, five_on_lists) -> None:
    other = Database(app.state.database.url)
    with other.write() as session:
        photo(session, add_woman(session, "KX-9", days_ago=9), facts(5.0), days_ago=8)
    other.close()
    assert "KX-9" in worker.get("/lists/severe").text
    assert "<b>2</b> <span>Severe list" in worker.get("/").text
