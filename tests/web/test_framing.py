"""Taking the photo inside the page, with Chromium's stand-in for a camera showing the card."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import cv2
import numpy as np
import pytest
from browserkit import ROOT
from phone import HOTSPOT_NAME, SHOTS, new_phone, phone_of_its_own, sign_in, until
from playwright.sync_api import Page, expect

from cardreader.api import read_photo
from cardreader.card import layout
from cardreader.core.refusal import ADVICE, Reason
from cardreader.read.locate import locate
from cardreader.read.photo import open_photo

pytestmark = pytest.mark.slow

PHOTO = str(ROOT / "sample_images" / "good" / "moderate-8.3-tube.jpg")
SIZE = (1280, 960)
PATIENCE_MS = 40_000
"""For the first look at a picture: the browser starts its camera and compiles its scripts."""
LAMP_MM = layout.centres_mm()[35]
"""Amid the shades of blood, off the neutrals, on which too much light is told otherwise."""


def film(
    folder: Path, blurred_every: int = 0, card_share: float = 1.0, mirrored_mm: float = 0.0
) -> Path:
    """A short film of a synthetic photo; every so many pictures are out of focus.

    ``mirrored_mm`` is the radius of a lamp mirrored in the card, amid its patches.
    """
    photo = cv2.imread(PHOTO)
    if mirrored_mm:
        photo = with_lamp(photo, mirrored_mm)
    picture = cv2.resize(photo, SIZE, interpolation=cv2.INTER_AREA)
    if card_share < 1:
        small = cv2.resize(
            picture, None, fx=card_share, fy=card_share, interpolation=cv2.INTER_AREA
        )
        picture[:] = 150
        picture[: small.shape[0], : small.shape[1]] = small
    path = folder / "film.y4m"
    with path.open("wb") as file:
        file.write(f"YUV4MPEG2 W{SIZE[0]} H{SIZE[1]} F5:1 Ip A1:1 C420jpeg\n".encode())
        for k in range(4):
            soft = blurred_every and k % blurred_every
            shown = cv2.GaussianBlur(picture, (0, 0), 2.5) if soft else picture
            file.write(b"FRAME\n" + cv2.cvtColor(shown, cv2.COLOR_BGR2YUV_I420).tobytes())
    return path


def with_lamp(photo: np.ndarray, radius_mm: float) -> np.ndarray:
    """White where the lamp is mirrored, and falling off softly about it."""
    data = cv2.imencode(".png", photo)[1].tobytes()
    pose = locate(open_photo(data))
    scale = photo.shape[1] / pose.image_size[0]
    x, y = scale * pose.to_px(LAMP_MM[None])[0]
    radius = scale * pose.px_per_mm * radius_mm
    down, right = np.indices(photo.shape[:2])
    off = np.hypot(right - x, down - y) / radius
    light = 400 * np.exp(-(off**4))
    return np.minimum(photo + light[..., None], 255).astype(np.uint8)


@contextmanager
def page_with_camera(playwright, url: str, profile: Path, shown: Path) -> Iterator[Page]:
    words = (
        "--use-fake-device-for-media-stream",
        "--use-fake-ui-for-media-stream",
        f"--use-file-for-fake-video-capture={shown}",
    )
    with phone_of_its_own(playwright, url, profile, *words) as phone:
        yield phone.pages[0]


def take_it(page: Page) -> dict:
    """Take the picture; what the look at it gave."""
    page.locator(".framing-take").click()
    until(page, "(document.querySelector('.looked').dataset.seen || '') !== ''")
    expect(page.locator("dialog.framing")).to_be_hidden()
    expect(page.locator(".preview")).to_be_visible()
    return json.loads(page.locator(".looked").get_attribute("data-seen"))


def test_the_sharpest_still_is_taken_and_read(playwright, server, tmp_path):
    with page_with_camera(playwright, server.url, tmp_path / "p", film(tmp_path, 2)) as page:
        sign_in(page, server)
        page.goto("/unsent")
        page.get_by_role("button", name="Take it with help in framing").click()
        words = page.locator(".framing-words")
        expect(words).to_have_text(ADVICE[Reason.BLURRED], timeout=PATIENCE_MS)
        expect(words).to_have_text("Good. Hold still and take it.", timeout=PATIENCE_MS)
        if SHOTS:
            page.screenshot(path=f"{SHOTS}/framing.png")
        seen = take_it(page)
        assert seen["reason"] is None
        assert seen["blurMm"] < 0.2  # the soft ones have 0.3
        page.get_by_label("Her code in your register").fill("FR-1")
        page.get_by_role("button", name="Keep and send").click()
        page.wait_for_url("**/readings/*", timeout=60_000)
        assert 7.3 < float(page.locator(".value b").inner_text()) < 10.1  # 8.3 was rendered


def test_where_no_stills_can_be_had_a_frame_is_taken_and_said(playwright, server, tmp_path):
    # Sharp, soft, soft, sharp: of pictures taken two apart one is always sharp.
    with page_with_camera(playwright, server.url, tmp_path / "p", film(tmp_path, 3)) as page:
        page.add_init_script("delete window.ImageCapture")
        sign_in(page, server)
        page.goto("/unsent")
        page.get_by_role("button", name="Take it with help in framing").click()
        # The film is soft half of the time: she takes it when told.
        words = page.locator(".framing-words")
        expect(words).to_have_text("Good. Hold still and take it.", timeout=PATIENCE_MS)
        assert take_it(page)["blurMm"] < 0.2
        page.get_by_label("Her code in your register").fill("FR-2")
        page.get_by_role("button", name="Keep and send").click()
        page.wait_for_url("**/readings/*", timeout=60_000)
        expect(page.locator(".cautions")).to_contain_text("one picture of the camera's moving ones")


def test_she_is_told_to_move_closer(playwright, server, tmp_path):
    shown = film(tmp_path, card_share=0.6)
    with page_with_camera(playwright, server.url, tmp_path / "p", shown) as page:
        sign_in(page, server)
        page.goto("/unsent")
        page.get_by_role("button", name="Take it with help in framing").click()
        expect(page.locator(".framing-words")).to_have_text(
            ADVICE[Reason.CARD_TOO_SMALL], timeout=PATIENCE_MS
        )
        page.get_by_role("button", name="Close").click()
        expect(page.locator("dialog.framing")).to_be_hidden()
        # The camera is given back, a moment after the dialog is gone.
        until(page, "document.querySelector('.framing video').srcObject === null")
        assert page.evaluate("document.querySelector('.framing video').srcObject") is None


def test_she_is_told_of_a_reflection_while_framing(playwright, server, tmp_path):
    """A lamp mirrored on several patches: what the reader would refuse the still for."""
    still = cv2.imencode(".jpg", with_lamp(cv2.imread(PHOTO), 9))[1].tobytes()
    refusal = read_photo(still).refusal
    assert refusal is not None
    assert refusal.reason is Reason.GLARE_ON_PATCHES
    shown = film(tmp_path, mirrored_mm=9)
    with page_with_camera(playwright, server.url, tmp_path / "p", shown) as page:
        sign_in(page, server)
        page.goto("/unsent")
        page.get_by_role("button", name="Take it with help in framing").click()
        expect(page.locator(".framing-words")).to_have_text(
            ADVICE[Reason.GLARE_ON_PATCHES], timeout=PATIENCE_MS
        )
        seen = json.loads(page.locator("dialog.framing").get_attribute("data-seen"))
        assert seen["reason"] == "glare_on_patches"
        expect(page.locator("dialog.framing")).not_to_have_class("framing good")
        # She may take it all the same.
        expect(page.locator(".framing-take")).to_be_enabled()


def test_without_a_camera_the_phones_own_stays(page, server):
    sign_in(page, server)
    page.goto("/unsent")
    page.get_by_role("button", name="Take it with help in framing").click()
    expect(page.locator(".photo-form .form-status")).to_contain_text(
        "The camera can't be used here"
    )
    expect(page.get_by_label("Take the photo")).to_be_enabled()


def test_on_an_unsecured_page_it_is_not_offered(browser, server):
    url = server.url.replace("127.0.0.1", HOTSPOT_NAME)
    with new_phone(browser, url) as phone:
        insecure = phone.pages[0]
        insecure.goto("/unsent")
        expect(insecure.locator(".framing-open")).to_be_hidden()
        expect(insecure.locator(".camera")).to_be_visible()
