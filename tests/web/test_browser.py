"""The whole flow in a real browser at phone width, against the real server and reader.

Photos are synthetic, rendered by ``cardreader.simulate``.
"""

from __future__ import annotations

import hashlib
import io
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from browserkit import (
    CHROMIUM_OPTIONS,
    PASSWORD,
    PHONE,
    ROOT,
    Server,
    axe_source,
    chromium_path,
)
from PIL import Image
from playwright.sync_api import BrowserContext, Page, Playwright, expect, sync_playwright

HOTSPOT_NAME = "register.hotspot"
SHOTS = os.environ.get("CARDREADER_SCREENSHOTS")
"""A folder to leave screenshots in, for the docs."""


@pytest.fixture(scope="module")
def photos(tmp_path_factory) -> dict[str, Path]:
    """Synthetic photos by name: severe, anaemic, fine; and one that shows no card."""
    folder = tmp_path_factory.mktemp("photos")
    code = "import sys; from cardreader.cli import main; sys.exit(main())"
    subprocess.run(
        [sys.executable, "-c", code, "simulate", "--out", folder, "--hb", "5", "9", "14.5"],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        check=True,
        capture_output=True,
        timeout=120,
    )
    found = sorted(folder.glob("*.jpg"))
    noise = np.random.default_rng(1).integers(90, 160, (1200, 1600, 3), dtype=np.uint8)
    nothing = folder / "nothing.jpg"
    out = io.BytesIO()
    Image.fromarray(noise).save(out, "JPEG")
    nothing.write_bytes(out.getvalue())
    return dict(zip(("severe", "anaemic", "fine", "nothing"), [*found, nothing], strict=True))


@pytest.fixture(scope="module")
def server(tmp_path_factory) -> Iterator[Server]:
    """The server, with an account a role."""
    server = Server(tmp_path_factory.mktemp("register") / "data", "--place", "Invented Hill")
    server.add_people()
    server.add_history()
    server.start()
    yield server
    server.kill()


@pytest.fixture(scope="module")
def playwright() -> Iterator[Playwright]:
    """The browser's remote control."""
    with sync_playwright() as running:
        yield running


@pytest.fixture
def context(playwright, server, tmp_path) -> Iterator[BrowserContext]:
    """A fresh phone: own storage, 360 px wide, touch."""
    context = new_phone(playwright, server.url, tmp_path / "profile")
    yield context
    context.close()


def new_phone(playwright: Playwright, url: str, profile: Path) -> BrowserContext:
    context = playwright.chromium.launch_persistent_context(
        str(profile),
        executable_path=chromium_path(),
        headless=True,
        # A name that isn't "localhost", for a page that the browser deems insecure.
        args=[*CHROMIUM_OPTIONS, f"--host-resolver-rules=MAP {HOTSPOT_NAME} 127.0.0.1"],
        viewport=PHONE,
        device_scale_factor=2,
        has_touch=True,
        is_mobile=True,
        locale="en-GB",
        base_url=url,
    )
    context.set_default_timeout(15_000)
    return context


@pytest.fixture
def page(context) -> Iterator[Page]:
    """A page; script errors and assets refused by the page's own policy fail the test."""
    faults: list[str] = []
    context.on("weberror", lambda error: faults.append(str(error.error)))
    context.on(
        "console",
        lambda line: faults.append(line.text) if "Security Policy" in line.text else None,
    )
    yield context.pages[0]
    assert faults == []


def sign_in(page: Page, server: Server, name: str = "worker") -> None:
    """By the form once, then with its cookie: the server slows many sign-ins down."""
    if name in server.cookies:
        page.context.add_cookies(server.cookies[name])
        page.goto("/")
        return
    page.goto("/sign-in")
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(lambda url: "/sign-in" not in url)
    server.cookies[name] = page.context.cookies()


def add_woman(page: Page, code: str, weeks: str = "22") -> None:
    page.goto("/women/new")
    page.get_by_label("Her code in your register").fill(code)
    page.get_by_label("Weeks of pregnancy today").fill(weeks)
    page.get_by_role("button", name="Add").click()
    expect(page.get_by_role("heading", name=code)).to_be_visible()


def open_visit(page: Page) -> None:
    page.get_by_role("button", name="Prick, blot and photo").click()
    expect(page.get_by_role("heading", name="Visit 1")).to_be_visible()


def read_photo(page: Page, photo: Path) -> None:
    page.get_by_label("Take the photo").set_input_files(photo)
    page.get_by_role("button", name="Read the photo").click()
    page.wait_for_url("**/readings/*", timeout=40_000)


def shot(page: Page, name: str) -> None:
    if SHOTS:
        # A window as tall as the page, so that the bar stands at its foot.
        height = page.evaluate("document.documentElement.scrollHeight")
        page.set_viewport_size({"width": PHONE["width"], "height": max(height, PHONE["height"])})
        # Few colours keep the files small.
        picture = Image.open(io.BytesIO(page.screenshot())).convert("RGB").quantize(96)
        picture.save(f"{SHOTS}/{name}.png", optimize=True)
        page.set_viewport_size(PHONE)


def until(page: Page, expression: str, seconds: float = 40) -> None:
    """Wait until a script's expression is true; by asking, as the pages allow no ``eval``."""
    latest = time.monotonic() + seconds
    while not page.evaluate(expression):
        assert time.monotonic() < latest, expression
        page.wait_for_timeout(100)


def settle_worker(page: Page) -> None:
    """Wait until the service worker holds the page."""
    until(page, "navigator.serviceWorker.controller !== null")


def wait_until_sent(page: Page) -> None:
    """Wait until the phone keeps nothing any more, and says so."""
    until(page, "Queue.all().then(kept => kept.length === 0)")
    expect(page.locator("#unsent-badge")).to_be_hidden()


def readings_of(page: Page, code: str) -> list[dict]:
    """A woman's readings as the API gives them."""
    women = page.request.get("/api/women").json()
    (woman,) = [w for w in women if w["code"] == code]
    return page.request.get(f"/api/women/{woman['id']}/readings").json()


def test_the_whole_visit(page, server, photos):
    page.goto("/")
    shot(page, "sign-in")
    sign_in(page, server)
    add_woman(page, "KX-501")
    open_visit(page)
    page.get_by_role("button", name="Start the drying timer").click()
    expect(page.locator(".timer-face")).to_have_text("2:59")
    shot(page, "visit")
    read_photo(page, photos["anaemic"])
    expect(page.get_by_role("heading", level=1)).to_have_text("Anaemia is likely.")
    expect(page.locator(".screening")).to_have_text("Screening only. This is not a diagnosis.")
    expect(page.get_by_text("Confirm with a blood test at a health facility.")).to_be_visible()
    value = float(page.locator(".value b").inner_text())
    assert 7.5 < value < 10.5  # 9.0 was rendered
    seen = page.locator("img.seen")
    seen.scroll_into_view_if_needed()
    assert seen.evaluate("image => image.decode().then(() => image.naturalWidth)") == 1080
    # Words come before figures on the screen, too.
    top = page.get_by_role("heading", level=1).bounding_box()
    assert top["y"] + top["height"] < page.locator(".value").bounding_box()["y"]
    shot(page, "result-anaemic")
    page.get_by_role("link", name="Read another blot").click()
    read_photo(page, photos["severe"])
    expect(page.get_by_text("From 2 blots together.")).to_be_visible()
    expect(page.get_by_text("The blots disagree.")).to_be_visible()
    page.goto("/lists/referrals")
    expect(page.get_by_text("KX-501")).to_be_visible()
    shot(page, "list-referrals")
    page.get_by_text("KX-501").click()
    page.get_by_role("link", name="Enter the laboratory result").click()
    page.get_by_label("Haemoglobin in g/dL").fill("9.3")
    page.get_by_label("Method").fill("Cell counter")
    page.get_by_role("button", name="Enter").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Anaemic, confirmed")
    page.goto("/lists/referrals")
    expect(page.get_by_text("KX-501")).to_have_count(0)
    page.goto("/")
    shot(page, "home")


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
    page.get_by_label("Take the photo").set_input_files(photos["anaemic"])
    page.get_by_role("button", name="Read the photo").click()
    expect(page.locator(".photo-form .form-status")).to_contain_text("Kept on this phone")
    # On a page that can't be loaded: the phone's own page comes instead.
    page.goto("/women/new")
    expect(page.get_by_role("heading", level=1)).to_have_text("Photos kept on this phone")
    page.get_by_label("Her code in your register").fill("kx-506")
    page.get_by_label("Weeks").fill("30")
    page.get_by_label("Take the photo").set_input_files(photos["fine"])
    page.get_by_role("button", name="Keep and send").click()
    expect(page.locator(".photo-form .form-status")).to_contain_text("Kept on this phone")
    expect(page.locator("#unsent-count")).to_have_text("2")
    expect(page.locator("#reach")).to_contain_text("out of reach")
    shot(page, "offline")
    server.start()
    page.get_by_role("button", name="Send now").click()
    wait_until_sent(page)
    assert len(readings_of(page, "KX-505")) == 1
    (offline,) = readings_of(page, "KX-506")
    assert offline["outcome"] == "not_anaemic"
    # Resized nowhere: the very bytes of the file were read.
    sent = hashlib.sha256(photos["fine"].read_bytes()).hexdigest()
    assert offline["reading"]["photo"]["sha256"] == sent
    page.get_by_text("Sent. See the result.").first.click()
    expect(page.get_by_role("heading", level=1)).to_be_visible()


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
    page.get_by_label("Take the photo").set_input_files(photos["anaemic"])
    page.get_by_role("button", name="Read the photo").click()
    expect(page.locator(".photo-form .form-status")).to_contain_text("Kept on this phone")
    assert lost[0].status == 201
    assert len(readings_of(page, "KX-507")) == 1
    page.goto("/unsent")
    wait_until_sent(page)
    assert len(readings_of(page, "KX-507")) == 1


def test_photos_survive_the_browser_being_closed(playwright, page, context, server, photos):
    sign_in(page, server)
    add_woman(page, "KX-508")
    open_visit(page)
    settle_worker(page)
    server.kill()
    page.get_by_label("Take the photo").set_input_files(photos["anaemic"])
    page.get_by_role("button", name="Read the photo").click()
    expect(page.locator(".photo-form .form-status")).to_contain_text("Kept on this phone")
    page.close()
    server.start()
    again = context.new_page()
    again.goto("/unsent")
    wait_until_sent(again)
    assert len(readings_of(again, "KX-508")) == 1


def test_without_a_secure_connection_the_open_page_keeps_photos(
    playwright, page, server, photos, tmp_path
):
    """Plain HTTP under a name: no service worker there, but storage, and the page sends."""
    url = server.url.replace("127.0.0.1", HOTSPOT_NAME)
    phone = new_phone(playwright, url, tmp_path / "insecure")
    try:
        insecure = phone.pages[0]
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
        server.kill()
        insecure.get_by_label("Take the photo").set_input_files(photos["anaemic"])
        insecure.get_by_role("button", name="Read the photo").click()
        expect(insecure.locator(".photo-form .form-status")).to_contain_text("Kept on this phone")
        server.start()
        wait_until_sent(insecure)  # without anybody touching it
        sign_in(page, server)
        assert len(readings_of(page, "KX-510")) == 1
    finally:
        phone.close()


def test_photos_of_one_worker_are_not_sent_as_anothers(page, server, photos):
    sign_in(page, server)
    add_woman(page, "KX-509")
    open_visit(page)
    settle_worker(page)
    server.kill()
    page.get_by_label("Take the photo").set_input_files(photos["anaemic"])
    page.get_by_role("button", name="Read the photo").click()
    expect(page.locator(".photo-form .form-status")).to_contain_text("Kept on this phone")
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
    "worker": ["/", "/women?find=KX", "/women/new", "/lists/severe", "/lists/no-rise", "/more"],
    "supervisor": ["/summary", "/exchange", "/people", "/audit", "/password", "/unsent"],
}


@pytest.fixture(scope="module")
def axe() -> str:
    """axe-core's source."""
    return axe_source()


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


def own_pages(page: Page) -> list[str]:
    """A woman's pages and a result of each kind that the register holds by now."""
    women = page.request.get("/api/women").json()
    paths = []
    seen = set()
    for woman in women:
        paths += [f"/women/{woman['id']}"]
        for reading in page.request.get(f"/api/women/{woman['id']}/readings").json():
            kind = (reading["source"], reading["outcome"])
            if kind not in seen:
                seen.add(kind)
                paths.append(reading["url"])
                if reading["visit_id"]:
                    paths.append(f"/visits/{reading['visit_id']}")
    paths += [f"/women/{women[0]['id']}/{form}" for form in ("tube", "lab")]
    return paths


SMALL_TARGETS = """() => [...document.querySelectorAll(
    "a, button, input:not([type=hidden]), select, summary")]
  .filter(e => e.checkVisibility() && !e.closest(".skip"))
  .map(e => (e.matches("input[type=radio], input[type=checkbox]") ? e.closest("label") : e))
  .map(e => [e.outerHTML.slice(0, 90), e.getBoundingClientRect()])
  .filter(([, box]) => box.width > 0 && (box.height < 43.5 || box.width < 43.5))
  .map(([html, box]) => `${Math.round(box.width)}x${Math.round(box.height)} ${html}`)"""


def check_page(page: Page, axe: str | None, path: str) -> None:
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"], path
    assert page.evaluate(SMALL_TARGETS) == [], path
    if axe is None:
        return
    page.evaluate(axe)
    found = page.evaluate(
        "axe.run({runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa',"
        " 'best-practice']})"
    )
    problems = [
        f"{v['id']}: {v['help']}: {n['html'][:120]}"
        for v in found["violations"]
        for n in v["nodes"]
    ]
    assert problems == [], path


def test_nothing_is_fetched_from_elsewhere(page, server):
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    sign_in(page, server)
    for path in PAGES["worker"]:
        page.goto(path)
    assert asked
    assert all(url.startswith((server.url, "blob:", "data:")) for url in asked)


def test_installable(page, server):
    """What Chromium asks of an installable page: manifest, icons, secure origin."""
    sign_in(page, server)
    settle_worker(page)
    session = page.context.new_cdp_session(page)
    assert session.send("Page.getInstallabilityErrors")["installabilityErrors"] == []
    manifest = session.send("Page.getAppManifest")
    assert manifest["errors"] == []
