"""A phone in the tests: a real browser at its width, what it photographs, what is tapped.

The photos are synthetic, of the samples. ``conftest`` takes the
fixtures from here.
"""

from __future__ import annotations

import io
import os
import re
import shutil
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browserkit import CHROMIUM_OPTIONS, PASSWORD, PHONE, ROOT, Server, axe_source, chromium_path
from PIL import Image
from playwright.sync_api import Browser, BrowserContext, Page, Playwright, expect, sync_playwright

HOTSPOT_NAME = "register.hotspot"
SAMPLES = ROOT / "sample_images" / "good"
SHOWN = {
    "severe": "severe-4.8-lamp",
    "anaemic": "moderate-9.2-morning",
    "fine": "above-14.6-led",
}
"""Samples by what is read on them; their names tell the haemoglobin that was rendered."""
SHOTS = os.environ.get("CARDREADER_SCREENSHOTS")
"""A folder to leave screenshots in, for the docs."""


@pytest.fixture(scope="session")
def photos(tmp_path_factory) -> dict[str, Path]:
    """Synthetic photos by name: severe, anaemic, fine; and one that shows no card."""
    # Copies, since tests put photos of their own beside them.
    folder = tmp_path_factory.mktemp("phone")
    found = {name: Path(shutil.copy(SAMPLES / f"{of}.jpg", folder)) for name, of in SHOWN.items()}
    noise = np.random.default_rng(1).integers(90, 160, (1200, 1600, 3), dtype=np.uint8)
    nothing = folder / "nothing.jpg"
    out = io.BytesIO()
    Image.fromarray(noise).save(out, "JPEG")
    nothing.write_bytes(out.getvalue())
    return {**found, "nothing": nothing}


@pytest.fixture(scope="module")
def server(tmp_path_factory) -> Iterator[Server]:
    """The server, with an account a role."""
    server = Server(tmp_path_factory.mktemp("register") / "data", "--place", "Invented Hill")
    server.add_people()
    server.add_history()
    server.start()
    yield server
    server.kill()


@pytest.fixture(scope="session")
def playwright() -> Iterator[Playwright]:
    """The browser's remote control."""
    with sync_playwright() as running:
        yield running


@pytest.fixture(scope="session")
def browser(playwright) -> Iterator[Browser]:
    """One browser for all phones that need no options of their own."""
    with playwright.chromium.launch(**_program()) as browser:
        yield browser


@pytest.fixture
def context(browser, server) -> Iterator[BrowserContext]:
    """A fresh phone."""
    if server.process is None:  # a test that failed between kill and start is one failure, not all
        server.start()
    with new_phone(browser, server.url) as phone:
        yield phone


@contextmanager
def new_phone(browser: Browser, url: str, **options: Any) -> Iterator[BrowserContext]:
    """A phone with storage, cookies and service workers of its own, and a page open."""
    with browser.new_context(**_phone(url), **options) as phone:
        phone.set_default_timeout(15_000)
        answer_untimed(phone)
        phone.new_page()
        yield phone


def answer_untimed(phone: BrowserContext) -> None:
    """Let the day's question about a blot that no timer timed be answered already."""
    phone.add_init_script(
        "try { localStorage.setItem('dried-untimed-on', new Date().toDateString()); } catch {}"
    )


@contextmanager
def phone_of_its_own(
    playwright: Playwright, url: str, profile: Path, *words: str, whole: bool = False
) -> Iterator[BrowserContext]:
    """A phone that is a browser by itself, with a profile and further options."""
    options = _program(*words, whole=whole) | _phone(url)
    with playwright.chromium.launch_persistent_context(str(profile), **options) as phone:
        phone.set_default_timeout(20_000)
        answer_untimed(phone)
        yield phone


def _program(*words: str, whole: bool = False) -> dict[str, Any]:
    # A name that isn't "localhost", for a page that the browser deems insecure.
    names = f"--host-resolver-rules=MAP {HOTSPOT_NAME} 127.0.0.1"
    args = [*CHROMIUM_OPTIONS, names, *words]
    return {"executable_path": chromium_path(whole), "headless": True, "args": args}


def _phone(url: str) -> dict[str, Any]:
    """360 px wide, touch."""
    return {
        **{"viewport": PHONE, "device_scale_factor": 2, "has_touch": True, "is_mobile": True},
        **{"locale": "en-GB", "base_url": url},
    }


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
    page.wait_for_load_state("load")  # its scripts too: before, a form goes without them


def another(photo: Path) -> Path:
    """The same picture as another file, as a second photo of the same blot would be."""
    data = photo.read_bytes()
    note = uuid.uuid4().bytes
    made = photo.with_name(f"{photo.stem}-{note.hex()}.jpg")
    # A comment segment behind the start of the JPEG.
    made.write_bytes(data[:2] + b"\xff\xfe" + (len(note) + 2).to_bytes(2, "big") + note + data[2:])
    return made


def choose_photo(page: Page, photo: Path) -> Path:
    """Take a photo never taken before; returns the file as it was chosen."""
    chosen = another(photo)
    page.get_by_label("Take the photo").set_input_files(chosen)
    return chosen


def keep_photo(page: Page, photo: Path) -> None:
    """Send one while the server is out of reach: it is kept, and said so."""
    choose_photo(page, photo)
    page.get_by_role("button", name="Read the photo").click()
    expect(page.locator(".photo-form .form-status")).to_contain_text("Kept on this phone")


def read_photo(page: Page, photo: Path, dry: bool = False) -> None:
    """``dry`` answers the question of a timer that still runs, or that was not started."""
    choose_photo(page, photo)
    if dry:
        page.get_by_role("button", name="This blot is dry").click()
    page.get_by_role("button", name="Read the photo").click()
    page.wait_for_url("**/readings/*", timeout=40_000)


def shown_in_docs() -> set[str]:
    """Names of the screenshots that a page of the docs shows."""
    texts = [path.read_text(encoding="utf-8") for path in (ROOT / "docs").glob("*.md")]
    return {name for text in texts for name in re.findall(r"screenshots/([\w-]+)\.png", text)}


def shot(page: Page, name: str) -> None:
    """Renew a screenshot of the docs, where a folder for them is named."""
    if SHOTS and name in shown_in_docs():
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
    page.evaluate(CLAIMED)
    if not page.evaluate("navigator.serviceWorker.controller !== null"):
        page.reload()  # a page that came while it began is held from its next opening
    until(page, "navigator.serviceWorker.controller !== null")


CLAIMED = """async () => {
  const workers = navigator.serviceWorker;
  const claimed = new Promise((done) => {
    workers.addEventListener("controllerchange", done, { once: true });
  });
  await workers.ready;
  // It claims the pages that are open a moment after it is ready; of some it doesn't know yet.
  const long = new Promise((done) => { setTimeout(done, 5000); });
  if (!workers.controller) await Promise.race([claimed, long]);
}"""


def wait_until_sent(page: Page) -> None:
    """Wait until the phone keeps nothing any more, and says so."""
    until(page, "Queue.all().then(kept => kept.length === 0)")
    expect(page.locator("#unsent-badge")).to_be_hidden()


def readings_of(page: Page, code: str) -> list[dict]:
    """A woman's readings as the API gives them."""
    women = page.request.get("/api/women").json()
    (woman,) = [w for w in women if w["code"] == code]
    return page.request.get(f"/api/women/{woman['id']}/readings").json()


@pytest.fixture(scope="session")
def axe() -> str:
    """axe-core's source."""
    return axe_source()


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
    # Of what passes nothing is wanted: to describe it takes longer than to find it.
    found = page.evaluate(
        "axe.run({runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa',"
        " 'best-practice'], resultTypes: ['violations']}).then(found => found.violations)"
    )
    problems = [f"{v['id']}: {v['help']}: {n['html'][:120]}" for v in found for n in v["nodes"]]
    assert problems == [], path
