"""Paper and the way back from it: read by another PDF library, entered as somebody types it."""

from __future__ import annotations

import datetime as dt
import html

import pytest
from days import today
from sqlalchemy import select
from test_documents import text_of
from webfakes import photo, refused_photo

from cardreader.register.models import Woman


def test_todays_list_has_everybody_who_is_on_one_and_the_severe_first(worker):
    fine, unread, severe = (worker.add_woman(code) for code in ("KX-301", "KX-302", "KX-303"))
    for woman, data in ((fine, photo(14.0)), (unread, refused_photo()), (severe, photo(5.0))):
        worker.send_photo(worker.open_visit(woman), data)
    answer = worker.get("/paper/today.pdf")
    assert answer.headers["content-type"] == "application/pdf"
    text = text_of(answer.content)
    assert "KX-301" not in text
    assert text.index("KX-303") < text.index("KX-302")
    assert "Severe list" in text
    assert "5.0 (4.3 to 5.7)" in text
    assert "Screening only" in text


def test_the_blank_form_asks_for_what_can_be_entered(worker):
    text = text_of(worker.get("/paper/form.pdf").content)
    for head in ("Code", "Weeks", "Tube: value", "Tablets left", "Tablets given", "no names"):
        assert head in text.replace("\r\n", " ")
    assert "Invented Hill" in text


def yesterday() -> dt.date:
    return today() - dt.timedelta(days=1)


def line(**fields: str) -> dict[str, str]:
    return {"submission_key": "paper-key-1", "on": yesterday().isoformat(), "sent": "no", **fields}


def test_a_line_of_a_woman_whom_the_register_lacks_says_so(worker):
    """Her code mistyped would make a second woman of her, and nobody would see it."""
    asked = "She is new in this register: is her code right?"
    assert asked in worker.post("/paper/enter", **line(code="KX-319", value="9.4")).text
    again = line(code="KX-319", value="9.6", submission_key="paper-key-2")
    answer = worker.post("/paper/enter", **again).text
    assert "Entered:" in answer
    assert asked not in answer


def test_a_line_of_the_form_is_entered_with_its_own_day(worker):
    given = line(code="kx-311", gestation_weeks="20", value="40", unit="percent", sent="yes")
    given |= {"tablets_given": "30"}
    answer = worker.post("/paper/enter", **given)
    assert answer.status_code == 200
    assert "Entered:" in answer.text
    woman = "/women/" + answer.text.split('href="/women/')[1].split('"')[0]
    (reading,) = worker.get(f"/api{woman}/readings").json()
    # 40 % of a scale where 160 % is 24 g/dL (common practice, no source) is 6.0 g/dL.
    assert reading["hb_g_dl"] == 6.0
    taken = dt.datetime.fromisoformat(reading["taken_at"]).astimezone().date()
    assert taken == yesterday()
    assert reading["visit_id"] is not None
    text = html.unescape(worker.get(woman).text)
    assert "On the severe list" in text
    assert "Tablets given: 30." in text
    # The very same line once more, as after a lost answer, changes nothing.
    worker.post("/paper/enter", **given)
    assert len(worker.get(f"/api{woman}/readings").json()) == 1
    assert html.unescape(worker.get(woman).text).count("Tablets given: 30.") == 1


def test_a_line_without_a_value_sends_her_for_a_test(worker):
    worker.post("/paper/enter", **line(code="KX-312", sent="now"))
    listed = worker.get("/lists/referrals").text.split("<b>KX-312</b>")[1].split("</li>")[0]
    assert "Urgent." in listed
    assert "Sent for a blood test without a reading." in listed


@pytest.mark.parametrize(
    ("given", "days_ago", "followed"),
    [
        ({"sent": "now"}, 0, True),
        ({"sent": "yes"}, 3, True),
        ({"tablets_given": "30"}, 0, True),
        ({"tablets_given": "30"}, 3, False),
    ],
)
def test_who_is_seen_after_her_record_was_closed_is_on_the_lists_again(
    app, worker, given, days_ago, followed
):
    woman = worker.add_woman("KX-314")
    worker.post(f"{woman}/close", reason="moved")
    with app.state.database.write() as session:
        session.scalars(select(Woman)).one().closed_on -= dt.timedelta(days=1)
    on = (today() - dt.timedelta(days=days_ago)).isoformat()
    assert worker.post("/paper/enter", **line(code="KX-314", on=on, **given)).status_code == 200
    assert ("Closed on" not in worker.get(woman).text) is followed
    assert ("<b>KX-314</b>" in worker.get("/lists/referrals").text) is ("sent" in given)


def test_who_is_sent_from_a_page_loaded_before_she_was_closed_is_on_the_list(worker):
    woman = worker.add_woman("KX-315")
    worker.post(f"{woman}/close", reason="moved")
    worker.post(f"{woman}/send", urgent="yes")
    assert "<b>KX-315</b>" in worker.get("/lists/referrals").text


def test_what_is_wrong_in_a_line_is_said_beside_it(app, worker):
    wrong = line(code="A!", value="900", on="2020-01-01", gestation_weeks="99")
    answer = worker.post("/paper/enter", **wrong)
    assert answer.status_code == 422
    for name in ("code", "value", "on", "gestation_weeks"):
        assert f'id="{name}-problem"' in answer.text
    assert 'value="900"' in answer.text
    used = line(code="KX-313", value="9.0", unit="g_dl")
    worker.post("/paper/enter", **used)
    reused = worker.post("/paper/enter", **{**used, "value": "12.0"})
    assert reused.status_code == 422
    assert [w["code"] for w in worker.get("/api/women").json()] == ["KX-313"]


def test_a_code_on_paper_written_almost_like_anothers_is_asked_about(worker):
    worker.add_woman("PA-0090")
    line = {"submission_key": "paper-key-90", "on": today().isoformat(), "value": "9.5"}
    asked = worker.post("/paper/enter", code="pa 90", **line)
    assert "The register has PA-0090, which is written almost alike." in asked.text
    assert 'name="another" value="PA90"' in asked.text
    assert "Nobody found" in worker.get("/women?find=PA90").text
    worker.post("/paper/enter", code="pa 90", another="PA90", **line)
    assert worker.get("/women?find=PA90").status_code == 303


def test_a_transfer_needs_its_place_and_gives_a_letter(worker):
    woman = worker.add_woman("KX-321")
    worker.send_photo(worker.open_visit(woman), photo(9.0))
    without = worker.post(f"{woman}/close", reason="transferred")
    assert without.status_code == 422
    assert 'id="words-problem"' in without.text
    asked = {"reason": "transferred", "words": "Invented Valley", "sure": "yes"}
    assert worker.post(f"{woman}/close", **asked).status_code == 303
    assert f"{woman}/transfer.pdf" in worker.get(woman).text
    text = text_of(worker.get(f"{woman}/transfer.pdf").content)
    for said in ("KX-321", "Invented Valley", "Invented Hill", "9.0 (8.3 to 9.7)"):
        assert said in text
    summary = html.unescape(worker.get("/summary").text)
    assert ">1<" in summary.split("Followed at another place from now on</th>")[1][:60]


def test_who_comes_from_another_place_is_counted(worker):
    given = {"code": "KX-322", "gestation_weeks": "20", "came_from": "Invented Valley"}
    woman = worker.post("/women/new", **given).headers["location"].split("?")[0]
    assert "Invented Valley" in worker.get(woman).text
    summary = html.unescape(worker.get("/summary").text)
    assert ">1<" in summary.split("Came from another place</th>")[1][:60]
