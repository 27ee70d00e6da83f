"""Photos over links that break or are slow, in a real browser against the real server."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
from browserkit import ROOT, Server
from phone import (
    HOTSPOT_NAME,
    add_woman,
    another,
    new_phone,
    open_visit,
    readings_of,
    sign_in,
    until,
)
from PIL import Image
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.slow

# 8 megapixels, 1.2 MB: large enough to travel in pieces, and smaller at half its size.
PHOTO = ROOT / "sample_images" / "good" / "moderate-8.3-tube.jpg"
HB_G_DL = json.loads(PHOTO.with_suffix(".reading.json").read_text("utf-8"))["hb"]["g_dl"]
LINK = {"offline": False, "latency": 20, "downloadThroughput": 1e6}


@pytest.fixture(scope="module")
def server(tmp_path_factory) -> Iterator[Server]:
    """A server that keeps photos."""
    server = Server(tmp_path_factory.mktemp("link") / "data", "--photos", "encrypted")
    server.add_people()
    server.start()
    yield server
    server.kill()


@pytest.fixture
def visit(page, server) -> Page:
    """An open visit."""
    sign_in(page, server)
    return page


@pytest.fixture
def photo(tmp_path) -> Path:
    """The picture as a file of its own: of one entered for another woman the server asks."""
    return another(Path(shutil.copy(PHOTO, tmp_path)))


def send(page: Page, photo: Path) -> None:
    page.get_by_label("Take the photo").set_input_files(photo)
    page.get_by_role("button", name="Read the photo").click()


def upload_at(page: Page, bytes_a_second: float):
    """Let the page's uploads go at a speed."""
    link = page.context.new_cdp_session(page)
    link.send("Network.enable")
    link.send("Network.emulateNetworkConditions", {**LINK, "uploadThroughput": bytes_a_second})
    return link


def sent_slowly(page: Page, code: str, photo: Path):
    """A photo sent over a slow link, until its reading is there; the link."""
    add_woman(page, code)
    open_visit(page)
    link = upload_at(page, 60_000)
    send(page, photo)
    expect(page.locator(".photo-form .form-status")).to_have_text(
        "The link is slow. The photo is sent smaller.", timeout=20_000
    )
    page.wait_for_url("**/readings/*", timeout=60_000)
    return link


def test_a_slow_link_gets_the_cards_part_and_the_original_later(visit, server):
    page = visit
    link = sent_slowly(page, "SL-1", PHOTO)
    expect(page.locator(".cautions")).to_contain_text("the phone sent the card's part of the photo")
    (reading,) = readings_of(page, "SL-1")
    original = hashlib.sha256(PHOTO.read_bytes()).hexdigest()
    sent = reading["reading"]["photo"]
    assert sent["card_part"] == {"original_sha256": original}
    assert sent["sha256"] != original
    assert sent["make_model"]  # the few facts of the camera travel with it
    assert (sent["width_px"], sent["height_px"]) == (3264, 2448)
    # tests/benchmarks/cardpart.py has the figures of many.
    assert reading["hb_g_dl"] == pytest.approx(HB_G_DL, abs=0.001)
    (kept,) = (server.data / "photos").glob("*.photo")
    assert kept.stat().st_size < PHOTO.stat().st_size / 2
    assert page.evaluate("Queue.originals().then(kept => kept.length)") == 1
    # A better link: the original goes by itself.
    link.send("Network.emulateNetworkConditions", {**LINK, "uploadThroughput": 1e8})
    page.goto("/unsent")
    until(page, "Queue.originals().then(kept => kept.length === 0)")
    (kept,) = (server.data / "photos").glob("*.photo")
    assert kept.stat().st_size > PHOTO.stat().st_size * 0.9
    assert len(readings_of(page, "SL-1")) == 1


def test_where_not_all_of_the_card_is_in_view_pixels_are_averaged(visit, tmp_path):
    page = visit
    cut = tmp_path / "cut.jpg"
    with Image.open(PHOTO) as photo:
        width, height = photo.size
        part = photo.crop((0, 0, round(0.5 * width), height)).resize((2160, 3200))
    part.save(cut, quality=98, subsampling=0)
    sent_slowly(page, "SL-5", cut)
    expect(page.locator(".cautions")).to_contain_text("1080 x 1600 pixels of 2160 x 3200")
    (reading,) = readings_of(page, "SL-5")
    assert reading["reading"]["photo"]["reduced"] == {
        "from_width_px": 2160,
        "from_height_px": 3200,
        "quality": 98,
        "original_sha256": hashlib.sha256(cut.read_bytes()).hexdigest(),
    }


def test_a_quick_link_gets_the_photo_as_it_is(visit, photo):
    page = visit
    add_woman(page, "SL-2")
    # By a clock that stands every link is quick; else it is slow where the machine is busy.
    page.clock.set_fixed_time(dt.datetime.now(dt.UTC))
    open_visit(page)
    send(page, photo)
    page.wait_for_url("**/readings/*", timeout=60_000)
    (reading,) = readings_of(page, "SL-2")
    assert reading["reading"]["photo"]["sha256"] == hashlib.sha256(photo.read_bytes()).hexdigest()
    assert "reduced" not in reading["reading"]["photo"]


TRY_TO_SEND = """() => {
  const fetch = self.fetch;
  self.fetch = (url, ...more) => {
    if (url.includes("&offset=") && !self.tried) self.tried = sendWaiting();
    return fetch(url, ...more);
  };
}"""
"""What waits is sent, as pages try every 15 s, when a photo's first piece goes."""


@pytest.mark.parametrize("secure", [True, False])
def test_a_photo_on_its_way_is_not_sent_a_second_time_beside(browser, server, photo, secure):
    url = server.url if secure else server.url.replace("127.0.0.1", HOTSPOT_NAME)
    with new_phone(browser, url) as phone:
        page = phone.pages[0]
        # Its cookies belong to the other name.
        sign_in(page, server if secure else SimpleNamespace(cookies={}))
        add_woman(page, f"SL-6{secure:d}")
        open_visit(page)
        page.evaluate("self.makeSmallerPhoto = null")
        page.evaluate(TRY_TO_SEND)
        pieces: list[int] = []
        page.on(
            "request",
            lambda sent: "&offset=" in sent.url and pieces.append(len(sent.post_data_buffer)),
        )
        send(page, photo)
        page.wait_for_url("**/readings/*", timeout=60_000)
        assert sum(pieces) == photo.stat().st_size


def test_a_broken_link_costs_the_last_piece_only(browser, server):
    with new_phone(browser, server.url) as phone:
        page = phone.pages[0]
        sign_in(page, server)
        add_woman(page, "SL-3")
        open_visit(page)
        page.evaluate("self.makeSmallerPhoto = null")  # a busy machine is a slow link, too
        pieces: list[int] = []
        broken = {3, 4, 7}

        def breaks(route):
            pieces.append(len(route.request.post_data_buffer or b""))
            if len(pieces) in broken:
                route.abort()
            else:
                route.continue_()

        page.route("**/api/uploads/*?size=*", breaks)
        page.get_by_label("Take the photo").set_input_files(
            ROOT / "sample_images" / "good" / "moderate-7.4-shade.jpg"
        )
        page.get_by_role("button", name="Read the photo").click()
        page.wait_for_url("**/readings/*", timeout=60_000)
        size = (ROOT / "sample_images" / "good" / "moderate-7.4-shade.jpg").stat().st_size
        arrived = sum(n for k, n in enumerate(pieces, 1) if k not in broken)
        assert arrived == size
        (reading,) = readings_of(page, "SL-3")
        assert reading["hb_g_dl"] is not None


def test_a_server_that_was_killed_meanwhile_gets_it_anew(browser, server):
    with new_phone(browser, server.url) as phone:
        page = phone.pages[0]
        sign_in(page, server)
        add_woman(page, "SL-4")
        open_visit(page)
        upload_at(page, 400_000)
        page.get_by_label("Take the photo").set_input_files(
            ROOT / "sample_images" / "good" / "moderate-9.2-morning.jpg"
        )
        page.get_by_role("button", name="Read the photo").click()
        until(page, "document.querySelector('progress').value > 0.2")
        server.kill()
        server.start()
        page.wait_for_url("**/readings/*", timeout=90_000)
        assert len(readings_of(page, "SL-4")) == 1
