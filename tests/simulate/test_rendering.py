"""What simulated phones do to colour after the tone curve."""

from __future__ import annotations

import colorsys
from dataclasses import replace
from datetime import date

import colour
import numpy as np
import pytest

from cardreader.simulate.cameras import Family, draw_rendering
from cardreader.simulate.rendering import (
    BT601_LUMA,
    BT709_LUMA,
    saturate_about_luma,
    saturate_in_hsv,
    saturate_in_oklab,
)
from cardreader.simulate.scene import GOOD, draw_scene, simulated_lot

ENCODED = np.random.default_rng(5).uniform(0.25, 0.75, (200, 3))
LOT = simulated_lot(7, date.max, 7)


@pytest.mark.parametrize("luma", [BT601_LUMA, BT709_LUMA])
def test_luma_stays(luma) -> None:
    livelier = saturate_about_luma(ENCODED, 1.2, luma)
    inside = ((livelier > 0) & (livelier < 1)).all(axis=1)
    assert np.allclose(livelier[inside] @ luma, ENCODED[inside] @ luma)


def test_hue_saturation_value_is_the_standard_librarys() -> None:
    livelier = saturate_in_hsv(ENCODED, 1.2)
    for before, after in zip(ENCODED, livelier, strict=True):
        h, s, v = colorsys.rgb_to_hsv(*before)
        if 1.2 * s < 1:
            assert np.allclose(after, colorsys.hsv_to_rgb(h, 1.2 * s, v), atol=1e-9)


def test_oklab_is_colour_sciences() -> None:
    duller = saturate_in_oklab(ENCODED, 0.8)

    def oklab(encoded):
        return colour.XYZ_to_Oklab(colour.sRGB_to_XYZ(encoded))

    before, after = oklab(ENCODED), oklab(duller)
    assert np.allclose(after[:, 0], before[:, 0], atol=1e-4)
    assert np.allclose(after[:, 1:], 0.8 * before[:, 1:], atol=1e-3)


@pytest.mark.parametrize("family", Family)
def test_greys_stay_grey_and_rise(family: Family) -> None:
    grey = np.repeat(np.linspace(0, 1, 41)[:, None], 3, axis=1)
    for seed in range(30):
        out = draw_rendering(np.random.default_rng(seed), family)(grey)
        assert np.ptp(out, axis=1).max() < 0.002
        assert (np.diff(out[:, 1]) > 0).all()
        assert 0.95 <= out[-1, 1] <= 1


@pytest.mark.parametrize("family", Family)
def test_some_are_plain_some_vivid_and_some_end_below_white(family: Family) -> None:
    seeds = [np.random.default_rng(seed) for seed in range(60)]
    rendered = [
        draw_rendering(rng, family)(np.array([[0.7, 0.4, 0.35], [1.0, 1, 1]])) for rng in seeds
    ]
    spread = np.array([np.ptp(colours[0]) / colours[1, 1] for colours in rendered])
    assert (np.abs(spread - 0.35) < 0.03).sum() >= 8
    assert (spread > 0.43).sum() >= 8
    assert (spread < 0.34).sum() >= 3
    assert 5 <= sum(colours[1, 1] < 0.995 for colours in rendered) <= 40


@pytest.mark.parametrize("family", Family)
def test_a_rendering_moves_no_other_draw(family: Family) -> None:
    plain = draw_scene(np.random.default_rng(3), 9.0, LOT, 7, GOOD, family)
    rendered = draw_scene(np.random.default_rng(3), 9.0, LOT, 7, GOOD, family, rendered=True)
    assert rendered.camera.rendering is not None
    assert np.array_equal(plain.raw_patches, rendered.raw_patches)
    assert np.array_equal(plain.glare, rendered.glare)


def test_photos_are_rendered_as_patches_are() -> None:
    from cardreader.simulate.photograph import encode

    scene = draw_scene(np.random.default_rng(3), 9.0, LOT, 7, GOOD, Family.FITTING)
    scene = replace(
        scene, camera=replace(scene.camera, rendering=lambda e: saturate_in_hsv(e, 1.3))
    )
    picture = encode(scene, scene.raw_patches[None].astype(np.float32))[0]
    assert np.abs(picture / 255 - scene.develop(scene.raw_patches)).max() < 1 / 255
