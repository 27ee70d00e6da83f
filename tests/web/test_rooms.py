"""What a worker sees without searching for it, on a screen 360 px wide."""

from __future__ import annotations

import pytest
from builders import add_woman as put_woman
from builders import facts, lab
from builders import photo as put_photo
from phone import (
    PHONE,
    add_woman,
    choose_photo,
    open_visit,
    settle_worker,
    shot,
    sign_in,
    until,
    wait_until_sent,
)
from playwright.sync_api import expect

from cardreader.register.database import Database, sqlite_url

pytestmark = pytest.mark.slow


@pytest.fixture
def register(server):
    """The running server's database, beside it: written to, then left alone."""
    database = Database(sqlite_url(server.data / "register.db"))
    yield database
    database.close()


def test_camera_is_reached_without_scrolling(page, server):
    sign_in(page, server)
    add_woman(page, "RA-1")
    open_visit(page)
    bar = page.get_by_role("navigation", name="Main").bounding_box()
    for camera in (page.locator(".camera"), page.get_by_label("Take the photo")):
        box = camera.bounding_box()
        assert box["y"] + box["height"] <= bar["y"]
    assert page.evaluate("scrollY") == 0


def test_what_a_form_asks_is_seen_at_once_on_a_long_page(page, server):
    sign_in(page, server)
    add_woman(page, "RA-2")
    page.locator("summary", has_text="Close her record").click()
    page.locator("form[action$='/close'] [value=transferred]").check()
    page.locator("form[action$='/close'] button").click()
    told = page.locator("#words-problem")
    expect(told).to_be_focused()
    box = told.bounding_box()
    bar = page.get_by_role("navigation", name="Main").bounding_box()
    assert box["y"] >= 0
    assert box["y"] + box["height"] <= bar["y"]


def test_what_is_shown_at_once_is_not_told_on_the_list(page, server, photos):
    sign_in(page, server)
    page.goto("/unsent")
    page.get_by_label("Her code in your register").fill("RB-9")
    choose_photo(page, photos["fine"])
    page.get_by_role("button", name="Keep and send").click()
    page.wait_for_url("**/readings/*", timeout=40_000)
    until(page, "Queue.results(lastAccount().id).then(told => told.length === 0)")
    page.goto("/")
    expect(page.locator("#arrived-badge")).to_be_hidden()


def test_sent_later_tells_code_and_outcome_severe_first(page, server, photos):
    sign_in(page, server)
    page.goto("/unsent")
    settle_worker(page)
    server.kill()
    for code, name in (
        ("RB-1", "fine"),
        ("RB-2", "nothing"),
        ("RB-3", "severe"),
        ("RB-4", "anaemic"),
    ):
        page.get_by_label("Her code in your register").fill(code)
        choose_photo(page, photos[name])
        page.get_by_role("button", name="Keep and send").click()
        expect(page.locator(".photo-form .form-status")).to_contain_text("Kept on this phone")
    server.start()
    # Sent from whatever page is open then; the results are told on every page.
    page.goto("/")
    wait_until_sent(page)
    # What another page or the worker sent, this page sees when it looks again, as every 15 s.
    page.evaluate("sendWaiting()")
    expect(page.locator("#arrived-badge")).to_have_text("results 4")
    expect(page.locator("#arrived-badge")).to_have_class("unsent-badge urgent")
    page.locator("#arrived-badge").click()
    rows = page.locator("#arrived-list a")
    expect(rows).to_have_count(4)
    texts = [" ".join(row.split()) for row in rows.all_inner_texts()]
    starts = ["RB-3 Severe", "RB-2 Not read", "RB-4 Anaemic", "RB-1 Anaemia unlikely"]
    assert [t.startswith(s) for t, s in zip(texts, starts, strict=True)] == [True] * 4, texts
    assert "g/dL" in texts[0]
    assert "g/dL" not in texts[1]
    shot(page, "arrived")
    # Another person on this phone doesn't see them.
    page.context.clear_cookies()
    sign_in(page, server, "supervisor")
    expect(page.locator("#arrived-badge")).to_be_hidden()
    page.context.clear_cookies()
    sign_in(page, server)
    page.goto("/unsent")
    rows.first.click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Severe anaemia is likely.")
    page.goto("/unsent")
    page.get_by_role("button", name="I have seen these").click()
    expect(rows).to_have_count(0)
    expect(page.locator("#arrived-badge")).to_be_hidden()


def test_a_photo_on_its_way_is_shown_and_can_be_stopped(page, server, photos):
    """The words are 'sending' until the photo has arrived, and only then 'reading'."""
    sign_in(page, server)
    add_woman(page, "RC-1")
    open_visit(page)
    # A link of 8 kB/s.
    slow = page.context.new_cdp_session(page)
    slow.send("Network.enable")
    link = {"offline": False, "latency": 50, "downloadThroughput": 1e6}
    slow.send("Network.emulateNetworkConditions", {**link, "uploadThroughput": 8000})
    choose_photo(page, photos["anaemic"])
    page.get_by_role("button", name="Read the photo").click()
    status = page.locator(".photo-form .form-status")
    expect(status).to_have_text("Sending the photo.")
    until_value = "document.querySelector('progress').value > 0"
    page.wait_for_timeout(300)
    for _ in range(100):
        if page.evaluate(until_value):
            break
        page.wait_for_timeout(100)
    assert 0 < page.evaluate("document.querySelector('progress').value") < 1
    expect(status).to_have_text("Sending the photo.")
    shot(page, "sending")
    page.get_by_role("button", name="Stop sending").click()
    expect(status).to_contain_text("The photo is not sent")
    expect(page.locator("#unsent-badge")).to_be_hidden()
    slow.send("Network.emulateNetworkConditions", {**link, "uploadThroughput": 1e7})
    woman = page.locator(".crumb a").first.get_attribute("href")
    assert page.request.get(f"/api{woman}/readings").json() == []
    # The photo is still chosen: sent now, it is read.
    page.get_by_role("button", name="Read the photo").click()
    page.wait_for_url("**/readings/*", timeout=40_000)


def test_the_same_photo_is_asked_about_on_the_phone(page, server, photos):
    sign_in(page, server)
    add_woman(page, "RD-1")
    open_visit(page)
    same = choose_photo(page, photos["anaemic"])
    page.get_by_role("button", name="Read the photo").click()
    page.wait_for_url("**/readings/*", timeout=40_000)
    add_woman(page, "RD-2")
    open_visit(page)
    page.get_by_label("Take the photo").set_input_files(same)
    page.get_by_role("button", name="Read the photo").click()
    status = page.locator(".photo-form .form-status")
    expect(status).to_contain_text("This very photo is entered already: RD-1")
    shot(page, "same-photo")
    page.get_by_role("button", name="It is meant").click()
    page.wait_for_url("**/readings/*", timeout=40_000)
    expect(page.get_by_text("also entered for RD-1")).to_be_visible()


OUTSIDE = """() => [...document.querySelectorAll('svg.plot text')].filter(text => {
  const frame = text.ownerSVGElement.getBoundingClientRect(), box = text.getBoundingClientRect();
  return box.left < frame.left || box.right > frame.right || box.bottom > frame.bottom;
}).map(text => text.textContent)"""


def test_dates_on_the_chart_are_whole(page, server, register):
    women = []
    with register.write() as session:
        for k, days in enumerate([[0.02, 0.01], [9, 8], [200, 1], [3]]):
            woman = put_woman(session, f"RE-{k}", days_ago=210)
            for n, ago in enumerate(days):
                put_photo(session, woman, facts(9.0 + n), days_ago=ago, number=n + 1)
            session.flush()
            women.append(woman.id)
    for name in ("en", "fr"):
        page.context.add_cookies([{"name": "language", "value": name, "url": server.url}])
        sign_in(page, server)
        for woman_id in women:
            page.goto(f"/women/{woman_id}")
            assert page.locator("svg.plot text").count() > 3
            assert page.evaluate(OUTSIDE) == [], (name, woman_id)


OVERFLOWING = """() => [...document.querySelectorAll('.scroll')]
  .filter(e => e.scrollWidth > e.clientWidth).map(e => `${e.scrollWidth} > ${e.clientWidth}`)"""


def test_tables_of_trail_and_drift_fit_the_phone(page, server, register):
    with register.write() as session:
        woman = put_woman(session, "RF-1", days_ago=60)
        for n in range(3):
            photo = facts(9.0 + n)
            long_name = "Invented-Maker-Of-Phones XQ-99421-LONG/DS"
            given = type(photo)(**{**vars(photo), "phone": long_name})
            put_photo(session, woman, given, days_ago=40 - 10 * n, number=n + 1)
            lab(session, woman, 9.2 + n, days_ago=39 - 10 * n)
        session.flush()
        woman_id = woman.id
    for language in ("en", "fr"):
        page.context.add_cookies([{"name": "language", "value": language, "url": server.url}])
        sign_in(page, server, "supervisor")
        for path in ("/audit", "/exchange", f"/women/{woman_id}"):
            page.goto(path)
            assert page.locator("table").count() >= 1
            assert page.evaluate(OVERFLOWING) == [], path
            assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
            shot(page, path.strip("/").split("/")[0] + "-table")


def test_may_be_severe_stays_readable_in_the_history(page, server, register):
    with register.write() as session:
        woman = put_woman(session, "RG-1", days_ago=60)
        put_photo(session, woman, facts(7.3, sd_g_dl=0.9), days_ago=40, number=1)
        put_photo(session, woman, facts(10.6, sd_g_dl=0.6), days_ago=10, number=2)
        session.flush()
        woman_id = woman.id
    sign_in(page, server)
    page.goto(f"/women/{woman_id}")
    cells = page.locator("table tbody td:last-child").all_inner_texts()
    assert cells == ["Uncertain", "May be severe"]
    page.locator("table tbody a").last.click()
    expect(page.get_by_text("May be severe")).to_be_visible()
