"""The same blot from another side: both photos are read as one, and doubt loses nobody."""

from __future__ import annotations

import pytest
from people import Person
from webfakes import PICTURE, photo

from cardreader.web.shelf import Shelf


@pytest.fixture
def visit(worker: Person) -> str:
    return worker.open_visit(worker.add_woman("KX-721"))


def send(worker: Person, visit: str, hb_g_dl: float, again: bool = True, salt: str = "") -> dict:
    fields = {"same_blot": "true"} if again else {}
    answer = worker.send_photo(visit, photo(hb_g_dl, salt), **fields)
    assert answer.status_code == 201, answer.text
    return answer.json()


def test_two_sides_are_read_as_one(worker, visit):
    first = send(worker, visit, 9.0, again=False)
    both = send(worker, visit, 9.6)
    assert both["hb_g_dl"] == pytest.approx(9.3)
    assert [side["hb_g_dl"] for side in both["sides"]] == [9.6, 9.0]
    assert first["sides"] == []
    # The whole reading is in the form that its schema asks for.
    assert "same_blot" not in both["reading"]
    shown = worker.get(both["url"]).text
    assert "Photos of this blot, read together: 2." in shown
    assert "Blots together" not in shown
    assert "A later photo of this blot stands in its place." in worker.get(visit).text


def test_a_third_side_is_read_with_both(worker, visit):
    for hb, again in ((9.0, False), (9.3, True)):
        send(worker, visit, hb, again)
    assert send(worker, visit, 9.6)["hb_g_dl"] == pytest.approx(9.3)


def test_the_last_blot_is_meant(worker, visit):
    send(worker, visit, 13.0, again=False)
    send(worker, visit, 9.0, again=False)
    third = send(worker, visit, 9.6)
    assert third["hb_g_dl"] == pytest.approx(9.3)
    assert "Blots together: 2." in worker.get(third["url"]).text


def test_the_result_leads_to_the_other_side(worker, visit):
    first = send(worker, visit, 9.0, again=False)
    assert f'href="{visit}?same=yes#photo"' in worker.get(first["url"]).text
    assert 'name="same_blot" value="yes" checked' in worker.get(f"{visit}?same=yes").text
    assert 'name="same_blot" value="yes">' in worker.get(visit).text


def test_the_form_without_scripts_reads_both_too(worker, visit):
    send(worker, visit, 9.0, again=False)
    files = {"photo": ("p.jpg", photo(9.6), "image/jpeg")}
    answer = worker.post(
        f"{visit}/photos", files=files, submission_key="side-key-2", same_blot="yes"
    )
    assert "Photos of this blot, read together: 2." in worker.get(answer.headers["location"]).text


def test_photos_that_contradict_each_other_take_the_all_clear_away(worker, visit):
    """Neither is believed: the first page must not go on to say that she is well."""
    first = send(worker, visit, 13.5, again=False)
    both = send(worker, visit, 9.0)
    assert both["refusal"] == "glare_on_blot"
    for url in (both["url"], first["url"]):
        shown = worker.get(url).text
        assert "The photos of this blot contradict each other." in shown
        assert "Anaemia is unlikely" not in shown
    assert "another photo of this blot says otherwise" in worker.get(visit).text
    (row,) = worker.api("GET", "/api/women", params={"list": "referrals"}).json()
    assert row["code"] == "KX-721"
    # What the API says of the first photo is no all-clear, either.
    readings = worker.api("GET", f"/api/women/{row['id']}/readings").json()
    assert {reading["words"] for reading in readings} == {"Not read"}


def test_no_doubted_all_clear_goes_out(app, worker, visit):
    send(worker, visit, 13.5, again=False)
    send(worker, visit, 9.0)
    supervisor = Person(app, "supervisor")
    assert "not_anaemic" not in supervisor.get("/exchange/readings.csv").text
    entries = supervisor.get("/exchange/register.fhir.json").json()["entry"]
    said = [
        coding["code"]
        for entry in entries
        for interpretation in entry["resource"].get("interpretation", [])
        for coding in interpretation["coding"]
    ]
    assert said == ["IND"]


def test_a_severe_side_makes_it_urgent(worker, visit):
    send(worker, visit, 13.5, again=False)
    send(worker, visit, 5.0)
    assert "Urgent." in worker.get("/lists/referrals").text


def test_a_severe_photo_stays_on_the_list_whatever_the_next_one_says(worker, visit):
    send(worker, visit, 5.0, again=False)
    assert send(worker, visit, 13.5)["refusal"] == "glare_on_blot"
    assert "KX-721" in worker.get("/lists/severe").text


def test_a_blot_in_doubt_beside_a_good_one_is_no_all_clear(worker, visit):
    send(worker, visit, 13.0, again=False)
    send(worker, visit, 13.4, again=False)
    send(worker, visit, 5.0)
    combined = worker.app.state.shared.reader.base.pale_seen
    assert combined[-1] is True


def test_a_mistaken_side_is_taken_back(worker, visit):
    first = send(worker, visit, 13.5, again=False)
    both = send(worker, visit, 9.0)
    assert worker.post(f"{both['url']}/undo").status_code == 303
    assert "Anaemia is unlikely" in worker.get(first["url"]).text


def test_after_a_restart_the_new_photo_stands_alone_and_says_so(worker, visit):
    send(worker, visit, 9.0, again=False)
    worker.app.state.shared.recent.drop(
        {r["id"] for r in worker.api("GET", f"/api/women/{_her(worker)}/readings").json()}
    )
    alone = send(worker, visit, 12.9)
    assert alone["sides"] == []
    assert alone["hb_g_dl"] == pytest.approx(12.9)
    assert "This one was read alone in its place." in worker.get(alone["url"]).text


def _her(worker: Person) -> str:
    (row,) = worker.api("GET", "/api/women").json()
    return row["id"]


def test_what_memory_holds_is_bounded():
    shelf: Shelf[bytes] = Shelf(places=2, most_bytes=2 * len(PICTURE))
    for name in "abc":
        shelf.put(name, PICTURE, len(PICTURE))
    assert [shelf.get(name) is not None for name in "abc"] == [False, True, True]
    shelf.put("d", PICTURE * 2, 2 * len(PICTURE))
    assert [shelf.get(name) is not None for name in "bcd"] == [False, False, True]
    shelf.put("e", PICTURE * 3, 3 * len(PICTURE))
    assert shelf.get("e") is None
