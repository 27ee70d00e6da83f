"""Women who fell out of the lists, as a worker met them: each must stay to be found."""

from __future__ import annotations

import datetime as dt
import html
import re
from dataclasses import replace

import pytest
from days import today
from people import Person
from sqlalchemy import delete, select
from test_documents import text_of
from webfakes import photo, refused_photo

from cardreader.core.refusal import Reason
from cardreader.register.listmodels import KeptLists
from cardreader.register.models import Reading, Referral, Visit, Woman
from cardreader.register.visits import visit_of_photo

DAY = dt.timedelta(days=1)


def page(person: Person, path: str) -> str:
    answer = person.get(path)
    assert answer.status_code == 200, path
    return html.unescape(answer.text)


def on_list(person: Person, name: str, code: str) -> bool:
    return f"<b>{code}</b>" in page(person, f"/lists/{name}")


def lab(person: Person, woman: str, value: str, key: str = "labkey-1", **fields: str):
    given = {"value": value, "on": today().isoformat(), "method": "Cell counter", **fields}
    return person.post(f"{woman}/lab", submission_key=key, **given)


def text_of_page(person: Person, path: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", "", page(person, path)).split())


def slip_text(person: Person, woman: str) -> str:
    slip = person.get(slip_link(page(person, woman)))
    return " ".join(text_of(slip.content).split())


def slip_link(text: str) -> str:
    return "/referrals/" + text.split('href="/referrals/')[1].split('"')[0]


# --- visits of other days ---------------------------------------------------------


def put_back(person: Person, days: int) -> None:
    """Let all that was entered have been some days ago."""
    with person.app.state.database.write() as session:
        for visit in session.scalars(select(Visit)):
            visit.on -= days * DAY
            visit.opened_at -= days * DAY
        for reading in session.scalars(select(Reading)):
            reading.taken_at -= days * DAY
            reading.entered_at -= days * DAY


def test_a_photo_of_today_is_not_averaged_with_last_months_visit(worker):
    visit = worker.open_visit(worker.add_woman("KX-208"))
    worker.send_photo(visit, photo(11.9))
    put_back(worker, 40)
    assert "This visit was on another day." in page(worker, visit)

    sent = worker.send_photo(visit, photo(6.2), key="todays-key").json()
    assert f"/visits/{sent['visit_id']}" != visit
    assert on_list(worker, "severe", "KX-208")
    text = page(worker, f"/visits/{sent['visit_id']}")
    assert "Visit 2" in text
    assert "another day" not in text
    # The answer was lost: it is the same entry, and the next blot is of today's visit too.
    again = worker.send_photo(visit, photo(6.2), key="todays-key")
    assert (again.status_code, again.json()["id"]) == (200, sent["id"])
    another = worker.send_photo(visit, photo(6.4), key="another-key").json()
    assert another["visit_id"] == sent["visit_id"]


def test_a_visit_goes_on_past_midnight_and_not_longer(app, worker):
    worker.open_visit(worker.add_woman("KX-209"))
    with app.state.database.write() as session:
        visit = session.scalars(select(Visit)).one()
        midnight = dt.datetime.combine(visit.on + DAY, dt.time()).astimezone()
        late, morning = midnight + dt.timedelta(hours=2), midnight + dt.timedelta(hours=7)
        assert visit_of_photo(session, visit, late, None) is visit
        next_day = visit_of_photo(session, visit, morning, None)
        assert (next_day.on, next_day.number) == (visit.on + DAY, 2)


def test_a_photo_kept_for_days_stays_with_its_visit(worker):
    visit = worker.open_visit(worker.add_woman("KX-210"))
    put_back(worker, 5)
    now = dt.datetime.now(dt.UTC)
    times = {"taken_at": (now - 5 * DAY).isoformat(), "sent_at": now.isoformat()}
    sent = worker.send_photo(visit, photo(6.2), **times).json()
    assert f"/visits/{sent['visit_id']}" == visit


# --- closed records ---------------------------------------------------------------


def closed(worker: Person, code: str) -> str:
    woman = worker.add_woman(code)
    worker.post(f"{woman}/close", reason="moved")
    assert "Closed on" in page(worker, woman)
    return woman


def test_a_closed_woman_can_be_followed_again(worker):
    woman = closed(worker, "KX-201")
    assert worker.post(f"{woman}/reopen", pregnancy="same").status_code == 303
    text = page(worker, woman)
    assert "Closed on" not in text
    assert "Record opened again." in text
    assert "Record closed: Moved away." in text


def test_another_pregnancy_starts_with_its_own_weeks(worker):
    woman = worker.add_woman("KX-207", "30")
    worker.post(f"{woman}/birth", birth_outcome="live", birth_on=today().isoformat())
    worker.post(f"{woman}/close", reason="delivered", sure="yes")
    worker.post(f"{woman}/reopen", pregnancy="new", new_weeks="9")
    text = page(worker, woman)
    assert "Week 9 of pregnancy." in text
    assert "Gave birth" not in text.split("What was noted")[0]


def test_adding_a_closed_code_leads_to_its_record(worker):
    woman = closed(worker, "KX-202")
    answer = worker.post("/women/new", code="KX-202")
    assert answer.status_code == 422
    assert f'href="{woman}"' in answer.text
    assert "its record is closed" in answer.text


@pytest.mark.parametrize("weeks", ["38", ""])
def test_a_birth_before_she_was_last_seen_is_asked_about(worker, weeks):
    """A month mistyped: the last test of the pregnancy would pass for the one after the birth."""
    woman = worker.add_woman("KX-213", weeks)
    worker.send_photo(worker.open_visit(woman), photo(13.0))
    birth = {"birth_outcome": "live", "birth_on": (today() - 90 * DAY).isoformat()}
    asked = worker.post(f"{woman}/birth", **birth)
    assert asked.status_code == 422
    assert "She was seen here since that day." in html.unescape(asked.text)
    assert "Gave birth" not in page(worker, woman)
    now_born = {**birth, "birth_on": today().isoformat()}
    assert worker.post(f"{woman}/birth", **now_born).status_code == 303
    assert worker.post(f"{woman}/birth", **birth, birth_sure="yes").status_code == 303


def test_closing_for_a_birth_is_asked_about_until_she_was_tested_after_it(worker):
    """Noted as a closing instead of as a birth it would take her off every list."""
    woman = worker.add_woman("KX-211", "40")
    worker.send_photo(worker.open_visit(woman), photo(13.0))
    asked = worker.post(f"{woman}/close", reason="delivered")
    assert asked.status_code == 422
    assert "She was not tested since the birth." in asked.text
    assert "Closed on" not in page(worker, woman)
    put_back(worker, 60)
    worker.post(f"{woman}/birth", birth_outcome="live", birth_on=(today() - 45 * DAY).isoformat())
    assert worker.post(f"{woman}/close", reason="delivered").status_code == 422
    assert on_list(worker, "due", "KX-211")
    worker.send_photo(worker.open_visit(woman), photo(14.0))
    assert worker.post(f"{woman}/close", reason="delivered").status_code == 303


def test_closing_a_woman_who_is_anaemic_by_the_laboratory_is_asked_about(worker):
    woman = worker.add_woman("KX-212")
    assert lab(worker, woman, "8.4").status_code == 303
    asked = worker.post(f"{woman}/close", reason="other", words="seen elsewhere")
    assert asked.status_code == 422
    assert "She is anaemic and tested every month." in asked.text
    worker.post(f"{woman}/close", reason="other", words="seen elsewhere", sure="yes")
    assert "Closed on" in page(worker, woman)


def test_closing_a_severe_woman_is_asked_about_and_kept(app, worker):
    woman = worker.add_woman("KX-203")
    worker.send_photo(worker.open_visit(woman), photo(5.0))
    asked = worker.post(f"{woman}/close", reason="moved")
    assert asked.status_code == 422
    assert "She is on the severe list. Her referral is open." in html.unescape(asked.text)
    assert on_list(worker, "severe", "KX-203")
    worker.post(f"{woman}/close", reason="moved", words="to her mother", sure="yes")
    assert not on_list(worker, "severe", "KX-203")
    assert "to her mother" in page(worker, woman)
    trail = page(Person(app, "supervisor"), "/audit").replace("<wbr>", "")
    assert "woman.close" in trail


@pytest.mark.parametrize("by_code", [True, False])
def test_a_severe_photo_brings_a_closed_woman_back(worker, by_code):
    woman = closed(worker, "KX-204")
    if by_code:
        answer = worker.api(
            "POST",
            "/api/photos",
            data={"code": "KX-204", "submission_key": "key-204-a"},
            files={"photo": ("p.jpg", photo(4.6), "image/jpeg")},
        )
    else:
        body = {"submission_key": "key-204-b", "unit": "g_dl", "value": 4.6}
        answer = worker.api("POST", f"/api{woman}/tube", json=body)
    assert answer.status_code == 201
    assert on_list(worker, "severe", "KX-204")
    assert on_list(worker, "referrals", "KX-204")
    assert "This reading opened it again." in page(worker, answer.json()["url"])
    assert "Read again though closed (Moved away)" in page(worker, woman)


# --- laboratory values that can't be -------------------------------------------------


def test_a_value_far_from_the_photo_is_asked_about_before_it_ends_anything(worker):
    woman = worker.add_woman("KX-211")
    worker.send_photo(worker.open_visit(woman), photo(4.6))
    asked = lab(worker, woman, "14.6")
    assert asked.status_code == 409
    text = html.unescape(asked.text)
    assert "Photo of" in text
    assert "further away than both errors allow" in text
    assert on_list(worker, "severe", "KX-211")
    assert on_list(worker, "referrals", "KX-211")
    assert lab(worker, woman, "14.6", sure="yes").status_code == 303
    assert not on_list(worker, "severe", "KX-211")


def test_the_api_asks_too(worker):
    woman = worker.add_woman("KX-212")
    worker.send_photo(worker.open_visit(woman), photo(4.6))
    body = {
        "submission_key": "lab-api-1",
        "value": 14.6,
        "unit": "g_dl",
        "method": "Cell counter",
        "on": today().isoformat(),
    }
    assert worker.api("POST", f"/api{woman}/lab", json=body).status_code == 409
    sure = worker.api("POST", f"/api{woman}/lab", json={**body, "sure": True})
    assert sure.status_code == 201


def test_a_value_that_fits_is_not_asked_about(worker):
    woman = worker.add_woman("KX-213")
    worker.send_photo(worker.open_visit(woman), photo(9.0))
    assert lab(worker, woman, "9.6").status_code == 303


def test_an_imported_table_does_not_close_what_is_doubtful(app, worker):
    woman = worker.add_woman("KX-214")
    worker.send_photo(worker.open_visit(woman), photo(4.6))
    table = f"code,date,hb_g_dl,method\nKX-214,{today()},14.6,Cell counter\n"
    supervisor = Person(app, "supervisor")
    answer = supervisor.post("/exchange/import", files={"table": ("t.csv", table.encode())})
    assert "far from her reading: enter it by hand" in answer.text
    assert on_list(worker, "severe", "KX-214")


def test_a_worker_takes_her_own_entry_back(app, worker):
    woman = worker.add_woman("KX-215")
    worker.send_photo(worker.open_visit(woman), photo(4.6))
    entry = lab(worker, woman, "14.6", sure="yes").headers["location"]
    assert "Take back" in page(worker, entry)
    assert worker.post(f"{entry}/undo").status_code == 303
    assert on_list(worker, "severe", "KX-215")
    assert on_list(worker, "referrals", "KX-215")
    # It is still there to be read, and the trail has all of it.
    assert "Undone by whoever entered it." in page(worker, entry)
    trail = page(Person(app, "supervisor"), "/audit").replace("<wbr>", "")
    for action in ("reading.lab", "reading.set_aside", "referral.reopen"):
        assert action in trail
    # A second tap does nothing more; by somebody else it can't be done.
    assert worker.post(f"{entry}/undo").status_code == 303
    trail = page(Person(app, "supervisor"), "/audit").replace("<wbr>", "")
    assert trail.count("reading.set_aside") == 1
    assert Person(app, "supervisor").post(f"{entry}/undo").status_code == 403


def test_a_referral_for_a_reading_of_the_wrong_woman_says_that_it_was_taken_back(app, worker):
    """It stays, so that nobody loses her test by a mistake; nobody is sent on by its value."""
    woman = worker.add_woman("KX-217")
    entry = worker.send_photo(worker.open_visit(woman), photo(5.6)).json()["url"]
    assert worker.post(f"{entry}/undo").status_code == 303
    taken_back = "The reading it was opened for was taken back."
    for shown in (page(worker, woman), page(worker, "/lists/referrals")):
        assert taken_back in shown
        assert "5.6" not in shown
    assert "a supervisor can end it as a mistake" in page(worker, woman)
    assert "Prick, blot and photo" in page(worker, woman)
    slip = slip_text(worker, woman)
    assert "the reading she was sent for was taken back" in slip
    assert "5.6" not in slip
    # With a value of her own it speaks of that.
    worker.send_photo(worker.open_visit(woman), photo(9.4))
    assert taken_back not in page(worker, woman)
    assert "because of 9.4 g/dL" in page(worker, woman)
    assert "9.4 g/dL" in slip_text(worker, woman)


def test_a_referral_says_of_which_day_its_newest_value_is(app, worker):
    """A facility that takes today's severe value for one of last month may let her wait."""
    woman = worker.add_woman("KX-2171")
    worker.send_photo(worker.open_visit(woman), photo(9.4))
    put_back(worker, 25)
    before = today() - 25 * DAY
    with app.state.database.write() as session:
        for referral in session.scalars(select(Referral)):
            referral.opened_at -= 25 * DAY
    assert "because of 9.4 g/dL." in page(worker, woman)
    assert f"{before:%-d %b %Y}" in slip_text(worker, woman)
    worker.send_photo(worker.open_visit(woman), photo(5.4))
    told = f"because of 5.4 g/dL, read on {today():%-d %b %Y}."
    assert told in page(worker, woman)
    slip = slip_text(worker, woman)
    assert f"Read on {today():%-d %b %Y}" in slip
    assert f"{before:%-d %b %Y}" not in slip


def test_closing_after_a_birth_that_is_noted_does_not_ask_to_note_it(worker):
    woman = worker.add_woman("KX-2172", weeks="38")
    asked = worker.post(f"{woman}/close", reason="delivered")
    assert "Note the birth, and she stays listed" in html.unescape(asked.text)
    given = {"birth_outcome": "live", "birth_on": today().isoformat()}
    assert worker.post(f"{woman}/birth", **given).status_code == 303
    asked = html.unescape(worker.post(f"{woman}/close", reason="delivered").text)
    assert "not tested since the birth: left open, she stays listed until then." in asked
    assert "Note the birth, and" not in asked


def test_a_refused_photo_taken_back_leaves_no_word_that_it_was_hers(worker):
    woman = worker.add_woman("KX-218")
    entry = worker.send_photo(worker.open_visit(woman), refused_photo()).json()["url"]
    assert "nothing was read" in page(worker, woman)
    worker.post(f"{entry}/undo")
    assert "The reading it was opened for was taken back." in page(worker, woman)


def test_who_is_sent_by_hand_after_a_reading_is_not_called_unread(worker):
    woman = worker.add_woman("KX-219")
    worker.send_photo(worker.open_visit(woman), photo(13.5))
    assert worker.post(f"{woman}/send").status_code == 303
    for shown in (page(worker, woman), page(worker, "/lists/referrals")):
        assert "nothing was read" not in shown
        assert "Sent for a blood test without a reading." in shown


def test_treatment_waits_for_the_blood_test_as_on_the_command_line(worker):
    woman = worker.add_woman("KX-220")
    read = worker.send_photo(worker.open_visit(woman), photo(9.0)).json()["url"]
    assert "Once confirmed, local protocol usually asks" in page(worker, read)
    result = lab(worker, woman, "9.1").headers["location"]
    assert "What local protocol usually asks" in page(worker, result)
    well = worker.send_photo(worker.open_visit(worker.add_woman("KX-2201")), photo(14.0))
    assert "What local protocol usually asks" in page(worker, well.json()["url"])


def test_another_persons_entry_and_an_old_one_stay(app, worker, make_app):
    woman = worker.add_woman("KX-216")
    entry = lab(worker, woman, "9.1").headers["location"]
    assert Person(app, "supervisor").post(f"{entry}/undo").status_code == 403
    with app.state.database.write() as session:
        from cardreader.register.models import Reading

        reading = session.get_one(Reading, entry.rsplit("/", 1)[-1])
        reading.entered_at -= dt.timedelta(minutes=31)
    assert worker.post(f"{entry}/undo").status_code == 403
    assert "Take back" not in page(worker, entry)


# --- clocks ----------------------------------------------------------------------------


def send(worker: Person, path: str, data: bytes, key: str, **fields: str):
    return worker.api(
        "POST",
        path,
        data={"submission_key": key, **fields},
        files={"photo": ("p.jpg", data, "image/jpeg")},
    )


@pytest.mark.parametrize("says_sent", [True, False])
@pytest.mark.parametrize("by_code", [True, False])
def test_a_slow_phone_does_not_make_todays_photo_older_than_a_result(worker, says_sent, by_code):
    """The phone's clock is five days slow; the result is of two days ago."""
    woman = worker.add_woman("KX-221")
    two_days_ago = today() - dt.timedelta(days=2)
    assert lab(worker, woman, "9.8", on=two_days_ago.isoformat()).status_code == 303
    slow = (dt.datetime.now(dt.UTC) - dt.timedelta(days=5)).isoformat()
    fields = {"taken_at": slow, **({"sent_at": slow} if says_sent else {})}
    if by_code:
        path, fields = "/api/photos", {**fields, "code": "KX-221"}
    else:
        path = f"/api{worker.open_visit(woman)}/photos"
    answer = send(worker, path, photo(4.6), "key-slow-1", **fields)
    assert answer.status_code == 201
    assert on_list(worker, "severe", "KX-221")
    assert on_list(worker, "referrals", "KX-221")
    text = page(worker, answer.json()["url"])
    assert "/slip.pdf" in text
    assert "The phone's clock" in text
    if says_sent:
        assert "The phone's clock is 5 days slow." in text
        taken = dt.datetime.fromisoformat(answer.json()["taken_at"])
        assert abs(taken - dt.datetime.now(dt.UTC)) < dt.timedelta(minutes=5)


def test_a_late_photo_of_a_phone_with_a_true_clock_keeps_its_day(worker):
    """Kept on the phone for four days, while the result that it led to came back."""
    now = dt.datetime.now(dt.UTC)
    woman = worker.add_woman("KX-222")
    lab(worker, woman, "9.6", on=(today() - dt.timedelta(days=1)).isoformat())
    taken = (now - dt.timedelta(days=4)).isoformat()
    fields = {"code": "KX-222", "taken_at": taken, "sent_at": now.isoformat()}
    answer = send(worker, "/api/photos", photo(9.0), "key-late-1", **fields)
    assert answer.json()["taken_at"][:10] == taken[:10]
    assert not on_list(worker, "referrals", "KX-222")
    assert "The phone's clock" not in page(worker, answer.json()["url"])


def test_a_clock_set_between_photo_and_sending_makes_todays_photo_no_older_than_a_result(worker):
    """Five days slow as it was taken; a network set it right before the photo was sent."""
    woman = worker.add_woman("KX-223")
    lab(worker, woman, "9.8", on=(today() - 2 * DAY).isoformat())
    now = dt.datetime.now(dt.UTC)
    times = {"taken_at": (now - 5 * DAY).isoformat(), "sent_at": now.isoformat()}
    fields = {"code": "KX-223", **times, "clock_moved": "true"}
    answer = send(worker, "/api/photos", photo(4.6), "key-moved-1", **fields)
    assert on_list(worker, "severe", "KX-223")
    assert on_list(worker, "referrals", "KX-223")
    assert "The phone's clock could not be checked" in page(worker, answer.json()["url"])


# --- photos that can't be read ----------------------------------------------------------


@pytest.mark.parametrize("reason", [Reason.BLURRED, Reason.OUT_OF_RANGE])
def test_a_refused_photo_opens_a_referral_for_a_test(worker, reason):
    woman = worker.add_woman("KX-231")
    answer = worker.send_photo(worker.open_visit(woman), refused_photo(reason))
    text = page(worker, answer.json()["url"])
    assert worker.get(slip_link(text)).content.startswith(b"%PDF-")
    assert on_list(worker, "referrals", "KX-231")
    listed = page(worker, "/lists/referrals").split("<b>KX-231</b>")[1].split("</li>")[0]
    assert ("Urgent." in listed) is (reason is Reason.OUT_OF_RANGE)


def test_a_photo_that_is_read_after_all_takes_it_off_again(worker):
    woman = worker.add_woman("KX-232")
    visit = worker.open_visit(woman)
    worker.send_photo(visit, refused_photo())
    worker.send_photo(visit, photo(14.0))
    assert not on_list(worker, "referrals", "KX-232")
    assert "Referrals answered" not in page(worker, woman)


def test_refused_photos_show_on_her_page(worker):
    woman = worker.add_woman("KX-233")
    url = worker.send_photo(worker.open_visit(woman), refused_photo()).json()["url"]
    text = page(worker, woman)
    assert f'<a href="{url}">Not read</a>' in text
    assert "Hold still" in text


# --- severe by laboratory ------------------------------------------------------------------


def test_a_severe_laboratory_value_is_no_weaker_than_a_severe_photo(worker):
    woman = worker.add_woman("KX-241")
    url = lab(worker, woman, "6.2").headers["location"]
    text = page(worker, url)
    assert "Severe anaemia, confirmed by a laboratory." in text
    assert "Refer her now to a unit that can treat severe anaemia." in text
    assert worker.get(slip_link(text)).content.startswith(b"%PDF-")
    for name in ("severe", "referrals"):
        assert on_list(worker, name, "KX-241")
    # The next test is nearer than the monthly one: 14 days by the default protocol.
    (row,) = [w for w in worker.get("/api/women").json() if w["code"] == "KX-241"]
    assert row["due_on"] == (today() + dt.timedelta(days=14)).isoformat()


def test_care_stays_open_until_she_got_it(worker):
    woman = worker.add_woman("KX-242")
    worker.send_photo(worker.open_visit(woman), photo(5.5))
    lab(worker, woman, "6.0")
    text = page(worker, woman)
    assert "Referral for care open" in text
    referral = slip_link(text).removesuffix("/slip.pdf")
    answer = worker.post(f"{referral}/outcome", outcome="went", outcome_on=today().isoformat())
    assert answer.status_code == 303, answer.text
    assert not on_list(worker, "referrals", "KX-242")
    assert on_list(worker, "severe", "KX-242")


# --- the visit of today ----------------------------------------------------------------------


def test_another_blot_after_leaving_the_page_joins_the_visit(worker):
    woman = worker.add_woman("KX-251")
    visit = worker.open_visit(woman)
    worker.send_photo(visit, photo(8.0), key="key-251-a")
    assert f'href="{visit}"' in page(worker, woman)
    assert worker.open_visit(woman, number=2) == visit
    again = send(worker, "/api/photos", photo(9.0), "key-251-b", code="KX-251")
    assert again.json()["visit_id"] == visit.rsplit("/", 1)[-1]
    assert "Together: 8.5 g/dL" in page(worker, visit)


def test_chances_bands_and_interval_are_in_the_words_of_the_command_line(worker):
    from cardreader.decide.rule import BandProbability
    from cardreader.result.astext import band_name, chance, interval_ends

    woman = worker.add_woman("KX-252")
    reading = worker.send_photo(worker.open_visit(woman), photo(9.03)).json()
    text = page(worker, reading["url"])
    assert "Anaemia is likely: mild to moderate." in text
    decision = reading["reading"]["decision"]
    assert len(decision["bands"]) == 3
    for band in decision["bands"]:
        known = {k: band[k] for k in ("id", "title", "group", "from_g_dl", "below_g_dl")}
        said = BandProbability(**known, probability=band["probability"])
        assert band_name(said) in text
        assert chance(band["probability"]) in text
    low, high = interval_ends(reading["low_g_dl"], reading["high_g_dl"])
    # 9.03 - 1.645 * 0.4 = 8.372 and 9.688: outwards that is 8.3 and 9.7.
    assert (low, high) == (8.3, 9.7)
    assert f"between {low} and {high} g/dL" in text
    assert f"<small>{low}\N{EN DASH}{high}</small>" in page(worker, woman)


# --- outcomes, births, tablets ------------------------------------------------------------------


def open_referral(worker: Person, woman: str) -> str:
    return slip_link(page(worker, woman)).removesuffix("/slip.pdf")


def test_an_outcome_without_a_value_is_noted_and_she_is_asked_after_again(worker):
    woman = worker.add_woman("KX-261")
    worker.send_photo(worker.open_visit(woman), photo(9.0))
    referral = open_referral(worker, woman)
    given = {"outcome": "refused", "outcome_on": today().isoformat(), "outcome_words": "too far"}
    assert worker.post(f"{referral}/outcome", **given).status_code == 303
    assert on_list(worker, "referrals", "KX-261")
    text = page(worker, woman)
    assert "She did not want to go." in text
    assert "Ask again from" in text
    assert "too far" in text
    summary = page(worker, "/summary")
    row = summary.split("She did not want to go</th>")[1][:60]
    assert ">1<" in row


def test_death_ends_it_all_and_can_be_taken_back(worker):
    woman = worker.add_woman("KX-262")
    worker.send_photo(worker.open_visit(woman), photo(5.0))
    referral = open_referral(worker, woman)
    worker.post(f"{referral}/outcome", outcome="died", outcome_on=today().isoformat())
    assert not on_list(worker, "severe", "KX-262")
    text = page(worker, woman)
    assert "She died." in text
    undo = "/events/" + text.split('action="/events/')[1].split('"')[0]
    assert worker.post(undo).status_code == 303
    assert on_list(worker, "severe", "KX-262")
    assert on_list(worker, "referrals", "KX-262")


def test_a_birth_leads_to_one_more_test(worker):
    woman = worker.add_woman("KX-263", "38")
    born = today() - dt.timedelta(days=45)
    worker.post(f"{woman}/birth", birth_outcome="stillbirth", birth_on=born.isoformat())
    assert "Gave birth on" in page(worker, woman)
    assert on_list(worker, "due", "KX-263")
    # 11.5 g/dL is anaemia once she is not pregnant any more (WHO/NMH/NHD/MNM/11.1: below 12).
    reading = worker.send_photo(worker.open_visit(woman), photo(11.5)).json()
    assert reading["outcome"] != "not_anaemic"
    summary = page(worker, "/summary")
    assert ">1<" in summary.split("Women tested after their birth</th>")[1][:60]


@pytest.mark.parametrize(
    ("enter", "hb_g_dl"),
    [("photo", 12.3), ("photo", 8.1), ("tube", 12.0), ("tube", 8.0), ("lab", 11.6), ("lab", 7.4)],
)
def test_a_birth_on_the_day_of_a_reading_is_said_alike_in_every_list(worker, enter, hb_g_dl):
    """The referral said anaemic, and the row beside it that anaemia is unlikely."""
    woman = worker.add_woman("KX-268", "38")
    if enter == "photo":
        worker.send_photo(worker.open_visit(woman), photo(hb_g_dl))
    elif enter == "lab":
        lab(worker, woman, str(hb_g_dl))
    else:
        tube = {"submission_key": "tube-key-1", "unit": "g_dl", "value": str(hb_g_dl)}
        assert worker.post(f"{woman}/tube", **tube).status_code == 303
    worker.post(f"{woman}/birth", birth_outcome="live", birth_on=today().isoformat())
    with worker.app.state.database.read() as session:
        (referral,) = session.scalars(select(Referral).where(Referral.closed_at.is_(None)))
        words = {"anaemic": "Anaemic", "severe": "Severe", "uncertain": "Uncertain"}[referral.band]
    said = {words, "May be severe"} if words == "Uncertain" else {words}
    assert on_list(worker, "severe", "KX-268") == (words == "Severe")
    for name in ("referrals", *(["severe"] if words == "Severe" else [])):
        row = page(worker, f"/lists/{name}").split("<b>KX-268</b>")[1].split("</a>")[0]
        assert any(f"<small>{one}" in row for one in said), row
    history = page(worker, woman).split("<tbody>")[1].split("</tbody>")[0]
    assert any(one in history for one in said)


def test_twins_of_whom_one_lived_are_noted_as_they_were(worker):
    woman = worker.add_woman("KX-265", "38")
    birth = {"birth_outcome": "live_and_not", "birth_on": today().isoformat()}
    assert worker.post(f"{woman}/birth", **birth).status_code == 303
    assert "Twins or more, not all born alive." in text_of_page(worker, woman)
    summary = page(worker, "/summary")
    assert ">1<" in summary.split("Twins or more, not all born alive</th>")[1][:60]


def test_tablets_are_counted(worker):
    woman = worker.add_woman("KX-264")
    start = today() - dt.timedelta(days=20)
    worker.post(f"{woman}/treatment", regimen="treatment", started_on=start.isoformat())
    worker.post(f"{woman}/tablets", tablets_given="60", tablets_on=start.isoformat())
    given = {"tablets_left": "30", "tablets_given": "40", "tablets_on": today().isoformat()}
    assert worker.post(f"{woman}/tablets", **given).status_code == 303
    text = page(worker, woman)
    assert "100 given since" in text
    assert "she took 30." in text
    assert "By the regimen it would be 40." in text
    assert "The course is 200 tablets." in text
    bad = worker.post(f"{woman}/tablets", tablets_given="many", tablets_on=today().isoformat())
    assert bad.status_code == 422
    summary = page(worker, "/summary")
    assert ">40<" in summary.split("Tablets given</th>")[1][:60] or ">100<" in summary


def test_a_good_photo_without_known_weeks_is_not_the_last_of_her(worker):
    """Her page and the lists go on naming a day, and ask for her weeks."""
    woman = worker.add_woman("KX-931", weeks="")
    worker.send_photo(worker.open_visit(woman), photo(14.0))
    assert "Next test from" in worker.get(woman).text
    age(worker, days=40)
    assert "KX-931" in worker.get("/lists/overdue").text
    assert "Her weeks are not known: ask for them." in worker.get("/lists/due").text


def test_after_the_last_week_her_birth_is_asked_about(worker):
    woman = worker.add_woman("KX-932", weeks="38")
    worker.send_photo(worker.open_visit(woman), photo(14.0))
    assert "ask about the birth, if none is noted" in worker.get(woman).text
    age(worker, days=40)
    for page in (woman, "/lists/due", "/lists/overdue"):
        assert "No birth is noted, and her weeks are over" in worker.get(page).text
    worker.post(f"{woman}/birth", birth_outcome="live", birth_on=today().isoformat())
    assert "KX-932" not in worker.get("/lists/due").text


def test_an_anaemic_woman_is_asked_about_her_birth_beside_her_test(worker):
    woman = worker.add_woman("KX-933", weeks="40")
    worker.send_photo(worker.open_visit(woman), photo(9.0))
    age(worker, days=20)
    assert "No birth is noted, and her weeks are over" in worker.get(woman).text


def test_lists_say_what_was_read_and_who_is_severe(worker):
    woman = worker.add_woman("KX-934")
    worker.send_photo(worker.open_visit(woman), photo(5.0))
    age(worker, days=20)
    listed = worker.get("/lists/due").text
    assert "Severe list</strong>" in listed
    assert "Severe. Last: 5.0" in listed


def age(worker, days: int) -> None:
    """All that is noted of the women becomes older by some days."""
    by = dt.timedelta(days=days)
    with worker.app.state.database.write() as session:
        for woman in session.scalars(select(Woman)):
            woman.added_at -= by
            if woman.gestation_on is not None:
                woman.gestation_on -= by
            for visit in woman.visits:
                visit.on -= by
            for reading in woman.readings:
                reading.taken_at -= by


def test_who_runs_out_of_tablets_is_on_every_list_until_she_has_more(worker):
    woman = worker.add_woman("KX-267")
    start = today() - dt.timedelta(days=30)
    worker.post(f"{woman}/treatment", regimen="treatment", started_on=start.isoformat())
    worker.post(f"{woman}/tablets", tablets_given="70", tablets_on=start.isoformat())
    # 70 at two a day: the last five days of them.
    assert on_list(worker, "tablets", "KX-267")
    assert "They last until" in page(worker, "/lists/tablets")
    assert "Tablets: They last until" in text_of_page(worker, woman)
    tile = page(worker, "/").split('href="/lists/tablets"')[1].split("</li>")[0]
    assert "<b>1</b>" in tile
    paper = text_of(worker.get("/paper/today.pdf").content)
    assert "KX-267" in paper
    assert "Tablets run out" in paper
    assert page(worker, "/summary").split("Tablets run out</th>")[1][:60].count(">1<") == 1
    [found] = worker.get("/api/women?list=tablets").json()
    assert found["tablets_until"] == (start + dt.timedelta(days=35)).isoformat()
    worker.post(f"{woman}/tablets", tablets_left="4", tablets_on=(start + 26 * DAY).isoformat())
    assert "Used up since" in page(worker, "/lists/tablets")
    worker.post(f"{woman}/tablets", tablets_given="60", tablets_on=today().isoformat())
    assert not on_list(worker, "tablets", "KX-267")


def test_a_regimen_can_be_ended(worker):
    woman = worker.add_woman("KX-268")
    start = today() - dt.timedelta(days=30)
    assert "None any more" not in page(worker, woman)
    worker.post(f"{woman}/treatment", regimen="prevention", started_on=start.isoformat())
    worker.post(f"{woman}/tablets", tablets_given="10", tablets_on=start.isoformat())
    assert on_list(worker, "tablets", "KX-268")
    ended = {"regimen": "ended", "started_on": today().isoformat()}
    assert worker.post(f"{woman}/treatment", **ended).status_code == 303
    assert not on_list(worker, "tablets", "KX-268")
    assert "None any more" not in page(worker, woman)


def test_a_regimen_says_the_protocols_own_numbers(app, worker):
    rules = app.state.shared.reader.base.rules
    tablets = replace(rules.follow_up.tablets, treatment_a_day=3, course_days=90)
    follow_up = replace(rules.follow_up, tablets=tablets)
    app.state.shared.reader.base.rules = replace(rules, follow_up=follow_up)
    text = page(worker, worker.add_woman("KX-269"))
    assert "Prevention: 1 tablet a day, 90 days" in text
    assert "Treatment: 3 tablets a day, 90 days" in text


def test_a_birth_noted_again_corrects_the_one_before(worker):
    woman = worker.add_woman("KX-270", weeks="39")
    days = [(today() - n * DAY).isoformat() for n in (9, 8)]
    worker.post(f"{woman}/birth", birth_outcome="live", birth_on=days[0])
    assert "Noted: Live birth," in page(worker, woman)
    for _ in range(2):  # the second time the form is sent twice
        worker.post(f"{woman}/birth", birth_outcome="stillbirth", birth_on=days[1])
    assert "Stillbirth." in text_of_page(worker, woman).split("What was noted")[0]
    events = page(worker, "/summary").split("Births")[1].split("Women tested")[0]
    counted = re.findall(r">(\d+)<", events)
    assert sum(map(int, counted)) == 1
    undo = re.findall(r"/events/([\w-]+)/undo", page(worker, woman))
    assert len(undo) == 1
    worker.post(f"/events/{undo[0]}/undo")
    assert "Live birth." in text_of_page(worker, woman).split("What was noted")[0]
    (undo,) = re.findall(r"/events/([\w-]+)/undo", page(worker, woman))
    worker.post(f"/events/{undo}/undo")
    assert "Gave birth" not in text_of_page(worker, woman).split("What was noted")[0]


def test_taking_a_second_birth_back_does_not_bring_the_first_pregnancys_back(worker):
    woman = worker.add_woman("KX-271", weeks="39")
    worker.post(f"{woman}/birth", birth_outcome="live", birth_on=(today() - DAY).isoformat())
    worker.post(f"{woman}/close", reason="delivered", sure="yes")
    worker.post(f"{woman}/reopen", pregnancy="new", new_weeks="")
    worker.post(f"{woman}/birth", birth_outcome="loss", birth_on=today().isoformat())
    text = page(worker, woman)
    births = [row for row in re.split(r"<li", text) if "Birth:" in row and "/undo" in row]
    second = next(row for row in births if "Pregnancy lost early" in row)
    worker.post(f"/events/{re.search(r'/events/([^/]+)/undo', second)[1]}/undo")
    assert "Gave birth" not in text_of_page(worker, woman).split("What was noted")[0]


@pytest.mark.parametrize(
    ("hb", "asked", "urgent"), [(13.0, False, False), (11.9, True, False), (7.9, True, True)]
)
def test_a_birth_noted_late_asks_what_its_limits_ask_of_what_was_read_since(
    worker, hb, asked, urgent
):
    """Limits after a birth: 12 and 8 g/dL (WHO/NMH/NHD/MNM/11.1), in place of 11 and 7."""
    woman = worker.add_woman("KX-272", weeks="39")
    worker.send_photo(worker.open_visit(woman), photo(hb))
    birth = {"birth_outcome": "live", "birth_on": (today() - 45 * DAY).isoformat()}
    worker.post(f"{woman}/birth", **birth, birth_sure="yes")
    assert on_list(worker, "referrals", "KX-272") is asked
    assert ("Urgent referral open" in page(worker, woman)) is urgent


def test_who_did_not_want_to_go_is_asked_again_at_once_when_she_is_read_severe(worker):
    woman = worker.add_woman("KX-273")
    visit = worker.open_visit(woman)
    worker.send_photo(visit, photo(8.5))
    referral = slip_link(page(worker, woman)).split("/")[2]
    told = {"outcome": "refused", "outcome_on": today().isoformat()}
    worker.post(f"/referrals/{referral}/outcome", **told)
    assert "Ask again from" in page(worker, "/lists/referrals")
    worker.send_photo(visit, photo(4.0))
    for path in (woman, "/lists/referrals"):
        assert "She was read since: ask again now." in page(worker, path)
    worker.post(f"/referrals/{referral}/outcome", **told)
    assert "Ask again from" in page(worker, "/lists/referrals")


@pytest.mark.parametrize(("result", "asked"), [("12.1", True), ("5.4", False)])
def test_a_photo_that_comes_in_late_asks_of_a_result_that_it_contradicts(worker, result, asked):
    """In their order 12.1 after a photo of 5.1 would have been asked about."""
    woman = worker.add_woman("KX-274")
    assert lab(worker, woman, result).status_code == 303
    urgent = "Urgent referral open" in page(worker, woman)
    now = dt.datetime.now(dt.UTC)
    told = {"taken_at": (now - 2 * DAY).isoformat(), "sent_at": now.isoformat()}
    fields = {"submission_key": "late-key-274", "code": "KX-274", "visit_number": "1", **told}
    files = {"photo": ("p.jpg", photo(5.1), "image/jpeg")}
    assert worker.api("POST", "/api/photos", data=fields, files=files).status_code == 201
    assert not urgent
    assert ("Urgent referral open" in page(worker, woman)) is asked
    if asked:
        assert on_list(worker, "referrals", "KX-274")
        assert lab(worker, woman, "12.0", key="labkey-2", sure="yes").status_code == 303
        assert not on_list(worker, "referrals", "KX-274")


def test_a_birth_before_the_pregnancy_began_is_not_hers(worker):
    woman = worker.add_woman("KX-275", weeks="8")
    born = {"birth_outcome": "live", "birth_on": (today() - 60 * DAY).isoformat()}
    answer = worker.post(f"{woman}/birth", **born)
    assert answer.status_code == 422
    assert "Before this pregnancy began, by her weeks." in answer.text
    assert "Gave birth" not in page(worker, woman)


def test_of_two_regimens_the_newest_is_shown_and_counted(worker, supervisor):
    """Records joined, or registers that came together, may bring two that both go on."""
    one, other = (worker.add_woman(code) for code in ("KX-276", "KX-277"))
    for woman, regimen, days in ((one, "prevention", 50), (other, "treatment", 10)):
        start = (today() - days * DAY).isoformat()
        worker.post(f"{woman}/treatment", regimen=regimen, started_on=start)
        worker.post(f"{woman}/tablets", tablets_given="20", tablets_on=start)
    joined = supervisor.post("/conflicts/join", one="KX-276", other="KX-277", sure="yes")
    text = text_of_page(worker, joined.headers["location"].split("?")[0])
    assert "Treatment: 2 tablets a day, 100 days. Since" in text
    assert "The course is 200 tablets." in text


def test_her_page_tells_of_the_other_regimen_that_goes_on(worker, supervisor):
    """Treatment was hidden behind prevention that began later, from whoever sees her."""
    one, other = (worker.add_woman(code) for code in ("KX-376", "KX-377"))
    for woman, regimen, days in ((one, "treatment", 50), (other, "prevention", 10)):
        start = (today() - days * DAY).isoformat()
        worker.post(f"{woman}/treatment", regimen=regimen, started_on=start)
    assert "Two regimens at once" not in text_of_page(worker, one)
    joined = supervisor.post("/conflicts/join", one="KX-376", other="KX-377", sure="yes")
    her = joined.headers["location"].split("?")[0]
    text = text_of_page(worker, her)
    assert "Prevention: 1 tablet a day, 100 days. Since" in text
    assert "Two regimens at once. Treatment: 2 tablets a day, 100 days. Since" in text
    worker.post(f"{her}/treatment", regimen="treatment", started_on=today().isoformat())
    assert "Two regimens at once" not in text_of_page(worker, her)


def test_a_birth_in_an_odd_week_is_asked_about_before_it_is_noted(worker):
    woman = worker.add_woman("KX-278", weeks="10")
    born = {"birth_outcome": "live", "birth_on": today().isoformat()}
    answer = worker.post(f"{woman}/birth", **born)
    assert answer.status_code == 422
    assert "By her weeks that is week 10 of pregnancy." in answer.text
    assert "Gave birth" not in page(worker, woman)
    assert worker.post(f"{woman}/birth", **born, birth_sure="yes").status_code == 303
    assert "Gave birth" in page(worker, woman)


def test_weeks_told_after_a_birth_are_another_pregnancys_or_asked_about(worker):
    """Typed at a visit or from paper, with nobody having closed her record in between."""
    woman = worker.add_woman("KX-279", weeks="")
    born = {"birth_outcome": "live", "birth_on": (today() - 90 * DAY).isoformat()}
    worker.post(f"{woman}/birth", **born)
    odd = worker.post(f"{woman}/visits", number="1", gestation_weeks="20")
    paper = {"submission_key": "paper-279", "code": "KX-279", "on": today().isoformat()}
    from_paper = worker.post("/paper/enter", **paper, gestation_weeks="20")
    for answer in (odd, from_paper):
        assert answer.status_code == 422
        assert "began before the birth that is noted" in answer.text
    assert worker.post(f"{woman}/visits", number="1", gestation_weeks="8").status_code == 303
    assert "Week 8 of pregnancy." in page(worker, woman)


def test_weeks_told_for_a_photo_taken_out_of_reach_are_kept(worker):
    woman = worker.add_woman("KX-280", weeks="")
    fields = {"submission_key": "weeks-key-280", "code": "KX-280", "gestation_weeks": "18"}
    files = {"photo": ("p.jpg", photo(13.0), "image/jpeg")}
    assert worker.api("POST", "/api/photos", data=fields, files=files).status_code == 201
    assert "Week 18 of pregnancy." in page(worker, woman)


def test_a_computer_whose_clock_went_back_says_so_until_it_is_set(worker):
    woman = worker.add_woman("KX-281")
    worker.send_photo(worker.open_visit(woman), photo(13.0))
    assert "clock shows" not in page(worker, "/")
    age(worker, days=-3)
    assert "This computer's clock shows" in page(worker, "/")


@pytest.mark.parametrize("hb_g_dl", [None, 13.0, 9.0])
@pytest.mark.parametrize("weeks", ["20", ""])
def test_who_was_entered_by_a_clock_that_was_a_year_fast_is_due_once_it_is_set(
    worker, hb_g_dl, weeks
):
    """Her next test would have been due in a year, and until then she was on no list."""
    woman = worker.add_woman("KX-287", weeks)
    if hb_g_dl is not None:
        worker.send_photo(worker.open_visit(woman), photo(hb_g_dl))
        if hb_g_dl < 11:
            lab(worker, woman, "12.0", value_sure="yes")
    age(worker, days=-365)
    worker.app.state.shared.catch_up()
    for kept in (True, False):
        if not kept:
            with worker.app.state.database.write() as session:
                session.execute(delete(KeptLists))
        assert on_list(worker, "due", "KX-287")
        assert re.search(r"<b>1</b>\s*Test due|1\s*Test due", text_of_page(worker, "/"))
        assert "KX-287" in text_of(worker.get("/paper/today.pdf").content)
        assert "Test due:" in text_of_page(worker, woman)
    # Her weeks told and her blood read by the right clock, she is due as everybody is.
    with worker.app.state.database.write() as session:
        for reading in session.scalars(select(Reading)):
            reading.set_aside_at = reading.entered_at
    visit = worker.post(f"{woman}/visits", number="2", gestation_weeks="20").headers["location"]
    worker.send_photo(visit, photo(13.1))
    assert not on_list(worker, "due", "KX-287")
    text = text_of_page(worker, woman)
    due = re.search(r"Next test from (\d+ \w+ \d+)", text)
    assert due, text
    assert dt.datetime.strptime(due[1], "%d %b %Y").date() < today() + 100 * DAY


def test_a_year_fast_is_counted_once_beside_those_who_are_due(worker):
    for n in range(3):
        worker.add_woman(f"KX-29{n}", "38" if n else "20")
    with worker.app.state.database.write() as session:
        woman = session.scalars(select(Woman).where(Woman.code == "KX-290")).one()
        woman.added_at += 365 * DAY
        woman.gestation_on += 365 * DAY
    found = [on_list(worker, "due", f"KX-29{n}") for n in range(3)]
    assert found == [True, True, True]
    everybody = {one["code"]: one for one in worker.get("/api/women").json()}
    assert everybody["KX-290"]["due_on"] == today().isoformat()
    her = worker.get(f"/api/women/{everybody['KX-290']['id']}").json()
    assert her["due_on"] == today().isoformat()
    api = worker.get("/api/women?list=due&most=2").json()
    rest = worker.get("/api/women?list=due&start=2&most=2").json()
    assert [len(api), len(rest)] == [2, 1]
    assert {one["code"] for one in api + rest} == {f"KX-29{n}" for n in range(3)}


def test_a_clear_photo_does_not_hide_that_she_is_on_the_severe_list(worker):
    woman = worker.add_woman("KX-282")
    visit = worker.open_visit(woman)
    assert "On the severe list" not in page(
        worker, worker.send_photo(visit, photo(4.6)).json()["url"]
    )
    age(worker, days=3)
    clear = worker.send_photo(worker.open_visit(woman), photo(13.5)).json()
    assert clear["outcome"] == "not_anaemic"
    said = text_of_page(worker, clear["url"])
    assert "On the severe list" in said
    assert "Urgent referral open" in said
    assert "Sent for a test because of 4.6 g/dL." in said
    assert "Sent for a test because of 4.6 g/dL." in text_of_page(worker, "/lists/referrals")


def test_a_closed_record_is_said_to_be_on_no_list(worker):
    woman = worker.add_woman("KX-283")
    worker.send_photo(worker.open_visit(woman), photo(4.6))
    worker.post(f"{woman}/close", reason="moved", sure="yes")
    assert "On the severe list" not in page(worker, woman)
    assert "Severe when her record was closed" in page(worker, woman)


def test_weeks_can_be_told_while_todays_visit_goes_on(worker):
    """Her page asks for them, and the form that opens a visit is not there any more."""
    woman = worker.add_woman("KX-284", weeks="")
    worker.send_photo(worker.open_visit(woman), photo(13.5))
    assert f'action="{woman}/weeks"' in page(worker, woman)
    assert worker.post(f"{woman}/weeks", gestation_weeks="50").status_code == 422
    assert worker.post(f"{woman}/weeks", gestation_weeks="22").status_code == 303
    assert "Week 22 of pregnancy." in page(worker, woman)
    # The form stays: weeks are mistyped, too.
    assert f'action="{woman}/weeks"' in page(worker, woman)


def test_weeks_that_are_over_are_not_said_to_be_unknown(worker):
    woman = worker.add_woman("KX-285", weeks="40")
    age(worker, days=50)
    assert "Weeks of pregnancy not known" not in page(worker, woman)
    assert "Week 40 on" in page(worker, woman)


def test_a_form_sent_twice_is_noted_once(worker):
    """Over a slow link a button is tapped again."""
    woman = worker.add_woman("KX-286")
    reading = worker.send_photo(worker.open_visit(woman), photo(8.5)).json()["url"]
    referral = slip_link(page(worker, woman)).split("/")[2]
    for _ in range(2):
        worker.post(
            f"/referrals/{referral}/outcome", outcome="went", outcome_on=today().isoformat()
        )
        worker.post(f"{woman}/treatment", regimen="treatment", started_on=today().isoformat())
    with worker.app.state.database.read() as session:
        her = session.scalars(select(Woman)).one()
        assert [e.kind for e in her.events] == ["referral"]
        assert [t.ended_on for t in her.treatments] == [None]
    undo = "/events/" + page(worker, woman).split('action="/events/')[1].split('"')[0]
    for path in (undo, undo, f"{reading}/undo", f"{reading}/undo"):
        assert worker.post(path).status_code == 303


def test_weeks_typed_when_a_record_is_opened_again_are_kept(worker):
    """Also where the choice beside them still says the same pregnancy."""
    woman = worker.add_woman("KX-287", weeks="")
    worker.post(f"{woman}/birth", birth_outcome="live", birth_on=(today() - 90 * DAY).isoformat())
    worker.post(f"{woman}/close", reason="delivered", sure="yes")
    odd = worker.post(f"{woman}/reopen", pregnancy="same", new_weeks="30")
    assert odd.status_code == 422
    assert "began before the birth that is noted" in odd.text
    assert "Closed on" in page(worker, woman)
    worker.post(f"{woman}/reopen", pregnancy="same", new_weeks="9")
    assert "Week 9 of pregnancy." in page(worker, woman)


def test_a_photo_of_a_woman_deleted_meanwhile_is_told_and_enters_nothing(app, worker, monkeypatch):
    woman = worker.add_woman("KX-288")
    visit = worker.open_visit(woman)
    reader = app.state.shared.reader.base

    def read(data, subject):
        supervisor = Person(app, "supervisor")
        supervisor.post(f"{woman}/remove", code="KX-288")
        return type(reader).read(reader, data, subject)

    monkeypatch.setattr(reader, "read", read)
    assert worker.send_photo(visit, photo(9.0)).status_code == 404
    assert worker.get(woman).status_code == 404
