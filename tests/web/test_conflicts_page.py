"""The supervisor sees what registers differ over, decides, joins and parts."""

from __future__ import annotations

import re

import pytest
from people import Person
from sqlalchemy import select
from webfakes import photo

from cardreader.register.fieldchanges import Said, say
from cardreader.register.mergemodels import FieldChange, Joining
from cardreader.register.women import find_woman


@pytest.fixture
def differing(app, supervisor: Person) -> str:
    """A woman whose weeks two registers noted differently; her page's address."""
    woman = supervisor.add_woman("CA-1", weeks="20")
    with app.state.database.write() as session:
        her = find_woman(session, "CA-1")
        before = {"gestation_weeks": 20, "gestation_on": her.gestation_on.isoformat()}
        change = Said("woman", her.id, "gestation", before, {**before, "gestation_weeks": 24})
        newest = say(session, her.id, change, None)
        # As if the other register had not known of it.
        first = session.scalars(select(FieldChange).where(FieldChange.id != newest)).one()
        session.get_one(FieldChange, newest).said = {"value": change.value, "replaces": []}
        first.head = True
    return woman


def test_both_values_stand_side_by_side_and_the_chosen_one_holds(
    supervisor: Person, differing: str
):
    text = supervisor.get("/conflicts").text
    assert "Weeks of pregnancy" in text
    assert "Week 20 on" in text
    assert "Week 24 on" in text
    found = re.findall(r'name="change" value="([0-9a-f-]{36})" required> Week (\d+)', text)
    by_week = {weeks: change for change, weeks in found}
    answer = supervisor.post("/conflicts/decide", change=by_week["24"])
    assert answer.status_code == 303
    assert "Nothing is to be decided" in supervisor.get("/conflicts").text
    assert "Week 24 of pregnancy" in supervisor.get(differing).text
    assert supervisor.post("/conflicts/decide", change=by_week["20"]).status_code == 409


def test_two_records_are_compared_joined_and_parted(app, supervisor: Person):
    one = supervisor.add_woman("CB-1")
    other = supervisor.add_woman("CB-2")
    supervisor.send_photo(supervisor.open_visit(other), photo(5.0))
    text = supervisor.get("/conflicts/join?one=CB-1&other=CB-2").text
    assert "CB-1" in text
    assert "CB-2" in text
    assert "5.0" in text
    assert supervisor.get("/conflicts/join?one=CB-1&other=CB-9").status_code == 422
    assert supervisor.get("/conflicts/join?one=CB-1&other=CB-1").status_code == 422
    answer = supervisor.post("/conflicts/join", one="CB-1", other="CB-2")
    assert answer.headers["location"].startswith(one)
    assert "On the severe list" in supervisor.get(one).text
    # An address kept on a phone leads to her.
    assert "On the severe list" in supervisor.get(other).text
    assert "CB-1 + CB-2" in supervisor.get("/conflicts").text
    assert supervisor.post("/women/new", code="CB-2").status_code == 422
    with app.state.database.read() as session:
        joining = session.scalars(select(Joining.id)).one()
    assert supervisor.post(f"/conflicts/part/{joining}").status_code == 303
    assert "On the severe list" not in supervisor.get(one).text
    assert "On the severe list" in supervisor.get(other).text


def test_only_the_supervisor_decides(worker: Person, researcher: Person):
    for person in (worker, researcher):
        assert person.get("/conflicts").status_code == 403
        assert person.post("/conflicts/join", one="CB-1", other="CB-2").status_code == 403
