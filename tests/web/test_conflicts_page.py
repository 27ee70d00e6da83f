"""The supervisor sees what registers differ over, decides, joins and parts."""

from __future__ import annotations

import datetime as dt
import re

import pytest
from people import Person
from sqlalchemy import delete, select
from webfakes import FakeReader, photo

from cardreader.register.fieldchanges import Said, say, touch
from cardreader.register.mergemodels import FieldChange, Joining
from cardreader.register.models import AuditEntry, JoinedVisit, Referral, Visit
from cardreader.register.women import find_woman
from cardreader.web.app import create_app
from cardreader.web.undecided import COUNT_EVERY_S, Undecided


@pytest.fixture
def differing(app, supervisor: Person) -> str:
    """A woman whose weeks two registers noted differently; her page's address."""
    woman = supervisor.add_woman("CA-1", weeks="20")
    with app.state.database.write() as session:
        add_conflict(session, find_woman(session, "CA-1"))
    return woman


def add_conflict(session, her) -> None:
    before = {"gestation_weeks": 20, "gestation_on": her.gestation_on.isoformat()}
    change = Said("woman", her.id, "gestation", before, {**before, "gestation_weeks": 24})
    newest = say(session, her.id, change, None)
    # As if the other register had not known of it.
    first = session.scalars(select(FieldChange).where(FieldChange.id != newest)).one()
    session.get_one(FieldChange, newest).said = {"value": change.value, "replaces": []}
    first.head = True
    touch(session, {her.id})


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


def test_the_supervisors_first_page_says_that_something_is_to_be_decided(
    app, supervisor: Person, worker: Person, differing: str
):
    words = "Conflicts and double records: 1"
    assert words in supervisor.get("/").text
    assert words not in worker.get("/").text
    change = re.findall(r'name="change" value="([0-9a-f-]{36})"', supervisor.get("/conflicts").text)
    supervisor.post("/conflicts/decide", change=change[0])
    assert "Conflicts and double records" not in supervisor.get("/").text


def test_a_large_register_is_gone_through_once_a_minute_at_most(app, supervisor, differing):
    now = [1000.0]
    undecided = Undecided(lambda: now[0])
    with app.state.database.read() as session:
        assert undecided.count(session) == 1
    other = Undecided(lambda: now[0])
    with app.state.database.write() as session:
        session.execute(delete(FieldChange))
    with app.state.database.read() as session:
        assert other.count(session) == 0
    with app.state.database.write() as session:
        her = find_woman(session, "CA-1")
        add_conflict(session, her)
    for seconds, count in ((1.0, 0), (COUNT_EVERY_S, 1)):
        now[0] += seconds
        with app.state.database.read() as session:
            assert other.count(session) == count


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


def second_visit(app, code: str) -> str:
    """Another register's visit of today, as a take-in brings it; its address."""
    with app.state.database.write() as session:
        her = find_woman(session, code)
        visit = Visit(number=1, on=her.visits[0].on)
        her.visits.append(visit)
        session.flush()
        return f"/visits/{visit.id}"


def test_two_visits_of_one_day_are_one_on_every_page(app, supervisor: Person, worker: Person):
    first = worker.open_visit(worker.add_woman("CV-1"))
    worker.send_photo(first, photo(9.0))
    second = second_visit(app, "CV-1")
    worker.send_photo(second, photo(10.0))
    page = worker.get(first).text
    assert "Blot 1: 9.0" in page
    assert "Blot 2: 10.0" in page
    assert "Together: 9.5" in page
    assert "shown and counted as one" in page
    # The address that a phone kept leads to the visit that stands; its photos are taken.
    assert worker.get(second).headers["location"] == first
    sent = worker.send_photo(second, photo(11.0), key="a-later-photo")
    assert worker.send_photo(second, photo(11.0), key="a-later-photo").status_code == 200
    result = worker.get(f"/readings/{sent.json()['id']}").text
    assert "10.0" in result
    assert f'href="{first}"' in result
    conflicts = supervisor.get("/conflicts").text
    assert "Visits of one day" in conflicts
    assert re.search(r"Together: 10\.0 g/dL", conflicts)
    with app.state.database.read() as session:
        trail = session.scalars(select(AuditEntry).where(AuditEntry.action == "visit.join")).one()
        assert trail.subject == first.rsplit("/", 1)[1]


def test_visits_of_which_one_says_severe_stay_two_and_are_listed(app, worker, supervisor):
    first = worker.open_visit(worker.add_woman("CV-2"))
    worker.send_photo(first, photo(5.0))
    second = second_visit(app, "CV-2")
    worker.send_photo(second, photo(11.5))
    assert "only a blood test takes that away" in supervisor.get("/conflicts").text
    assert "Together" not in worker.get(second).text
    assert "Blot 1: 5.0" not in worker.get(second).text


def test_what_was_left_apart_is_joined_when_the_server_starts(app, worker, supervisor):
    worker.send_photo(worker.open_visit(worker.add_woman("CV-3")), photo(9.0))
    worker.send_photo(second_visit(app, "CV-3"), photo(10.0))
    with app.state.database.write() as session:
        session.execute(delete(JoinedVisit))
    assert "Together" not in supervisor.get("/conflicts").text
    create_app(app.state.settings, FakeReader()).state.database.close()
    assert "Together: 9.5" in supervisor.get("/conflicts").text


def test_only_the_supervisor_decides(worker: Person, researcher: Person):
    for person in (worker, researcher):
        assert person.get("/conflicts").status_code == 403
        assert person.post("/conflicts/join", one="CB-1", other="CB-2").status_code == 403


@pytest.fixture
def contradicting(app, supervisor: Person) -> str:
    """A woman joined of two records, by weeks that can't both be right; her page's address."""
    one = supervisor.add_woman("CX-1", weeks="10")
    supervisor.add_woman("CX-2", weeks="30")
    page = supervisor.get("/conflicts/join?one=CX-1&other=CX-2").text
    assert "What the two say can't both be true: Her pregnancy" in page
    supervisor.post("/conflicts/join", one="CX-1", other="CX-2")
    return one


def test_what_joined_records_contradict_each_other_in_is_listed_and_settled(
    app, supervisor: Person, worker: Person, contradicting: str
):
    assert "Conflicts and double records: 1" in supervisor.get("/").text
    for person in (supervisor, worker):
        text = person.get(contradicting).text
        assert "Her records contradict each other: Her pregnancy" in text
        assert "Weeks of pregnancy not known" in text
    text = supervisor.get("/conflicts").text
    assert "Records that contradict each other" in text
    found = re.findall(
        r'name="token" value="(\w{32})" required> Week (\d+)[^<]*\s*<small><bdi>([^<]+)', text
    )
    tokens = {(weeks, code): token for token, weeks, code in found}
    assert tokens.keys() == {("10", "CX-1"), ("30", "CX-2")}
    address = f"/conflicts/settle/{contradicting.rsplit('/', 1)[1]}"
    assert worker.post(address, token=tokens["30", "CX-2"]).status_code == 403
    assert supervisor.post(address, token=tokens["30", "CX-2"]).status_code == 303
    assert supervisor.post(address, token=tokens["10", "CX-1"]).status_code == 409
    assert "Records that contradict each other" not in supervisor.get("/conflicts").text
    assert "Week 30 of pregnancy" in supervisor.get(contradicting).text
    assert "contradiction.<wbr>settle" in supervisor.get("/audit").text


def test_records_that_contradict_each_other_are_parted_where_they_are_listed(
    supervisor: Person, contradicting: str
):
    text = supervisor.get("/conflicts").text
    part = re.search(r'action="(/conflicts/part/[0-9a-f-]{36})"', text)
    assert text.index(part[1]) < text.index("One woman under two records")
    assert supervisor.post(part[1]).status_code == 303
    assert "contradict each other" not in supervisor.get("/conflicts").text
    assert "Week 10 of pregnancy" in supervisor.get(contradicting).text


def test_a_referral_that_another_register_opened_too_is_told_as_a_double(app, worker: Person):
    woman = worker.add_woman("CA-7")
    worker.send_photo(worker.open_visit(woman), photo(5.1))
    with app.state.database.write() as session:
        her = find_woman(session, "CA-7")
        first = her.referrals[0]
        double = Referral(purpose="test", urgent=True, band="severe", source="photo", hb_g_dl=5.3)
        double.opened_at = first.opened_at + dt.timedelta(minutes=5)
        her.referrals.append(double)
        session.flush()
        ids = {first.id, double.id}
    hers = worker.get(woman).text
    assert hers.count('action="/referrals/') == 1
    assert "Opened twice: for the same also on" in hers
    told = {one["id"]: one["double_of"] for one in worker.get(f"/api{woman}/referrals").json()}
    assert told.keys() == ids
    assert [told[one] for one in ids if told[one] is not None] == [
        one for one in ids if told[one] is None
    ]
    # One result ends both.
    body = {"value": "5.2", "on": str(dt.date.today()), "method": "Cell counter"}
    worker.post(f"{woman}/lab", submission_key="lab-ca-7", **body)
    assert "Opened twice" not in worker.get(woman).text
    of_test = [r for r in worker.get(f"/api{woman}/referrals").json() if r["purpose"] == "test"]
    assert [r["outcome"] for r in of_test] == ["result"] * 2
