"""What simulated phones do to brightness by what lies around it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import cv2
import numpy as np
import pytest

from cardreader.card import layout
from cardreader.simulate.blotshape import draw_blot
from cardreader.simulate.cameras import Family, draw_local_tone
from cardreader.simulate.localtone import LocalTone
from cardreader.simulate.patchdraw import patch_draw
from cardreader.simulate.photograph import develop, expose
from cardreader.simulate.rendering import BT709_LUMA
from cardreader.simulate.scene import GOOD, Scene, draw_scene, simulated_lot
from cardreader.simulate.surround import luma_about
from cardreader.simulate.view import View

LOT = simulated_lot(7, date.max, 7)
GREYS = np.repeat(np.linspace(0.02, 0.98, 30)[:, None], 3, axis=1)
FLAT_ON = View(size=(1600, 1200), card_share=0.5, with_card=True)


def drawn(family: Family, seed: int) -> LocalTone:
    rng = np.random.default_rng(seed)
    return next(local for _ in range(50) if (local := draw_local_tone(rng, family)))


def scene_of(local: LocalTone | None) -> Scene:
    scene = draw_scene(np.random.default_rng(4), 9.0, LOT, 7, GOOD, Family.FITTING)
    return replace(scene, camera=replace(scene.camera, local=local))


@pytest.mark.parametrize("family", Family)
def test_dark_neighbourhoods_are_lifted_and_bright_ones_held_back(family: Family) -> None:
    for seed in range(20):
        local = drawn(family, seed)
        dark, bright = (local.apply(GREYS, np.full(len(GREYS), about)) for about in (0.2, 0.8))
        assert (dark >= GREYS).all()
        assert (bright <= GREYS).all()
        assert (dark - bright)[1:-1].min() > 0
        assert 3 < local.reach_mm < 26
        for out in (dark, bright):
            assert np.ptp(out, axis=1).max() < 1e-12
            assert (np.diff(out[:, 0]) >= 0).all()


def test_a_neighbourhood_of_the_middle_is_left_alone() -> None:
    for family in Family:
        middle = drawn(family, 1).apply(GREYS, np.full(len(GREYS), 0.5))
        assert np.allclose(middle, GREYS)


def test_the_fits_phones_are_local_or_not_and_the_held_out_ones_all_are() -> None:
    drawn_of = {
        family: [draw_local_tone(np.random.default_rng(seed), family) for seed in range(200)]
        for family in Family
    }
    assert 40 <= sum(local is not None for local in drawn_of[Family.FITTING]) <= 80
    assert all(drawn_of[Family.HELD_OUT])


def test_local_tone_moves_no_other_draw() -> None:
    plain, local = (
        draw_scene(
            np.random.default_rng(3), 9.0, LOT, 7, GOOD, Family.HELD_OUT,
            rendered=True, local_tone=local,
        )
        for local in (False, True)
    )  # fmt: skip
    assert plain.camera.local is None
    assert local.camera.local is not None
    assert np.array_equal(plain.raw_patches, local.raw_patches)
    assert np.array_equal(
        plain.camera.rendering(GREYS * [1, 0.6, 0.5]), local.camera.rendering(GREYS * [1, 0.6, 0.5])
    )


@pytest.mark.parametrize("reach_mm", [4.0, 10.0, 25.0])
def test_luma_about_is_that_of_a_blurred_photo(reach_mm: float) -> None:
    scene = scene_of(None)
    rng = np.random.default_rng(2)
    raw = expose(scene, FLAT_ON, draw_blot(rng), rng)
    luma = (scene.camera.tone(scene.display(raw)) @ BT709_LUMA).astype(np.float32)
    at_mm = layout.centres_mm()
    px = np.round(FLAT_ON.projection.to_px(at_mm)).astype(int)
    scale = float(FLAT_ON.projection.px_per_mm(at_mm).mean())
    blurred = cv2.GaussianBlur(luma, (0, 0), reach_mm * scale, borderType=cv2.BORDER_REPLICATE)
    corner = raw[:60, :60].mean(axis=(0, 1)).astype(float)
    about = luma_about(scene, at_mm, reach_mm, corner - scene.glare)
    off = about - blurred[px[:, 1], px[:, 0]]
    assert np.abs(off).max() < 0.06
    assert np.abs(off - off.mean()).mean() < 0.015


@pytest.mark.parametrize("family", Family)
def test_a_photos_prints_are_mapped_as_drawn_ones_are(family: Family) -> None:
    local = replace(drawn(family, 2), reach_mm=6.0)
    shift = {}
    at_mm = layout.centres_mm()
    px = np.round(FLAT_ON.projection.to_px(at_mm)).astype(int)
    for what, mapped in (("plain", None), ("local", local)):
        scene = scene_of(mapped)
        rng = np.random.default_rng(2)
        raw = expose(scene, FLAT_ON, draw_blot(rng), rng)
        picture = develop(scene, replace(FLAT_ON, sharpen=0.0), raw, rng).astype(np.float32)
        soft = cv2.blur(picture, (21, 21))
        samples = patch_draw(scene, np.random.default_rng(8)).samples
        shift[what] = np.log(soft[px[:, 1], px[:, 0], 1]), np.log(samples.linear[:, 1])
    seen, foretold = (shift["local"][k] - shift["plain"][k] for k in (0, 1))
    assert np.ptp(foretold) > 0.05
    assert np.corrcoef(seen, foretold)[0, 1] > 0.95
