"""Patch samples: right in value, refused when the light is unfit."""

from functools import cache

import colour
import numpy as np
import pytest
import rig
from scipy.stats import trim_mean

from cardreader.card import layout
from cardreader.core.refusal import Reason, Refusal
from cardreader.read.locate import CardPose, locate
from cardreader.read.photo import Photo
from cardreader.read.sample import MAX_SIDE, TRIM, PatchSamples, lightest_prints, sample

X, Y = layout.CENTRE_MM
CENTRES = np.array([(c.x_mm, c.y_mm) for c in layout.cells()])
draw_card = cache(rig.draw_card)


def result(after=None, deep=False, **shot):
    """Sample a photo; ``after`` changes the linear picture, given mm from the bay's middle."""
    scene = rig.photograph(draw_card(), rig.Shot(**shot))
    rgb = scene.rgb
    if after is not None:
        height, width = rgb.shape[:2]
        x, y = scene.to_px(np.array([X, Y]))
        scale = scene.shot.fill * width / layout.WIDTH_MM
        at = (np.arange(width) - x) / scale, (np.arange(height)[:, None] - y) / scale
        rgb = rig.encode(after(colour.models.eotf_sRGB(np.arange(256) / 255)[rgb], *at))
    if deep:
        rgb = rgb.astype(np.uint16) * 257
    photo = Photo(encoded=rgb, full_size=rgb.shape[1::-1], scale=1.0, sha256="0" * 64)
    pose = locate(photo)
    assert isinstance(pose, CardPose), pose
    return sample(photo, pose), scene


def samples(**more) -> PatchSamples:
    made, _ = result(**more)
    assert isinstance(made, PatchSamples), made
    return made


def reason(**more) -> Reason:
    refusal, _ = result(**more)
    assert isinstance(refusal, Refusal), "not refused"
    assert refusal.stage == "sample"
    return refusal.reason


def light_at(scene, points_mm):
    """The rig's light at card points, (N, 3)."""
    width, height = scene.shot.size
    u = 2 * scene.to_px(points_mm) / (width - 1, height - 1) - 1
    return (1 + u @ np.array(scene.shot.slope))[:, None] * np.array(scene.shot.gain)


@pytest.mark.parametrize(
    "shot",
    [
        {},
        {"turn_deg": 115, "fill": 0.5},
        {"tilt_deg": 40, "fill": 0.6},
        {"fill": 0.3},
        {"slope": (0.5, 0.2), "gain": (0.6, 0.55, 0.5)},
        {"blur_mm": 0.25},
        {"lens": 0.05},
        {"gain": (0.12, 0.1, 0.09)},
    ],
)
def test_patches_agree_with_what_was_drawn_and_lit(shot):
    made, scene = result(**shot)
    assert isinstance(made, PatchSamples), made
    truth = rig.patch_colours() * light_at(scene, CENTRES)
    # Codes are whole: a dark patch is known to half a code step.
    np.testing.assert_allclose(made.linear, truth, rtol=0.02, atol=0.0012)


def test_sixteen_bits_give_the_same():
    np.testing.assert_allclose(samples(deep=True).linear, samples().linear, atol=1e-4)


def test_mean_agrees_with_scipy():
    """scipy's trimmed mean of the same pixels, gathered one by one."""
    scene = rig.photograph(draw_card(), rig.Shot(noise=0.02))
    photo = Photo(scene.rgb, scene.shot.size, 1.0, "0" * 64)
    pose = locate(photo)
    made = sample(photo, pose)
    side = MAX_SIDE
    assert pose.px_per_mm * 0.6 * layout.PATCH_MM > side
    step = ((np.arange(side) + 0.5) / side - 0.5) * 0.6 * layout.PATCH_MM
    pixels = []
    for dy in step:
        for dx in step:
            x, y = np.rint(pose.to_px(CENTRES[5] + (dx, dy))).astype(int)
            pixels.append(photo.to_linear(scene.rgb[y, x]))
    np.testing.assert_allclose(made.linear[5], trim_mean(pixels, TRIM), rtol=1e-5)


def test_speck_does_not_move_the_mean():
    def speck(linear, x, y):
        inside = np.hypot(x - (CENTRES[0, 0] - X), y - (CENTRES[0, 1] - Y)) < 0.4
        return np.where(inside[..., None], 0.02, linear)

    still = {"turn_deg": 0, "tilt_deg": 0}
    clean, dirty = samples(**still), samples(after=speck, **still)
    np.testing.assert_allclose(dirty.linear[0], clean.linear[0], rtol=0.02)


def test_clipped_share_of_saturated_patches():
    colours = rig.patch_colours()
    colours[50] = (1.3, 0.4, 0.3)
    scene = rig.photograph(rig.draw_card(colours=colours), rig.Shot())
    photo = Photo(scene.rgb, scene.shot.size, 1.0, "0" * 64)
    made = sample(photo, locate(photo))
    assert made.clipped_share[50] > 0.9
    assert np.delete(made.clipped_share, 50).max() == 0


# -- refused -----------------------------------------------------------------


def test_overexposed():
    assert reason(gain=(1.4, 1.3, 1.3), fill=0.6) is Reason.CLIPPED


def test_too_dark():
    assert reason(gain=(0.025,) * 3) is Reason.TOO_DARK


def ended(most):
    """A sensor that is full at light ``most``, in all channels or by channel."""
    return lambda linear, x, y: np.minimum(linear, most)


@pytest.mark.parametrize("most", [0.93, 0.8, (0.88, 2.0, 2.0), (2.0, 0.8, 2.0)])
def test_white_that_ends_below_the_highest_code(most):
    """0.93 is code 247, 0.8 code 231. The card's bare white is 0.86 of the light, its lightest
    print less."""
    bright = {"gain": (1.13, 1.13, 1.13), "noise": 0.01}
    assert reason(after=ended(most), **bright) is Reason.CLIPPED


def test_white_that_does_not_end_is_sampled():
    samples(gain=(1.02, 1.0, 0.98), noise=0.01)
    samples(after=ended(0.93), gain=(0.95, 0.95, 0.95), noise=0.01)


def test_a_card_no_lighter_than_its_lightest_print_is_sampled():
    """On dull stock a printer may leave the lightest grey bare; its grain says it hasn't ended."""
    colours = rig.patch_colours()
    colours[lightest_prints()] = 0.86
    shot = rig.Shot(gain=(0.9, 0.9, 0.9), slope=(0.0, 0.0), noise=0.002)
    scene = rig.photograph(rig.draw_card(colours=colours), shot)
    photo = Photo(scene.rgb, scene.shot.size, 1.0, "0" * 64)
    assert isinstance(sample(photo, locate(photo)), PatchSamples)
