"""The worker's flow through the pages, without a browser."""

import datetime as dt

import pytest
from people import Person
from webfakes import photo, refused_photo

from cardreader.calibrate.confirmations import read_confirmations
from cardreader.calibrate.drift import watch
from cardreader.calibrate.studyfaults import StudyError


def test_first_page_needs_a_sign_in(app):
    from fastapi.testclient import TestClient

    answer = TestClient(app, follow_redirects=False).get("/")
    assert answer.status_code == 303
    assert answer.headers["location"] == "/sign-in?next=/"


def test_every_page_a_worker_reaches_is_rendered(worker):
    woman = worker.add_woman("KX-101")
    visit = worker.open_visit(woman)
    reading = worker.send_photo(visit, photo(9.1)).json()["url"]
    pages = ["/", "/women?find=KX", "/women/new", woman, f"{woman}/tube", f"{woman}/lab", visit]
    pages += [reading, "/summary", "/more", "/password", "/unsent", "/lists/due"]
    for path in pages:
        assert worker.get(path).status_code == 200, path


def test_a_visit_without_a_photo_yet_does_not_go_on_with_another_blot(worker):
    woman = worker.add_woman("KX-110")
    visit = worker.open_visit(woman)
    page = worker.get(woman).text
    assert f'<a class="button" href="{visit}">Prick, blot and photo</a>' in page
    worker.send_photo(visit, photo(9.1))
    page = worker.get(woman).text
    assert f'<a class="button" href="{visit}">Today\'s visit goes on: another blot</a>' in page


def test_severe_result_says_so_first_and_refers(worker):
    woman = worker.add_woman("KX-102")
    visit = worker.open_visit(woman)
    answer = worker.send_photo(visit, photo(5.5))
    assert answer.status_code == 201
    page = worker.get(answer.json()["url"]).text
    assert page.index("Severe anaemia is likely.") < page.index("<b>5.5</b>")
    assert "Screening only. This is not a diagnosis." in page
    assert "Refer her now" in page
    for name in ("referrals", "severe"):
        assert "KX-102" in worker.get(f"/lists/{name}").text


def test_refused_photo_gives_advice_and_never_a_normal_result(worker):
    visit = worker.open_visit(worker.add_woman("KX-103"))
    answer = worker.send_photo(visit, refused_photo())
    page = worker.get(answer.json()["url"]).text
    assert "Not read. This does not mean that she is well." in page
    assert "Hold still" in page
    assert "Anaemia unlikely" not in page
    assert "<b>" not in page


def test_laboratory_result_closes_the_referral(app, worker):
    woman = worker.add_woman("KX-104")
    worker.send_photo(worker.open_visit(woman), photo(9.0))
    assert "KX-104" in worker.get("/lists/referrals").text
    answer = worker.post(
        f"{woman}/lab",
        value="9,4",
        on=dt.date.today().isoformat(),
        method="Cell counter",
        submission_key="labkey-104",
    )
    assert answer.status_code == 303, answer.text
    assert "KX-104" not in worker.get("/lists/referrals").text
    assert "Anaemic, confirmed" in worker.get(woman).text
    # The pair is in the drift watch.
    watch = Person(app, "researcher").get("/exchange").text
    assert "Lot 000123" in watch
    assert "-0.40" in watch.replace("\N{MINUS SIGN}", "-")
    pairs = Person(app, "researcher").get("/exchange/confirmations.csv").text
    assert "000123" in pairs
    assert "KX-104" not in pairs


def test_what_has_drifted_is_told_with_what_to_look_at(app, worker, tmp_path):
    def pair(number: int, value: str) -> None:
        woman = worker.add_woman(f"KX-12{number}")
        worker.send_photo(worker.open_visit(woman), photo(9.0, salt=str(number)))
        given = {"on": dt.date.today().isoformat(), "method": "Cell counter", "sure": "yes"}
        given |= {"value": value, "submission_key": f"labkey-12{number}"}
        assert worker.post(f"{woman}/lab", **given).status_code == 303

    researcher = Person(app, "researcher")
    told = "Stop relying on what has drifted until it is checked"
    pair(0, "9.1")
    assert told not in researcher.get("/exchange").text
    for number in range(1, 8):
        pair(number, "5.6")  # 9.0 g/dL in mmol/L
    page = researcher.get("/exchange").text
    assert told in page
    assert "<strong>drifted</strong>" in page
    # The table that is handed out is the one that the bench's drift watch takes.
    table = tmp_path / "confirmations.csv"
    table.write_bytes(researcher.get("/exchange/confirmations.csv").content)
    (chart, *_) = watch(read_confirmations(table))
    assert (chart.title, chart.n, chart.alarm) == ("lot 000123", 8, True)
    table.write_text(table.read_text().replace(",lab_sd_g_dl", ",other"))
    with pytest.raises(StudyError, match="lab_sd_g_dl: column is missing"):
        read_confirmations(table)


def test_a_key_used_for_something_else_is_a_conflict_everywhere(worker):
    woman = worker.add_woman("KX-190")
    visit = worker.open_visit(woman)
    used = {"submission_key": "key-used-once", "value": "9.0", "unit": "g_dl"}
    assert worker.post(f"{woman}/tube", **used).status_code == 303
    shown = worker.post(f"{woman}/tube", **{**used, "value": "12.0"})
    assert shown.status_code == 409
    assert "This page was used before. Load it again." in shown.text
    for answer in (
        worker.api("POST", f"/api{woman}/tube", json={**used, "value": 12.0}),
        worker.send_photo(visit, photo(9.0), key="key-used-once"),
    ):
        assert answer.status_code == 409
        assert answer.json() == {"detail": "This submission key was used for something else."}
