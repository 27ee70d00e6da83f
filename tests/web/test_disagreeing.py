"""A laboratory value and a reading that contradict each other, as a worker meets them."""

from __future__ import annotations

import datetime as dt
import re

import pytest
from days import today
from people import Person
from test_documents import text_of
from test_nobody_falls_out import lab, on_list, page, put_back, slip_text, text_of_page
from webfakes import photo

YESTERDAY = (today() - dt.timedelta(days=1)).isoformat()


def headings(person: Person, path: str) -> list[str]:
    """What stands in the page's headings, in their order."""
    found = re.findall(r"<h[12][^>]*>(.*?)</h[12]>", page(person, path), re.DOTALL)
    return [" ".join(re.sub(r"<[^>]+>", "", one).split()) for one in found]


def row_of(person: Person, name: str, code: str) -> str:
    found = page(person, f"/lists/{name}").split(f"<b>{code}</b>")[1].split("</a>")[0]
    return " ".join(re.sub(r"<[^>]+>", " ", found).split())


@pytest.fixture
def severe(worker) -> str:
    """Her page: a severe photo of today."""
    woman = worker.add_woman("KX-301")
    worker.send_photo(worker.open_visit(woman), photo(5.1))
    return woman


def test_yesterdays_value_that_todays_severe_photo_contradicts_is_asked_about(worker, severe):
    asked = lab(worker, severe, "13.9", on=YESTERDAY)
    assert asked.status_code == 409
    assert "These two disagree: the result of 13.9 g/dL, and 5.1 (4.4 to 5.8) g/dL of" in asked.text
    assert "its blood test stays open" in " ".join(asked.text.replace("&#39;", "'").split())
    assert "Laboratory" not in page(worker, severe).split("<tbody>")[1]
    assert on_list(worker, "severe", "KX-301")


def test_no_page_calls_her_well_while_the_photos_referral_is_open(worker, severe):
    entered = lab(worker, severe, "13.9", on=YESTERDAY, sure="yes").headers["location"]
    said = text_of_page(worker, entered)
    assert headings(worker, entered)[0] == "Urgent referral open"
    assert "<title>Urgent referral open" in page(worker, entered)
    assert "Not anaemic, confirmed" not in said
    assert "This value alone: Not anaemic" in said
    assert "13.9 g/dL, does not answer it: it takes another blood test." in said
    assert "Refer her now to a unit that can treat severe anaemia." in said
    assert "one tablet a day" not in said, "what is usual for a woman who is well"

    hers = text_of_page(worker, severe)
    assert "On the severe list" in hers
    assert "13.9 g/dL, does not answer it" in hers
    for name in ("severe", "referrals"):
        assert row_of(worker, name, "KX-301").startswith("Severe")
    assert "A result that does not answer it 13.9 g/dL" in slip_text(worker, severe)
    found = text_of_page(worker, "/women?find=KX-30")
    assert "Severe. 5.1 g/dL" in found

    reading = worker.get(f"/api{entered}").json()
    assert (reading["rank"], reading["referral_urgent"]) == (0, True)
    assert reading["words"] == "Urgent referral open. This value alone: Not anaemic"
    her = worker.get(f"/api{severe}").json()
    assert (her["severe"], her["awaiting_confirmation"]) == (True, True)
    assert (her["referral_open"], her["referral_urgent"]) == (True, True)
    month = {c["code"]: c["count"] for c in worker.get("/api/month").json()["counts"]}
    assert (month["referrals-urgent"], month["referrals-answered"]) == (1, 0)


def test_the_api_asks_the_same_and_says_about_what(worker, severe):
    body = {
        **{"submission_key": "api-lab-301", "value": 13.9, "unit": "g_dl"},
        **{"method": "Cell counter", "on": YESTERDAY},
    }
    asked = worker.api("POST", f"/api{severe}/lab", json=body)
    assert asked.status_code == 409
    answer = asked.json()
    assert answer["ask"] == "sure"
    assert answer["detail"].startswith("These two disagree:")
    (other,) = answer["disagrees_with"]
    (reading,) = worker.get(f"/api{severe}/readings").json()
    assert other["reading_ids"] == [reading["id"]]
    assert (other["source"], other["hb_g_dl"], other["newer"]) == ("photo", 5.1, True)
    entered = worker.api("POST", f"/api{severe}/lab", json={**body, "sure": True})
    assert entered.status_code == 201
    assert entered.json()["referral_urgent"]


def test_a_table_of_results_does_not_enter_it(supervisor, worker, severe):
    table = f"code,date,hb_g_dl,method\nKX-301,{YESTERDAY},13.9,Cell counter\n"
    files = {"table": ("lab.csv", table.encode(), "text/csv")}
    told = supervisor.post("/exchange/import", files=files)
    assert "far from her reading: enter it by hand" in told.text
    assert len(worker.get(f"/api{severe}/readings").json()) == 1


def test_last_years_number_and_a_second_result_of_a_day_are_asked_about(worker, supervisor):
    woman = worker.add_woman("KX-310")
    last_year = (today() - dt.timedelta(days=365)).isoformat()
    asked = lab(worker, woman, "11.2", on=last_year)
    assert asked.status_code == 409
    assert "before this pregnancy, which began about" in asked.text
    assert "Is the year right?" in asked.text
    assert lab(worker, woman, "11.2", on=YESTERDAY).status_code == 303
    asked = lab(worker, woman, "10.8", key="labkey-2", on=YESTERDAY)
    assert asked.status_code == 409
    assert "is entered already: 11.2 g/dL, and this one is 10.8." in asked.text

    body = {"value": 10.8, "unit": "g_dl", "method": "Cell counter", "on": YESTERDAY}
    told = worker.api("POST", f"/api{woman}/lab", json={**body, "submission_key": "api-lab-310"})
    assert told.status_code == 409
    assert [one["hb_g_dl"] for one in told.json()["disagrees_with"]] == [11.2]

    rows = (f"KX-310,{last_year},11.2,Cell counter", f"KX-310,{YESTERDAY},10.8,Cell counter")
    table = "\n".join(("code,date,hb_g_dl,method", *rows, ""))
    files = {"table": ("lab.csv", table.encode(), "text/csv")}
    told = supervisor.post("/exchange/import", files=files).text
    assert "long before all that is known of her: is the year right? Then by hand" in told
    assert "unlike another result of this day: are both right? Then by hand" in told
    assert len(worker.get(f"/api{woman}/readings").json()) == 1


def test_todays_good_photo_beside_yesterdays_severe_value_hides_nothing(worker):
    woman = worker.add_woman("KX-302")
    clear = worker.send_photo(worker.open_visit(woman), photo(13.6)).json()["url"]
    assert headings(worker, clear)[0] == "Anaemia is unlikely."
    assert lab(worker, woman, "5.2", on=YESTERDAY).status_code == 409
    entered = lab(worker, woman, "5.2", on=YESTERDAY, sure="yes").headers["location"]
    assert headings(worker, entered)[0] == "Severe anaemia, confirmed by a laboratory."
    assert headings(worker, clear)[0] == "Referral for care open"
    assert "This value alone: Anaemia unlikely" in text_of_page(worker, clear)
    assert text_of_page(worker, clear).count("Refer her now") == 1
    assert "On the severe list" in text_of_page(worker, woman)
    row = row_of(worker, "severe", "KX-302")
    assert row.startswith("Severe, confirmed: 5.2 g/dL")
    assert "Last: 13.6 g/dL" in row
    paper = " ".join(text_of(worker.get("/paper/today.pdf").content).split())
    assert "Severe, confirmed: 5.2 g/dL" in paper


def test_a_milder_value_of_yesterday_is_not_the_first_word_either(worker, severe):
    entered = lab(worker, severe, "9.0", on=YESTERDAY, sure="yes").headers["location"]
    assert headings(worker, entered)[0] == "Urgent referral open"
    assert "This value alone: Anaemic" in text_of_page(worker, entered)


def test_a_photo_taken_back_leaves_yesterdays_value_as_the_last_word(worker, supervisor):
    woman = worker.add_woman("KX-303")
    wrong = worker.send_photo(worker.open_visit(woman), photo(5.1)).json()["url"]
    entered = lab(worker, woman, "13.9", on=YESTERDAY, sure="yes").headers["location"]
    worker.post(f"{wrong}/undo")
    # Its referral stays until a supervisor ends it, and is not said to be for her value.
    assert headings(worker, entered)[0] == "Urgent referral open"
    assert "Refer her now" not in text_of_page(worker, entered), "another woman's value"
    assert "The reading it was opened for was taken back." in text_of_page(worker, entered)
    assert "Not anaemic" not in row_of(worker, "referrals", "KX-303")
    referral = re.search(r"/referrals/([\w-]+)/slip", page(worker, woman))[1]
    given = {"outcome": "mistake", "outcome_on": today().isoformat()}
    supervisor.post(f"/referrals/{referral}/outcome", **given)
    assert headings(worker, entered)[0] == "Not anaemic, confirmed"


def test_who_was_sent_by_hand_is_not_called_well_by_an_earlier_value(worker):
    woman = worker.add_woman("KX-304")
    entered = lab(worker, woman, "13.9").headers["location"]
    assert headings(worker, entered)[0] == "Not anaemic, confirmed"
    worker.post(f"{woman}/send", urgent="yes")
    assert headings(worker, entered)[0] == "Urgent referral open"
    assert "Not anaemic" not in row_of(worker, "referrals", "KX-304")
    assert "Not anaemic" not in text_of_page(worker, "/women?find=KX-30")


def test_a_good_photo_of_a_woman_whom_a_laboratory_found_anaemic_says_that_first(worker):
    woman = worker.add_woman("KX-305")
    lab(worker, woman, "9.0")
    put_back(worker, 30)
    clear = worker.send_photo(worker.open_visit(woman), photo(13.0)).json()["url"]
    assert headings(worker, clear)[:2] == [
        "Anaemic, confirmed",
        "This value alone: Anaemia unlikely",
    ]
    said = text_of_page(worker, clear)
    assert "9.0 g/dL" in said
    assert "Until a laboratory result says otherwise." in said
    assert "Anaemia is unlikely" not in said
    assert "one tablet a day" not in said
    reading = worker.get(f"/api{clear}").json()
    assert reading["words"] == "Anaemic, confirmed. This value alone: Anaemia unlikely"
    assert "Anaemic, confirmed. 9.0 g/dL" in text_of_page(worker, "/women?find=KX-30")
    again = lab(worker, woman, "12.4", key="labkey-305").headers["location"]
    assert headings(worker, again)[0] == "Not anaemic, confirmed"
    assert headings(worker, clear)[0] == "Anaemia is unlikely."


def test_what_two_registers_bring_together_stays_the_first_word(worker, supervisor):
    """Joined records: the photo under one code, the result of two days later under another."""
    one, other = worker.add_woman("KX-306"), worker.add_woman("KX-307")
    worker.send_photo(worker.open_visit(one), photo(5.1))
    put_back(worker, 2)
    lab(worker, other, "13.9")
    joined = supervisor.post("/conflicts/join", one="KX-306", other="KX-307", sure="yes")
    woman = joined.headers["location"].split("?")[0]
    said = text_of_page(worker, woman)
    assert "Urgent referral open" in said
    assert "On the severe list" in said
    assert "13.9 g/dL, does not answer it" in said
    row = row_of(worker, "severe", "KX-306")
    assert row.startswith("Severe: 5.1 g/dL")
    assert "Not anaemic" not in row
    # Whoever enters the next result is asked, and says which is right.
    assert lab(worker, woman, "13.8", key="labkey-9").status_code == 409
    answered = lab(worker, woman, "13.8", key="labkey-9", sure="yes").headers["location"]
    assert headings(worker, answered)[0] == "Not anaemic, confirmed"
    assert not on_list(worker, "severe", "KX-306")


def test_a_late_severe_result_sent_twice_asks_once(worker, supervisor):
    """The answer was lost, and meanwhile a supervisor ended what it had asked for."""
    woman = worker.add_woman("KX-308")
    lab(worker, woman, "13.9", on=YESTERDAY)
    before = (today() - dt.timedelta(days=2)).isoformat()
    late = {"key": "late-key-308", "on": before, "sure": "yes"}
    entered = lab(worker, woman, "5.2", **late).headers["location"]
    assert headings(worker, entered)[0] == "Severe anaemia, confirmed by a laboratory."
    referral = re.search(r"/referrals/([\w-]+)/slip", page(worker, woman))[1]
    given = {"outcome": "mistake", "outcome_on": today().isoformat()}
    supervisor.post(f"/referrals/{referral}/outcome", **given)
    assert lab(worker, woman, "5.2", **late).headers["location"] == entered
    assert "Urgent referral open" not in page(worker, woman)


def test_a_result_of_before_that_agrees_says_that_it_leaves_the_referral_open(worker):
    """It confirmed, and the page offered a slip without a word why."""
    woman = worker.add_woman("KX-309")
    worker.send_photo(worker.open_visit(woman), photo(9.0))
    entered = lab(worker, woman, "9.3", on=YESTERDAY).headers["location"]
    first, second = headings(worker, entered)[:2]
    assert (first[:18], second) == ("Anaemic, confirmed", "Referral open")
    said = text_of_page(worker, entered)
    assert "Sent for a test because of 9.0 g/dL." in said
    assert "Blood drawn before can't answer that reading: its blood test stays open." in said
    answered = lab(worker, woman, "9.2", key="labkey-309").headers["location"]
    assert headings(worker, answered)[0].startswith("Anaemic, confirmed")
    assert "Referral open" not in text_of_page(worker, answered)
