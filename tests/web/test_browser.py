"""The whole flow in a real browser at phone width, against the real server and reader.

Photos are synthetic, of the samples.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import unicodedata

import pytest
from browserkit import PASSWORD
from phone import (
    HOTSPOT_NAME,
    SHOTS,
    add_woman,
    check_page,
    choose_photo,
    keep_photo,
    new_phone,
    open_visit,
    phone_of_its_own,
    read_photo,
    readings_of,
    settle_worker,
    shot,
    sign_in,
    wait_until_sent,
)
from playwright.sync_api import Page, Route, expect

from cardreader.register.women import clean_code

pytestmark = pytest.mark.slow


def test_the_whole_visit(page, server, photos):
    page.goto("/")
    shot(page, "sign-in")
    sign_in(page, server)
    add_woman(page, "KX-501")
    open_visit(page)
    page.get_by_role("button", name="Start the drying timer").click()
    expect(page.locator(".timer-face")).to_have_text("2:59")
    shot(page, "visit")
    # A photo taken while the blot dries is not sent before she has answered.
    choose_photo(page, photos["anaemic"])
    expect(page.get_by_text("The drying timer still runs.")).to_be_visible()
    shot(page, "still-drying")
    page.get_by_role("button", name="Read the photo").click()
    expect(page.get_by_role("button", name="Photograph it again once it is dry")).to_be_focused()
    page.get_by_role("button", name="Photograph it again once it is dry").click()
    expect(page.locator(".damp")).to_be_hidden()
    assert not page.locator("input[type=file]").evaluate("field => field.files.length")
    read_photo(page, photos["anaemic"], dry=True)
    expect(page.get_by_role("heading", level=1)).to_have_text(
        "Anaemia is likely: mild to moderate."
    )
    expect(page.locator(".screening")).to_have_text("Screening only. This is not a diagnosis.")
    expect(page.get_by_text("Confirm with a blood test at a health facility.")).to_be_visible()
    value = float(page.locator(".value b").inner_text())
    assert 7.5 < value < 10.5  # 9.2 was rendered
    seen = page.locator("img.seen")
    seen.scroll_into_view_if_needed()
    assert seen.evaluate("image => image.decode().then(() => image.naturalWidth)") == 1080
    # Words come before figures on the screen, too.
    top = page.get_by_role("heading", level=1).bounding_box()
    assert top["y"] + top["height"] < page.locator(".value").bounding_box()["y"]
    shot(page, "result-anaemic")
    page.get_by_role("link", name="Read another blot").click()
    read_photo(page, photos["severe"], dry=True)
    expect(page.get_by_text("Blots together: 2.")).to_be_visible()
    expect(page.locator("section.result").get_by_text("The blots disagree.")).to_be_visible()
    page.goto("/lists/referrals")
    expect(page.get_by_text("KX-501")).to_be_visible()
    shot(page, "list-referrals")
    page.get_by_text("KX-501").click()
    page.get_by_role("link", name="Enter the laboratory result").click()
    page.get_by_label("Haemoglobin in g/dL").fill("9.3")
    page.get_by_label("Method").fill("Cell counter")
    page.get_by_role("button", name="Enter").click()
    expect(page.get_by_role("heading", level=1)).to_have_text(
        "Anaemic, confirmed: mild to moderate."
    )
    page.goto("/lists/referrals")
    expect(page.get_by_text("KX-501")).to_have_count(0)
    page.goto("/")
    shot(page, "home")


def test_a_photo_chosen_before_the_scripts_came_is_asked_about_too(browser, server, photos):
    """On a slow link the field is there before what watches it."""
    held: list[Route] = []
    # Without a service worker, which would answer for the network.
    with new_phone(browser, server.url, service_workers="block") as phone:
        page = phone.pages[0]
        sign_in(page, server)
        add_woman(page, "KX-520")
        open_visit(page)
        page.get_by_role("button", name="Start the drying timer").click()
        page.route("**/static/photoform.js", lambda route: held.append(route))
        page.reload(wait_until="commit")
        choose_photo(page, photos["anaemic"])
        expect(page.locator(".damp")).to_be_hidden()
        held[0].continue_()
        expect(page.get_by_text("The drying timer still runs.")).to_be_visible()
        expect(page.locator(".preview")).to_be_visible()


def test_who_starts_no_timer_is_asked_once_a_day(page, server, photos):
    """Nothing else tells whether the blot was dry; by a watch of her own it may have been."""
    sign_in(page, server)
    page.evaluate("localStorage.clear()")
    page.add_init_script("localStorage.removeItem('dried-untimed-on')")
    add_woman(page, "KX-521")
    open_visit(page)
    choose_photo(page, photos["anaemic"])
    expect(page.get_by_text("The drying timer was not started.")).to_be_visible()
    expect(page.get_by_text("The drying timer still runs.")).to_be_hidden()
    page.get_by_role("button", name="Read the photo").click()
    expect(page.get_by_role("button", name="Photograph it again once it is dry")).to_be_focused()
    page.get_by_role("button", name="This blot is dry").click()
    choose_photo(page, photos["severe"])
    expect(page.locator(".damp")).to_be_hidden()
    # Another day it is asked again; a timer that was started answers it.
    page.evaluate("localStorage.setItem('dried-untimed-on', 'yesterday')")
    choose_photo(page, photos["severe"])
    expect(page.get_by_text("The drying timer was not started.")).to_be_visible()
    visit = page.url.split("/visits/")[1].split("?")[0]
    page.evaluate(f"localStorage.setItem('timer-drying-{visit}', String(Date.now() - 240000))")
    page.reload()
    choose_photo(page, photos["severe"])
    expect(page.locator(".preview")).to_be_visible()
    expect(page.locator(".damp")).to_be_hidden()


def test_severe_is_urgent_and_listed(page, server, photos):
    sign_in(page, server)
    add_woman(page, "KX-502")
    open_visit(page)
    read_photo(page, photos["severe"])
    expect(page.get_by_role("heading", level=1)).to_have_text("Severe anaemia is likely.")
    expect(page.get_by_text("Refer her now to a unit")).to_be_visible()
    shot(page, "result-severe")
    slip = page.request.get(page.get_by_role("link", name="Referral slip").get_attribute("href"))
    assert slip.body().startswith(b"%PDF-")
    page.goto("/lists/severe")
    expect(page.get_by_text("KX-502")).to_be_visible()
    page.get_by_text("KX-502").click()
    expect(page.get_by_role("heading", name="Urgent referral open")).to_be_visible()
    shot(page, "woman")


def test_refused_photo_tells_how_to_retake(page, server, photos):
    sign_in(page, server)
    add_woman(page, "KX-503")
    open_visit(page)
    read_photo(page, photos["nothing"])
    expect(page.get_by_role("heading", level=1)).to_have_text(
        "Not read. This does not mean that she is well."
    )
    expect(page.locator(".advice")).to_contain_text("card")
    expect(page.locator(".value")).to_have_count(0)
    shot(page, "result-refused")
    page.get_by_role("link", name="Take the photo again").click()
    read_photo(page, photos["fine"])
    expect(page.get_by_role("heading", level=1)).to_have_text("Anaemia is unlikely.")
    shot(page, "result-fine")


def test_tube_in_percent(page, server):
    sign_in(page, server)
    add_woman(page, "KX-504")
    page.get_by_role("link", name="Tube reading").click()
    page.get_by_role("button", name="Start the ten minutes").click()
    expect(page.locator(".timer-face")).to_have_text("9:59")
    shot(page, "tube")
    page.reload()  # the timer goes on
    expect(page.locator(".timer-words")).to_contain_text("Wait")
    page.get_by_label("percent (20 to 160)").check()
    page.get_by_label("Value").fill("60")
    page.get_by_role("button", name="Enter").click()
    # 60 % of 15 g/dL (common practice: 24 g/dL = 160 %).
    expect(page.locator(".value")).to_have_text("9.0 g/dL")


def test_history_shows_every_value_and_the_missing_rise(page, server):
    sign_in(page, server)
    page.goto("/lists/no-rise")
    page.get_by_text("KX-400").click()
    expect(page.get_by_role("heading", name="No rise on treatment")).to_be_visible()
    expect(page.locator("svg.plot .point")).to_have_count(5)
    expect(page.locator("svg.plot .whisker")).to_have_count(5)
    expect(page.locator("table tbody tr")).to_have_count(5)
    shot(page, "history")


def test_server_out_of_reach_and_back(page, server, photos):
    sign_in(page, server)
    add_woman(page, "KX-505")
    open_visit(page)
    settle_worker(page)
    server.kill()
    # On a page that was open: kept, and said so.
    keep_photo(page, photos["anaemic"])
    # On a page that can't be loaded: the phone's own page comes instead.
    page.goto("/women/new")
    expect(page.get_by_role("heading", level=1)).to_have_text("Photos kept on this phone")
    page.get_by_label("Her code in your register").fill("kx-506")
    page.get_by_label("Weeks").fill("30")
    fine = choose_photo(page, photos["fine"])
    page.get_by_role("button", name="Keep and send").click()
    expect(page.locator(".photo-form .form-status")).to_contain_text("Kept on this phone")
    expect(page.locator("#unsent-count")).to_have_text("2")
    expect(page.locator("#reach")).to_contain_text("out of reach")
    shot(page, "offline")
    server.start()
    page.get_by_role("button", name="Send now").click()
    wait_until_sent(page)
    shot(page, "sent")
    # What was said of the kept photo holds no longer.
    expect(page.locator(".photo-form .form-status")).to_be_empty()
    expect(page.locator("#arrived-list")).to_contain_text(f"{dt.date.today():%-d %b %Y}")
    assert len(readings_of(page, "KX-505")) == 1
    (offline,) = readings_of(page, "KX-506")
    assert offline["outcome"] == "not_anaemic"
    # Resized nowhere: the very bytes of the file were read.
    sent = hashlib.sha256(fine.read_bytes()).hexdigest()
    assert offline["reading"]["photo"]["sha256"] == sent
    page.locator("#arrived-list a").first.click()
    expect(page.get_by_role("heading", level=1)).to_be_visible()


def test_the_page_for_keeping_photos_takes_the_digits_of_every_script(page, server):
    """Of each of Python's decimal digits (Unicode's own table) the value that Python gives it."""
    sign_in(page, server)
    page.goto("/unsent")
    weeks = page.get_by_label("Weeks")
    # Arabic, Devanagari, Persian, full width.
    for written, plain in (
        *(("\u0663\u0660", "30"), ("\u0968\u096a", "24")),
        *(("\u06f7", "7"), ("\uff11\uff12", "12")),
    ):
        weeks.fill(written)
        expect(weeks).to_have_value(plain)
        assert weeks.evaluate("field => field.checkValidity()")
    code = page.get_by_label("Her code in your register")
    code.fill("kx\u2013\u0665\u0660\u0666")
    expect(code).to_have_value("kx-506")
    every = [c for c in map(chr, range(0x110000)) if c.isdecimal()]
    weeks.fill("".join(every))
    expect(weeks).to_have_value("".join(str(unicodedata.decimal(c)) for c in every))


def test_answer_lost_on_the_way_doubles_nothing(page, server, photos):
    sign_in(page, server)
    add_woman(page, "KX-507")
    open_visit(page)
    lost = []

    def lose_answer(route):
        if lost:
            route.continue_()
            return
        lost.append(route.fetch())  # the server has entered it...
        route.abort()  # ...and the phone never learns

    page.route("**/api/visits/*/photos", lose_answer)
    keep_photo(page, photos["anaemic"])
    assert lost[0].status == 201
    assert len(readings_of(page, "KX-507")) == 1
    page.goto("/unsent")
    wait_until_sent(page)
    assert len(readings_of(page, "KX-507")) == 1


def test_a_phone_whose_clock_is_slow_is_corrected_and_told(page, server, photos):
    page.clock.install(time=dt.datetime.now(dt.UTC) - dt.timedelta(days=5))
    sign_in(page, server)
    add_woman(page, "KX-511")
    open_visit(page)
    read_photo(page, photos["severe"], dry=True)  # another day, on which nobody answered
    expect(page.get_by_text("The phone's clock is 5 days slow.")).to_be_visible()
    (reading,) = readings_of(page, "KX-511")
    taken = dt.datetime.fromisoformat(reading["taken_at"])
    assert abs(taken - dt.datetime.now(dt.UTC)) < dt.timedelta(minutes=10)


def test_a_clock_that_is_set_while_a_photo_waits_is_told(page, server, photos):
    """A phone's clock is slow until a network sets it."""
    page.clock.install(time=dt.datetime.now(dt.UTC) - dt.timedelta(days=5))
    sign_in(page, server)
    settle_worker(page)
    page.goto("/unsent")
    server.kill()
    page.get_by_label("Her code in your register").fill("kx-512")
    choose_photo(page, photos["severe"])
    page.get_by_role("button", name="This blot is dry").click()
    page.get_by_role("button", name="Keep and send").click()
    expect(page.locator(".photo-form .form-status")).to_contain_text("Kept on this phone")
    page.clock.set_system_time(dt.datetime.now(dt.UTC))
    server.start()
    page.get_by_role("button", name="Send now").click()
    wait_until_sent(page)
    page.locator("#arrived-list a").first.click()
    expect(page.get_by_text("The phone's clock could not be checked")).to_be_visible()


def test_a_photo_that_the_server_stumbles_over_does_not_hold_the_others_back(page, server, photos):
    sign_in(page, server)
    settle_worker(page)
    page.goto("/unsent")
    server.kill()
    for code in ("kx-513", "kx-514"):
        page.get_by_label("Her code in your register").fill(code)
        choose_photo(page, photos["anaemic"])
        page.get_by_role("button", name="Keep and send").click()
        expect(page.locator("#unsent-list")).to_contain_text(code.upper())
    server.start()

    def stumble(route):
        if "KX-513" in (route.request.post_data_buffer or b"").decode(errors="ignore").upper():
            route.fulfill(status=500, body="")
        else:
            route.continue_()

    page.context.route("**/api/photos", stumble)
    for _ in range(2):
        page.get_by_role("button", name="Send now").click()
        page.evaluate("Queue.flush()")
    expect(page.locator("#unsent-count")).to_have_text("1")
    expect(page.locator("#unsent-list")).to_contain_text("KX-513")
    assert len(readings_of(page, "KX-514")) == 1
    page.context.unroute("**/api/photos", stumble)
    page.get_by_role("button", name="Send now").click()
    wait_until_sent(page)
    assert len(readings_of(page, "KX-513")) == 1


def test_photos_survive_the_browser_being_closed(page, context, server, photos):
    sign_in(page, server)
    add_woman(page, "KX-508")
    open_visit(page)
    settle_worker(page)
    server.kill()
    keep_photo(page, photos["anaemic"])
    page.close()
    server.start()
    again = context.new_page()
    again.goto("/unsent")
    wait_until_sent(again)
    assert len(readings_of(again, "KX-508")) == 1


def test_without_a_secure_connection_the_open_page_keeps_photos(browser, page, server, photos):
    """Plain HTTP under a name: no service worker there, but storage, and the page sends."""
    url = server.url.replace("127.0.0.1", HOTSPOT_NAME)
    with new_phone(browser, url) as phone:
        insecure = phone.pages[0]
        insecure.clock.install()
        insecure.goto("/sign-in")
        assert insecure.evaluate("[isSecureContext, 'serviceWorker' in navigator]") == [
            False,
            False,
        ]
        insecure.get_by_label("Name").fill("worker")
        insecure.get_by_label("Password").fill(PASSWORD)
        insecure.get_by_role("button", name="Sign in").click()
        insecure.wait_for_url(lambda at: "/sign-in" not in at)
        add_woman(insecure, "KX-510")
        open_visit(insecure)
        expect(insecure.locator(".photo-form")).to_be_visible()
        server.kill()
        choose_photo(insecure, photos["anaemic"])
        insecure.get_by_role("button", name="Read the photo").click()
        expect(insecure.locator(".photo-form .form-status")).to_contain_text("Kept on this phone")
        server.start()
        insecure.clock.fast_forward(15_000)
        wait_until_sent(insecure)  # without anybody touching it
        # The form no longer says that the photo waits, and leads to what was read on it.
        status = insecure.locator(".photo-form .form-status")
        expect(status).not_to_contain_text("Kept on this phone")
        status.get_by_role("link", name="KX-510").click()
        expect(insecure.get_by_text("Anaemia is likely")).to_be_visible()
        sign_in(page, server)
        assert len(readings_of(page, "KX-510")) == 1


def test_photos_of_one_worker_are_not_sent_as_anothers(page, server, photos):
    sign_in(page, server)
    add_woman(page, "KX-509")
    open_visit(page)
    settle_worker(page)
    server.kill()
    keep_photo(page, photos["anaemic"])
    server.start()
    page.context.clear_cookies()
    sign_in(page, server, "supervisor")
    page.goto("/unsent")
    expect(page.locator("#unsent-list")).to_contain_text("Waits for worker to sign in.")
    assert readings_of(page, "KX-509") == []
    page.context.clear_cookies()
    sign_in(page, server)
    page.goto("/unsent")
    wait_until_sent(page)
    assert len(readings_of(page, "KX-509")) == 1


PAGES = {
    "worker": [
        "/",
        "/women?find=KX",
        "/women/new",
        "/lists/severe",
        "/lists/no-rise",
        "/more",
        "/paper/enter",
    ],
    "supervisor": [
        "/summary",
        "/exchange",
        "/people",
        "/audit",
        "/password",
        "/unsent",
        "/pin",
        "/backup",
        "/conflicts",
        "/registers",
    ],
}


@pytest.mark.parametrize("language", ["English", "Français"])
def test_pages_are_accessible_and_fit_a_phone(page, server, axe, language):
    # The markup is the same in both; the other language is looked at for its longer words.
    axe = axe if language == "English" else None
    page.goto("/sign-in")
    page.get_by_role("button", name=language).click()
    expect(page.locator("html")).to_have_attribute("lang", language[:2].lower())
    page.wait_for_load_state()
    check_page(page, axe, "/sign-in")
    for name, paths in PAGES.items():
        page.context.clear_cookies(name="signed_in")
        sign_in(page, server, name)
        for path in [*paths, *(own_pages(page) if name == "worker" else ())]:
            page.goto(path)
            check_page(page, axe, path)
            if SHOTS and language == "Français" and path in ("/", "/summary"):
                shot(page, f"french{path.replace('/', '-')}")


UNITS = """() => {
  const walk = document.createTreeWalker(document.querySelector("main"), NodeFilter.SHOW_TEXT);
  const at = (node, from, to) => {
    const range = document.createRange();
    range.setStart(node, from);
    range.setEnd(node, to);
    return range.getBoundingClientRect();
  };
  const found = [];
  for (let node = walk.nextNode(); node; node = walk.nextNode()) {
    for (const match of node.data.matchAll(/([\\d.,]+)(\\u2069?[ ])g\\/dL/g)) {
      const number = at(node, match.index, match.index + match[1].length);
      const start = match.index + match[0].length - 4;
      const unit = at(node, start, start + 4);
      if (number.width && Math.abs(number.y - unit.y) < 4) found.push([match[0], number.x, unit.x]);
    }
  }
  return found;
}"""


def test_values_codes_and_units_keep_their_order_in_arabic(page, server):
    """As the browser sets them: 9.0 before g/dL, and 12-KX never as KX-12 (UAX #9)."""
    sign_in(page, server)
    page.request.post("/language", form={"language": "ar"})
    try:
        page.goto("/women/new")
        page.locator("#code").fill("12-KX")
        page.locator("form.sheet button").last.click()
        code = page.locator("h1")
        expect(code).to_have_text("12-KX")
        first, last = code.evaluate(
            """heading => [[0, 2], [3, 5]].map(([from, to]) => {
              const walk = document.createTreeWalker(heading, NodeFilter.SHOW_TEXT);
              const range = document.createRange();
              const text = walk.nextNode();
              range.setStart(text, from);
              range.setEnd(text, to);
              return range.getBoundingClientRect().x;
            })"""
        )
        assert first < last
        shown = []
        for path in ["/women?find=KX", "/lists/no-rise", *own_pages(page)]:
            page.goto(path)
            shown += page.evaluate(UNITS)
        assert len(shown) > 5
        for words, number, unit in shown:
            assert number < unit, words
    finally:
        page.request.post("/language", form={"language": "en"})


def own_pages(page: Page) -> list[str]:
    """A result of each kind that the register holds by now, its visit, and women of all kinds.

    Of one kind are women with readings of the same kinds in the same order.
    """
    women = page.request.get("/api/women").json()
    paths = []
    seen = set()
    for woman in women:
        readings = page.request.get(f"/api/women/{woman['id']}/readings").json()
        kinds = [(reading["source"], reading["outcome"]) for reading in readings]
        if tuple(kinds) not in seen:
            seen.add(tuple(kinds))
            paths.append(f"/women/{woman['id']}")
        for kind, reading in zip(kinds, readings, strict=True):
            if kind not in seen:
                seen.add(kind)
                paths.append(reading["url"])
                if reading["visit_id"]:
                    paths.append(f"/visits/{reading['visit_id']}")
    paths += [f"/women/{women[0]['id']}/{form}" for form in ("tube", "lab")]
    return paths


def test_nothing_is_fetched_from_elsewhere(page, server):
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    sign_in(page, server)
    for path in PAGES["worker"]:
        page.goto(path)
    assert asked
    assert all(url.startswith((server.url, "blob:", "data:")) for url in asked)


def test_installable(playwright, server, tmp_path):
    """What Chromium asks of an installable page: manifest, icons, secure origin, a profile."""
    with phone_of_its_own(playwright, server.url, tmp_path / "profile", whole=True) as phone:
        page = phone.pages[0]
        sign_in(page, server)
        settle_worker(page)
        session = phone.new_cdp_session(page)
        assert session.send("Page.getInstallabilityErrors")["installabilityErrors"] == []
        manifest = session.send("Page.getAppManifest")
        assert manifest["errors"] == []


@pytest.mark.parametrize(
    "code",
    [
        *("KX-514", " kx-514 ", "KX 514", "KX/5-14", "KM-\u0667\u0660\u0663", "\u0967\u0968\u0969"),
        *("\u0938\u0940\u0924\u093e-1", "KX", "K" * 25, "-KX-1", "KX_1"),
    ],
)
def test_without_network_a_code_is_taken_as_the_register_takes_it(page, server, code):
    """Arabic and Devanagari digits, and a blank that a keyboard adds, could not be kept."""
    sign_in(page, server)
    page.goto("/unsent")
    field = page.locator("#code")
    field.evaluate("(field, code) => { field.value = code; }", code)
    try:
        clean_code(code)
        taken = len(code) <= 24
    except ValueError:
        taken = False
    assert field.evaluate("field => field.checkValidity()") is taken
    assert "A to Z" in field.get_attribute("title")
