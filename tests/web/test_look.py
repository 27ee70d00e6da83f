"""The look at a picture before it is sent, in a real browser, against the reader's own verdict.

Whatever the reader reads must pass without a word; what it refuses for a reason that can
be seen beforehand is to be told. All photos are synthetic.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from browserkit import ROOT
from phone import SHOTS, add_woman, open_visit, shot, sign_in, until
from playwright.sync_api import Page, expect

from cardreader.core.refusal import ADVICE, Reason
from cardreader.pipeline import read_photo
from cardreader.reader import load_reader
from cardreader.simulate import demolots
from cardreader.simulate.blotshape import draw_blot
from cardreader.simulate.cameras import Family
from cardreader.simulate.photograph import photograph
from cardreader.simulate.samples import TODAY
from cardreader.simulate.scene import ORDINARY, draw_scene, with_light_factor
from cardreader.simulate.view import draw_view, fitted
from cardreader.web import cardfacts
from cardreader.web.lookwords import LOOKED_FOR

SAMPLES = ROOT / "sample_images"
SEEN_BEFOREHAND = {
    "no-card": Reason.NO_CARD,
    "corner-cut-off": Reason.CARD_PART_HIDDEN,
    "thumb-on-corner": Reason.CARD_PART_HIDDEN,
    "too-far-away": Reason.CARD_TOO_SMALL,
    "strong-tilt": Reason.CARD_TOO_TILTED,
    "mirrored": Reason.CARD_MIRRORED,
    "out-of-focus": Reason.BLURRED,
    "shaken": Reason.BLURRED,
    "too-bright": Reason.CLIPPED,
}


@pytest.fixture
def visit(page, server) -> Page:
    """A page with the form that takes a photo."""
    sign_in(page, server)
    page.goto("/unsent")
    return page


def looked(page: Page, photo: Path) -> dict | None:
    """What the look at a photo gave, chosen as she chooses it.

    Once more where nothing was said: a phone, or a busy machine, that takes too long isn't
    waited for.
    """
    seen = None
    for _ in range(4):
        page.locator("input[name=photo]").set_input_files(photo)
        until(page, "document.querySelector('.looked').dataset.seen")
        seen = json.loads(page.locator(".looked").get_attribute("data-seen"))
        if seen is not None:
            break
    return seen


def test_card_facts_are_the_readers():
    assert cardfacts.FILE.read_text("utf-8") == cardfacts.text()


def test_every_advice_is_there_for_every_reason_looked_for():
    script = (cardfacts.FILE.parent / "look.js").read_text("utf-8")
    for reason in LOOKED_FOR:
        assert f'"{reason.value}"' in script, reason


@pytest.mark.slow
def test_nothing_is_said_against_good_samples(visit):
    photos = sorted((SAMPLES / "good").glob("*.jpg"))
    assert len(photos) >= 15
    for photo in photos:
        seen = looked(visit, photo)
        assert seen is not None, photo.name
        assert seen["markers"] == 4, photo.name
        assert seen["reason"] is None, (photo.name, seen)
        expect(visit.locator(".looked")).to_be_hidden()


@pytest.mark.slow
def test_refused_samples_of_these_kinds_are_told_with_the_readers_words(visit):
    for name, reason in SEEN_BEFOREHAND.items():
        seen = looked(visit, SAMPLES / "refused" / f"{name}.jpg")
        assert seen["reason"] == reason.value, (name, seen)
        expect(visit.locator(".looked b")).to_have_text(ADVICE[reason])
        expect(visit.locator(".looked")).to_contain_text("You can send it all the same.")
    if SHOTS:
        visit.locator(".looked").scroll_into_view_if_needed()
        shot(visit, "looked")


@pytest.mark.slow
def test_refused_samples_of_other_kinds_pass(visit):
    for photo in sorted((SAMPLES / "refused").glob("*.jpg")):
        if photo.stem not in SEEN_BEFOREHAND:
            assert looked(visit, photo)["reason"] is None, photo.name


@pytest.mark.slow
def test_no_false_alarm_on_photos_of_many_worlds_that_the_reader_reads(visit, tmp_path):
    """Drawn with seeds of their own, near the limits on purpose: tilt, distance, blur, light."""
    reader = load_reader(today=TODAY)
    read = 0
    for k in range(18):
        data = near_a_limit(k)
        photo = tmp_path / f"{k}.jpg"
        photo.write_bytes(data)
        seen = looked(visit, photo)
        if seen["reason"] is None and read >= 12:
            continue  # no alarm, and the reader has read enough of them: nothing is left to ask
        if read_photo(data, reader).refusal is None:
            read += 1
            assert seen["reason"] is None, (k, seen)
    assert read >= 12


def near_a_limit(k: int) -> bytes:
    """One of many synthetic photos, each near one limit of the reader."""
    key = [61_000, k]
    rng = np.random.default_rng(key)
    lot = demolots.IN_DATE
    scene = draw_scene(rng, 9.0 + k % 5, lot.lot(), lot.print_seed, ORDINARY, Family.HELD_OUT)
    view = draw_view(np.random.default_rng([*key, 1]), (1600, 1200))
    share = (k // 6) / 2
    match k % 6:
        case 0:
            view = replace(view, tilt_deg=50 + 9 * share, card_share=0.3)
        case 1:
            view = replace(view, card_share=0.05 + 0.02 * share)
        case 2:
            view = replace(view, defocus_px=2.0 + 1.5 * share, card_share=0.35)
        case 3:
            view = replace(view, motion_px=6.0 + 6.0 * share, motion_deg=30.0, card_share=0.35)
        case 4:
            scene = with_light_factor(scene, 0.05 + 0.2 * share)
        case _:
            scene = with_light_factor(scene, 1.0 + 0.3 * share)
    return photograph(scene, fitted(view), 61_000 + k, draw_blot(np.random.default_rng([*key, 2])))


@pytest.mark.slow
def test_what_is_no_picture_is_left_to_the_reader(visit, tmp_path):
    """A format that this browser can't open may be one that the reader can."""
    other = tmp_path / "photo.heic"
    other.write_bytes(b"\x00\x00\x00\x18ftypheic" + bytes(200))
    assert looked(visit, other) is None
    expect(visit.locator(".looked")).to_be_hidden()


@pytest.mark.slow
def test_it_is_said_in_her_language_and_can_be_sent_all_the_same(page, server):
    sign_in(page, server)
    page.context.add_cookies([{"name": "language", "value": "fr", "url": page.url}])
    page.goto("/unsent")
    looked(page, SAMPLES / "refused" / "too-far-away.jpg")
    expect(page.locator(".looked b")).to_have_text(
        re.compile("^La carte est trop petite sur l.image. Approchez-vous. Si elle remplit déjà ")
    )
    page.context.clear_cookies(name="language")
    add_woman(page, "KX-601")
    open_visit(page)
    assert looked(page, SAMPLES / "refused" / "too-far-away.jpg")["reason"] == "card_too_small"
    page.get_by_role("button", name="Read the photo").click()
    page.wait_for_url("**/readings/*", timeout=40_000)
    expect(page.locator(".advice")).to_have_text(ADVICE[Reason.CARD_TOO_SMALL])
