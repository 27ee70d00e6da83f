"""Refusals that name what is wrong, in synthetic photos.

Light that falls off is no shadow, and a photo too bright is that wherever the phone's white ends.

The sittings are those of seeds of their own; the benchmark's are others.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from sitting import draw_sitting, stored, take

from cardreader.card import layout
from cardreader.core.refusal import Reason
from cardreader.pipeline import measure_photo
from cardreader.reader import load_lots
from cardreader.simulate.blotshape import BlotKind, draw_blot
from cardreader.simulate.rendering import Rendering
from cardreader.simulate.scene import with_light_factor
from cardreader.simulate.view import ShadowEdge, Spot

SEED, INDEX = 661010, 1
FALL_OFF = 0.08
"""Light lost half a card's width from the middle, beside what the sitting's lamp falls off by."""


def reason_of(
    fall_off: float, *, two_drops: bool = False, wet: bool = False, shadow: float = 0.0
) -> Reason | None:
    sitting = draw_sitting(SEED, 0, INDEX)
    bend = sitting.scene.shade_bend - fall_off
    scene = with_light_factor(replace(sitting.scene, shade_bend=bend), 0.8)
    view, blot = sitting.view, sitting.blot
    if two_drops:
        blot = draw_blot(np.random.default_rng([SEED, INDEX]), BlotKind.FRAGMENTS)
    if wet:
        x, y = blot.blobs[0].x_mm + 1.0, blot.blobs[0].y_mm - 1.0
        view = replace(view, spots=(Spot(x, y, 1.2, 0.25),))
    if shadow:
        x, y = layout.CENTRE_MM
        view = replace(view, shadows=(ShadowEdge(x + 22.0, y, 10.0, 2.0, shadow),))
    data = stored(sitting, take(sitting, scene=scene, view=view, blot=blot), view)
    refusal = measure_photo(data, load_lots()).refusal
    return None if refusal is None else refusal.reason


def test_a_good_blot_is_read_in_light_that_falls_off() -> None:
    assert reason_of(FALL_OFF) is None


def test_light_that_falls_off_too_far_is_no_reflection_on_a_dry_blot() -> None:
    """The paper's light peaks then, too, as under a lamp's image."""
    assert reason_of(0.25) is Reason.SHADOW_EDGE


@pytest.mark.parametrize("fall_off", [0.0, FALL_OFF, 2 * FALL_OFF])
def test_two_drops_are_two_drops_however_the_light_falls_off(fall_off: float) -> None:
    assert reason_of(fall_off, two_drops=True) is Reason.BLOT_UNEVEN


@pytest.mark.parametrize("fall_off", [0.0, FALL_OFF])
def test_a_wet_blot_is_wet_however_the_light_falls_off(fall_off: float) -> None:
    assert reason_of(fall_off, wet=True) is Reason.GLARE_ON_BLOT


@pytest.mark.parametrize("depth", [0.2, 0.4])
def test_a_shadow_beside_the_bay_is_still_told_where_the_blot_is_uneven(depth: float) -> None:
    assert reason_of(FALL_OFF, two_drops=True, shadow=depth) is Reason.SHADOW_EDGE


def reason_at(exposure: float, index: int, ends_at: int) -> Reason | None:
    """By a phone whose white ends at a code, where the bare card sends that many times its all."""
    sitting = draw_sitting(661012, 0, index)
    scene = with_light_factor(sitting.scene, exposure / float(sitting.scene.raw_stock.max()))
    ends = Rendering("ends", lambda encoded: encoded * (ends_at / 255))
    scene = replace(scene, camera=replace(scene.camera, rendering=ends))
    refusal = measure_photo(stored(sitting, take(sitting, scene=scene)), load_lots()).refusal
    return None if refusal is None else refusal.reason


@pytest.mark.parametrize(
    ("ends_at", "exposure", "index"),
    [(255, 1.25, 4), (247, 1.25, 4), (247, 1.12, 3), (247, 1.12, 7), (235, 1.7, 6)],
)
def test_a_photo_too_bright_is_told_so_wherever_white_ends(
    ends_at: int, exposure: float, index: int
) -> None:
    assert reason_at(exposure, index, ends_at) is Reason.CLIPPED


@pytest.mark.parametrize("index", [4, 7])
def test_a_photo_just_short_of_that_end_is_read(index: int) -> None:
    assert reason_at(0.95, index, 247) is None
